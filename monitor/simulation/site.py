"""The simulated site as it stands: its places, ports, runs, batteries, and what acts on them now."""

import random
from collections.abc import Iterable
from dataclasses import dataclass, field

from monitor.plan.parts import MainsSupply, Plan, Pole, SolarSupply
from monitor.simulation.bank import Bank
from monitor.simulation.faults import Fault
from monitor.simulation.light import Run
from monitor.simulation.ports import Device, Port
from monitor.simulation.sky import Sky

_LONG_AGO_S = 12 * 86_400.0


@dataclass
class PlaceState:
    """A pole or the head-end at one moment."""

    powered: bool = True
    volts: float = 54.0
    amperes: float = 0.0
    started_s: float = 0.0
    forwards: bool = True
    reachable: bool = True
    agent: bool = True
    slow_agent: bool = False
    board_c: float = 25.0
    optic_c: float = 31.0
    renumbered: int = 0
    topology_changes: float = 0.0
    ports: dict[str, Port] = field(default_factory=dict)
    devices: dict[str, Device] = field(default_factory=dict)
    strange: bool = False


class Site:
    """What there is, without any motion."""

    def __init__(self, plan: Plan, seed: int = 1, start_s: float = 0.0, boot_s: float = 45.0) -> None:
        self.plan, self.boot_s, self.now_s, self.seed = plan, boot_s, start_s, seed
        self.faults: list[Fault] = []
        site = plan.site
        self.sky = Sky(site.latitude, site.longitude, site.coldest_c, site.hottest_c, seed)
        self.chance = random.Random(seed)  # physics, not secrets
        self.runs = {p.name: Run.of(p.fibre, f"{seed} {p.name}") for p in plan.poles if p.fibre}
        self.joints = {p.name: random.Random(f"{seed} joint {p.name}").uniform(0.003, 0.006) for p in plan.poles}
        self.supply_volts = {s.name: s.volts for s in plan.supplies if isinstance(s, MainsSupply)}
        self.banks = {s.name: Bank.of(s) for s in plan.supplies if isinstance(s, SolarSupply)}
        self.internet = True
        self.acting: dict[str, dict[str, float]] = {}
        long_ago = start_s - _LONG_AGO_S
        self.places = {
            name: PlaceState(started_s=long_ago) for name in (plan.headend.name, *(p.name for p in plan.poles))
        }
        self._poles = {pole.name: pole for pole in plan.poles}
        self.above = self._above()
        self.ends: dict[tuple[str, str], tuple[str, bool]] = {}
        """(place, port) of each optic → the pole whose run it is of, and whether it is the near end."""
        for pole in plan.poles:
            if pole.fibre:
                self.ends[pole.fibre.start.pole or plan.headend.name, pole.fibre.start.port] = (pole.name, True)
                self.ends[pole.name, pole.fibre.end.port] = (pole.name, False)
            self._furnish(pole, long_ago)
        for place, port in self.ends:
            self.places[place].ports[port] = Port(megabits_per_s=1000)
        self._order = sorted(plan.poles, key=lambda pole: len(list(self._way(pole.name))))
        self._optics: dict[tuple[str, str], dict[str, float]] = {}
        self._restarted: set[tuple[str, float]] = set()

    def _furnish(self, pole: Pole, long_ago: float) -> None:
        cameras = [load.name for load in pole.loads if load.kind == "camera"] or [load.name for load in pole.loads]
        state = self.places[pole.name]
        for i, load in enumerate(pole.loads):
            victim, last = load.name == cameras[0], load is pole.loads[-1]
            state.devices[load.name] = Device(load, victim, last, i, long_ago)
            state.ports[load.port] = Port()

    def _above(self) -> dict[str, str]:
        radios = {load.name: pole.name for pole in self.plan.poles for load in pole.loads}
        return {
            p.name: (p.fibre.start.pole or self.plan.headend.name)
            if p.fibre
            else radios[p.reached_by.radio]
            if p.reached_by
            else self.plan.headend.name
            for p in self.plan.poles
        }

    def _way(self, pole: str) -> Iterable[str]:
        while pole in self.above:
            pole = self.above[pole]
            yield pole

    def has(self, fault: str, pole: str) -> float:
        """How hard this fault acts at this pole now; 0: not at all."""
        return self.acting.get(pole, {}).get(fault, 0.0)
