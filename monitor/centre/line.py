"""The line: one outbound connection to a NATS router; requests, and a queue that is served. nats-py stands behind this.

Core NATS only: the router keeps nothing, so that nothing is believed to have arrived before the centre's own answer.
"""

import asyncio
import logging
import ssl
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from nats.aio.client import Client
from nats.errors import Error, NoRespondersError

if TYPE_CHECKING:
    from nats.aio.msg import Msg

log = logging.getLogger(__name__)

T = TypeVar("T")

CONNECT_S, CLOSE_S = 5, 2
LOOK_S = 0.5
"""How often whoever waits looks whether there is still a line."""
PING_S, MOST_PINGS = 10, 2
"""A line that is cut without a word is noticed within half a minute."""
QUEUE = "centre"
_HUNG_UP = (ConnectionResetError, BrokenPipeError)


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
    """One connection. Once it is down it stays down: whoever needs one opens another."""

    def __init__(self, router: Router) -> None:
        self._router, self._client = router, Client()
        self._said, self._begun = "", False

    @property
    def up(self) -> bool:
        """Is there a connection now?"""
        return bool(self._client.is_connected)

    async def open(self) -> None:
        """Connect; raises LineDown."""
        try:
            await _within(CONNECT_S, self._connect())
        except (TimeoutError, Error, OSError, ValueError) as error:
            await self.close()
            words = self._said or _why(error)
            raise LineDown(f"{self._router.url}: {words}") from None

    async def _connect(self) -> None:
        self._begun = True
        await self._client.connect(
            self._router.url,
            nkeys_seed_str=self._router.seed,
            inbox_prefix=self._router.inbox,
            tls=self._router.tls(),
            connect_timeout=CONNECT_S,
            # It would come back by itself, without a word to whoever waits for an answer.
            allow_reconnect=False,
            reconnect_time_wait=1,
            max_reconnect_attempts=1,
            ping_interval=PING_S,
            max_outstanding_pings=MOST_PINGS,
            pending_size=4 << 20,
            error_cb=self._error,
            name="farpole",
        )

    async def _error(self, error: Exception) -> None:
        """What happens behind our back is said once until something else happens."""
        if self._said and isinstance(error, _HUNG_UP):
            return  # that it hangs up after it has said why is no news
        words = _why(error)
        if words != self._said:
            self._said = words
            log.warning("the router at %s: %s", self._router.url, words)

    async def request(self, subject: str, octets: bytes, timeout_s: float) -> bytes:
        """Ask and wait for the answer; raises LineDown."""
        try:
            answer = await _within(timeout_s, self._client.request(subject, octets, timeout_s), lambda: self.up)
        except NoRespondersError:
            raise LineDown("the router is there, and no centre takes anything from it") from None
        except (TimeoutError, Error, OSError) as error:
            words = f"no answer within {timeout_s:.0f} s" if self.up else "the line was cut"
            raise LineDown(f"{words}: {_words(error)}") from None
        self._said = ""
        return bytes(answer.data)

    async def down(self) -> None:
        """Wait until there is no line any more."""
        while self.up:  # noqa: ASYNC110  # the library tells of it when it has done with its socket, which may never be
            await asyncio.sleep(LOOK_S)

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
        if not self._begun:
            return
        try:
            # A peer that is gone without a word, or a TLS handshake that failed, would be waited for without end.
            await _within(CLOSE_S, self._client.close())
        except (TimeoutError, Error, OSError) as error:
            log.debug("closing: %s", _words(error))


def _why(error: Exception) -> str:
    """Why there is no line. A router that refuses somebody says so and hangs up; where the hanging up is quicker, the
    words are lost with the connection."""
    if isinstance(error, TimeoutError):
        return "no answer"
    if isinstance(error, _HUNG_UP):
        return f"it hung up ({_words(error)}): it has ended, or does not know this credential"
    return _words(error)


def _words(error: Exception) -> str:
    """One line, whatever the library says."""
    return str(error).strip().split("\n")[0] or type(error).__name__


async def _within(limit_s: float, what: Coroutine[Any, Any, T], still: Callable[[], bool] | None = None) -> T:
    """What it gives within a time, and while something still is so; TimeoutError after that.

    In a task of its own, because the library keeps cancellations to itself now and then (so does ``asyncio.wait_for``
    of Python 3.11, where one meets the answer): whoever calls this is always free to go.
    """
    task = asyncio.create_task(what)
    task.add_done_callback(_looked_at)
    until_s = asyncio.get_running_loop().time() + limit_s
    try:
        while not task.done() and (left_s := until_s - asyncio.get_running_loop().time()) > 0:
            await asyncio.wait({task}, timeout=left_s if still is None else min(left_s, LOOK_S))
            if still is not None and not still():
                break
        if not task.done() or task.cancelled():  # by the library itself: nobody has cancelled whoever calls this
            raise TimeoutError
        return task.result()
    finally:
        task.cancel()


def _looked_at(task: "asyncio.Task[Any]") -> None:
    """An error that comes after nobody waits any more is nobody's."""
    if not task.cancelled():
        task.exception()
