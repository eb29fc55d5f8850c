"""How long a pole with panel and battery lives without sun, and how the year goes."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise

from monitor.budgets.protection import Finding
from monitor.budgets.sun import MISSING, sun_hours
from monitor.budgets.terms import Term, need
from monitor.plan.datasheets import BatterySheet
from monitor.plan.power import SolarSupply

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
DAYS_OF_MONTHS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
LIT_AFTER_S, TWILIGHT_S = 1800.0, 3600.0
"""Half an hour after sunset infrared and heaters are on, an hour after sunrise off: common practice, no source."""


def day_hours(latitude_deg: float, day_of_year: int) -> float:
    """Hours from sunrise to sunset at a latitude [°, north positive] on a day [1 to 366].

    The CBM model of Forsythe et al., "A model comparison for daylength as a function of latitude and day of
    year", Ecological Modelling 80 (1995) 87–95, with the sun's centre 0.8333° below the horizon. Against the NREL
    algorithm over a year: within 4 minutes below 40°, 8 below 60°. Returns 0 or 24 inside the polar circles.

    >>> round(day_hours(0, 80), 1), round(day_hours(40, 172), 1), round(day_hours(-36, 172), 1)
    (12.1, 15.0, 9.7)
    """
    need("latitude", latitude_deg, -90, 90, "°")
    need("day of the year", day_of_year, 1, 366, "")
    theta = 0.2163108 + 2 * math.atan(0.9671396 * math.tan(0.00860 * (day_of_year - 186)))
    declination = math.asin(0.39795 * math.cos(theta))
    latitude = math.radians(latitude_deg)
    below = math.sin(math.radians(0.8333)) + math.sin(latitude) * math.sin(declination)
    cosine = below / (math.cos(latitude) * math.cos(declination))
    return 24 - 24 / math.pi * math.acos(min(1.0, max(-1.0, cosine)))


def equation_of_time_minutes(day_of_year: int) -> float:
    """How far a sundial runs ahead of the clock [min] on a day [1 to 366].

    9.87 sin 2B − 7.53 cos B − 1.5 sin B with B = 360°(day − 81)/364: the short form that solar handbooks give,
    common practice; good to a minute.

    >>> round(equation_of_time_minutes(307)), round(equation_of_time_minutes(42))
    (16, -15)
    """
    need("day of the year", day_of_year, 1, 366, "")
    b = math.radians(360 * (day_of_year - 81) / 364)
    return 9.87 * math.sin(2 * b) - 7.53 * math.cos(b) - 1.5 * math.sin(b)


def sunset_h(latitude_deg: float, longitude_deg: float, day_of_year: int) -> float | None:
    """Hours UTC of the sunset on a day [1 to 366], longitude [°, east positive]; may lie outside 0 to 24.

    Half a day's length after solar noon, which is 12 h less longitude/15 and the equation of time. Good to some ten
    minutes below 60° of latitude. None where the sun does not set or does not rise.

    >>> round(sunset_h(51.5, -0.1, 172), 1)  # London at midsummer: 20:21 UTC
    20.4
    """
    hours = day_hours(latitude_deg, day_of_year)
    if not 0 < hours < 24:
        return None
    return 12 - longitude_deg / 15 - equation_of_time_minutes(day_of_year) / 60 + hours / 2


def dusk_in_s(latitude_deg: float, longitude_deg: float, now_s: float) -> float:
    """Seconds between a time (UTC, since 1970) and the nearest sunset; infinite where the sun does not set.

    >>> dusk_in_s(-33.9, 151.2, 1_766_307_900) < 600  # Sydney, 21 December 2025 09:05 UTC
    True
    """
    return min((abs(now_s - at_s) for at_s, _ in _nights(latitude_deg, longitude_deg, now_s)), default=math.inf)


def _nights(latitude_deg: float, longitude_deg: float, now_s: float) -> Iterator[tuple[float, float]]:
    """Sunset and the sunrise after it, of the days around a time (UTC seconds)."""
    today = datetime.fromtimestamp(now_s, UTC).date()
    for day in (today + timedelta(days=i) for i in (-2, -1, 0, 1)):
        number = day.timetuple().tm_yday
        sunset = sunset_h(latitude_deg, longitude_deg, number)
        if sunset is not None:
            at_s = datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() + sunset * 3600
            yield at_s, at_s + (24 - day_hours(latitude_deg, number)) * 3600


def until_dark_s(latitude_deg: float, longitude_deg: float, now_s: float, after_s: float) -> float:
    """Seconds until so long after sunset [s]; 0 in the night that follows, infinite where the sun does not set.

    >>> until_dark_s(-33.9, 151.2, 1_766_320_000, 1800)  # Sydney, 21 December 2025 12:26 UTC: night
    0.0
    >>> round(until_dark_s(-33.9, 151.2, 1_766_290_000, 1800) / 3600, 1)  # and 04:06 UTC, five hours to sunset
    5.5
    """
    wait_s = math.inf
    for sunset_s, sunrise_s in _nights(latitude_deg, longitude_deg, now_s):
        if sunset_s + after_s <= now_s < sunrise_s:
            return 0.0
        if sunset_s + after_s > now_s:
            wait_s = min(wait_s, sunset_s + after_s - now_s)
    return wait_s


def lamps_lit(latitude_deg: float, longitude_deg: float, now_s: float) -> bool | None:
    """Do cameras and gates draw what they draw by night? None while nobody can say: from an hour before sunset to half
    an hour after it, and from half an hour before sunrise to an hour after it (common practice, no source).

    >>> [lamps_lit(-36, 148, 1_795_631_400 + h * 3600) for h in (-7, 0, 7)]  # 25 November 2026, 18:30 UTC: dawn
    [True, None, False]
    """
    for sunset_s, sunrise_s in _nights(latitude_deg, longitude_deg, now_s):
        if sunset_s + LIT_AFTER_S <= now_s < sunrise_s - LIT_AFTER_S:
            return True
        if sunset_s - TWILIGHT_S <= now_s < sunrise_s + TWILIGHT_S:
            return None
    return False


def daily_wh(day_watts: float, night_watts: float, night_hours: float) -> float:
    """Energy a day [Wh] of a load with two draws [W] and a night [h].

    >>> daily_wh(10, 20, 12)
    360
    """
    need("night", night_hours, 0, 24, "h")
    return day_watts * (24 - night_hours) + night_watts * night_hours


def capacity_share(sheet: BatterySheet, celsius: float) -> float:
    """Share of the rated capacity at a temperature [°C], between the datasheet's points; outside them, refused."""
    points = sorted(sheet.capacity_share.items())
    need("battery temperature", celsius, points[0][0], points[-1][0], "°C")
    for (t0, s0), (t1, s1) in pairwise(points):
        if t0 <= celsius <= t1:
            return s0 + (s1 - s0) * (celsius - t0) / (t1 - t0)
    return points[0][1]


def warmed(sheet: BatterySheet, celsius: float) -> float:
    """The same, with the nearest point outside the datasheet's range: what a battery holds at 25 °C by what it held
    at another temperature is its quotient with this."""
    points = sorted(sheet.capacity_share)
    return capacity_share(sheet, min(max(celsius, points[0]), points[-1]))


def usable_wh(volts: float, amp_hours: float, usable: float, cold_share: float) -> float:
    """Energy [Wh] that a bank gives: nominal volts · Ah · depth that may be used · share left by the cold.

    >>> usable_wh(25.6, 100, 0.8, 1.0)
    2048.0
    """
    return volts * amp_hours * usable * cold_share


def charge_through_a_year(usable: float, harvest_wh: Sequence[float], use_wh: Sequence[float]) -> tuple[float, ...]:
    """Lowest state of charge (0 to 1 of what is usable) in each month, mean day after mean day.

    Two years are run so that the first January stands on a December. A battery that is full takes no more.
    """
    level, lowest = usable, [1.0] * 12
    for _ in range(2):
        lowest = [1.0] * 12
        for month, days in enumerate(DAYS_OF_MONTHS):
            for _ in range(days):
                level = max(0.0, min(usable, level + harvest_wh[month] - use_wh[month]))
                lowest[month] = min(lowest[month], level / usable)
    return tuple(lowest)


@dataclass(frozen=True, slots=True)
class AutonomyBudget:
    """Battery hours and the year of a pole with panel and battery."""

    terms: tuple[Term, ...]
    usable_wh: float
    worst_day_wh: float
    days_wanted: float
    harvest_wh: tuple[float, ...] | None
    """A mean day's harvest, January to December; None where the plan gives no sun hours."""
    use_wh: tuple[float, ...]
    lowest_charge: tuple[float, ...] | None
    harvest_source: str
    """Where the sun hours are from, or why there are none."""
    findings: tuple[Finding, ...]

    @property
    def days(self) -> float:
        """Days that the battery alone carries the longest night's load, from full."""
        return self.usable_wh / self.worst_day_wh

    @property
    def margin_days(self) -> float:
        """Against the days of autonomy that the plan promises."""
        return self.days - self.days_wanted

    @property
    def worst_month(self) -> int | None:
        """The month (1 to 12) in which the harvest stands worst against the use."""
        if self.harvest_wh is None:
            return None
        ratios = [got / used for got, used in zip(self.harvest_wh, self.use_wh, strict=True)]
        return ratios.index(min(ratios)) + 1


def autonomy(
    supply: SolarSupply,
    sheets: Mapping[str, BatterySheet],
    latitude_deg: float,
    longitude_deg: float,
    coldest_c: float,
    day_watts: float,
    night_watts: float,
) -> AutonomyBudget:
    """The budget of a solar supply whose pole draws these watts [W] at the switch's input, by day and by night."""
    sheet, battery = sheets[supply.battery.chemistry], supply.battery
    share = battery.cold_share if battery.cold_share is not None else capacity_share(sheet, coldest_c)
    source = "the plan, from its maker" if battery.cold_share is not None else sheet.source
    usable = usable_wh(battery.volts, battery.amp_hours, battery.usable, share)
    nights = [24 - day_hours(latitude_deg, 15 + sum(DAYS_OF_MONTHS[:month])) for month in range(12)]
    efficiency, idle = (supply.converter.efficiency, supply.converter.idle_watts) if supply.converter else (1.0, 0.0)
    use = tuple(daily_wh(day_watts, night_watts, night) / efficiency + 24 * idle for night in nights)
    hours, harvest_source = _sun(supply, latitude_deg, longitude_deg)
    harvest = tuple(h * supply.panel_watts * supply.harvest_share for h in hours) if hours else None
    terms = (
        Term("nominal energy of the battery", battery.volts * battery.amp_hours, "Wh", "the plan"),
        Term(
            "left after the depth that may be used",
            battery.volts * battery.amp_hours * battery.usable,
            "Wh",
            "the plan",
        ),
        Term(f"left at {coldest_c:g} °C", usable, "Wh", source),
        Term("used on the day with the longest night", max(use), "Wh", "the plan; Forsythe 1995 for the night"),
    )
    lowest = charge_through_a_year(usable, harvest, use) if harvest else None
    return AutonomyBudget(
        terms,
        usable,
        max(use),
        supply.days_of_autonomy,
        harvest,
        use,
        lowest,
        harvest_source,
        tuple(_findings(supply, sheet, coldest_c, harvest, use)),
    )


def _sun(supply: SolarSupply, latitude_deg: float, longitude_deg: float) -> tuple[list[float] | None, str]:
    """Sun hours a day by month: the plan's table, else a clear sky's share, else none with the reason."""
    if supply.sun_hours_per_day is not None:
        return supply.sun_hours_per_day, supply.sun_hours_source or "the plan"
    if supply.clear_sky_share is None:
        return None, "the plan has neither sun_hours_per_day nor clear_sky_share"
    found = sun_hours(latitude_deg, longitude_deg, supply.tilt_deg, supply.azimuth_deg, supply.clear_sky_share)
    if found is None:
        return None, MISSING
    return found, f"{supply.clear_sky_share:.0%} of a clear sky (pvlib: Haurwitz, Erbs, isotropic)"


def _findings(
    supply: SolarSupply, sheet: BatterySheet, coldest_c: float, harvest: Sequence[float] | None, use: Sequence[float]
) -> list[Finding]:
    found = []
    cells = supply.battery.volts / sheet.cell_volts
    least = sheet.cutoff_volts_per_cell * cells
    found.append(
        Finding(
            "cut-off too low",
            supply.cutoff_volts < least - 0.05 * cells,
            f"the controller cuts off at {supply.cutoff_volts:g} V; {cells:.0f} cells of "
            f"{supply.battery.chemistry} should not go below {least:.1f} V",
        )
    )
    found.append(
        Finding(
            "reconnects too soon",
            supply.reconnect_volts <= supply.cutoff_volts,
            f"reconnects at {supply.reconnect_volts:g} V after cutting off at {supply.cutoff_volts:g} V",
        )
    )
    lowest_c = supply.charge_above_c if supply.charge_above_c is not None else 0.0
    if supply.battery.chemistry == "lfp" and coldest_c < lowest_c:
        # Lithium iron phosphate must not be charged below 0 °C (makers' data, common to all).
        found.append(
            Finding(
                "charging locked out by cold",
                False,
                f"no charge below {lowest_c:g} °C, and it gets {coldest_c:g} °C: keep the box warm, or the "
                "harvest of cold mornings is lost",
                note=True,
            )
        )
    if harvest is not None:
        short = [MONTHS[month] for month in range(12) if harvest[month] < use[month]]
        sentence = f"harvest is less than use in {', '.join(short)}" if short else "harvest covers use in every month"
        found.append(Finding("harvest below use", bool(short), sentence))
    return found
