"""What one alarm type is."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.alarms.states import Severity
from monitor.facts.words import say


@dataclass(frozen=True, slots=True)
class AlarmType:
    """One kind of alarm. Delays count consecutive rounds (ISA-18.2 on-delay and off-delay).

    ``shown_by`` is its scope: the signs by which it shows. Only a fault that makes one of them can be its cause, and
    only what such faults show is its evidence. Its keys are ``load`` or ``supply``, where it differs by what the alarm
    is of, a quantity where the qualifier is one, and the empty text for all else; without any nobody looks for a cause.
    """

    name: str
    meaning: str
    probable_cause: str
    to_do: str
    severity: Severity
    on_rounds: int = 2
    off_rounds: int = 2
    shown_by: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("meaning", "to_do"):
            object.__setattr__(self, name, say(getattr(self, name)))

    def scope(self, qualifier: str, of: str = "") -> tuple[str, ...]:
        """The signs by which an alarm of this type shows: of a ``load``, a ``supply``, or of anything else."""
        return self.shown_by.get(qualifier or of) or self.shown_by.get("", ())
