"""The life cycle of an alarm as one table, after RFC 8632.

Two state machines that know nothing of each other. The device's side: an alarm is raised, may change its
severity, is cleared, and may be raised again; "an alarm's is-cleared leaf ... indicates the current clearance
state of the alarm" (RFC 8632, module ietf-alarms, list alarm). The operator's side: none, ack, closed, shelved
and un-shelved, "the operator's view of the alarm" (typedef operator-state).

The diagram in the documentation is drawn from these tables by ``diagram``.
"""

from enum import Enum
from typing import Final


class Severity(Enum):
    """Perceived severity, RFC 8632 section 3.5.1; kept as words, since the numbers of RFCs run both ways."""

    WARNING = "warning"
    MINOR = "minor"
    MAJOR = "major"
    CRITICAL = "critical"


SEVERITY_ORDER: Final = tuple(Severity)
"""From least to most severe."""


class Life(Enum):
    """Where an alarm is on the device's side."""

    NEVER = "never raised"
    RAISED = "raised"
    CLEARED = "cleared"


class Event(Enum):
    """What can happen to an alarm on the device's side."""

    RAISE = "raise"
    CHANGE = "change of severity"
    CLEAR = "clear"


class Operator(Enum):
    """What a person has done with an alarm; the words of RFC 8632's operator-state."""

    NONE = "none"
    ACK = "ack"
    CLOSED = "closed"
    SHELVED = "shelved"
    UNSHELVED = "un-shelved"


LIFE: Final[dict[tuple[Life, Event], Life]] = {
    (Life.NEVER, Event.RAISE): Life.RAISED,
    (Life.RAISED, Event.CHANGE): Life.RAISED,
    (Life.RAISED, Event.CLEAR): Life.CLEARED,
    (Life.CLEARED, Event.RAISE): Life.RAISED,
}
"""What is not in the table is no transition: the alarm stays as it is and nothing is recorded."""

OPERATOR: Final[dict[tuple[Operator, Operator], bool]] = {
    (Operator.NONE, Operator.ACK): True,
    (Operator.NONE, Operator.CLOSED): True,
    (Operator.NONE, Operator.SHELVED): True,
    (Operator.ACK, Operator.CLOSED): True,
    (Operator.ACK, Operator.SHELVED): True,
    (Operator.CLOSED, Operator.SHELVED): True,
    (Operator.SHELVED, Operator.UNSHELVED): True,
    (Operator.UNSHELVED, Operator.ACK): True,
    (Operator.UNSHELVED, Operator.CLOSED): True,
    (Operator.UNSHELVED, Operator.SHELVED): True,
}
"""Which operator state may follow which by a person's act."""


def after(life: Life, event: Event) -> Life | None:
    """The state that follows, or None where the event is no transition."""
    return LIFE.get((life, event))


def may_follow(now: Operator, wanted: Operator) -> bool:
    """May a person bring an alarm from one operator state to another?"""
    return OPERATOR.get((now, wanted), False)


def on_raise_again(now: Operator) -> Operator:
    """The operator state of an alarm that is raised again: a new occurrence wants a new answer.

    A shelf stays a shelf: it was put there for what may come.
    """
    return now if now is Operator.SHELVED else Operator.NONE


def diagram() -> str:
    """Both tables as a Mermaid state diagram, for the documentation."""
    lines = ["stateDiagram-v2"]
    for (life, event), then in LIFE.items():
        start = "[*]" if life is Life.NEVER else life.value
        lines.append(f"    {start} --> {then.value}: {event.value}")
    for (now, then_state), _ in OPERATOR.items():
        names = [state.value.replace("-", "") for state in (now, then_state)]
        lines.append(f"    {names[0]} --> {names[1]}: by a person")
    return "\n".join(lines)
