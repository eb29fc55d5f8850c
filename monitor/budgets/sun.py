"""Sun hours in a panel's plane from pvlib, for plans without a published table. The extra ``sun`` brings pvlib.

A clear sky is computed and multiplied by the share of it that the plan says is really had; a published table
for the place and tilt (``sun_hours_per_day``) is the better input and always wins.
"""

MISSING = "pvlib is not installed (sh deploy/install --with sun), and the plan has no sun_hours_per_day"


def clear_sky_hours(latitude_deg: float, longitude_deg: float, tilt_deg: float, azimuth_deg: float) -> list[float]:
    """Mean kWh/m² a day in a plane [tilt, degrees clockwise from north] under a clear sky, January to December.

    Global irradiance by Haurwitz (1945/1946) as in pvlib.clearsky.haurwitz, split by Erbs et al. (1982), brought
    into the plane with an isotropic sky and albedo 0.2. The middle day of each month, every ten minutes. Raises
    ModuleNotFoundError where pvlib is not installed.
    """
    import pandas as pd
    from pvlib import clearsky, irradiance, solarposition

    hours = []
    for month in range(1, 13):
        times = pd.date_range(f"2021-{month:02d}-15", periods=144, freq="10min", tz="UTC")
        sun = solarposition.get_solarposition(times, latitude_deg, longitude_deg)
        whole = clearsky.haurwitz(sun["apparent_zenith"])["ghi"]
        parts = irradiance.erbs(whole, sun["zenith"], times)
        plane = irradiance.get_total_irradiance(
            tilt_deg, azimuth_deg, sun["apparent_zenith"], sun["azimuth"], parts["dni"], whole, parts["dhi"], albedo=0.2
        )
        hours.append(float(plane["poa_global"].fillna(0).sum()) / 6 / 1000)
    return hours


def sun_hours(
    latitude_deg: float, longitude_deg: float, tilt_deg: float, azimuth_deg: float, share: float
) -> list[float] | None:
    """Sun hours a day by month: clear sky times the share really had; None where pvlib is not installed."""
    try:
        return [share * hours for hours in clear_sky_hours(latitude_deg, longitude_deg, tilt_deg, azimuth_deg)]
    except ModuleNotFoundError:
        return None
