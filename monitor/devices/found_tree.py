"""What was found, as a tree for a terminal: head-end, poles, ports, and what hangs on them."""

from collections.abc import Iterable, Iterator, Mapping

from monitor.devices.found import Device, Difference, Found, devices
from monitor.facts import resources
from monitor.plan.parts import Load, Plan


def tree(plan: Plan, found: Found, differences: Iterable[Difference]) -> list[str]:
    """Head-end → pole → port → device, with what is not as planned beside it."""
    beside: dict[str, list[Difference]] = {}
    for one in differences:
        beside.setdefault(one.resource, []).append(one)
    all_found = devices(plan, found)
    top = plan.headend.name
    said = [_line(0, top, _switch_words(found, top), beside.get(resources.switch(top)))]
    above = {pole.name: _above(plan, pole.name) for pole in plan.poles}

    def below(place: str, depth: int) -> None:
        for pole in plan.poles:
            if above[pole.name] != place:
                continue
            said.append(
                _line(depth, pole.name, _switch_words(found, pole.name), beside.get(resources.switch(pole.name)))
            )
            named = {load.port: load for load in pole.loads}
            seen = {one.port for one in all_found if one.place == pole.name} | set(named)
            for port in sorted(seen, key=lambda name: (len(name), name)):
                said.extend(_port_lines(pole.name, port, named.get(port), all_found, beside, depth + 1))
            below(pole.name, depth + 1)

    below(top, 1)
    return said


def _above(plan: Plan, name: str) -> str:
    pole = plan.pole(name)
    if pole.fibre is not None:
        return pole.fibre.start.pole or plan.headend.name
    radio = pole.reached_by.radio if pole.reached_by else ""
    return next((p.name for p in plan.poles if any(load.name == radio for load in p.loads)), plan.headend.name)


def _switch_words(found: Found, place: str) -> str:
    switch = found.switches.get(place)
    if switch is None or not switch.answered:
        return "does not answer"
    heard = ", ".join(dict.fromkeys(n.name or n.chassis for n in switch.neighbours))
    return f"{len(switch.stations)} addresses learnt" + (f"; next to {heard}" if heard else "")


def _port_lines(
    place: str,
    port: str,
    load: Load | None,
    all_found: list[Device],
    beside: Mapping[str, list[Difference]],
    depth: int,
) -> Iterator[str]:
    here = [one for one in all_found if (one.place, one.port) == (place, port)]
    who = ", ".join(f"{one.mac} {' '.join(one.addresses)}".strip() for one in here) or "nothing seen"
    planned = f"{load.name}" if load else "not in the plan"
    wrong = [*beside.get(resources.port(place, port), ())]
    if load is not None:
        wrong += beside.get(resources.load(place, load.name), ())
    yield _line(depth, f"port {port}", f"{planned}: {who}", wrong)


def _line(depth: int, name: str, words: str, wrong: list[Difference] | None) -> str:
    marks = "".join(f"\n{'    ' * (depth + 1)}! {one.kind}: {one.words}" for one in wrong or ())
    return f"{'    ' * depth}{name}  {words}{marks}"
