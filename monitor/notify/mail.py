"""One letter by SMTP (RFC 5321), never below the security that was written down, with one deadline for the whole.

smtplib waits in a thread of this letter's own, so that no slow server takes the place of another; when time is up its
connection is shut, and nothing more can leave by it.
"""

import asyncio
import email.policy
import email.utils
import logging
import mimetypes
import smtplib
import socket
import ssl
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from email.message import EmailMessage
from pathlib import Path
from typing import Literal

from monitor.facts.printable import one_line
from monitor.facts.words import say
from monitor.notify.http import system_words
from monitor.notify.tls import certificate_words, trusting

log = logging.getLogger(__name__)

Security = Literal["none", "starttls", "tls"]
_POLICY = email.policy.SMTP.clone(cte_type="7bit")
"""A server need not take eight bits (RFC 6152)."""
_MOST_WORDS = 300


@dataclass(frozen=True, slots=True)
class MailAccount:
    """A mail account to send from, and whom to write to; ``security`` is the least that will do."""

    server: str
    port: int
    security: Security
    sender: str
    to: tuple[str, ...]
    user: str | None = None
    password: str | None = field(default=None, repr=False)

    def check(self) -> None:
        """Raises ValueError where it cannot be written to, which does not show the password."""
        for address in (self.sender, *self.to):
            name, at, domain = address.rpartition("@")
            if not (name and at and domain and all("!" <= letter <= "~" for letter in address)):
                raise ValueError(f"{address!r} is no mail address")


class _TooLate(OSError):
    """Time was up before there was a connection."""


class _Line(smtplib.SMTP):
    """A connection that somebody else can shut."""

    def __init__(self, account: MailAccount, timeout_s: float) -> None:
        self._tls = trusting() if account.security == "tls" else None
        self._account, self._kept, self._shut = account, list[socket.socket](), False
        super().__init__(local_hostname="localhost", timeout=timeout_s)  # looked up in the thread, it may take long

    def open(self) -> None:
        """Connect; raises OSError."""
        self._host = self._account.server  # by which starttls verifies the certificate
        name = socket.getfqdn()
        self.local_hostname = name if "." in name else "[127.0.0.1]"  # RFC 5321 section 4.1.4
        self.connect(self._account.server, self._account.port)

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        made = socket.create_connection((host, port), timeout)
        self._kept.append(made.dup())
        if self._shut:
            made.close()
            raise _TooLate
        return self._tls.wrap_socket(made, server_hostname=host) if self._tls else made

    def shut(self) -> None:
        """Let nothing more pass: also in the middle of a handshake, when TLS has taken the socket over."""
        self._shut = True
        for one in self._kept:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def give_back(self) -> None:
        """Close what is open."""
        self.close()
        while self._kept:
            self._kept.pop().close()


async def post(account: MailAccount, title: str, body: str, attachment: Path | None, timeout_s: float) -> str | None:
    """Send one letter; None where the server took it, else the reason why not."""
    letter = written(account, title, body, attachment)
    line = _Line(account, timeout_s)
    try:
        async with asyncio.timeout(timeout_s):
            return await _in_a_thread(lambda: _send(line, account, letter))
    except TimeoutError:
        return say("the mail server did not take it within {seconds:.0f} s", seconds=timeout_s)
    finally:
        line.shut()


async def _in_a_thread(act: Callable[[], str | None]) -> str | None:
    loop = asyncio.get_running_loop()
    done: asyncio.Future[str | None] = loop.create_future()

    def settle(answer: str | None, error: Exception | None) -> None:
        if done.done():
            return  # time was up
        if error is not None:
            done.set_exception(error)
        else:
            done.set_result(answer)

    def run() -> None:
        answer, failed = None, None
        try:
            answer = act()
        except Exception as error:  # noqa: BLE001  # it is raised where the answer is awaited
            failed = error
        with suppress(RuntimeError):  # the loop has ended meanwhile
            loop.call_soon_threadsafe(settle, answer, failed)

    threading.Thread(target=run, name="mail", daemon=True).start()
    return await done


def written(account: MailAccount, title: str, body: str, attachment: Path | None) -> EmailMessage:
    """The letter (RFC 5322), as plain text, with its file where that is still there."""
    letter = EmailMessage(_POLICY)
    letter["From"], letter["To"] = account.sender, ", ".join(account.to)
    letter["Subject"] = " ".join(title.split())
    letter["Date"] = email.utils.formatdate()
    letter["Message-ID"] = email.utils.make_msgid(domain=account.sender.rpartition("@")[2])
    letter.set_content(body)
    if attachment is not None:
        with suppress(FileNotFoundError):
            main, _, sub = (mimetypes.guess_type(attachment.name)[0] or "application/octet-stream").partition("/")
            letter.add_attachment(attachment.read_bytes(), maintype=main, subtype=sub, filename=attachment.name)
    return letter


def _send(line: _Line, account: MailAccount, letter: EmailMessage) -> str | None:
    """Everything between the connection and the server's word that it has the letter; the reason why not."""
    try:
        line.open()
        if account.security == "starttls":
            line.starttls(context=trusting())
        if account.user and account.password:
            line.login(account.user, account.password)
        refused = line.send_message(letter, account.sender, list(account.to))
    except smtplib.SMTPException as error:
        return _refusal(error)
    except ssl.SSLCertVerificationError as error:
        return say("the mail server is not believed: {why}", why=certificate_words(error))
    except ssl.SSLError as error:
        return say("no TLS with the mail server: {why}", why=error.reason or "")
    except OSError as error:
        return say("no connection: {why}", why=system_words(error))
    finally:
        line.give_back()
    for address, (code, words) in refused.items():
        log.warning("the mail server took the letter, and not for %s: %d %s", address, code, _printable(words))
    return None


def _refusal(error: smtplib.SMTPException) -> str:
    """What a server's refusal means, with its own words; they are no secret of ours."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        code, said = next(iter(error.recipients.values()))
        return say("the mail server refuses whom to write to: {code} {words}", code=code, words=_printable(said))
    if isinstance(error, smtplib.SMTPResponseException):
        code, words = error.smtp_code, _printable(error.smtp_error)
        if isinstance(error, smtplib.SMTPAuthenticationError):
            return say("the mail server refuses user or password: {code} {words}", code=code, words=words)
        return say("the mail server refuses it: {code} {words}", code=code, words=words)
    if isinstance(error, smtplib.SMTPServerDisconnected):
        return say("the mail server hung up")
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return say("the mail server does not offer what the account asks for: {why}", why=str(error))
    return say("the mail server is not understood: {why}", why=type(error).__name__)


def _printable(words: bytes | str) -> str:
    text = words.decode(errors="replace") if isinstance(words, bytes) else words
    return one_line(text, _MOST_WORDS)
