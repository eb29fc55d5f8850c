"""A budget as an itemised ruler: from what is sent, item by item, to what must arrive; what is measured is a tick."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from monitor.budgets.expected import PoleBudget
from monitor.budgets.optical import Direction
from monitor.facts import resources
from monitor.facts.words import ENGLISH, Said, Tongue, say
from monitor.show.drawing import line, tag, words_at
from monitor.show.views import MarginView


@dataclass(frozen=True, slots=True)
class Ladder:
    """One budget: where it starts, what it gives away one after the other, its limit, and what is measured."""

    title: str
    unit: str
    start: float
    start_words: str
    items: tuple[tuple[str, float], ...]
    """Name and size, signed as it changes the value."""
    expected: float
    limit: float
    limit_words: str
    measured: float | None
    standing: str


def ladders(budget: PoleBudget, margins: Sequence[MarginView]) -> Iterator[Ladder]:
    """The budgets of a pole that have a limit at their end: light both ways, volts, watts."""
    at = {(m.resource, m.quantity): m for m in margins}
    light = [m for m in margins if m.quantity == "rx_dbm"]
    if budget.optical is not None:
        for way in (budget.optical.outward, budget.optical.inward):
            own = way is budget.optical.outward
            mine = next((m for m in light if (resources.place_of(m.resource) == budget.pole) == own), None)
            yield _light(way, mine)
    switch = resources.switch(budget.pole)
    feeder = budget.feeder
    if feeder is not None and feeder.worst.at is not None:
        volts, ohms = feeder.supply_volts - feeder.worst.at.volts, sum(term.value for term in feeder.terms) or 1.0
        yield Ladder(
            say("volts at the switch, worst case ({case})", case=feeder.worst.case.name.replace("_", " ")),
            "V",
            feeder.supply_volts,
            say("supply"),
            tuple((term.name, -volts * term.value / ohms) for term in feeder.terms),
            feeder.worst.at.volts,
            feeder.minimum_volts,
            say("the switch needs"),
            *_measured(at.get((switch, "input_volts"))),
        )
    ports = tuple((say("port {port}", port=port.port), port.port_watts) for port in budget.poe.ports)
    most, words = budget.poe.budget_watts.value, say("the switch can give")
    total = _measured(at.get((switch, "poe_total_watts")))
    yield Ladder(say("PoE, all ports"), "W", 0.0, say("none"), ports, budget.poe.total_watts, most, words, *total)


def _light(way: Direction, mine: MarginView | None) -> Ladder:
    lost = [(term.name, -term.value) for term in way.loss_terms]
    kept = [(term.name, -term.value) for term in (*way.allowance_terms, *way.penalty_terms)]
    words = {"sends": way.sends, "receives": way.receives, "wavelength": way.wavelength_nm}
    return Ladder(
        say("light from {sends} to {receives}, {wavelength:g} nm", **words),
        "dBm",
        way.tx_dbm[0].value,
        say("weakest laser"),
        tuple((name, size) for name, size in (*lost, *kept) if size),
        way.tx_dbm[0].value - way.loss_db,
        way.sensitivity_dbm.value,
        say("the receiver needs"),
        *_measured(mine),
    )


def _measured(margin: MarginView | None) -> tuple[float | None, str]:
    if margin is None or margin.value is None or not math.isfinite(margin.value):
        return None, "no value"
    return margin.value, margin.standing


def words(ladder: Ladder) -> list[Said]:
    """Its items as a numbered row of words, so that the drawing needs none."""
    unit = ladder.unit.replace("dBm", "dB")
    return [
        say("{number}: {name} {size:.2f} {unit}", number=i, name=name, size=abs(size), unit=unit)
        for i, (name, size) in enumerate(ladder.items, 1)
    ]


def draw(ladder: Ladder, tongue: Tongue = ENGLISH) -> Markup:
    """The ruler: items as steps from the left, the limit as a bar, what is measured as a tick above."""
    ends = [ladder.start, ladder.limit, ladder.start + sum(size for _, size in ladder.items), ladder.expected]
    ends += [ladder.measured] if ladder.measured is not None else []
    low, high = min(ends), max(ends)
    pad = 0.06 * (high - low) or 1.0
    falling = ladder.limit < ladder.start

    def x(value: float) -> float:
        share = (value - low + pad) / (high - low + 2 * pad)
        return 8 + 624 * (1 - share if falling else share)

    parts = [tag("title", tongue.say(ladder.title)), line(x(ladder.start), 44, x(ladder.limit), 44, "rule")]
    value = ladder.start
    for i, (_, size) in enumerate(ladder.items, 1):
        parts.append(line(x(value), 44, x(value + size), 44, "item odd" if i % 2 else "item"))
        if abs(x(value + size) - x(value)) > 12:
            parts.append(words_at((x(value) + x(value + size)) / 2, 64, str(i), "small", "middle"))
        value += size
    for at, name, kind in ((ladder.start, ladder.start_words, "rule"), (ladder.limit, ladder.limit_words, "limit")):
        parts += [
            line(x(at), 32, x(at), 56, kind),
            _mark(x(at), f"{tongue.word(name)} {at:g} {ladder.unit}", 78, tongue),
        ]
    if ladder.measured is not None:
        kind = ladder.standing.partition(" ")[0]
        parts.append(line(x(ladder.measured), 22, x(ladder.measured), 52, f"tick {kind}"))
        parts.append(_mark(x(ladder.measured), f"{ladder.measured:.1f} {ladder.unit}", 16, tongue))
    return tag("svg", Markup("").join(parts), viewBox="0 0 640 84", class_="ladder", role="img")


def _mark(x: float, said: str, y: float, tongue: Tongue) -> Markup:
    anchor = "start" if x < 120 else "end" if x > 520 else "middle"
    return words_at(x, y, said.replace(".", tongue.decimal), "small", anchor)
