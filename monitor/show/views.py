"""What is shown, as plain records: the picture and its parts, to JSON and back."""

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class MarginView:
    """One margin for people: numbers in ``unit``; ``text`` is the value as it is written."""

    resource: str
    quantity: str
    unit: str
    value: float | None
    text: str
    low: float | None
    high: float | None
    expected: tuple[float, float] | None
    margin: float | None
    standing: str
    at_s: float
    missing: str
    source: str


@dataclass(frozen=True, slots=True)
class LoadView:
    """One load: each layer as a word, and the first that is broken."""

    name: str
    kind: str
    port: str
    address: str
    layers: Mapping[str, str]
    state: str
    may_cycle: bool = False
    """The plan allows its port to be switched off and on."""


@dataclass(frozen=True, slots=True)
class PlaceView:
    """A pole or the head-end."""

    name: str
    place: str
    access: str
    above: str
    metres: float | None
    state: str
    reason: str
    answered_s: float | None
    margins: tuple[MarginView, ...]
    loads: tuple[LoadView, ...]


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm for people."""

    resource: str
    type: str
    qualifier: str
    severity: str
    cleared: bool
    operator: str
    text: str
    meaning: str
    probable_cause: str
    to_do: str
    root: str
    impacted: tuple[str, ...]
    raised_s: float
    changed_s: float
    settled: str
    cause: Json | None


@dataclass(frozen=True, slots=True)
class Picture:
    """The site now."""

    site: str
    timezone: str
    at_s: float
    version: str
    headline: str
    headend: PlaceView
    poles: tuple[PlaceView, ...]
    supplies: tuple[MarginView, ...]
    alarms: tuple[AlarmView, ...]
    notes: tuple[str, ...]
    heard_s: float | None = None
    """When anything was last read."""

    @property
    def first(self) -> AlarmView | None:
        """The alarm that the headline tells of: the first in the order of those that stand."""
        return next((alarm for alarm in self.alarms if not alarm.cleared), None)

    def json(self) -> Json:
        """As JSON: infinite levels (no light) become null; the text beside them says so."""
        document: Json = finite(asdict(self))
        return document


def finite(value: Any) -> Any:
    """The same without infinities and NaN, which JSON does not have."""
    if isinstance(value, dict):
        return {key: finite(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [finite(inner) for inner in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def from_json(document: Json) -> Picture:
    """The picture that ``Picture.json`` has written."""

    def margins(rows: list[Json]) -> tuple[MarginView, ...]:
        return tuple(
            MarginView(**{**row, "expected": tuple(row["expected"]) if row["expected"] else None}) for row in rows
        )

    def place(row: Json) -> PlaceView:
        return PlaceView(
            **{**row, "margins": margins(row["margins"]), "loads": tuple(LoadView(**load) for load in row["loads"])}
        )

    alarms = tuple(AlarmView(**{**row, "impacted": tuple(row["impacted"])}) for row in document["alarms"])
    return Picture(
        **{
            **document,
            "headend": place(document["headend"]),
            "poles": tuple(map(place, document["poles"])),
            "supplies": margins(document["supplies"]),
            "alarms": alarms,
            "notes": tuple(document["notes"]),
        }
    )
