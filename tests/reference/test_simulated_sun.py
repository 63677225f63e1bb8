"""The simulator's sun and standing pressure against pvlib, the NREL example and ISO 2533."""

import numpy as np
import pytest

from simulator.sun import apparent_zenith, clear_sky, cosine_of_zenith, standard_pressure

pd = pytest.importorskip("pandas")
pvlib = pytest.importorskip("pvlib", reason="a test extra: pvlib")

PLACES = [
    pytest.param(39.7, -105.0, 1830.0, 3.0, id="high-plain"),
    pytest.param(64.8, -147.7, 140.0, 2.5, id="far-north"),
    pytest.param(33.4, -112.0, 350.0, 4.5, id="hazy-desert"),
    pytest.param(-35.0, 150.0, 10.0, 3.0, id="south"),
]


def year_of_times():
    return pd.date_range("2024-01-01", "2025-01-01", freq="47min", tz="UTC").as_unit("ns")


def column(number: float):
    return np.array([[number]])


def test_the_sun_stands_where_the_nrel_example_has_it():
    """Source: Reda and Andreas, NREL/TP-560-34302, worked example (TRADE.md section 6): zenith 50.11162 degrees.

    Michalsky's almanac is good to 0.01 degree.
    """
    moment = pd.DatetimeIndex(["2003-10-17 12:30:30-07:00"]).tz_convert("UTC").as_unit("ns").asi8
    cosine = cosine_of_zenith(moment, column(39.742476), column(-105.1786))
    zenith = apparent_zenith(cosine, column(82_000.0), column(11.0))
    np.testing.assert_allclose(zenith, [[50.11162]], atol=0.01)


@pytest.mark.parametrize(("latitude", "longitude", "elevation_m", "turbidity"), PLACES)
def test_a_year_of_suns_is_pvlibs(latitude, longitude, elevation_m, turbidity):
    """Source: pvlib.solarposition.spa_python (NREL SPA). Tolerance: the 0.01 degree that Michalsky claims."""
    times = year_of_times()
    expected = pvlib.solarposition.spa_python(times, latitude, longitude, altitude=elevation_m)
    zenith = np.degrees(np.arccos(cosine_of_zenith(times.asi8, column(latitude), column(longitude))[0]))
    np.testing.assert_allclose(zenith, expected["zenith"], atol=0.01)


@pytest.mark.parametrize(("latitude", "longitude", "elevation_m", "turbidity"), PLACES)
def test_a_cloudless_sky_is_pvlibs(latitude, longitude, elevation_m, turbidity):
    """Source: pvlib.clearsky.ineichen. Tolerance 3 W/m2: ours leaves refraction out, seen at sunrise only."""
    times = year_of_times()
    sun = pvlib.solarposition.spa_python(times, latitude, longitude, altitude=elevation_m)
    pressure = pvlib.atmosphere.alt2pres(elevation_m)
    air_mass = pvlib.atmosphere.get_absolute_airmass(
        pvlib.atmosphere.get_relative_airmass(sun["apparent_zenith"]), pressure
    )
    expected = pvlib.clearsky.ineichen(
        sun["apparent_zenith"],
        air_mass,
        turbidity,
        altitude=elevation_m,
        dni_extra=pvlib.irradiance.get_extra_radiation(times.day_of_year.to_numpy()),
    )["ghi"]
    cosine = cosine_of_zenith(times.asi8, column(latitude), column(longitude))
    ours = clear_sky(cosine, time_ns=times.asi8, elevation_m=column(elevation_m), turbidity=column(turbidity))[0]
    assert expected.max() > 700.0
    np.testing.assert_allclose(ours, expected, atol=3.0)
    np.testing.assert_allclose(ours.sum(), expected.sum(), rtol=0.005)


def test_air_is_as_thin_as_iso_2533_says():
    """Source: ISO 2533 formula, computed in TRADE.md section 6, kPa abs."""
    elevation_m = np.array([500.0, 1000.0, 1600.0, 2000.0, 3000.0, 4000.0])
    expected = [95.46, 89.87, 83.52, 79.50, 70.11, 61.64]
    np.testing.assert_allclose(standard_pressure(elevation_m) / 1000.0, expected, atol=0.015)
