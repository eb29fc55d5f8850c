"""The outbox: what waits is sent in order, with its age where the line was down, and nothing twice."""

import logging
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from monitor.alarms.messages import Message

log = logging.getLogger(__name__)

AGE_SAID_AFTER_S = 120.0
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


async def send_waiting(
    waiting: Sequence[Waiting],
    send: Callable[[str, str, str, str], Awaitable[str | None]],
    now_s: float,
    late: Callable[[Message, float], str],
) -> list[Sent]:
    """Try each message once, oldest first. After a failure the same account is left alone for this time.

    What waits behind a failed one has failed with it: it is on its way, and what ends meanwhile is told of as over.
    """
    done: list[Sent] = []
    down: dict[str, Sent] = {}
    for one in waiting:
        to = one.message.to
        if to in down:
            done.append(replace(down[to], id=one.id))
            continue
        why = await send(to, one.message.subject, aged(one, now_s, late), one.message.attachment)
        if why is None:
            log.info("sent to %s: %s", one.message.person, one.message.subject)
            done.append(Sent(one.id, "", 0.0))
        else:
            down[to] = Sent(one.id, why, now_s + wait_s(one.attempts))
            log.warning("not sent to %s (attempt %d): %s", one.message.person, one.attempts + 1, why)
            done.append(down[to])
    return done
