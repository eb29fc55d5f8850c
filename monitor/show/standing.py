"""What somebody who stands at a pole sees: each figure now, before and after his work."""

from dataclasses import asdict, dataclass
from typing import Any

from monitor.facts.quantities import QUANTITIES, UNITS
from monitor.facts.readings import Reading
from monitor.facts.resources import place_of, tail_of
from monitor.facts.states import IfOperStatus
from monitor.facts.words import say
from monitor.margins.limits import Limit
from monitor.show.picture import written
from monitor.show.views import finite

_WORDS = {
    "rx_dbm": say("light that arrives at {place}, port {part}"),
    "tx_dbm": say("light sent by {place}, port {part}"),
    "optic_c": say("optic of {place}, port {part}"),
    "input_volts": say("volts at the switch"),
    "poe_total_watts": say("PoE, all ports"),
    "port_watts": say("watts of port {part}"),
    "link_state": say("link of port {part}"),
    "feeder_amperes": say("amperes of the feeder"),
    "supply_volts": say("volts of {part}"),
}


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure; numbers in ``unit``."""

    key: str
    words: str
    unit: str
    now: str
    before: str
    after: str
    change: str
    low: float | None
    high: float | None

    @classmethod
    def of(cls, reading: Reading, limit: Limit | None, before: float | None, after: float | None) -> "Figure":
        """A reading of this second beside the stamps."""
        quantity, resource = reading.quantity, reading.resource
        words = say(_WORDS[quantity].pattern, place=place_of(resource), part=tail_of(resource))
        unit = UNITS[QUANTITIES[quantity].unit]
        return cls(
            f"{resource}:{quantity}",
            words,
            unit,
            _written(quantity, reading.value, written(reading)),
            _number(quantity, before, unit),
            _number(quantity, after, unit),
            _change(before, after if after is not None else reading.value, unit),
            limit.low if limit else None,
            limit.high if limit else None,
        )


def _written(quantity: str, value: float | None, usual: str) -> str:
    if quantity == "link_state" and value is not None:
        return say("up") if value == IfOperStatus.UP else say("down")
    return usual


def _number(quantity: str, value: float | None, unit: str) -> str:
    if value is None:
        return ""
    if value == float("-inf"):
        return say("no light")
    plain = say("{sign}{value:.2f} {unit}", sign="−" if value < 0 else "", value=abs(value), unit=unit)
    return _written(quantity, value, plain)


def _change(before: float | None, now: float | None, unit: str) -> str:
    infinite = float("-inf") in (before, now)
    if before is None or now is None or infinite or not unit:
        return ""
    unit, way = unit.replace("dBm", "dB"), round(now - before, 2)
    return say("{sign}{change:.2f} {unit}", sign="+" if way > 0 else "−" if way < 0 else "", change=abs(way), unit=unit)


@dataclass(frozen=True, slots=True)
class Standing:
    """A pole while somebody stands at it."""

    pole: str
    at_s: float
    left_s: float
    figures: tuple[Figure, ...]
    before_s: float | None
    after_s: float | None

    def json(self) -> dict[str, Any]:
        """As JSON."""
        document: dict[str, Any] = finite(asdict(self))
        return document
