"""Mail is never sent below the security that was written down. Real SMTP servers (aiosmtpd) on loopback: without
STARTTLS (RFC 3207), with it, with TLS from the first octet (RFC 8314), and with certificates nobody vouches for."""

import asyncio
import contextlib
import email
import email.policy
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope, LoginPassword

from monitor.notify.carrier import Carrier, MailAccount
from monitor.notify.mail import Security
from tests.notify.counterparts import deaf, self_signed, server_context
from tests.notify.test_carrier import free_port


class Server:
    """What a mail server was told, and under which protection."""

    def __init__(self) -> None:
        self.port = free_port()
        self.letters: list[Envelope] = []
        self.logins: list[tuple[bytes, bytes, bool]] = []

    async def handle_DATA(self, server: Any, session: Any, envelope: Envelope) -> str:
        self.letters.append(envelope)
        return "250 OK"

    def login(self, server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
        assert isinstance(data, LoginPassword)
        self.logins.append((data.login, data.password, session.ssl is not None))
        return AuthResult(success=True)


def greeted(port: int) -> None:
    """Let a server of TLS say its greeting, whoever it is."""
    anybody = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    anybody.check_hostname, anybody.verify_mode = False, ssl.CERT_NONE
    with socket.create_connection(("127.0.0.1", port), 5) as raw, anybody.wrap_socket(raw) as connected:
        connected.recv(100)


@contextlib.contextmanager
def serving(certificate: Path | None = None, direct: bool = False) -> Iterator[Server]:
    made = Server()
    context = server_context(certificate) if certificate else None
    more: dict[str, Any] = {"authenticator": made.login, "auth_require_tls": False}
    more["ssl_context" if direct else "tls_context"] = context
    controller = Controller(made, "127.0.0.1", made.port, **more)
    if direct:  # the controller's own look whether the server is there would believe no certificate of these
        controller._trigger_server = lambda: greeted(made.port)
    controller.start()
    try:
        yield made
    finally:
        controller.stop()


def account(port: int, security: Security, host: str = "127.0.0.1") -> MailAccount:
    to = ("jo@tarrow.example", "kim@tarrow.example")
    return MailAccount(host, port, security, "farpole@tarrow.example", to, "farm", "s3cret-pass")


async def sent(port: int, security: Security) -> str | None:
    return await Carrier({"mail": account(port, security)}).send("mail", "creek\nsilent", "since 02:10")


async def test_a_server_without_starttls_is_sent_nothing() -> None:
    """RFC 3207 section 4.2: a client that needs TLS must not go on where it is not there."""
    with serving() as server:
        why = await sent(server.port, "starttls")
        assert "STARTTLS" in (why or "")
        assert (server.letters, server.logins) == ([], [])


@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_a_certificate_that_nobody_vouches_for_is_sent_nothing(tmp_path: Path, security: Security) -> None:
    with serving(self_signed(tmp_path), direct=security == "tls") as server:
        why = await sent(server.port, security)
        assert "self-signed" in (why or "")
        assert (server.letters, server.logins) == ([], [])


@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_a_certificate_of_another_name_is_sent_nothing(
    tmp_path: Path, security: Security, monkeypatch: pytest.MonkeyPatch
) -> None:
    certificate = self_signed(tmp_path, address="192.0.2.1")
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    with serving(certificate, direct=security == "tls") as server:
        why = await sent(server.port, security)
        assert "another name" in (why or "")
        assert (server.letters, server.logins) == ([], [])


@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_under_a_trusted_certificate_password_and_letter_go_encrypted(
    tmp_path: Path, security: Security, monkeypatch: pytest.MonkeyPatch
) -> None:
    certificate = self_signed(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate))
    with serving(certificate, direct=security == "tls") as server:
        assert await sent(server.port, security) is None
    [letter] = server.letters
    if security == "starttls":  # of TLS from the first octet, aiosmtpd's session does not know
        assert server.logins == [(b"farm", b"s3cret-pass", True)]
    parsed = email.message_from_bytes(letter.content or b"", policy=email.policy.default)
    assert letter.rcpt_tos == ["jo@tarrow.example", "kim@tarrow.example"]
    assert parsed["Subject"] == "creek / silent"
    assert parsed["Date"] is not None
    assert parsed["Message-ID"].endswith("@tarrow.example>")


async def test_a_server_of_tls_alone_is_not_spoken_to_in_clear(tmp_path: Path) -> None:
    with serving() as server:
        why = await sent(server.port, "tls")
        assert "TLS" in (why or "")
        assert server.letters == []


@pytest.mark.parametrize("drips", [False, True])
@pytest.mark.parametrize("security", ["none", "tls"])
async def test_who_never_answers_is_left_by_the_deadline_and_holds_no_thread(
    drips: bool, security: Security, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each octet that comes would begin smtplib's own time anew; and in the middle of a handshake too."""
    monkeypatch.setattr("monitor.notify.carrier.TIMEOUT_S", 1.0)

    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError):
            # A reply that never ends; or a TLS record that says it is longer than what comes (RFC 8446 section 5.1).
            for octet in b"2" * 60 if security == "none" else b"\x16\x03\x03\x40\x00\x02" + b"\x00" * 60:
                writer.write(bytes([octet]))
                await writer.drain()
                await asyncio.sleep(0.2)
        writer.close()

    server = await asyncio.start_server(drip, "127.0.0.1", 0)
    with deaf() as port:
        began_s = time.monotonic()
        why = await sent(server.sockets[0].getsockname()[1] if drips else port, security)
    assert time.monotonic() - began_s < 2.5
    assert why is not None
    for _ in range(100):
        if not [thread for thread in threading.enumerate() if thread.name == "mail"]:
            break
        await asyncio.sleep(0.02)
    assert [thread for thread in threading.enumerate() if thread.name == "mail"] == []
    server.close()


@pytest.mark.parametrize("address", ["jo", "jo@", "@x", "jo@x y", "jo@x\r\nBcc: kim@x", "jö@x"])
def test_what_is_no_mail_address_is_refused_at_the_start(address: str) -> None:
    with pytest.raises(ValueError, match=r"secrets\.mail: .* is no mail address"):
        Carrier({"mail": MailAccount("127.0.0.1", 25, "none", "farpole@x", (address,))})
