"""Sun and temperature at the plan's place: simple, seeded, good enough to make nights and winters."""

import math
import random
from dataclasses import dataclass

_DAY_S, _YEAR_S = 86_400.0, 365.2425 * 86_400.0


@dataclass(frozen=True)
class Climate:
    """The place's latitude and longitude [degrees] and the extremes that the plan names [°C]."""

    latitude: float
    longitude: float
    coldest_c: float
    hottest_c: float
    seed: int = 1

    def sun_elevation_deg(self, at_s: float) -> float:
        """Height of the sun over the horizon [degrees] at UTC seconds; within about 1.5° of an almanac.

        Declination by Cooper's formula (Solar Energy 12, 1969) and the hour angle of mean solar time; the
        equation of time (up to 16 minutes) is left out.
        """
        day_of_year = (at_s % _YEAR_S) / _DAY_S + 1
        declination = math.radians(23.45) * math.sin(2 * math.pi * (284 + day_of_year) / 365)
        hour_angle = 2 * math.pi * ((at_s % _DAY_S) / _DAY_S - 0.5) + math.radians(self.longitude)
        latitude = math.radians(self.latitude)
        sine = math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(
            hour_angle
        )
        return math.degrees(math.asin(max(-1.0, min(1.0, sine))))

    def dark(self, at_s: float) -> bool:
        """Is it dark enough that cameras light their infrared?"""
        return self.sun_elevation_deg(at_s) < -2.0

    def air_c(self, at_s: float) -> float:
        """Air temperature [°C]: season, hour (warmest at 15:00 solar time) and a day's own mood."""
        middle, swing = (self.coldest_c + self.hottest_c) / 2, (self.hottest_c - self.coldest_c) / 2
        season = math.cos(2 * math.pi * ((at_s % _YEAR_S) / _YEAR_S - 0.55)) * (1 if self.latitude >= 0 else -1)
        hour = math.cos(2 * math.pi * ((at_s + self.longitude * 240) % _DAY_S / _DAY_S - 0.625))
        return middle + swing * (0.42 * season + 0.28 * hour + 0.12 * self._mood(at_s))

    def _mood(self, at_s: float) -> float:
        """Weather from day to day, −1 to 1, the same for the same seed and day."""
        day = int(at_s // _DAY_S)
        today, tomorrow = (
            random.Random(self.seed * 1_000_003 + d).uniform(-1, 1) for d in (day, day + 1)
        )  # weather, not secrets
        share = at_s % _DAY_S / _DAY_S
        return today * (1 - share) + tomorrow * share
