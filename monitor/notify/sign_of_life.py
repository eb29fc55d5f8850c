"""The outbound proof that farpole runs: one GET of an address that somebody else watches, and misses."""

import asyncio
import urllib.error
import urllib.request

TIMEOUT_S = 15.0


async def tell(url: str) -> str:
    """Ask the address once; empty where it answered, else the reason why not. The address never shows in it."""
    return await asyncio.to_thread(_tell, url)


def _tell(url: str) -> str:
    if not url.startswith(("https://", "http://")):
        return "the address of the sign of life begins with neither https:// nor http://"
    request = urllib.request.Request(url, headers={"User-Agent": "farpole"})  # the scheme is looked at above
    try:
        with urllib.request.urlopen(request, timeout=TIMEOUT_S) as answer:  # the same
            answer.read(1024)
    except urllib.error.HTTPError as error:
        return f"the address of the sign of life answered {error.code}"
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", error)
        return f"the address of the sign of life does not answer: {type(reason).__name__}"
    return ""
