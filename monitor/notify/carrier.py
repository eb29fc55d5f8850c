"""Messages leave by apprise, behind our own kinds, so that no library's address syntax stands in a plan.

apprise is told only fields, never an address string. It gives a reason for a failure only in its debug log,
which is asked for per message; its trace level would print passwords and is never used.
"""

import logging
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

from monitor.facts.printable import lines, one_line

TIMEOUT_S = 15
_QUIET = logging.getLogger("apprise")


@dataclass(frozen=True, slots=True)
class MailAccount:
    """A mail account to send from, and whom to write to; ``security`` is none, starttls or tls."""

    server: str
    port: int
    security: str
    sender: str
    to: tuple[str, ...]
    user: str | None = None
    password: str | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class WebhookAddress:
    """An address that takes a message as a JSON POST."""

    url: str = field(repr=False)


Account = MailAccount | WebhookAddress


class Carrier:
    """Sends messages to named accounts."""

    def __init__(self, accounts: dict[str, Account]) -> None:
        # Needed by the running daemon only. The two ways by name: to look one up loads some hundred others, 11 MB.
        from apprise import Apprise, AppriseAsset
        from apprise.plugins.custom_json import NotifyJSON
        from apprise.plugins.email.base import NotifyEmail

        _QUIET.setLevel(logging.DEBUG)
        _QUIET.propagate = False
        if not _QUIET.handlers:
            _QUIET.addHandler(logging.NullHandler())
        self._accounts = accounts
        self._apprise = Apprise
        self._kinds = {"mailto": NotifyEmail, "json": NotifyJSON, "jsons": NotifyJSON}
        self._asset = AppriseAsset(
            app_id="farpole", service_timeout=TIMEOUT_S, storage_mode="memory", interpret_emojis=False
        )
        for name, account in accounts.items():
            self._service(name, account)

    def _service(self, name: str, account: Account) -> Any:
        try:
            fields = dict(_fields(account))
            return self._kinds[str(fields["schema"])](asset=self._asset, **fields)
        except (TypeError, ValueError) as error:
            raise ValueError(f"secrets.{name}: {error}") from None

    def _attached(self, to: str, file: str) -> str | None:
        return file if file and isinstance(self._accounts[to], MailAccount) and Path(file).is_file() else None

    async def send(self, to: str, title: str, body: str, attachment: str = "") -> str | None:
        """Send one message to an account; None where it went, else the reason why not.

        A file goes with mail alone; where it is not there any more the words go without it.
        """
        if to not in self._accounts:
            return f"no account {to!r} among the secrets"
        # A fresh instance per message: a kept one waits up to 5 s between mails by the wall clock.
        one = self._apprise(asset=self._asset)
        one.add(self._service(to, self._accounts[to]))
        with await one.async_notify(
            body=lines(body),
            title=one_line(title),
            body_format="text",
            timeout=TIMEOUT_S,
            log_level=logging.DEBUG,
            attach=self._attached(to, attachment),
        ) as result:
            if result:
                return None
            said = [
                entry.message
                for entry in result.logs()
                if entry.level in ("WARNING", "ERROR") or "xception:" in entry.message
            ]
            return _reason("; ".join([result.status.name.lower(), *said]))


def _reason(said: str) -> str:
    """What the libraries tell of a failure, for a person: of a connection that cannot be made, the system's own words.

    >>> _reason("failure; HTTPConnectionPool(...): Max retries ... [Errno 101] Network is unreachable'))")
    'no connection: Network is unreachable'
    """
    system = re.search(r"\[Errno -?\d+\] ([^'\")\]]+)", said)
    return one_line(f"no connection: {system[1].strip()}" if system else said, 500)


def _fields(account: Account) -> dict[str, object]:
    if isinstance(account, MailAccount):
        modes = {"none": "insecure", "starttls": "starttls", "tls": "ssl"}
        return {
            "schema": "mailto",
            "host": account.sender.rsplit("@", 1)[-1],
            "smtp_host": account.server,
            "port": account.port,
            "secure_mode": modes[account.security],
            "user": quote(account.user, safe="") if account.user else None,
            "password": quote(account.password, safe="") if account.password else None,
            "from_addr": account.sender,
            "targets": list(account.to),
            "verify": True,
            "format": "text",
            "cto": 5,
        }
    url = urlsplit(account.url)
    if url.scheme not in ("http", "https") or not url.hostname:
        raise ValueError("a webhook's url begins with http:// or https:// and a host")
    fields: dict[str, object] = {
        "schema": "jsons" if url.scheme == "https" else "json",
        "secure": url.scheme == "https",
        "host": url.hostname,
        "fullpath": quote(url.path or "/"),
        "redirect": False,
        "cto": 5,
        "rto": 10,
        "payload": {"version": "", "attachments": ""},
    }
    return fields | ({"port": url.port} if url.port else {})
