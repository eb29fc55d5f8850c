"""The demo's story: what breaks when, in seconds after the start, and what the viewer is told."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from monitor.plan.parts import Plan
from monitor.simulation.faults import FAULTS, Fault

DROP_AT_S, DROP_LASTS_S = 30.0, 45.0


@dataclass(frozen=True)
class Scene:
    """One fault of the story."""

    start_s: float
    end_s: float
    fault: str
    pole: str

    def hurried(self, speed: float) -> "Scene":
        """The same scene in a story that plays ``speed`` times as fast."""
        return replace(self, start_s=self.start_s / speed, end_s=self.end_s / speed)

    @property
    def words(self) -> str:
        """What the viewer is told."""
        return f"{self.fault} at {self.pole}: {FAULTS[self.fault].words}"


STORY: tuple[Scene, ...] = (
    Scene(DROP_AT_S, DROP_AT_S + DROP_LASTS_S, "feeder-open", "creek"),
    Scene(48.0, 600.0, "camera-hung", "yards"),
    Scene(118.0, 158.0, "lightning", "yards"),
    Scene(210.0, 260.0, "fibre-cut", "yards"),
)


def scenes(wanted: Sequence[str], plan: Plan) -> tuple[Scene, ...]:
    """The story, or instead of it the faults named as NAME@POLE; raises ValueError for an unknown name."""
    if not wanted:
        return STORY
    found = []
    for one in wanted:
        name, _, pole = one.partition("@")
        poles = [p.name for p in plan.poles]
        if name not in FAULTS:
            raise ValueError(f"{name!r} is no known fault; known are {', '.join(FAULTS)}")
        if pole not in poles:
            raise ValueError(f"{pole!r} is no pole of {plan.site.name}; there are {', '.join(poles)}")
        found.append(Scene(DROP_AT_S, DROP_AT_S + DROP_LASTS_S, name, pole))
    return tuple(found)


def faults(story: Sequence[Scene], start_s: float) -> list[Fault]:
    """The story as faults, counted from ``start_s`` (UTC seconds)."""
    return [Fault(scene.fault, scene.pole, start_s + scene.start_s, start_s + scene.end_s) for scene in story]
