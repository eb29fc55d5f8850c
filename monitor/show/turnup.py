"""The acceptance sheet of a pole: item by item, by day and after dusk, before and after. It refuses nothing."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alarms import cautions
from monitor.facts.quantities import QUANTITIES, UNITS
from monitor.facts.readings import Slot
from monitor.facts.resources import place_of, tail_of
from monitor.facts.words import Said, at, say
from monitor.margins.judge import Standing
from monitor.margins.turnup import Item, Measured, Step
from monitor.show.rendering import number
from monitor.show.views import finite

_WORDS = {
    "rx_dbm": say("light that arrives at {place}, port {part}"),
    "tx_dbm": say("light sent by {place}, port {part}"),
    "input_volts": say("volts at the switch"),
    "feeder_amperes": say("amperes of the feeder"),
    "loop_ohms": say("feeder resistance"),
    "port_watts": say("watts of port {part}"),
    "poe_total_watts": say("PoE, all ports"),
}


@dataclass(frozen=True, slots=True)
class Part:
    """One measuring: by day, or after dusk."""

    pole: str
    who: str
    at_s: float
    night: bool
    items: tuple[Item, ...]
    steps: tuple[Step, ...]
    facts: tuple[tuple[str, str], ...]


def from_kept(kept: Mapping[str, Any]) -> Part:
    """A part as the history keeps it."""
    items = tuple(
        Item(
            **{
                **one,
                "slot": Slot(*one["slot"]),
                "measured": _measured(one["measured"]) if one["measured"] else None,
                "expected": tuple(one["expected"]) if one["expected"] else None,
                "standing": Standing(one["standing"]),
            }
        )
        for one in kept["items"]
    )
    steps = tuple(Step(**one) for one in kept["steps"])
    return Part(**{**kept, "items": items, "steps": steps, "facts": tuple((a, b) for a, b in kept["facts"])})


def from_json(told: Mapping[str, Any]) -> "Sheet":
    """The sheet that ``Sheet.json`` has written."""
    parts = [from_kept(told[name]) if told[name] else None for name in ("day", "night", "before")]
    assert parts[0] is not None, "a sheet has a measuring"
    return Sheet(told["site"], told["timezone"], told["place"], parts[0], parts[1], parts[2])


def _measured(one: Mapping[str, Any]) -> Measured:
    """JSON has no infinity: no light comes back from it as null."""
    levels = [float("-inf") if one[name] is None else float(one[name]) for name in ("median", "low", "high")]
    return Measured(levels[0], levels[1], levels[2], one["count"])


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the sheet; figures as they are written."""

    what: str
    before: str
    day: str
    night: str
    expected: str
    limits: str
    stands: str
    source: str
    outside: bool


@dataclass(frozen=True, slots=True)
class Sheet:
    """A turn-up with the night after it and the turn-up before it."""

    site: str
    timezone: str
    place: str
    day: Part
    night: Part | None
    before: Part | None

    @property
    def pole(self) -> str:
        """Of which pole it is."""
        return self.day.pole

    @property
    def title(self) -> Said:
        """Its heading."""
        return say("{site}: turn-up of {pole}", site=self.site, pole=self.pole)

    @property
    def made(self) -> Said:
        """When it was measured."""
        zone = ZoneInfo(self.timezone)
        measured = at(datetime.fromtimestamp(self.day.at_s, zone), "minute")
        who = {"at": measured, "who": self.day.who}
        if self.night is None:
            return say("Measured {at} by {who}; not measured after dusk", **who)
        night = at(datetime.fromtimestamp(self.night.at_s, zone), "minute")
        return say("Measured {at} by {who}, after dusk {night}", **who, night=night)

    @property
    def rows(self) -> tuple[Row, ...]:
        """Every item."""
        return tuple(self._row(one) for one in self.day.items)

    def _row(self, one: Item) -> Row:
        night, before = (_find(part, one.slot) for part in (self.night, self.before))
        unit = UNITS[QUANTITIES[one.slot.quantity].unit]
        worst = night if night is not None and night.outside else one
        return Row(
            _what(one),
            _median(before, unit),
            _median(one, unit),
            _median(night, unit),
            _range(one.expected, unit),
            _limits(one, unit),
            worst.standing.value,
            one.source,
            one.outside or (night is not None and night.outside),
        )

    @property
    def outside(self) -> tuple[Said, ...]:
        """What is outside, and why; whoever signs decides."""
        parts = [self.day, *([self.night] if self.night else [])]
        return tuple(line for part in parts for one in part.items for line in _outside(one, part.night))

    @property
    def cautions(self) -> tuple[str, ...]:
        """The usual ones, for whoever goes up again."""
        return (cautions.FIBRE, cautions.DC, cautions.LADDER, cautions.STORM, cautions.CODES)

    def json(self) -> dict[str, Any]:
        """Everything, for machines."""
        told: dict[str, Any] = finite(asdict(self))
        for part in (told["day"], told["night"], told["before"]):
            for item in part["items"] if part else []:
                item["standing"] = item["standing"].value
        return {**told, "pole": self.pole, "outside": [str(line) for line in self.outside]}


def _find(part: Part | None, slot: Slot) -> Item | None:
    return next((one for one in part.items if one.slot == slot), None) if part is not None else None


def _median(one: Item | None, unit: str) -> str:
    if one is None:
        return ""
    if one.measured is None:
        return say("not measured")
    if one.measured.median == float("-inf"):
        return say("no light")
    return number(one.measured.median, unit)


def _range(pair: tuple[float, float] | None, unit: str) -> str:
    if pair is None:
        return ""
    if pair[0] == pair[1]:
        return number(pair[0], unit)
    return say("{low} to {high}", low=number(pair[0], ""), high=number(pair[1], unit))


def _limits(one: Item, unit: str) -> str:
    if one.low is not None and one.high is not None:
        return say("{low} to {high}", low=number(one.low, ""), high=number(one.high, unit))
    if one.low is not None:
        return say("at least {low}", low=number(one.low, unit))
    return say("at most {high}", high=number(one.high, unit)) if one.high is not None else ""


def _what(one: Item) -> Said:
    resource = one.slot.resource
    return say(_WORDS[one.slot.quantity].pattern, place=place_of(resource), part=tail_of(resource))


def _outside(one: Item, night: bool) -> Iterator[Said]:
    unit = UNITS[QUANTITIES[one.slot.quantity].unit]
    what = _what(one)
    if night:
        what = say("{what}, after dusk", what=what)
    value = _median(one, unit)
    if one.measured is None:
        yield say("{what}: not measured; its device does not tell it, or did not answer", what=what)
        return
    if one.standing in (Standing.CLOSE, Standing.PAST):
        stands = {"value": value, "standing": say(one.standing.value), "limits": _limits(one, unit)}
        yield say("{what}: {value} is {standing} ({limits}; {source})", what=what, source=one.source, **stands)
    if one.beside:
        off = number(abs(one.beside), unit.replace("dBm", "dB"))
        expected = {"value": value, "expected": _range(one.expected, unit), "off": off}
        if one.beside < 0:
            yield say("{what}: {value} is {off} below what the plan allows for ({expected})", what=what, **expected)
        else:
            yield say("{what}: {value} is {off} above what the plan allows for ({expected})", what=what, **expected)


def words(sheet: Sheet) -> str:
    """The sheet as plain text, for a terminal."""
    from monitor.show.terminal import table

    lines = [str(sheet.title), str(sheet.made), ""]
    lines += table([("", "before", "by day", "after dusk", "expected", "limits", ""), *_texts(sheet.rows)])
    lines += ["", *_steps(sheet.day.steps), ""]
    lines += ["Outside:", *(f"  {line}" for line in sheet.outside)] if sheet.outside else ["Nothing is outside."]
    lines += ["", *(f"{name}: {text or 'not told'}" for name, text in sheet.day.facts), "", *sheet.cautions]
    return "\n".join(lines)


def _texts(rows: Sequence[Row]) -> Iterator[tuple[str, ...]]:
    for one in rows:
        yield one.what, one.before, one.day, one.night, one.expected, one.limits, "!" if one.outside else ""


def _steps(steps: Sequence[Step]) -> Iterator[str]:
    for one in steps:
        yield str(step_words(one))


def step_words(one: Step) -> Said:
    """One step of the load in words."""
    drawn = {"watts": one.watts, "volts": one.volts}
    if one.amperes is None:
        return say("{watts:.1f} W drawn: {volts:.2f} V at the switch", **drawn)
    if one.ohms is None:
        return say("{watts:.1f} W drawn: {volts:.2f} V at the switch, {amperes:.2f} A", **drawn, amperes=one.amperes)
    words = "{watts:.1f} W drawn: {volts:.2f} V at the switch, {amperes:.2f} A, {ohms:.2f} Ω of feeder"
    return say(words, **drawn, amperes=one.amperes, ohms=one.ohms)
