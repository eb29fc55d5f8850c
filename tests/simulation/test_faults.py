"""Every fault that can be named shows in what can be read, there and then, and is gone when it is repaired."""

import random
from collections.abc import Callable

import pytest

from monitor.plan.parts import Plan
from monitor.simulation.columns import Columns
from monitor.simulation.faults import FAULTS, Fault, Visit
from monitor.simulation.mib import switch_objects
from monitor.simulation.world import World

DAY_S = 86_400.0
T0 = 1_783_500_000.0
"""Early in July: it is winter at Tarrow Downs."""
POLE = {"panel-soiled": "ridge", "grey-weeks": "ridge", "battery-aged": "ridge", "charging-stopped": "ridge"}
POLE |= {"charge-lock-out": "ridge"}

FDB = (1, 3, 6, 1, 2, 1, 17, 7, 1, 2, 2, 1, 2)
ELSEWHERE: dict[str, Callable[[World], object]] = {
    "agent-slow": lambda world: world.places["creek"].slow_agent,
    "camera-clock": lambda world: world.places["creek"].devices["creek-gate-camera"].clock_wrong_s > 600,
    "internet-out": lambda world: not world.internet,
    "strange-device": lambda world: len([o for o in switch_objects(world, "creek") if o[:13] == FDB]) > 3,
    "ports-renumbered": lambda world: (1, 3, 6, 1, 2, 1, 2, 2, 1, 2, 101) in switch_objects(world, "creek"),
    "address-clash": lambda world: not world.places["creek"].devices["creek-gate-camera"].answers,
    "camera-hung": lambda world: not world.places["creek"].devices["creek-gate-camera"].answers,
}
"""What shows elsewhere than in the columns of the fast gait."""


def readings(world: World) -> dict[str, float | None]:
    found: dict[str, float | None] = {}
    for one in Columns(world).rounds():
        for slot, value, state in zip(one.layout.slots, one.values, one.states, strict=True):
            found[f"{slot.resource}:{slot.quantity}"] = None if state else value
    return found


def differences(with_it: World, without: World) -> set[str]:
    """Readings that differ by more than any noise."""
    a, b = readings(with_it), readings(without)
    found = set()
    for name in a:
        x, y = a[name], b[name]
        if (x is None) is not (y is None):
            found.add(name)
        elif x is not None and y is not None and x != y and not (name.endswith("octets") and 0.7 < x / max(y, 1) < 1.4):
            noise = {
                "milliamperes": 0.15,
                "total_watts": 2.5,
                "_dbm": 0.4,
                "_c": 0.01,
                "volts": 0.12,
                "amperes": 0.03,
                "watts": 0.6,
                "hours": 2,
                "percent": 1,
            }
            most = next((most for end, most in noise.items() if name.endswith(end)), 0.3)
            if abs(x - y) > most:
                found.add(name)
    return found


def after(plan: Plan, fault: Fault | None, hours: float) -> World:
    """The site some time after T0, by the hour and at last by the minute."""
    world = World(plan, 3, T0)
    world.faults = [fault] if fault else []
    at_s = T0
    while at_s < T0 + hours * 3600:
        at_s += 3600 if T0 + hours * 3600 - at_s > 4000 else 60
        world.step(at_s)
    return world


@pytest.mark.parametrize("name", FAULTS)
def test_it_shows(tarrow: Plan, name: str) -> None:
    """Looked for on every second hour of the fifteen days after it is fully there."""
    fault = Fault(name, POLE.get(name, "creek"), T0 + 3600, ramp_s=7200 if FAULTS[name].ramp_s else None)
    worlds = [World(tarrow, 3, T0) for _ in range(2)]
    worlds[0].faults = [fault]
    for hour in range(1, 360):
        for world in worlds:
            world.step(T0 + 3600 * hour)
        if hour >= 4 and hour % 2 == 0:
            if name in ELSEWHERE and ELSEWHERE[name](worlds[0]):
                assert not ELSEWHERE[name](worlds[1])
                return
            if name not in ELSEWHERE and differences(*worlds):
                return
    raise AssertionError(f"{name} shows nowhere within fifteen days")


def test_what_counts_as_a_difference_is_more_than_any_noise(tarrow: Plan) -> None:
    """Two healthy sites under one sky with noise of their own, over two days."""
    worlds = [World(tarrow, 3, T0) for _ in range(2)]
    for i, world in enumerate(worlds):
        world.chance = random.Random(i)
    for hour in range(1, 49):
        for world in worlds:
            world.step(T0 + 3600 * hour)
        assert differences(*worlds) == set()


def test_all_faults_of_the_table_have_a_name() -> None:
    assert {kind.number for kind in FAULTS.values()} == set(range(35))


@pytest.mark.parametrize(
    ("name", "silent", "amperes"),
    [
        ("feeder-open", True, (0.0, 0.01)),
        ("fibre-cut", True, (0.8, 1.6)),
        ("cable-cut", True, (0.0, 0.01)),
        ("feeder-short", True, (5.0, 40.0)),
        ("dirty-connector", False, (0.8, 1.6)),
    ],
)
def test_what_a_silence_looks_like_at_the_head_end(
    tarrow: Plan, name: str, silent: bool, amperes: tuple[float, float]
) -> None:
    world = after(tarrow, Fault(name, "creek", T0 + 3600), 4)
    assert world.places["creek"].agent is not silent
    assert amperes[0] <= world.places["creek"].amperes <= amperes[1]
    assert world.places["woolshed"].reachable is not silent


def test_a_pole_that_comes_back_has_restarted_after_power_and_not_after_a_cut(tarrow: Plan) -> None:
    for name, restarted in (("feeder-open", True), ("fibre-cut", False)):
        world = World(tarrow, 3, T0)
        began = world.places["creek"].started_s
        world.faults = [Fault(name, "creek", T0 + 60, T0 + 300)]
        for i in range(1, 20):
            world.step(T0 + 60 * i)
        assert (world.places["creek"].started_s > began) is restarted
        assert world.places["creek"].agent


def test_two_at_once_and_a_visit_that_repairs_one_and_breaks_another(tarrow: Plan) -> None:
    world = World(tarrow, 3, T0)
    world.faults = [Fault("dirty-connector", "yards", T0), Fault("camera-hung", "yards", T0)]
    world.step(T0 + 600)
    dark = (world.optic("office", "10") or {})["rx_dbm"]
    assert not world.places["yards"].devices["yards-ramp-camera"].answers
    world.visited(Visit(T0 + 1200, "yards", "cleaned", repairs=("dirty-connector",), breaks=("fibre-bend",)))
    world.step(T0 + 1260)
    bright = (world.optic("office", "10") or {})["rx_dbm"]
    assert bright > dark + 5
    assert {f.name for f in world.faults if f.acts(world.now_s)} == {"camera-hung", "fibre-bend"}


def test_an_optic_that_is_put_in_is_another_one(tarrow: Plan) -> None:
    world = World(tarrow, 3, T0)
    before = world.runs["woolshed"].far
    world.visited(Visit(T0, "woolshed", "a new optic", new_optic=True))
    assert world.runs["woolshed"].far.serial != before.serial


def test_levels_ramp_are_scaled_and_come_and_go() -> None:
    slow = Fault("connector-creep", "creek", 0.0, severity=0.5, ramp_s=100.0)
    assert [slow.level(t) for t in (-1, 50, 100, 1000)] == pytest.approx([0, 0.25, 0.5, 0.5])
    loose = Fault("connector-loose", "creek", 0.0)
    on = sum(loose.acts(600.0 * i + 1) for i in range(400)) / 400
    assert 0.3 < on < 0.5
    with pytest.raises(ValueError, match="no known fault"):
        Fault("gremlin", "creek", 0.0)
