"""The simulated site: what is powered, what is lit, what answers, stepped through time."""

import math
import random
from collections.abc import Iterable
from dataclasses import dataclass, field

from monitor.facts.units import awg_to_mm2, dbm_to_mw, mw_to_dbm
from monitor.plan.parts import Load, MainsSupply, Plan, Pole
from monitor.simulation.copper import Span, nodal, stretch_ohms
from monitor.simulation.faults import Fault
from monitor.simulation.light import Laser, Run, bias_now_ma, tx_now_dbm
from monitor.simulation.weather import Climate

_SHORT_WATTS_OHMS = 0.3


@dataclass
class PortCounters:
    """What a port has counted since its switch started."""

    in_octets: float = 0.0
    out_octets: float = 0.0
    in_errors: float = 0.0


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
    board_c: float = 25.0
    port_watts: dict[str, float] = field(default_factory=dict)
    load_up: dict[str, bool] = field(default_factory=dict)
    load_started_s: dict[str, float] = field(default_factory=dict)
    counters: dict[str, PortCounters] = field(default_factory=dict)


class World:
    """Everything that happens at the simulated site. ``step`` moves it on; ``faults`` may be added at any time."""

    def __init__(self, plan: Plan, seed: int = 1, start_s: float = 0.0, boot_s: float = 45.0) -> None:
        self.plan, self.boot_s, self.now_s = plan, boot_s, start_s
        self.faults: list[Fault] = []
        site = plan.site
        self.climate = Climate(site.latitude, site.longitude, site.coldest_c, site.hottest_c, seed)
        self.chance = random.Random(seed)  # physics, not secrets
        self.runs = {p.name: Run.of(p.fibre, f"{seed} {p.name}") for p in plan.poles if p.fibre}
        self.supply_volts = {s.name: s.volts for s in plan.supplies if isinstance(s, MainsSupply)}
        long_ago = start_s - 12 * 86_400.0
        self.places = {
            name: PlaceState(started_s=long_ago) for name in (plan.headend.name, *(p.name for p in plan.poles))
        }
        for pole in plan.poles:
            self.places[pole.name].load_started_s = dict.fromkeys((load.name for load in pole.loads), long_ago)
        self.above = self._above()
        self.optic_ports = {place: self._optic_ports(place) for place in self.places}
        self.step(start_s)

    def _optic_ports(self, place: str) -> list[str]:
        runs = [(pole, pole.fibre) for pole in self.plan.poles if pole.fibre]
        near = [run.start.port for _, run in runs if (run.start.pole or self.plan.headend.name) == place]
        return near + [run.end.port for pole, run in runs if pole.name == place]

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

    def has(self, fault: str, pole: str) -> bool:
        """Is this fault acting at this pole now?"""
        return any(f.name == fault and f.pole == pole and f.acts(self.now_s) for f in self.faults)

    def step(self, now_s: float) -> None:
        """Move the site on to ``now_s``."""
        elapsed_s = max(0.0, now_s - self.now_s)
        self.now_s = now_s
        dark, air_c = self.climate.dark(now_s), self.climate.air_c(now_s)
        for name, run in self.runs.items():
            run.cut = self.has("fibre-cut", name) or self.has("cable-cut", name)
            run.extra_db = {nm: 9.0 for nm in (1310, 1490, 1550) if self.has("dirty-connector", name)}
        self._power(dark, air_c)
        for place in self.places.values():
            place.board_c = air_c + (9.0 if place.powered else 0.0)
            place.forwards = place.powered and now_s - place.started_s >= self.boot_s
        for pole in self._outward():
            self._pole(pole, dark, elapsed_s)

    def _outward(self) -> Iterable[Pole]:
        return sorted(self.plan.poles, key=lambda pole: len(list(self._way(pole.name))))

    def _way(self, pole: str) -> Iterable[str]:
        while pole in self.above:
            pole = self.above[pole]
            yield pole

    # ---- power

    def _power(self, dark: bool, air_c: float) -> None:
        for supply in self.plan.supplies:
            if isinstance(supply, MainsSupply):
                self._feeders(supply, dark, air_c)
            else:
                for pole in self.plan.poles:
                    if pole.supply == supply.name:
                        volts = supply.converter.output_volts if supply.converter else supply.battery.volts
                        off = any(self.has(fault, pole.name) for fault in ("feeder-open", "supply-lost"))
                        watts = self._pole_watts(pole, dark)
                        self._switch_power(pole.name, 0.0 if off else volts, watts / volts)

    def _feeders(self, supply: MainsSupply, dark: bool, air_c: float) -> None:
        poles = [p for p in self.plan.poles if p.feeder and self._supply_of(p) == supply.name]
        lost = any(self.has("supply-lost", pole.name) for pole in poles)
        self.supply_volts[supply.name] = 0.0 if lost else supply.volts
        spans: dict[str, Span] = {}
        watts: dict[str, float] = {}
        for pole in poles:
            if lost or self._cut_off(pole):
                self._switch_power(pole.name, 0.0, 0.0)
                continue
            assert pole.feeder is not None, "only poles with a feeder come here"
            area = pole.feeder.conductor_mm2 or awg_to_mm2(pole.feeder.conductor_awg or 10)
            joints = pole.feeder.joints * 0.004 + (3.0 if self.has("corroded-joint", pole.name) else 0.0)
            spans[pole.name] = Span(pole.feeder.start, stretch_ohms(area, pole.feeder.length_m, air_c, joints))
            watts[pole.name] = self._pole_watts(pole, dark)
            if self.has("feeder-short", pole.name):
                ohms = spans[pole.name].ohms + _SHORT_WATTS_OHMS
                self._switch_power(pole.name, 0.0, supply.volts / ohms)
                del spans[pole.name], watts[pole.name]
        for name, (volts, amperes) in nodal(supply.volts, spans, watts).items() if spans else ():
            self._switch_power(name, volts, amperes)

    def _supply_of(self, pole: Pole) -> str | None:
        while pole.feeder and pole.feeder.start:
            pole = self.plan.pole(pole.feeder.start)
        return pole.feeder.supply if pole.feeder else None

    def _cut_off(self, pole: Pole | None) -> bool:
        """Is the copper open at this pole or before it?"""
        while pole is not None and pole.feeder is not None:
            if any(self.has(fault, pole.name) for fault in ("feeder-open", "cable-cut")):
                return True
            above = self.plan.pole(pole.feeder.start) if pole.feeder.start else None
            if above is not None and self.has("feeder-short", above.name):
                return True
            pole = above
        return False

    def _switch_power(self, name: str, volts: float, amperes: float) -> None:
        place, pole = self.places[name], self.plan.pole(name)
        enough = volts >= pole.switch.minimum_volts - 2
        if (enough and not place.powered) or self.has("switch-restart", name):
            place.started_s = self.now_s
            place.counters.clear()
            place.load_started_s = dict.fromkeys(place.load_started_s, self.now_s + self.boot_s)
        place.powered, place.volts, place.amperes = enough, volts, amperes

    def _pole_watts(self, pole: Pole, dark: bool) -> float:
        boost = 0.9 if pole.switch.poe_input == "boost" else 1.0
        return pole.switch.own_watts + sum(self._load_watts(load, dark) for load in pole.loads) / boost

    def _load_watts(self, load: Load, dark: bool) -> float:
        watts = load.night_watts if dark and load.night_watts is not None else load.watts
        return watts * self.chance.gauss(1.0, 0.01) * (1 + 0.001 * load.cable_m)

    # ---- light and traffic

    def _pole(self, pole: Pole, dark: bool, elapsed_s: float) -> None:
        place, above = self.places[pole.name], self.places[self.above[pole.name]]
        joined = pole.name not in self.runs or not self.runs[pole.name].cut
        if pole.reached_by:
            joined = above.load_up.get(pole.reached_by.radio, False)
        place.reachable = place.forwards and joined and above.reachable and above.forwards
        place.agent = place.reachable and not self.has("agent-deaf", pole.name)
        first_camera = next((load.name for load in pole.loads if load.kind == "camera"), None)
        for load in pole.loads:
            started = self.now_s - place.load_started_s[load.name] >= self.boot_s
            hung = load.name == first_camera and self.has("camera-hung", pole.name)
            place.load_up[load.name] = place.powered and started and not hung
            place.port_watts[load.port] = self._load_watts(load, dark) if place.forwards else 0.0
            self._count(place, load, elapsed_s)
        if pole.fibre:
            total = sum(self._rate(load) for load in pole.loads)
            far = place.counters.setdefault(pole.fibre.end.port, PortCounters())
            near = above.counters.setdefault(pole.fibre.start.port, PortCounters())
            if place.reachable:
                far.out_octets += total * elapsed_s
                near.in_octets += total * elapsed_s
                far.in_octets += 0.04 * total * elapsed_s
                near.out_octets += 0.04 * total * elapsed_s

    def _rate(self, load: Load) -> float:
        """Octets per second that a load sends."""
        kilobits = load.stream.kilobits_per_s if load.stream else 900 if load.kind == "access-point" else 12
        return kilobits * 125 * self.chance.uniform(0.85, 1.1)

    def _count(self, place: PlaceState, load: Load, elapsed_s: float) -> None:
        counters = place.counters.setdefault(load.port, PortCounters())
        if place.load_up[load.name] and place.forwards:
            counters.in_octets += self._rate(load) * elapsed_s
            counters.out_octets += 0.04 * self._rate(load) * elapsed_s

    def link_up(self, place: str, port: str) -> bool:
        """Has this port of this place a link?"""
        for pole in self.plan.poles:
            if pole.fibre and (pole.fibre.start.pole or self.plan.headend.name, pole.fibre.start.port) == (place, port):
                return self.places[pole.name].powered and not self.runs[pole.name].cut
            if pole.name == place:
                if pole.fibre and pole.fibre.end.port == port:
                    return self.places[self.above[place]].powered and not self.runs[place].cut
                for load in pole.loads:
                    if load.port == port:
                        return self.places[place].forwards and self.places[place].load_up[load.name]
        return False

    def optic(self, place: str, port: str) -> dict[str, float] | None:
        """Levels that the optic in a port reports, or None where there is no optic: dBm, mA, °C."""
        for pole in self.plan.poles:
            if pole.fibre is None:
                continue
            run, near = self.runs[pole.name], pole.fibre.start.pole or self.plan.headend.name
            if (near, pole.fibre.start.port) == (place, port):
                return self._levels(run.near, run.far, run, place, self.places[pole.name].powered)
            if (pole.name, pole.fibre.end.port) == (place, port):
                return self._levels(run.far, run.near, run, place, self.places[near].powered)
        return None

    def _levels(self, mine: Laser, other: Laser, run: Run, place: str, other_powered: bool) -> dict[str, float]:
        optic_c = self.places[place].board_c + 6
        arrives = tx_now_dbm(other, optic_c) - run.loss_db(other.nm) if other_powered else -math.inf
        noisy_mw = dbm_to_mw(arrives + self.chance.gauss(0, 0.04)) if arrives > -60 else 0.0
        rx_mw = round(noisy_mw, 4)  # SFF-8472 reports steps of 0.1 µW
        tx_dbm = tx_now_dbm(mine, optic_c) + self.chance.gauss(0, 0.03)
        return {
            "rx_dbm": mw_to_dbm(rx_mw),
            "tx_dbm": tx_dbm,
            "bias_milliamperes": bias_now_ma(mine, optic_c),
            "optic_c": optic_c,
            "optic_volts": 3.3,
        }
