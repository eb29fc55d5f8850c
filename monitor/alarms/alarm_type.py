"""What one alarm type is."""

from dataclasses import dataclass

from monitor.alarms.states import Severity
from monitor.facts.words import say


@dataclass(frozen=True, slots=True)
class AlarmType:
    """One kind of alarm. Delays count consecutive rounds (ISA-18.2 on-delay and off-delay)."""

    name: str
    meaning: str
    probable_cause: str
    to_do: str
    severity: Severity
    on_rounds: int = 2
    off_rounds: int = 2

    def __post_init__(self) -> None:
        for name in ("meaning", "to_do"):
            object.__setattr__(self, name, say(getattr(self, name)))
