"""Asking solar controllers and batteries over Modbus TCP, and how long the battery will last."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from typing import TYPE_CHECKING

from monitor.alarms.book import Condition, Key
from monitor.alarms.inventory import INVENTORY
from monitor.budgets.autonomy import warmed
from monitor.daemon.clock import Clock
from monitor.daemon.rounds import Rounds
from monitor.devices.ask.own import CouldNotAsk
from monitor.devices.decode import registers
from monitor.devices.decode.raw import Absent, Garbled
from monitor.facts import resources
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.facts.words import say
from monitor.margins.night import Night
from monitor.plan.datasheets import RegisterSheet, Sheets
from monitor.plan.parts import Plan
from monitor.plan.power import Sensor, SolarSupply

if TYPE_CHECKING:
    from monitor.devices.ask.modbus import Bus

Value = tuple[str, Callable[[], float]]
LONGEST_GAP_S = 900.0
_IDLE_WATTS = 0.5
"""Below this the battery neither gives nor takes anything by which its hours could be told."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One thing to read over Modbus: a solar supply's controller, a supply's meter, or the clamp of a feeder."""

    resource: str
    sensor: Sensor
    solar: SolarSupply | None = None


def asked_by_modbus(plan: Plan) -> list[Asked]:
    """Everything in a plan that is read over Modbus TCP."""
    found: list[Asked] = []
    for supply in plan.supplies:
        solar = supply if isinstance(supply, SolarSupply) else None
        sensor = supply.controller if isinstance(supply, SolarSupply) else supply.volts_sensor
        if sensor is not None:
            found.append(Asked(resources.supply(supply.name), sensor, solar))
    found += [Asked(resources.feeder(pole), sensor) for pole, sensor in plan.headend.feeder_sensors.items()]
    return [one for one in found if one.sensor.kind == "modbus-tcp" and one.sensor.address is not None]


class Powering:
    """What is read over Modbus under one plan; devices behind one gateway share its connection."""

    def __init__(self, rounds: Rounds, clock: Clock) -> None:
        self._rounds, self._clock = rounds, clock
        self._buses: dict[tuple[str, int], Bus] = {}
        self._layouts: dict[str, Layout] = {}
        self._nights: dict[str, Night] = {}

    async def check(self, asked: Asked) -> None:
        """One round: kept, judged, told."""
        from monitor.devices.ask import modbus  # pymodbus is loaded only where something is asked by it

        sensor = asked.sensor
        sheet = self._rounds.memory.design.sheets.modbus[sensor.datasheet]
        where = (sensor.address or "", sensor.port or 502)
        bus = self._buses.setdefault(where, modbus.Bus(*where))
        why = ""
        values: list[Value] = []
        asking, began_s = self._rounds.asking, self._clock.monotonic_s()
        try:
            values = await _values(bus, sensor.unit if sensor.unit is not None else 1, sheet, sensor.channel)
            # One meter serves a supply and its feeders: each takes what is its own.
            of_feeder = asked.resource.endswith("/feeder")
            values = [one for one in values if one[0].startswith("feeder_") == of_feeder]
        except CouldNotAsk:
            asking.could_not()
            await self._rounds.own_faults()
            return
        except (modbus.NoAnswer, modbus.Refused) as error:
            why = str(error)
        except Garbled as garbled:
            why = str(garbled)
        if why and asking.stood_still(began_s):
            return
        silent = Condition(
            Key(asked.resource, "agent-silent"),
            INVENTORY["agent-silent"].severity if why else None,
            say("what measures {resource} cannot be read: {why}", resource=asked.resource, why=why) if why else "",
        )
        if values:
            await self._rounds.take(self._round(asked, values), [silent])
        elif all([await self._rounds.stands(place) for place in self._around(asked)]):
            await self._rounds.step([silent])

    def _around(self, asked: Asked) -> list[str]:
        """The poles by which a supply's controller is reached; none for what stands at the head-end."""
        plan = self._rounds.memory.plan
        return [pole.name for pole in plan.poles if asked.solar is not None and pole.supply == asked.solar.name]

    def _round(self, asked: Asked, values: list[Value]) -> Round:
        names = [quantity for quantity, _ in values]
        if asked.solar is not None:
            names += ["battery_left_seconds", "charged_watt_hours", "drawn_watt_hours", "held_watt_hours"]
        slots = tuple(Slot(asked.resource, name) for name in dict.fromkeys(names))
        layout = self._layouts.get(asked.resource)
        if layout is None or layout.slots != slots:
            layout = self._layouts[asked.resource] = Layout(asked.resource, "power", slots)
        made = Round.blank(layout, self._clock.wall_s(), State.ABSENT)
        for quantity, read in values:
            i = layout.index[Slot(asked.resource, quantity)]
            try:
                made.put(i, read())
            except Absent:
                made.states[i] = State.ABSENT
            except Garbled as garbled:
                made.garble(i, str(garbled))
        if asked.solar is not None:
            self._battery(asked.solar, asked.resource, made)
        return made

    def _battery(self, supply: SolarSupply, resource: str, made: Round) -> None:
        """Hours left, and the day's energy in and out."""
        watts, index = battery_watts(resource, made), made.layout.index
        drawn = -watts if watts is not None and watts < -_IDLE_WATTS else None
        left_s = seconds_left(supply, made.get(Slot(resource, "battery_percent")), drawn)
        if left_s is not None:
            made.put(index[Slot(resource, "battery_left_seconds")], left_s)
        before = self._rounds.memory.latest.newest(resource, "power")
        for name, sign in (("charged_watt_hours", 1), ("drawn_watt_hours", -1)):
            slot = Slot(resource, name)
            total = energy_since_midnight(resource, slot, before, made, watts, sign, self._rounds.memory.design.zone)
            if total is not None:
                made.put(index[slot], total)
        self._held(supply, resource, made)

    def _held(self, supply: SolarSupply, resource: str, made: Round) -> None:
        """What the battery holds, once after each night, as it would be at 25 °C."""
        night = self._nights.setdefault(resource, Night(supply.battery.volts * supply.battery.amp_hours))
        held = held_watt_hours(night, supply, self._rounds.memory.design.sheets, made)
        if held is not None:
            made.put(made.layout.index[Slot(resource, "held_watt_hours")], held)

    def close(self) -> None:
        """Give connections back."""
        for bus in self._buses.values():
            bus.close()
        self._buses.clear()


async def _values(bus: "Bus", unit: int, sheet: RegisterSheet, channel: str) -> list[Value]:
    from monitor.devices.ask import modbus

    if sheet.sunspec:
        return [one for model, words in await modbus.read_sunspec(bus, unit) for one in registers.points(model, words)]
    found = await modbus.read_sheet(bus, unit, sheet)
    by_table = {
        table: {at: word for (where, at), word in found.items() if where == table} for table in ("input", "holding")
    }
    return [
        (one.quantity, lambda one=one: registers.value(one, by_table[one.table]))  # type: ignore[misc]  # mypy cannot type a default that binds the loop's name
        for one in sheet.registers
        if one.channel in ("", channel)
    ]


def battery_watts(resource: str, readings: Round) -> float | None:
    """Power of a battery, positive while it charges; from volts and amperes where its device does not say it."""
    watts = readings.get(Slot(resource, "battery_watts"))
    if watts is None:
        volts, amperes = (readings.get(Slot(resource, q)) for q in ("battery_volts", "battery_amperes"))
        watts = volts * amperes if volts is not None and amperes is not None else None
    return watts


def drawn_watts(resource: str, readings: Round) -> float | None:
    """Power out of a battery, negative while it charges; from load and panel where nothing measures the battery."""
    watts = battery_watts(resource, readings)
    if watts is not None:
        return -watts
    load, panel = (readings.get(Slot(resource, q)) for q in ("load_watts", "panel_watts"))
    return load - panel if load is not None and panel is not None else None


def held_watt_hours(night: Night, supply: SolarSupply, sheets: Sheets, readings: Round) -> float | None:
    """What a battery holds at 25 °C, once after each night; None at all other times, or where it cannot be told."""
    at = resources.supply(supply.name)
    held = night.step(readings.at_s, readings.get(Slot(at, "battery_percent")), drawn_watts(at, readings))
    celsius, sheet = readings.get(Slot(at, "battery_c")), sheets.batteries.get(supply.battery.chemistry)
    if held is None or sheet is None:
        return None
    return held / (warmed(sheet, celsius) if celsius is not None else 1.0)


def energy_since_midnight(
    resource: str, slot: Slot, before: Round | None, now: Round, watts: float | None, sign: int, zone: tzinfo
) -> float | None:
    """Energy in one direction since the site's midnight [Wh], by the trapezoid between two rounds.

    A gap longer than LONGEST_GAP_S adds nothing: what happened in it is not known. None without a power.
    """
    if watts is None:
        return None
    total = before.get(slot) if before is not None else None
    earlier = battery_watts(resource, before) if before is not None else None
    gap_s = now.at_s - before.at_s if before is not None else 0.0
    if before is None or _day(before.at_s, zone) != _day(now.at_s, zone):
        total = 0.0
    added = 0.0
    if earlier is not None and 0 < gap_s <= LONGEST_GAP_S:
        added = (max(0.0, sign * earlier) + max(0.0, sign * watts)) / 2 * gap_s / 3600
    return (total or 0.0) + added


def _day(at_s: float, zone: tzinfo) -> date:
    return datetime.fromtimestamp(at_s, zone).date()


def seconds_left(supply: SolarSupply, percent: float | None, drawn_watts: float | None) -> float | None:
    """How long the battery lasts at this load [s]: what is above the plan's unusable share, by what is drawn.

    (percent/100 − (1 − usable)) · volts · Ah · 3600 / watts, with the plan's nameplate values; 0 where the usable
    share is gone already.
    """
    if percent is None or drawn_watts is None:
        return None
    battery = supply.battery
    share = max(0.0, percent / 100 - (1 - battery.usable))
    return share * battery.volts * battery.amp_hours * 3600 / drawn_watts
