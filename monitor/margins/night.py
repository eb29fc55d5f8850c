"""What a battery holds, measured by every night: the energy that was drawn, by the charge that it took."""

from dataclasses import dataclass

LEAST_SHARE = 0.04
"""Of the rated energy: what must be drawn in a night before it tells anything. Charge is told in whole percents, so
that 4 points give what it holds to some 10 % (uniform error of ±0.5 at both ends)."""
LEAST_POINTS = 2.0
LONGEST_GAP_S = 3 * 3600.0
IDLE_WATTS = 0.5
"""Below this a battery neither gives nor takes (common practice, no source)."""


@dataclass(slots=True)
class Night:
    """One discharge at a time, of a battery of so many rated Wh: from the first reading that draws to the next that
    charges."""

    rated_watt_hours: float
    from_percent: float = -1.0
    percent: float = 0.0
    watt_hours: float = 0.0
    at_s: float = 0.0
    watts: float = 0.0

    def step(self, at_s: float, percent: float | None, drawn_watts: float | None) -> float | None:
        """Take a reading: charge [%] and power out of the battery [W, negative: into it].

        Gives what the battery holds [Wh] when a discharge has ended: E / Δcharge. A gap in the readings of more than
        3 h ends a discharge without a result. Nights are chosen by their energy, never by the points that went: those
        are rounded, and choosing by them would favour what was rounded up.
        """
        if percent is None or drawn_watts is None:
            return None
        found = None
        if at_s - self.at_s > LONGEST_GAP_S:
            self.from_percent = -1.0
        draws = drawn_watts > IDLE_WATTS
        if draws and self.from_percent >= 0:
            self.watt_hours += (self.watts + drawn_watts) / 2 * (at_s - self.at_s) / 3600
            self.percent = percent
        elif draws:
            self.from_percent, self.percent, self.watt_hours = percent, percent, 0.0
        elif self.from_percent >= 0:
            # Until the last reading that drew: the first that charges has some of the new day in it.
            gone = self.from_percent - self.percent
            if self.watt_hours >= LEAST_SHARE * self.rated_watt_hours and gone >= LEAST_POINTS:
                found = 100 * self.watt_hours / gone
            self.from_percent = -1.0
        self.at_s, self.watts = at_s, drawn_watts
        return found
