"""The fast gait: the world's readings as rounds, straight into the rooms, as the live agents would be read."""

from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence

from monitor.facts import resources
from monitor.facts.readings import Layout, Round, Slot, State
from monitor.facts.states import IfOperStatus
from monitor.plan.parts import MainsSupply, SolarSupply
from monitor.simulation.mib import duplex_of, port_names, speed_of
from monitor.simulation.ports import Port
from monitor.simulation.world import World

_COUNTS = {
    "in_octets": ("in_octets",),
    "out_octets": ("out_octets",),
    "in_error_frames": ("fcs", "late"),
    "out_discard_frames": ("out_discard",),
    "fcs_error_frames": ("fcs",),
    "late_collision_frames": ("late",),
    "in_broadcast_frames": ("broadcast",),
}
_POE_COUNTS = {
    "mps_absent_count": "mps",
    "invalid_signature_count": "invalid",
    "power_denied_count": "denied",
    "overload_count": "overload",
    "short_count": "short",
}
_OPTIC = ("rx_dbm", "tx_dbm", "bias_milliamperes", "optic_c", "optic_volts")
Reader = Callable[[], float]


class Columns:
    """Reads a world into rounds of one layout a device; what does not answer is silent."""

    def __init__(self, world: World, tier: str = "measure") -> None:
        self._world = world
        self._devices: list[tuple[Layout, Sequence[Reader], Callable[[], bool]]] = []
        for place in world.places:
            readers = self._switch(place)
            layout = Layout(resources.switch(place), tier, tuple(readers))
            state = world.places[place]
            self._devices.append((layout, list(readers.values()), lambda state=state: state.agent))  # type: ignore[misc]  # mypy cannot type a default that binds the loop's name
        meter, sensors = self._meter(), [s.volts_sensor for s in world.plan.supplies if isinstance(s, MainsSupply)]
        address = next((sensor.address for sensor in sensors if sensor and sensor.address), None)
        if meter and address:
            layout = Layout(f"meter/{address}", tier, tuple(meter))
            self._devices.append((layout, list(meter.values()), lambda: world.places[world.plan.headend.name].agent))
        for supply in world.plan.supplies:
            if isinstance(supply, SolarSupply):
                bank = self._bank(supply)
                at = [pole for pole in world.plan.poles if pole.supply == supply.name]
                reached = [world.places[pole.name] for pole in at]
                layout = Layout(resources.supply(supply.name), tier, tuple(bank))
                self._devices.append(
                    (layout, list(bank.values()), lambda reached=reached: any(s.reachable for s in reached))  # type: ignore[misc]  # the same
                )

    def rounds(self) -> list[Round]:
        """One round of every device, as the world is now."""
        found, at_s = [], self._world.now_s
        for layout, readers, answers in self._devices:
            if answers():
                values = array("d", [reader() for reader in readers])
                found.append(Round(layout, at_s, values, bytearray(len(values))))
            else:
                found.append(Round.blank(layout, at_s, State.SILENT))
        return found

    def layouts(self) -> list[Layout]:
        """The layouts of all devices."""
        return [layout for layout, _, _ in self._devices]

    def _switch(self, place: str) -> dict[Slot, Reader]:
        world, switch = self._world, resources.switch(place)
        state = world.places[place]
        found: dict[Slot, Reader] = {
            Slot(switch, "uptime_seconds"): lambda: round(world.now_s - state.started_s, 2),
            Slot(switch, "board_c"): lambda: round(state.board_c, 1),
            Slot(switch, "topology_change_count"): lambda: float(int(state.topology_changes)),
        }
        pole = next((pole for pole in world.plan.poles if pole.name == place), None)
        if pole is not None:
            found[Slot(switch, "input_volts")] = lambda: round(state.volts, 2)
            found[Slot(switch, "poe_total_watts")] = lambda: float(
                round(sum(state.ports[device.load.port].watts for device in state.devices.values()))
            )
        fine = 1 if pole is None or pole.switch.datasheet.endswith("5") else 3
        powered = {device.load.port for device in state.devices.values()}
        for name in port_names(world, place):
            found |= self._port(place, name, state.ports[name], fine if name in powered else None)
        for name in port_names(world, place):
            if (place, name) in world.ends:
                found |= self._optic(place, name)
        return found

    def _port(self, place: str, name: str, port: Port, fine: int | None) -> dict[Slot, Reader]:
        world, resource = self._world, resources.port(place, name)
        found: dict[Slot, Reader] = {
            Slot(resource, "link_state"): lambda: float(IfOperStatus.UP if port.link else IfOperStatus.DOWN),
            Slot(resource, "speed_megabits_per_s"): lambda: float(speed_of(world, place, name)),
            Slot(resource, "duplex_state"): lambda: float(duplex_of(port)),
        }
        for quantity, names in _COUNTS.items():
            found[Slot(resource, quantity)] = _counted(port, names)
        if fine is not None:
            found[Slot(resource, "port_watts")] = lambda: round(port.watts, fine)
            found[Slot(resource, "poe_port_state")] = lambda: float(port.poe_state)
            for quantity, counter in _POE_COUNTS.items():
                found[Slot(resource, quantity)] = _counted(port, (counter,))
        return found

    def _optic(self, place: str, name: str) -> dict[Slot, Reader]:
        world, resource = self._world, resources.optic(place, name)

        def reader(quantity: str) -> Reader:
            return lambda: (world.optic(place, name) or {})[quantity]

        return {Slot(resource, quantity): reader(quantity) for quantity in _OPTIC}

    def _meter(self) -> dict[Slot, Reader]:
        world, found = self._world, dict[Slot, Reader]()

        def volts(name: str) -> Reader:
            return lambda: round(max(0.0, world.supply_volts[name]), 2)

        def amperes(pole: str) -> Reader:
            return lambda: round(world.places[pole].amperes, 3)

        for supply in world.plan.supplies:
            if isinstance(supply, MainsSupply) and supply.volts_sensor:
                found[Slot(resources.supply(supply.name), "supply_volts")] = volts(supply.name)
        for pole in world.plan.headend.feeder_sensors:
            found[Slot(resources.feeder(pole), "feeder_amperes")] = amperes(pole)
        return found

    def _bank(self, supply: SolarSupply) -> dict[Slot, Reader]:
        world, bank = self._world, self._world.banks[supply.name]
        at = resources.supply(supply.name)

        battery_c = world.battery_c
        return {
            Slot(at, "battery_volts"): lambda: round(bank.volts(battery_c()), 2),
            Slot(at, "battery_percent"): lambda: float(round(100 * bank.soc(battery_c()))),
            Slot(at, "battery_c"): lambda: round(battery_c(), 2),
            Slot(at, "panel_watts"): lambda: round(bank.panel_watts, 2),
            Slot(at, "load_watts"): lambda: round(bank.load_watts, 2),
            Slot(at, "charged_watt_hours"): lambda: round(bank.in_wh, 1),
            Slot(at, "drawn_watt_hours"): lambda: round(bank.out_wh, 1),
        }


def _counted(port: Port, names: Sequence[str]) -> Reader:
    counts = port.counts  # cleared when a switch starts, never another
    if len(names) == 1:
        name = names[0]
        return lambda: float(int(counts.get(name, 0.0)))
    return lambda: float(int(sum(counts.get(name, 0.0) for name in names)))


HOUR_S, MINUTE_S, AROUND_S, LAST_S = 3600.0, 60.0, 2 * 86_400.0, 7 * 86_400.0


def moments(
    from_s: float, to_s: float, marks: Iterable[float] = (), around_s: float = AROUND_S, last_s: float = LAST_S
) -> Iterator[float]:
    """Times of the fast gait: by the hour, by the minute two days round each mark and in the last week."""
    near = [(mark - around_s, mark + around_s) for mark in marks] + [(to_s - last_s, to_s)]
    at_s = from_s
    while at_s < to_s:
        yield at_s
        by_minute = any(low <= at_s < high for low, high in near)
        following = [low for low, _ in near if at_s < low < at_s + HOUR_S]
        at_s = at_s + MINUTE_S if by_minute else min([at_s + HOUR_S, *following])
