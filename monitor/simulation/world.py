"""The simulated site in motion: what is powered, what is lit, what answers, stepped through time."""

import math
import random

from monitor.facts.states import PethPsePortDetectionStatus
from monitor.facts.units import dbm_to_mw, mw_to_dbm
from monitor.plan.parts import Plan, Pole
from monitor.simulation import ports
from monitor.simulation.faults import Visit
from monitor.simulation.light import Laser, Run, bias_now_ma, tx_now_dbm
from monitor.simulation.ports import Weather
from monitor.simulation.power import Powered
from monitor.simulation.site import PlaceState

_HOT_C = 82.0
"""An optic that is hotter than this loses its link (common practice, no source)."""
_STORM_FRAMES_PER_S = 60_000.0

__all__ = ["PlaceState", "World"]


class World(Powered):
    """Everything that happens at the simulated site. ``step`` moves it on; ``faults`` may be added at any time."""

    def __init__(self, plan: Plan, seed: int = 1, start_s: float = 0.0, boot_s: float = 45.0) -> None:
        super().__init__(plan, seed, start_s, boot_s)
        self.step(start_s)

    def visited(self, visit: Visit) -> None:
        """Somebody was at a pole."""
        self.faults = visit.applied(self.faults)
        if visit.new_optic and visit.pole in self.runs:
            pole = self._poles[visit.pole]
            assert pole.fibre is not None, "only poles with fibre have a run"
            fresh = random.Random(f"{self.seed} {visit.pole} {visit.at_s}")  # physics, not secrets
            self.runs[visit.pole].far = Laser.drawn(pole.fibre.end.optic, fresh)

    def step(self, now_s: float) -> None:
        """Move the site on to ``now_s`` (UTC seconds)."""
        elapsed_s = max(0.0, now_s - self.now_s)
        self.now_s = now_s
        self._optics.clear()
        self.acting = {}
        for fault in self.faults:
            level = fault.level(now_s)
            if level:
                at = self.acting.setdefault(fault.pole, {})
                at[fault.name] = max(level, at.get(fault.name, 0.0))
        sky = self.sky
        up = max(0.0, math.sin(math.radians(sky.sun(now_s)[0])))
        weather = Weather(
            sky.dark(now_s),
            sky.air_c(now_s),
            sky.wet(now_s),
            sky.wind_m_per_s(now_s),
            sky.frost(now_s),
            up * (1 - sky.cloud(now_s)),
        )
        self.internet = not any("internet-out" in at for at in self.acting.values())
        self._glass(weather, elapsed_s)
        for pole in self._order:
            acting = self.acting.get(pole.name, {})
            for device in self.places[pole.name].devices.values():
                device.wants_watts = ports.draw(device, weather, acting, now_s, self.chance)
        self.power(weather, elapsed_s)
        off = any("head-end-off" in at for at in self.acting.values())
        headend = self.places[self.plan.headend.name]
        headend.powered = headend.forwards = headend.reachable = headend.agent = not off
        for name, place in self.places.items():
            place.board_c = weather.air_c + (9.0 if place.powered else 0.0) + 8 * weather.sun_share
            hot = 30 * self.has("optic-hot", name) * max(0.0, min(1.0, (weather.air_c - 5) / 20))
            place.optic_c = place.board_c + 6 + hot
        for pole in self._order:
            self._pole(pole, weather, elapsed_s)

    # ---- glass

    def _glass(self, weather: Weather, elapsed_s: float) -> None:
        for name, run in self.runs.items():
            run.breathe(elapsed_s, self.chance)
            at = self.acting.get(name, {})
            run.cut = any(kind in at for kind in ("fibre-cut", "cable-cut", "connector-loose"))
            run.dirt_db = 9.0 * max(at.get("dirty-connector", 0.0), at.get("connector-creep", 0.0))
            run.bend_db = 2.2 * at.get("fibre-bend", 0.0) + 3.0 * at.get("ice-bend", 0.0) * weather.frost
            run.far.aged = min(1.0, at.get("laser-ageing", 0.0))
            run.far.weaker_db = 7.0 * at.get("wrong-optic", 0.0)

    # ---- what happens at a pole

    def _pole(self, pole: Pole, weather: Weather, elapsed_s: float) -> None:
        place, above, at = self.places[pole.name], self.places[self.above[pole.name]], self.acting.get(pole.name, {})
        place.forwards = place.powered and self.now_s - place.started_s >= self.boot_s
        lit = self._lit(pole.name) if pole.fibre else True
        joined = lit and place.forwards
        if pole.reached_by:
            radio = above.devices.get(pole.reached_by.radio)
            joined = radio is not None and radio.answers
        flapping = "spanning-tree-flap" in at
        place.topology_changes += flapping
        place.reachable = place.forwards and joined and not flapping and above.reachable and above.forwards
        storm = "broadcast-storm" in at
        place.agent = place.reachable and "agent-deaf" not in at
        place.slow_agent = storm or "agent-slow" in at
        place.renumbered = 100 if "ports-renumbered" in at else 0
        place.strange = "strange-device" in at
        total = 0.0
        for device in place.devices.values():
            port = place.ports[device.load.port]
            if place.forwards:
                ports.power(port, device, weather, at, elapsed_s)
            else:
                port.watts, port.poe_state = 0.0, PethPsePortDetectionStatus.SEARCHING
            before = port.counts.get("in_octets", 0.0)
            ports.work(port, device, weather, at, self.now_s, elapsed_s, self.boot_s, self.chance)
            total += port.counts.get("in_octets", 0.0) - before
            if storm and port.link:
                port.count("broadcast", _STORM_FRAMES_PER_S * elapsed_s)
        if pole.fibre:
            self._uplink(pole, total, elapsed_s, lit, at, above)

    def _uplink(
        self, pole: Pole, octets: float, elapsed_s: float, lit: bool, at: dict[str, float], above: PlaceState
    ) -> None:
        assert pole.fibre is not None, "only fibre has two ports here"
        far, near = self.places[pole.name].ports[pole.fibre.end.port], above.ports[pole.fibre.start.port]
        far.link = near.link = lit and self.places[pole.name].powered and above.powered
        if not self.places[pole.name].reachable:
            return
        most = (pole.switch.uplink_megabits_per_s or 1000) * 125_000 * elapsed_s
        if "uplink-full" in at or "broadcast-storm" in at:
            far.count("out_discard", 400 * elapsed_s)
            octets = most
        if "broadcast-storm" in at:
            near.count("broadcast", _STORM_FRAMES_PER_S * elapsed_s)
        octets = min(octets, most)
        for port, inward, outward in ((far, 0.04 * octets, octets), (near, octets, 0.04 * octets)):
            port.count("in_octets", inward)
            port.count("out_octets", outward)
        arrives = self.optic(*self._near_end(pole)) or {}
        weak = arrives.get("rx_dbm", 0.0)
        if weak < -19:  # near its sensitivity a receiver makes errors, ten times more for each dB
            near.count("fcs", min(1e4, 10 ** (-19 - weak)) * elapsed_s * 0.1)

    def _near_end(self, pole: Pole) -> tuple[str, str]:
        assert pole.fibre is not None, "only poles with fibre have a near end"
        return pole.fibre.start.pole or self.plan.headend.name, pole.fibre.start.port

    def _lit(self, pole: str) -> bool:
        run = self.runs[pole]
        if run.cut or self.places[pole].optic_c > _HOT_C:
            return False
        weakest = tx_now_dbm(run.far, self.places[pole].optic_c) - run.loss_db(run.far.nm)
        return weakest > -24.0

    # ---- what is read

    def optic(self, place: str, port: str) -> dict[str, float] | None:
        """Levels that the optic in a port reports, or None where there is no optic: dBm, mA, °C, V."""
        end = self.ends.get((place, port))
        if end is None:
            return None
        if (place, port) not in self._optics:
            pole, is_near = end
            run, above = self.runs[pole], self.places[self.above[pole]]
            mine, other = (run.near, run.far) if is_near else (run.far, run.near)
            other_place = self.places[pole] if is_near else above
            self._optics[place, port] = self._levels(mine, other, run, self.places[place], other_place, is_near)
        return self._optics[place, port]

    def serial(self, place: str, port: str) -> str:
        """The serial number of the optic in a port; empty where there is none."""
        end = self.ends.get((place, port))
        if end is None:
            return ""
        pole, is_near = end
        return (self.runs[pole].near if is_near else self.runs[pole].far).serial

    def _levels(
        self, mine: Laser, other: Laser, run: Run, here: PlaceState, there: PlaceState, inward: bool
    ) -> dict[str, float]:
        """As SFF-8472 reports them: powers in steps of 0.1 µW, bias of 2 µA, volts of 100 µV, with an own error."""
        arrives = tx_now_dbm(other, there.optic_c) - run.loss_db(other.nm, inward) if there.powered else -math.inf
        noisy_mw = dbm_to_mw(arrives + mine.rx_wrong_db + self.chance.gauss(0, 0.04)) if arrives > -60 else 0.0
        tx_dbm = tx_now_dbm(mine, here.optic_c) + mine.tx_wrong_db + self.chance.gauss(0, 0.03)
        return {
            "rx_dbm": mw_to_dbm(round(noisy_mw, 4)),
            "tx_dbm": mw_to_dbm(round(dbm_to_mw(tx_dbm), 4)),
            "bias_milliamperes": round(bias_now_ma(mine, here.optic_c) + self.chance.gauss(0, 0.02), 3),
            "optic_c": round(here.optic_c, 1),
            "optic_volts": round(3.3 + self.chance.gauss(0, 0.004), 4),
        }
