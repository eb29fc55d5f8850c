"""A solar supply's controller becomes readings, hours and alarms, and its silence is said."""

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from monitor.alarms.silence import Watch
from monitor.daemon.asking import Asking
from monitor.daemon.clock import HandClock
from monitor.daemon.design import Design
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.powering import Powering, asked_by_modbus, seconds_left
from monitor.daemon.rounds import Rounds
from monitor.devices.ask import modbus
from monitor.devices.ask.snmp import Community
from monitor.facts.readings import Slot
from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Plan
from monitor.plan.power import SolarSupply
from tests.devices.fake import TableAgent


@pytest.fixture
async def solar(tarrow: Plan, sheets: Sheets, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Any]:
    document = tarrow.model_dump(by_alias=True)
    supply = next(one for one in document["supplies"] if one["kind"] == "solar")
    supply["controller"] = {"kind": "modbus-tcp", "address": "10.20.3.9", "port": 502, "datasheet": "solar-controller"}
    plan = Plan.model_validate(document)
    clock = HandClock()
    keeper = Keeper(tmp_path / "h.sqlite", clock)
    memory = Memory(Design.of(plan, sheets))
    await keeper.open()
    asking = Asking(TableAgent({}), {"switches": Community("x")}, clock, may_ping=False)
    rounds = Rounds(memory, asking, keeper, clock, lambda: None)
    powering = Powering(rounds, clock)
    words: dict[int, int] = {}

    async def read(self: modbus.Bus, unit: int, table: str, at: int, count: int, *_: object) -> list[int]:
        if not words:
            raise modbus.NoAnswer("no connection")
        return [words.get(at + i, 0) for i in range(count)]

    async def reached(place: str) -> None:
        """The pole is as the test says, however often it is asked."""

    monkeypatch.setattr(modbus.Bus, "read", read)
    monkeypatch.setattr(rounds, "reach", reached)
    memory.watches["ridge"] = Watch(back_since_s=0.0)

    class Solar:
        name = supply["name"]

        async def says(self, **registers: int) -> set[str]:
            words.clear()
            words.update({int(at.removeprefix("r")): value for at, value in registers.items()})
            for _ in range(2):
                await powering.check(asked_by_modbus(plan)[0])
            return {f"{alarm.key.type}" for alarm in memory.book.raised()}

        def turn(self, seconds: float) -> Any:
            return clock.turn(seconds)

        def pole_is_silent(self) -> None:
            memory.watches["ridge"] = Watch(misses=3, back_since_s=0.0)

        def value(self, quantity: str) -> float | None:
            reading = memory.latest.reading(Slot(f"supply/{self.name}", quantity))
            return reading.value if reading else None

    yield Solar()
    await keeper.close()


async def test_values_and_the_hours_that_are_left(solar: Any) -> None:
    assert await solar.says(r256=7210, r260=2610, r261=0xFF38, r263=81) == set()  # −2.00 A
    assert solar.value("battery_volts") == 26.1
    assert solar.value("battery_amperes") == -2.0
    # 25.6 V · 100 Ah · (0.81 − 0.2) at 52.2 W: 29.9 h.
    left = solar.value("battery_left_seconds")
    assert left is not None
    assert left / 3600 == pytest.approx(29.9, abs=0.1)


async def test_energy_in_and_out_by_the_day(solar: Any) -> None:
    """26.1 V · 2 A for an hour out of it, then 27 V · 5 A for half an hour into it."""
    await solar.says(r260=2610, r261=0xFF38, r263=81)
    for _ in range(12):
        await solar.turn(300)
        await solar.says(r260=2610, r261=0xFF38, r263=80)
    assert solar.value("drawn_watt_hours") == pytest.approx(52.2, rel=0.001)
    assert solar.value("charged_watt_hours") == 0
    for _ in range(6):
        await solar.turn(300)
        await solar.says(r260=2700, r261=500, r263=82)
    assert solar.value("charged_watt_hours") == pytest.approx(67.5, rel=0.1)
    await solar.turn(86_400)
    await solar.says(r260=2700, r261=500, r263=82)
    assert solar.value("charged_watt_hours") == 0, "a new day, and nobody knows what happened in the gap"


async def test_a_battery_near_its_cut_off_is_an_alarm_and_full_again_clears_it(solar: Any) -> None:
    assert await solar.says(r260=2215, r261=0xFF38, r263=22) == {"battery-low"}
    assert await solar.says(r260=2700, r261=500, r263=95) == set()


async def test_a_controller_that_does_not_answer_is_said_and_nothing_is_zero(solar: Any) -> None:
    assert await solar.says() == set()  # not yet: the alarm of an agent waits four rounds
    assert await solar.says() == {"agent-silent"}
    assert solar.value("battery_volts") is None


async def test_a_controller_behind_a_silent_pole_is_unknown(solar: Any) -> None:
    solar.pole_is_silent()
    assert await solar.says() == set()
    assert await solar.says() == set()


def test_hours_left_where_they_cannot_be_told(tarrow: Plan) -> None:
    supply = next(one for one in tarrow.supplies if isinstance(one, SolarSupply))
    assert seconds_left(supply, None, 50) is None
    assert seconds_left(supply, 80, None) is None
    assert seconds_left(supply, 5, 50) == 0


def test_meters_of_supplies_and_feeders_are_read_too(tarrow: Plan) -> None:
    document = tarrow.model_dump(by_alias=True)
    meter = {"kind": "modbus-tcp", "address": "10.20.0.9", "datasheet": "dc-meter-modbus"}
    mains = next(one for one in document["supplies"] if one["kind"] == "mains")
    mains["volts_sensor"] = meter
    document["headend"]["feeder_sensors"] = {"creek": {**meter, "channel": "1"}, "yards": {**meter, "channel": "2"}}
    found = [(one.resource, one.sensor.channel) for one in asked_by_modbus(Plan.model_validate(document))]
    assert (f"supply/{mains['name']}", "1") in found
    assert ("creek/feeder", "1") in found
    assert ("yards/feeder", "2") in found
