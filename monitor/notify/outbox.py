"""The outbox: accounts side by side, each in order, a late message with its age, and nothing twice."""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from monitor.alarms.messages import Message
from monitor.facts.words import say

log = logging.getLogger(__name__)

AGE_SAID_AFTER_S = 120.0
ATTEMPT_S = 20.0
"""The longest that one message may take, whatever the way does with its own deadline (common practice, no source)."""
CLOSING_S = 1.5
_WAITS_S = (5.0, 15.0, 60.0, 180.0, 600.0)


class Waiting(Protocol):
    """A message that waits, as the history gives it."""

    @property
    def id(self) -> int: ...  # noqa: D102  # a plain field
    @property
    def message(self) -> Message: ...  # noqa: D102  # a plain field
    @property
    def attempts(self) -> int: ...  # noqa: D102  # a plain field


@dataclass(frozen=True, slots=True)
class Sent:
    """How one attempt came out: ``why`` is empty where the message went."""

    id: int
    why: str
    again_s: float


def wait_s(attempts: int) -> float:
    """How long to wait before the next attempt [s].

    >>> wait_s(0), wait_s(99)
    (5.0, 600.0)
    """
    return _WAITS_S[min(attempts, len(_WAITS_S) - 1)]


def aged(waiting: Waiting, now_s: float, late: Callable[[Message, float], str]) -> str:
    """The body, headed by its age where it could not leave in time."""
    message = waiting.message
    could_leave_s = message.happened_s if waiting.attempts else message.not_before_s
    if message.kind in ("letter", "review") or now_s - could_leave_s < AGE_SAID_AFTER_S:
        return message.body
    return f"{late(message, now_s)}\n{message.body}"


class Lanes:
    """One lane for each account: side by side, and in each the messages go one after the other, oldest first.

    After a failure the same account is left alone for this time: what waits behind a failed one has failed with it. It
    is on its way, and what ends meanwhile is told of as over.
    """

    def __init__(
        self,
        send: Callable[[str, str, str, str], Awaitable[str | None]],
        late: Callable[[Message, float], str],
        came: Callable[[Sent], Awaitable[None]],
    ) -> None:
        self._send, self._late, self._came = send, late, came
        self._lanes: dict[str, asyncio.Task[None]] = {}
        self._closing = False

    def busy(self) -> frozenset[str]:
        """Accounts to which something is under way; nothing more is begun there."""
        return frozenset(to for to, lane in self._lanes.items() if not lane.done())

    def start(self, waiting: Sequence[Waiting], now_s: float) -> None:
        """Begin with what waits, in each lane that is free; ``came`` is told of each message when it has come out."""
        busy, lanes = self.busy(), dict[str, list[Waiting]]()
        for one in waiting:
            lanes.setdefault(one.message.to, []).append(one)
        for to, some in lanes.items():
            if to not in busy and not self._closing:
                self._lanes[to] = asyncio.create_task(self._run(some, now_s), name=f"to {to}")

    async def idle(self) -> None:
        """Wait until all lanes have ended."""
        await asyncio.gather(*self._lanes.values())

    async def close(self, longest_s: float = CLOSING_S) -> list[asyncio.Task[None]]:
        """Begin nothing more and let what is under way come to its end; those lanes that do not."""
        self._closing = True
        under_way = [lane for lane in self._lanes.values() if not lane.done()]
        return list((await asyncio.wait(under_way, timeout=longest_s))[1]) if under_way else []

    async def _run(self, waiting: Sequence[Waiting], now_s: float) -> None:
        down: Sent | None = None
        for one in waiting:
            if self._closing:
                return
            down = replace(down, id=one.id) if down else None
            outcome = down or await self._attempt(one, now_s)
            down = outcome if outcome.why else None
            try:
                await self._came(outcome)
            except Exception:  # who keeps what went must not end the lane; what is not marked comes again
                log.exception("it could not be taken down how a message to %s came out", one.message.person)

    async def _attempt(self, one: Waiting, now_s: float) -> Sent:
        """One message, once, in no more than ATTEMPT_S."""
        message = one.message
        try:
            async with asyncio.timeout(ATTEMPT_S):
                body = aged(one, now_s, self._late)
                why = await self._send(message.to, message.subject, body, message.attachment)
        except TimeoutError:
            why = say("no answer within {seconds:.0f} s", seconds=ATTEMPT_S)
        except Exception as error:  # one account must not end the others; its text may hold what only the log should
            log.exception("not sent to %s", message.person)
            why = type(error).__name__
        if why is None:
            log.info("sent to %s: %s", message.person, message.subject)
            return Sent(one.id, "", 0.0)
        log.warning("not sent to %s (attempt %d): %s", message.person, one.attempts + 1, why)
        return Sent(one.id, why, now_s + wait_s(one.attempts))
