"""The simulated sun against published values and a reference library; weather that is the same for the same seed."""

import random
from datetime import UTC, datetime

import pandas
import pytest
from pvlib import clearsky, solarposition

from monitor.budgets.autonomy import lamps_lit
from monitor.plan.parts import Plan
from monitor.simulation.sky import Sky


def test_the_worked_example_of_the_spa() -> None:
    """Reda and Andreas, NREL/TP-560-34302 (2008), A.5: e0 = 39.872° without refraction, azimuth 194.34024°."""
    at = datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC)
    elevation, azimuth = Sky(39.742476, -105.1786, -20, 40).sun(at.timestamp())
    assert elevation == pytest.approx(39.872, abs=0.03)
    assert azimuth == pytest.approx(194.340, abs=0.03)


def test_the_sun_of_any_place_and_time_beside_pvlib() -> None:
    rng = random.Random(4)
    for _ in range(60):
        latitude, longitude = rng.uniform(-65, 65), rng.uniform(-180, 180)
        at = datetime.fromtimestamp(rng.uniform(1_600_000_000, 1_900_000_000), UTC)
        found = solarposition.get_solarposition(pandas.DatetimeIndex([at]), latitude, longitude).iloc[0]
        elevation, azimuth = Sky(latitude, longitude, -20, 40).sun(at.timestamp())
        assert elevation == pytest.approx(found["elevation"], abs=0.05)
        if abs(elevation) < 85:
            assert (azimuth - found["azimuth"] + 180) % 360 - 180 == pytest.approx(0, abs=0.3)


def test_lamps_of_the_simulated_site_are_lit_when_farpole_is_sure_of_it(tarrow: Plan) -> None:
    """Two models of one thing: every five minutes of a year, so that no hour of the day finds them apart."""
    site = tarrow.site
    sky = Sky(site.latitude, site.longitude, site.coldest_c, site.hottest_c)
    times = [1_767_225_600 + 300.0 * i for i in range(365 * 288)]
    sure = [(at_s, lit) for at_s in times if (lit := lamps_lit(site.latitude, site.longitude, at_s)) is not None]
    assert [at_s for at_s, lit in sure if sky.dark(at_s) != lit] == []
    assert len(sure) > 0.85 * len(times)


def test_clear_sky_on_the_ground_beside_pvlib_s_haurwitz(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Sky, "cloud", lambda self, at_s: 0.0)
    sky = Sky(-36, 148, -9, 44)
    for hour in range(20, 32):
        at_s = 1_735_689_600 + 3600.0 * hour
        expected = clearsky.haurwitz(pandas.Series([90 - sky.sun(at_s)[0]])).iloc[0, 0]
        assert sky.in_plane(at_s, 0, 0) == pytest.approx(expected, rel=0.01, abs=15)


def test_a_panel_toward_the_sun_gets_more_in_winter_than_a_flat_one() -> None:
    sky = Sky(-36, 148, -9, 44)
    june = [1_781_000_000 + 600.0 * i for i in range(144)]
    assert sum(sky.in_plane(t, 50, 0) for t in june) > 1.3 * sum(sky.in_plane(t, 0, 0) for t in june)
    assert sum(sky.in_plane(t, 50, 180) for t in june) < 0.5 * sum(sky.in_plane(t, 50, 0) for t in june)


def test_a_year_stays_between_the_plan_s_extremes_and_has_rain_frost_and_clear_days() -> None:
    sky = Sky(-36, 148, -9, 44, seed=3)
    year = [1_767_225_600 + 3600.0 * i for i in range(8760)]
    temperatures = [sky.air_c(t) for t in year]
    assert -14 < min(temperatures) < 0
    assert 30 < max(temperatures) < 49
    clouds = sorted(sky.cloud(t) for t in year)
    assert clouds[500] < 0.2
    assert clouds[-500] > 0.8
    assert 0.01 < sum(sky.rain_mm_per_h(t) > 0 for t in year) / 8760 < 0.3
    assert any(sky.frost(t) > 0.2 for t in year)
    assert 2 <= min(sky.wind_m_per_s(t) for t in year) < max(sky.wind_m_per_s(t) for t in year) < 40


def test_the_same_seed_is_the_same_weather_and_another_is_not() -> None:
    at = [1_767_225_600 + 7000.0 * i for i in range(200)]
    one, again, other = (Sky(-36, 148, -9, 44, seed) for seed in (1, 1, 2))
    assert [one.cloud(t) for t in at] == [again.cloud(t) for t in at]
    assert [one.cloud(t) for t in at] != [other.cloud(t) for t in at]
