"""Messages to named accounts: which way each goes, and how long it may take."""

from pathlib import Path

from monitor.facts.printable import lines, one_line
from monitor.facts.words import say
from monitor.notify import mail, webhook
from monitor.notify.http import address_of
from monitor.notify.mail import MailAccount
from monitor.notify.webhook import WebhookAddress

TIMEOUT_S = 15.0
"""One attempt, from the first look for the server's address to its last word (common practice, no source)."""

Account = MailAccount | WebhookAddress

__all__ = ["TIMEOUT_S", "Account", "Carrier", "MailAccount", "WebhookAddress"]


class Carrier:
    """Sends messages to named accounts. Raises ValueError for one that can never be sent to."""

    def __init__(self, accounts: dict[str, Account]) -> None:
        self._accounts = accounts
        for name, account in accounts.items():
            try:
                if isinstance(account, MailAccount):
                    account.check()
                else:
                    address_of(account.url)
            except ValueError as error:
                raise ValueError(f"secrets.{name}: {error}") from None

    async def send(self, to: str, title: str, body: str, attachment: str = "") -> str | None:
        """Send one message to an account; None where it went, else the reason why not.

        A file goes with mail alone; where it is not there any more the words go without it.
        """
        account = self._accounts.get(to)
        if account is None:
            return say("no account {name!r} among the secrets", name=to)
        title, body = one_line(title), lines(body)
        if isinstance(account, WebhookAddress):
            return await webhook.post(account, title, body, TIMEOUT_S)
        return await mail.post(account, title, body, Path(attachment) if attachment else None, TIMEOUT_S)
