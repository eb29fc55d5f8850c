"""A battery with a panel: charge in and out by the step, with cold, age and the disconnects of its controller.

Figures are common practice of the trade: good enough to make nights, winters and old age, and no source for anything.
"""

import math
from dataclasses import dataclass

from monitor.plan.parts import SolarSupply


@dataclass
class Bank:
    """``charge_wh`` is what it holds; ``held_wh`` what a new one at 25 °C would hold."""

    held_wh: float
    nominal_volts: float
    lead: bool
    charge_wh: float
    cutoff_volts: float
    reconnect_volts: float
    charge_above_c: float
    aged: float = 0.0
    """0 new, 1: a quarter of its capacity is left, and three times its resistance."""
    cut: bool = False
    locked_out: bool = False
    """Its controller takes it for too cold to be charged."""
    panel_watts: float = 0.0
    load_watts: float = 0.0
    in_watts: float = 0.0
    out_watts: float = 0.0
    in_wh: float = 0.0
    out_wh: float = 0.0
    lost_wh: float = 0.0
    spilled_wh: float = 0.0

    @classmethod
    def of(cls, supply: SolarSupply) -> "Bank":
        """A new one, nearly full."""
        battery = supply.battery
        held = battery.volts * battery.amp_hours
        lead, nominal = battery.chemistry != "lfp", battery.volts
        cutoff = supply.cutoff_volts or nominal * 0.9
        reconnect = supply.reconnect_volts or nominal * 1.0
        above = supply.charge_above_c if supply.charge_above_c is not None else (-20.0 if lead else 0.0)
        return cls(held, nominal, lead, 0.95 * held, cutoff, reconnect, above)

    def capacity_wh(self, c: float) -> float:
        """What it can hold now: less in the cold, less with age."""
        cold = max(0.4, 1 - (0.008 if self.lead else 0.004) * max(0.0, 25 - c))
        return self.held_wh * cold * (1 - 0.75 * min(1.0, self.aged))

    def soc(self, c: float) -> float:
        """State of charge, 0 to 1, of what it can hold now."""
        return max(0.0, min(1.0, self.charge_wh / self.capacity_wh(c)))

    def volts(self, c: float) -> float:
        """At its terminals, under the present current. Lead falls evenly, lithium iron phosphate stays flat."""
        soc = self.soc(c)
        if self.lead:
            rest = self.nominal_volts * (0.965 + 0.1 * soc)
        else:
            knees = 0.03 * max(0.0, soc - 0.97) / 0.03 - 0.16 * math.exp(-soc / 0.035)
            rest = self.nominal_volts * (1.0 + 0.035 * soc + knees)
        ohms = 0.006 * self.nominal_volts**2 / self.held_wh * 25 * (1 + 2 * self.aged) * (1 + 0.01 * max(0.0, 25 - c))
        return rest + ohms * (self.in_watts - self.out_watts) / rest

    def step(self, wanted_watts: float, panel_watts: float, c: float, elapsed_s: float) -> float:
        """Move on: what the load gets [W], all or nothing by the controller's disconnect.

        What comes in, goes out and is lost adds up to the change of charge.
        """
        hours, capacity = elapsed_s / 3600, self.capacity_wh(c)
        given = 0.0 if self.cut else wanted_watts
        self.panel_watts, self.load_watts = panel_watts, given
        may_charge = c > self.charge_above_c and not self.locked_out
        soc = self.soc(c)
        taper = max(0.0, min(1.0, (1.0 - soc) / (0.15 if self.lead else 0.03)))
        room = max(0.0, capacity - self.charge_wh)
        direct = min(panel_watts, given)
        surplus = panel_watts - direct
        into = min(surplus * taper, room / hours / self._efficiency if hours else surplus) if may_charge else 0.0
        outof = given - direct
        available = self.charge_wh / hours if hours else math.inf
        outof = min(outof, available)
        self.charge_wh += (into * self._efficiency - outof) * hours
        self.in_watts, self.out_watts = into, outof
        self.in_wh += into * hours
        self.out_wh += outof * hours
        self.lost_wh += into * (1 - self._efficiency) * hours
        self.spilled_wh += (surplus - into) * hours
        if self.charge_wh > capacity:  # it has become colder or older: what it cannot hold is not there
            self.lost_wh += self.charge_wh - capacity
            self.charge_wh = capacity
        volts = self.volts(c)
        if volts < self.cutoff_volts or self.charge_wh <= 0:
            self.cut = True
        elif self.cut and volts > self.reconnect_volts and (soc > 0.2 or into > 0):
            self.cut = False
        return 0.0 if self.cut else given

    @property
    def _efficiency(self) -> float:
        return 0.85 if self.lead else 0.97


def panel_watts(peak_watts: float, sun_watts_per_m2: float, c: float, clean: float) -> float:
    """What a panel gives: by the light on it, 0.4 % less for each K that its cells are over 25 °C."""
    cells_c = c + 0.03 * sun_watts_per_m2
    return max(0.0, peak_watts * sun_watts_per_m2 / 1000 * (1 - 0.004 * (cells_c - 25)) * 0.93 * clean)
