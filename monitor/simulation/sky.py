"""Sun, clouds, temperature, rain, wind, frost and storms of a place: each a function of time and seed alone.

Nothing is remembered from step to step, so that a year by the hour and a day by the minute see the same weather.
"""

import math
import random
from dataclasses import dataclass
from functools import lru_cache

_DAY_S, _YEAR_S = 86_400.0, 365.2425 * 86_400.0
_J2000_S = 946_728_000.0


@lru_cache(65_536)
def _draw(seed: int, kind: str, number: int) -> float:
    """A number between 0 and 1, the same for the same seed, kind and number."""
    return random.Random(f"{seed} {kind} {number}").random()  # weather, not secrets


@dataclass(frozen=True)
class Sky:
    """The place's latitude and longitude [degrees], and the extremes that the plan names [°C]."""

    latitude: float
    longitude: float
    coldest_c: float
    hottest_c: float
    seed: int = 1

    def _mood(self, kind: str, at_s: float, period_s: float) -> float:
        """Something that changes smoothly from period to period, 0 to 1."""
        number, share = divmod(at_s, period_s)
        share = share / period_s
        share = share * share * (3 - 2 * share)
        here, there = (_draw(self.seed, kind, int(number) + i) for i in (0, 1))
        return here * (1 - share) + there * share

    # ---- sun

    def sun(self, at_s: float) -> tuple[float, float]:
        """Elevation and azimuth (clockwise from north) of the sun [degrees] at UTC seconds.

        The Astronomical Almanac's low-precision formulas, as Michalsky gives them (Solar Energy 40, 1988): within
        0.01° from 1950 to 2050; without refraction.
        """
        n = (at_s - _J2000_S) / _DAY_S
        g = math.radians((357.528 + 0.9856003 * n) % 360)
        longitude = math.radians((280.460 + 0.9856474 * n + 1.915 * math.sin(g) + 0.020 * math.sin(2 * g)) % 360)
        tilt = math.radians(23.439 - 4e-7 * n)
        ascension = math.atan2(math.cos(tilt) * math.sin(longitude), math.cos(longitude))
        declination = math.asin(math.sin(tilt) * math.sin(longitude))
        sidereal_h = 6.697375 + 0.0657098242 * n + (at_s % _DAY_S) / 3600
        hour_angle = math.radians((sidereal_h * 15 + self.longitude) % 360) - ascension
        latitude = math.radians(self.latitude)
        up = math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(
            hour_angle
        )
        east = -math.cos(declination) * math.sin(hour_angle)
        north = math.cos(latitude) * math.sin(declination) - math.sin(latitude) * math.cos(declination) * math.cos(
            hour_angle
        )
        return math.degrees(math.asin(max(-1.0, min(1.0, up)))), math.degrees(math.atan2(east, north)) % 360

    def dark(self, at_s: float) -> bool:
        """Is it dark enough that cameras light their infrared?"""
        return self.sun(at_s)[0] < -2.0

    def in_plane(self, at_s: float, tilt_deg: float, azimuth_deg: float) -> float:
        """Watts per m² that fall on a panel, through the clouds of the day.

        Clear sky by Haurwitz (J. Meteorology 2, 1945): 1098 · cos z · exp(−0.057 / cos z). Clouds take the beam first;
        what is diffuse comes from the whole sky.
        """
        elevation, azimuth = self.sun(at_s)
        if elevation <= 1.0:
            return 0.0
        up, tilt = math.sin(math.radians(elevation)), math.radians(tilt_deg)
        clear, cloud = 1098 * up * math.exp(-0.057 / up), self.cloud(at_s)
        beam: float = clear * 0.85 * (1 - cloud) ** 1.5
        diffuse = clear * (0.15 + 0.2 * cloud * (1 - cloud) * 4 * 0.5)
        facing = up * math.cos(tilt) + math.cos(math.radians(elevation)) * math.sin(tilt) * math.cos(
            math.radians(azimuth - azimuth_deg)
        )
        return beam * max(0.0, facing) / up + diffuse * (1 + math.cos(tilt)) / 2

    # ---- weather

    @lru_cache(1024)  # noqa: B019  # a sky is as good as the numbers in it, and there are few
    def cloud(self, at_s: float) -> float:
        """Share of the sky that clouds cover, 0 to 1: spells of days, days, and hours."""
        spell, day, hour = (self._mood("cloud", at_s, period) for period in (4 * _DAY_S, _DAY_S, 10_800.0))
        return max(0.0, min(1.0, 1.5 * (0.5 * spell + 0.35 * day + 0.15 * hour) - 0.25))

    def air_c(self, at_s: float) -> float:
        """Air temperature [°C]: season, hour (warmest at 15:00 solar time), and the mood of the days."""
        middle, swing = (self.coldest_c + self.hottest_c) / 2, (self.hottest_c - self.coldest_c) / 2
        season = math.cos(2 * math.pi * ((at_s % _YEAR_S) / _YEAR_S - 0.55)) * (1 if self.latitude >= 0 else -1)
        hour = math.cos(2 * math.pi * ((at_s + self.longitude * 240) % _DAY_S / _DAY_S - 0.625))
        clear = 1 - 0.5 * self.cloud(at_s)
        return middle + swing * (
            0.42 * season + 0.30 * hour * clear + 0.24 * (self._mood("air", at_s, 3 * _DAY_S) - 0.5)
        )

    def rain_mm_per_h(self, at_s: float) -> float:
        """Rain, in spells of hours under thick cloud."""
        if self.cloud(at_s) < 0.72:
            return 0.0
        return max(0.0, 14 * (self._mood("rain", at_s, 7200.0) - 0.5))

    def wet(self, at_s: float) -> float:
        """How wet things are, 0 to 1: they dry over some six hours after the rain."""
        return max(min(1.0, self.rain_mm_per_h(at_s - h * 3600) / 2) * (1 - h / 6) for h in range(6))

    def wind_m_per_s(self, at_s: float) -> float:
        """Wind: calm at most times, a gale on some days."""
        day, gust = self._mood("wind", at_s, 2 * _DAY_S), self._mood("gust", at_s, 900.0)
        return 2 + 18 * day**3 * (0.5 + gust)

    def frost(self, at_s: float) -> float:
        """How far water is frozen, 0 to 1: none above 0 °C, all at −5 °C."""
        return max(0.0, min(1.0, -self.air_c(at_s) / 5))

    def snow(self, at_s: float) -> bool:
        """Does snow lie on the panels?"""
        return self.air_c(at_s) < -1 and self.wet(at_s) > 0.3
