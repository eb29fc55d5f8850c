"""Asking solar controllers and batteries over Modbus TCP, and how long the battery will last."""

from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.alarms.book import Condition, Key
from monitor.alarms.inventory import INVENTORY
from monitor.daemon.clock import Clock
from monitor.daemon.rounds import Rounds
from monitor.devices.decode import registers
from monitor.devices.decode.raw import Absent, Garbled
from monitor.facts import resources
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.plan.datasheets import RegisterSheet
from monitor.plan.power import SolarSupply

if TYPE_CHECKING:
    from monitor.devices.ask.modbus import Bus

Value = tuple[str, Callable[[], float]]
_IDLE_WATTS = 0.5
"""Below this the battery neither gives nor takes anything by which its hours could be told."""


class Powering:
    """The solar supplies of one plan; devices behind one gateway share its connection."""

    def __init__(self, rounds: Rounds, clock: Clock) -> None:
        self._rounds, self._clock = rounds, clock
        self._buses: dict[tuple[str, int], Bus] = {}
        self._layouts: dict[str, Layout] = {}

    def supplies(self) -> list[SolarSupply]:
        """The supplies whose controller can be asked."""
        return [
            supply
            for supply in self._rounds.memory.plan.supplies
            if isinstance(supply, SolarSupply)
            and supply.controller is not None
            and supply.controller.kind == "modbus-tcp"
            and supply.controller.address is not None
        ]

    async def check(self, supply: SolarSupply) -> None:
        """One supply's round: kept, judged, told."""
        from monitor.devices.ask import modbus  # pymodbus is loaded only where something is asked by it

        sensor, resource = supply.controller, resources.supply(supply.name)
        if sensor is None or sensor.address is None:
            return
        sheet = self._rounds.memory.design.sheets.modbus[sensor.datasheet]
        bus = self._buses.setdefault(
            (sensor.address, sensor.port or 502), modbus.Bus(sensor.address, sensor.port or 502)
        )
        why = ""
        values: list[Value] = []
        try:
            values = await _values(bus, sensor.unit if sensor.unit is not None else 1, sheet)
        except (modbus.NoAnswer, modbus.Refused) as error:
            why = str(error)
        except Garbled as garbled:
            why = str(garbled)
        silent = Condition(
            Key(resource, "agent-silent"),
            INVENTORY["agent-silent"].severity if why else None,
            f"the controller of {supply.name} cannot be read: {why}" if why else "",
        )
        if values:
            await self._rounds.take(self._round(supply, resource, values), [silent])
        else:
            await self._rounds.step([silent])

    def _round(self, supply: SolarSupply, resource: str, values: list[Value]) -> Round:
        names = tuple(dict.fromkeys([quantity for quantity, _ in values] + ["battery_left_seconds"]))
        slots = tuple(Slot(resource, name) for name in names)
        layout = self._layouts.get(resource)
        if layout is None or layout.slots != slots:
            layout = self._layouts[resource] = Layout(resource, "power", slots)
        made = Round.blank(layout, self._clock.wall_s(), State.ABSENT)
        for quantity, read in values:
            i = layout.index[Slot(resource, quantity)]
            try:
                made.put(i, read())
            except Absent:
                made.states[i] = State.ABSENT
            except Garbled as garbled:
                made.garble(i, str(garbled))
        left_s = seconds_left(supply, made.get(Slot(resource, "battery_percent")), _drawn(resource, made))
        if left_s is not None:
            made.put(layout.index[Slot(resource, "battery_left_seconds")], left_s)
        return made

    def close(self) -> None:
        """Give connections back."""
        for bus in self._buses.values():
            bus.close()
        self._buses.clear()


async def _values(bus: "Bus", unit: int, sheet: RegisterSheet) -> list[Value]:
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
    ]


def _drawn(resource: str, readings: Round) -> float | None:
    """What the battery gives now [W]; None where it does not give anything, or that is not known."""
    watts = readings.get(Slot(resource, "battery_watts"))
    if watts is None:
        volts, amperes = (readings.get(Slot(resource, q)) for q in ("battery_volts", "battery_amperes"))
        watts = volts * amperes if volts is not None and amperes is not None else None
    return -watts if watts is not None and watts < -_IDLE_WATTS else None


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
