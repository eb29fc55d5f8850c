"""The line: one outbound connection to a NATS router; requests, and a queue that is served. nats-py stands behind this.

Core NATS only: the router keeps nothing, so that nothing is believed to have arrived before the centre's own answer.
"""

import asyncio
import logging
import ssl
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from nats.aio.client import Client
from nats.errors import Error, NoRespondersError

if TYPE_CHECKING:
    from nats.aio.msg import Msg

log = logging.getLogger(__name__)

CONNECT_S = 5
PING_S, MOST_PINGS = 10, 2
"""A line that is cut without a word is noticed within half a minute."""
QUEUE = "centre"


class LineDown(ConnectionError):
    """There is no way to the other side now; the message says where it ends."""


@dataclass(frozen=True, slots=True)
class Router:
    """Where the router is, and as whom it is spoken to."""

    url: str
    seed: str
    inbox: str
    """Begins the subjects under which answers arrive: only whom it belongs to may listen there."""
    authority: str | None = None
    """A file of certificates to trust beside the system's (PEM)."""

    def tls(self) -> ssl.SSLContext | None:
        """For ``tls://``; None for a router on this machine or behind a tunnel."""
        if not self.url.startswith("tls://"):
            return None
        context = ssl.create_default_context(cafile=self.authority)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        return context


class Line:
    """A connection that comes back by itself."""

    def __init__(self, router: Router) -> None:
        self._router, self._client = router, Client()
        self._said = ""

    @property
    def up(self) -> bool:
        """Is there a connection now?"""
        return bool(self._client.is_connected)

    async def open(self) -> None:
        """Connect once; raises LineDown. What is cut later comes back by itself."""
        try:
            async with asyncio.timeout(CONNECT_S):  # the library would try for ever, whoever it is that refuses
                await self._connect()
        except (TimeoutError, Error, OSError, ValueError) as error:
            await self.close()
            words = self._said or ("no answer" if isinstance(error, TimeoutError) else _words(error))
            raise LineDown(f"{self._router.url}: {words}") from None

    async def _connect(self) -> None:
        await self._client.connect(
            self._router.url,
            nkeys_seed_str=self._router.seed,
            inbox_prefix=self._router.inbox,
            tls=self._router.tls(),
            connect_timeout=CONNECT_S,
            reconnect_time_wait=1,
            max_reconnect_attempts=-1,
            allow_reconnect=True,
            ping_interval=PING_S,
            max_outstanding_pings=MOST_PINGS,
            pending_size=4 << 20,
            error_cb=self._error,
            name="farpole",
        )

    async def _error(self, error: Exception) -> None:
        """What happens behind our back is said once until something else happens."""
        words = _words(error)
        if words != self._said:
            self._said = words
            log.warning("the router at %s: %s", self._router.url, words)

    async def request(self, subject: str, octets: bytes, timeout_s: float) -> bytes:
        """Ask and wait for the answer; raises LineDown."""
        try:
            answer = await self._client.request(subject, octets, timeout_s)
        except NoRespondersError:
            raise LineDown("the router is there, and no centre takes anything from it") from None
        except (TimeoutError, Error, OSError) as error:
            raise LineDown(f"no answer within {timeout_s:.0f} s: {_words(error)}") from None
        self._said = ""
        return bytes(answer.data)

    async def serve(self, subject: str, take: Callable[[str, bytes], Awaitable[bytes]], at_once: int) -> None:
        """Answer what comes to a subject, so many at once; of several who serve, one gets each request."""
        room, running = asyncio.Semaphore(at_once), set[asyncio.Task[None]]()

        async def one(message: "Msg") -> None:
            try:
                await message.respond(await take(message.subject, bytes(message.data)))
            except (Error, OSError) as error:
                log.warning("an answer could not be given: %s", _words(error))
            finally:
                room.release()

        async def taken(message: "Msg") -> None:
            await room.acquire()
            task = asyncio.create_task(one(message))
            running.add(task)
            task.add_done_callback(running.discard)

        # What waits here is asked for again by its site, so the queue is short: old requests are of no use.
        await self._client.subscribe(subject, QUEUE, cb=taken, pending_msgs_limit=4096, pending_bytes_limit=64 << 20)
        await self._client.flush()

    async def close(self) -> None:
        """Give the connection back."""
        try:
            await self._client.close()
        except (Error, OSError) as error:
            log.debug("closing: %s", error)


def _words(error: Exception) -> str:
    """One line, whatever the library says."""
    return str(error).strip().split("\n")[0] or type(error).__name__
