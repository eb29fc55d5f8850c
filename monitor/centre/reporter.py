"""The site's side: tell the centre what it has not got, and move a cursor only when it has answered.

One request is under way at a time, so that everything arrives in order. After any trouble the centre is greeted
again: its own answer says what it has, and nothing is guessed from what was sent.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from secrets import token_hex
from typing import Any, Protocol

from monitor.centre.line import LineDown
from monitor.centre.parcel import Holds, NotRight, Parcel, Sign, opened, sealed
from monitor.centre.ports import Known, NotNow, Outbox, as_known, subject_of

log = logging.getLogger(__name__)

ANSWER_S = 20.0
"""How long the centre may take to keep a parcel."""
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0
HELLO, BEGIN, ALIVE = "hello", "begin", "alive"


class Way(Protocol):
    """A line to the centre."""

    async def open(self) -> None:
        """Connect; raises LineDown."""
        ...

    async def request(self, subject: str, octets: bytes, timeout_s: float) -> bytes:
        """Ask; raises LineDown."""
        ...

    async def close(self) -> None:
        """Give it back."""
        ...


class Refused(Exception):
    """The centre does not take it; the message says why."""


@dataclass(frozen=True, slots=True)
class Identity:
    """Who speaks, and whom he believes."""

    site: str
    sign: Sign
    from_centre: Holds
    version: str = ""


@dataclass
class Report:
    """How the reporting is going."""

    trouble: str = "not connected yet"
    answered_s: float | None = None
    """When the centre last answered, by the monotonic clock."""
    parcels: int = 0
    octets: int = 0
    up_to: dict[str, int] = field(default_factory=dict)


class Reporter:
    """Reports one site to one centre, for as long as it runs."""

    def __init__(
        self,
        identity: Identity,
        outbox: Outbox,
        new_way: Callable[[], Way],
        monotonic_s: Callable[[], float],
        sleep: Callable[[float], Awaitable[None]],
        alive_s: float,
        news: asyncio.Event,
    ) -> None:
        self._me, self._outbox, self._new_way = identity, outbox, new_way
        self._monotonic_s, self._sleep, self._alive_s = monotonic_s, sleep, alive_s
        self._news = news
        self._number = 0
        self._sheets: dict[str, str] = {}
        self.report = Report()

    async def run(self) -> None:
        """Report until cancelled; the line may be down for days."""
        wait_s = FIRST_WAIT_S
        while True:
            way = self._new_way()
            answered_s = self.report.answered_s
            try:
                await way.open()
                await self._speak(way)
            except (LineDown, Refused, NotRight, NotNow) as trouble:
                if str(trouble) != self.report.trouble:
                    log.warning("the centre is not told now: %s", trouble)
                self.report.trouble = str(trouble)
            finally:
                await way.close()
            if self.report.answered_s != answered_s:
                wait_s = FIRST_WAIT_S
            await self._sleep(wait_s)
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)

    async def _speak(self, way: Way) -> None:
        """Greet, then tell; ends with an exception."""
        known = await self._greet(way)
        if self.report.trouble:
            log.info("the centre is told; it has %s", ", ".join(f"{k} up to {v}" for k, v in known.up_to.items()))
        self.report.trouble = ""
        await self._tell(way, dict(known.up_to), catching_up=True)
        while True:
            self._news.clear()
            if not await self._heard_of():
                await self._send(way, ALIVE, {"alive_s": self._alive_s})
            await self._tell(way, self.report.up_to, catching_up=False)

    async def _heard_of(self) -> bool:
        """Wait for news; False where none came within the time in which the centre expects a sign of life."""
        began_s = self._monotonic_s()
        while not self._news.is_set():
            left_s = self._alive_s - (self._monotonic_s() - began_s)
            if left_s <= 0:
                return False
            await self._sleep(min(left_s, 0.25))
        return True

    async def _greet(self, way: Way) -> Known:
        """Ask what the centre has, and begin anew where that is of another history."""
        history = await self._outbox.history()
        known = await self._known(way)
        self._number = known.number
        if known.history == history and await self._outbox.is_behind(known):
            history = await self._outbox.fork()
            log.warning("the centre knows rows that are not in this history: it goes on there under a new name")
        if known.history != history:
            await self._send(way, BEGIN, {"history": history, "alive_s": self._alive_s})
            known = await self._known(way)
            if known.history != history:
                raise Refused("the centre goes by another history of this site")
        self._sheets = dict(known.sheets)
        self.report.up_to = dict(known.up_to)
        return known

    async def _known(self, way: Way) -> Known:
        """What the centre has now: each greeting is another one, so that no recorded answer fits it."""
        head = {"site": self._me.site, "version": self._me.version, "fresh": token_hex(16)}
        answer = await self._ask(way, HELLO, Parcel(head))
        try:
            return as_known(answer)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise Refused(f"the centre's answer is not as it should be: {error!r:.200}") from None

    async def _tell(self, way: Way, up_to: Mapping[str, int], catching_up: bool) -> None:
        """Send what waits until nothing does."""
        self.report.up_to = dict(up_to)
        while True:
            load = await self._outbox.read_since(self.report.up_to, self._sheets, catching_up)
            if load is None:
                return
            await self._send(way, load.kind, load.head, load.blobs)
            if load.up_to is not None:
                self.report.up_to[load.kind] = load.up_to
            if "digest" in load.head:
                self._sheets[str(load.head["name"])] = str(load.head["digest"])
            catching_up = catching_up and load.head.get("live") is None
            await self._outbox.confirmed(load)

    async def _send(
        self, way: Way, kind: str, head: Mapping[str, Any], blobs: tuple[tuple[int, bytes], ...] = ()
    ) -> None:
        self._number += 1
        await self._ask(way, kind, Parcel({"number": self._number, **head}, blobs))

    async def _ask(self, way: Way, kind: str, parcel: Parcel) -> dict[str, Any]:
        subject = subject_of(self._me.site, kind)
        octets = sealed(subject, parcel, self._me.sign)
        came = await way.request(subject, octets, ANSWER_S)
        answer = opened(f"{subject} answer", came, self._me.from_centre).head
        if answer.get("to") != octets[:64].hex():
            raise Refused("an answer came to another question")
        self.report.parcels += 1
        self.report.octets += len(octets) + len(came)
        if answer.get("no"):
            raise Refused(f"the centre says no: {answer['no']}")
        self.report.answered_s = self._monotonic_s()
        return dict(answer)


def answer_to(subject: str, octets: bytes, head: Mapping[str, Any], sign: Sign) -> bytes:
    """The centre's answer to one request, and to no other."""
    return sealed(f"{subject} answer", Parcel({**head, "to": octets[:64].hex()}), sign)
