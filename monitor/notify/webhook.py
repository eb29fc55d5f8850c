"""A message as a JSON POST to the address that its owner wrote down, and whether that took it."""

import json
from dataclasses import dataclass, field

from monitor.facts.words import say
from monitor.notify.http import NotAnswered, address_of, call


@dataclass(frozen=True, slots=True)
class WebhookAddress:
    """An address that takes a message as a JSON POST."""

    url: str = field(repr=False)


async def post(account: WebhookAddress, title: str, body: str, timeout_s: float) -> str | None:
    """Send one message; None where the address took it (2xx), else the reason why not."""
    document = json.dumps({"title": title, "message": body, "type": "info"}).encode()
    try:
        status = await call(address_of(account.url), "POST", document, "application/json", timeout_s)
    except NotAnswered as error:
        return str(error)
    if 200 <= status < 300:
        return None
    if 300 <= status < 400:
        words = "it redirects (status {status}); write the address to which it leads into the secrets file"
        return say(words, status=status)
    return say("it answered with status {status}", status=status)
