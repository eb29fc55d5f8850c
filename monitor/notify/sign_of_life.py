"""The outbound proof that farpole runs: one GET of an address that somebody else watches, and misses."""

from monitor.facts.words import say
from monitor.notify.http import NotAnswered, address_of, call


async def tell(url: str) -> str:
    """Ask the address once; empty where it answered (2xx), else the reason why not. The address never shows in it."""
    try:
        status = await call(address_of(url), "GET")
    except (NotAnswered, ValueError) as error:
        return say("the address of the sign of life does not answer: {why}", why=str(error))
    if 200 <= status < 300:
        return ""
    if 300 <= status < 400:
        words = (
            "the address of the sign of life redirects (status {status}): write where it leads into the secrets file"
        )
        return say(words, status=status)
    return say("the address of the sign of life answered {status}", status=status)
