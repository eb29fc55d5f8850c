"""Power at the simulated site: feeders and their joints, supplies, panels and batteries, switches that start."""

from monitor.facts.states import PethPsePortDetectionStatus as Poe
from monitor.facts.units import awg_to_mm2
from monitor.plan.parts import MainsSupply, Pole, SolarSupply
from monitor.simulation.bank import panel_watts
from monitor.simulation.copper import Span, nodal, stretch_ohms
from monitor.simulation.ports import Weather
from monitor.simulation.site import Site

_SHORT_OHMS = 0.3


class Powered(Site):
    """The site, and what its copper and batteries do."""

    _battery_c = (-1, 0.0)
    """The hour for which the batteries' temperature was computed, and that temperature."""

    def power(self, weather: Weather, elapsed_s: float) -> None:
        """Feed every pole from its supply, or not."""
        for supply in self.plan.supplies:
            poles = [pole for pole in self.plan.poles if self._supply_of(pole) == supply.name]
            if isinstance(supply, MainsSupply):
                self._feeders(supply, poles, weather)
            else:
                self._solar(supply, poles, weather, elapsed_s)

    def _solar(self, supply: SolarSupply, poles: list[Pole], weather: Weather, elapsed_s: float) -> None:
        bank, at = self.banks[supply.name], self.acting.get(poles[0].name, {}) if poles else {}
        bank.aged = min(1.0, at.get("battery-aged", 0.0))
        bank.locked_out = "charge-lock-out" in at
        clean = (1 - 0.85 * at.get("panel-soiled", 0.0)) * (0.12 if "grey-weeks" in at else 1.0)
        clean *= 0.0 if "charging-stopped" in at or self.sky.snow(self.now_s) else 1.0
        sun = self.sky.in_plane(self.now_s, supply.tilt_deg, supply.azimuth_deg)
        efficiency, idle = (supply.converter.efficiency, supply.converter.idle_watts) if supply.converter else (1.0, 0)
        wanted = sum(self._pole_watts(pole) for pole in poles) / efficiency + idle
        given = bank.step(
            wanted, panel_watts(supply.panel_watts, sun, weather.air_c, clean), self.battery_c(), elapsed_s
        )
        volts = supply.converter.output_volts if supply.converter else bank.volts(self.battery_c())
        for pole in poles:
            off = given <= 0 or any(fault in at for fault in ("feeder-open", "supply-lost", "reverse-polarity"))
            self._switch_power(pole, 0.0 if off else volts, self._pole_watts(pole) / volts)

    def battery_c(self) -> float:
        """Temperature of the batteries: heavy, in a box, they are a little warmer than the last day's air was."""
        hour = int(self.now_s // 3600)
        if self._battery_c[0] != hour:
            day = [self.sky.air_c(self.now_s - 3 * 3600.0 * i) for i in range(8)]
            self._battery_c = (hour, max(sum(day) / len(day), -20.0) + 3)
        return self._battery_c[1]

    def _feeders(self, supply: MainsSupply, poles: list[Pole], weather: Weather) -> None:
        lost = any(self.has("supply-lost", pole.name) for pole in poles)
        sag = max((self.has("supply-ageing", pole.name) for pole in poles), default=0.0)
        volts = 0.0 if lost else supply.volts - 5.0 * sag + self.chance.gauss(0, 0.02 + 0.2 * sag)
        self.supply_volts[supply.name] = volts
        spans, watts = dict[str, Span](), dict[str, float]()
        leaks = dict[str, float]()
        for pole in poles:
            at = self.acting.get(pole.name, {})
            if lost or self._cut_off(pole):
                self._switch_power(pole, 0.0, 0.0)
                continue
            assert pole.feeder is not None, "only poles with a feeder come here"
            area = pole.feeder.conductor_mm2 or awg_to_mm2(pole.feeder.conductor_awg or 10)
            bad = 3.0 * max(at.get("corroded-joint", 0.0), at.get("joint-creep", 0.0))
            bad *= 1 + 0.4 * max(weather.wet, min(1.0, weather.wind_m_per_s / 15)) * self.chance.random()
            joints = pole.feeder.joints * self.joints[pole.name] + bad
            ohms = stretch_ohms(area, pole.feeder.length_m, weather.air_c, joints)
            if "feeder-short" in at:
                self._switch_power(pole, 0.0, volts / (ohms + _SHORT_OHMS))
                continue
            spans[pole.name] = Span(pole.feeder.start, ohms)
            watts[pole.name] = self._pole_watts(pole)
            leaks[pole.name] = 0.7 * weather.wet * at.get("ground-fault", 0.0)
        for name, (at_pole, amperes) in nodal(volts, spans, watts).items() if spans else ():
            self._switch_power(self._poles[name], at_pole, amperes + leaks[name])

    def _supply_of(self, pole: Pole) -> str | None:
        if pole.feeder is None:
            return pole.supply
        while pole.feeder and pole.feeder.start:
            pole = self._poles[pole.feeder.start]
        return pole.feeder.supply if pole.feeder else None

    def _cut_off(self, pole: Pole | None) -> bool:
        """Is the copper open at this pole or before it?"""
        while pole is not None and pole.feeder is not None:
            if any(self.has(fault, pole.name) for fault in ("feeder-open", "cable-cut", "reverse-polarity")):
                return True
            above = self._poles[pole.feeder.start] if pole.feeder.start else None
            if above is not None and self.has("feeder-short", above.name):
                return True
            pole = above
        return False

    def _switch_power(self, pole: Pole, volts: float, amperes: float) -> None:
        place = self.places[pole.name]
        enough = volts >= pole.switch.minimum_volts - (2 if place.powered else 0)
        restarts = False
        for fault in self.faults:
            if fault.name == "switch-restart" and fault.pole == pole.name and fault.acts(self.now_s):
                restarts |= (pole.name, fault.start_s) not in self._restarted
                self._restarted.add((pole.name, fault.start_s))
        if (enough and not place.powered) or restarts:
            place.started_s = self.now_s
            place.topology_changes = 0.0
            for port in place.ports.values():
                port.counts.clear()
            for device in place.devices.values():
                device.started_s = self.now_s + self.boot_s
        place.powered, place.volts, place.amperes = enough, volts, amperes

    def _pole_watts(self, pole: Pole) -> float:
        boost = 0.9 if pole.switch.poe_input == "boost" else 1.0
        place = self.places[pole.name]
        given = (d.wants_watts for d in place.devices.values() if place.ports[d.load.port].poe_state != Poe.FAULT)
        return pole.switch.own_watts + sum(given) / boost
