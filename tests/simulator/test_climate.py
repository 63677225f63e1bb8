"""Weather: what may be asked of any climate, and what extremes do."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.chance import SECOND_NS
from simulator.climate import CLIMATES, Extreme, weather

DAY_NS = 86_400 * SECOND_NS
MINUTE_NS = 60 * SECOND_NS
MONDAY_NS = 20_465 * DAY_NS  # 2026-01-12
COLUMNS = ("ambient_temperature", "sun", "wind", "atmospheric_pressure")


def days(*climates, count=1, seed=1, step_s=60, extremes=(), from_ns=MONDAY_NS):
    ids = [f"site-{row}" for row in range(len(climates))]
    return weather(
        [CLIMATES[name] for name in climates],
        ids,
        seed=seed,
        from_ns=from_ns,
        to_ns=from_ns + count * DAY_NS,
        step_s=step_s,
        extremes=extremes,
    )


@settings(max_examples=25, deadline=None)
@given(
    start=st.integers(-2000, 1400),
    length=st.integers(1, 3000),
    rows=st.permutations(range(6)).map(lambda order: order[:3]),
)
def test_any_span_of_any_sites_gives_the_same_bytes(start, length, rows):
    """Law: a value follows from seed, site and time, whatever is asked together with it."""
    names, ids = list(CLIMATES), [f"site-{row}" for row in range(6)]
    snap = ("site-2", Extreme("cold_snap", MONDAY_NS, MONDAY_NS + DAY_NS, 15.0))
    storm = ("site-4", Extreme("storm", MONDAY_NS + 3 * MINUTE_NS, MONDAY_NS + DAY_NS // 2, 12.0))

    def asked(rows, from_minute, to_minute):
        return weather(
            [CLIMATES[names[row]] for row in rows],
            [ids[row] for row in rows],
            seed=3,
            from_ns=MONDAY_NS + from_minute * MINUTE_NS,
            to_ns=MONDAY_NS + to_minute * MINUTE_NS,
            extremes=(snap, storm),
        )

    whole, part = asked(range(6), -2000, 4400), asked(rows, start, start + length)
    for column in COLUMNS:
        expected = getattr(whole, column)[list(rows), start + 2000 : start + 2000 + length]
        assert expected.tobytes() == getattr(part, column).tobytes(), column


def test_another_seed_is_another_weather():
    one, other = days("lakeside", seed=1), days("lakeside", seed=2)
    assert np.abs(one.ambient_temperature - other.ambient_temperature).max() > 0.5


def test_sites_of_one_region_share_fronts_but_not_minutes():
    span = days("lakeside", "lakeside", "high-plain", count=120, step_s=3600)
    daily = span.ambient_temperature.reshape(3, 120, 24).mean(axis=2)
    assert np.corrcoef(daily[0], daily[1])[0, 1] > 0.95
    assert np.corrcoef(daily[0], daily[2])[0, 1] < 0.8
    assert np.abs(span.ambient_temperature[0] - span.ambient_temperature[1]).max() > 0.5


@pytest.mark.parametrize("name", CLIMATES)
def test_a_year_stays_where_weather_can_be(name):
    """Bounds of TRADE.md section 2, 'plausible only': air -50..55 Cel, barometer 60..108 kPa abs."""
    span = days(name, count=365, step_s=600)
    assert -50.0 < span.ambient_temperature.min() < span.ambient_temperature.max() < 50.0
    assert 60e3 < span.atmospheric_pressure.min() < span.atmospheric_pressure.max() < 108e3
    assert span.sun.min() == 0.0
    assert 500.0 < span.sun.max() < 1200.0
    assert 0.0 < span.wind.min() < span.wind.max() < 45.0
    assert span.ambient_temperature.mean() == pytest.approx(CLIMATES[name].mean, abs=2.5)


def test_the_coldest_climate_is_that_of_a_populated_cold_place():
    """Winter design temperature (met 99.6 % of hours) near -35 Cel, records a few kelvin under it, in twelve winters.

    Source: cold cities on open plains and in valleys have design temperatures of -31 to -36 Cel (from memory).
    """
    winters = [days("north-valley", count=365, seed=seed, step_s=3600).ambient_temperature for seed in range(12)]
    design = [float(np.quantile(winter, 0.004)) for winter in winters]
    assert -36.0 < np.median(design) < -31.0
    assert min(design) > -40.0
    assert -46.0 < min(float(winter.min()) for winter in winters) < -36.0


def test_nights_are_dark_and_noons_are_not():
    span = days("desert-basin", count=30)
    by_minute = span.sun[0].reshape(30, 1440)
    assert (by_minute[:, 7 * 60 : 8 * 60] == 0.0).all()  # UTC; solar midnight there is about 07:30
    assert (by_minute[:, 19 * 60 : 20 * 60] > 50.0).all()


def test_the_south_is_warm_in_january():
    north = replace(CLIMATES["lakeside"], front_sd=0.0)
    south = replace(north, latitude=-north.latitude)
    span = weather([north, south], ["a", "b"], seed=1, from_ns=MONDAY_NS, to_ns=MONDAY_NS + DAY_NS, step_s=600)
    assert (span.ambient_temperature[1] - span.ambient_temperature[0]).mean() > 20.0
    assert span.sun[1].sum() > 2.0 * span.sun[0].sum()


def test_high_places_have_thin_air():
    """Source: TRADE.md section 6: 83.52 kPa abs at 1600 m; lows and highs move it by a few hPa."""
    span = days("high-plain", count=365, step_s=3600)
    assert span.atmospheric_pressure.mean() == pytest.approx(83_520.0, rel=0.003)


@pytest.mark.parametrize(
    ("kind", "size", "column", "change"),
    [
        ("cold_snap", 18.0, "ambient_temperature", -18.0),
        ("cold_snap", 18.0, "atmospheric_pressure", 1080.0),
        ("heat_wave", 9.0, "ambient_temperature", 9.0),
        ("storm", 14.0, "atmospheric_pressure", -1400.0),
    ],
)
def test_an_extreme_is_as_big_as_it_says_and_then_gone(kind, size, column, change):
    usual = days("high-plain", count=6)
    struck = days(
        "high-plain", count=6, extremes=[("site-0", Extreme(kind, MONDAY_NS + DAY_NS, MONDAY_NS + 4 * DAY_NS, size))]
    )
    difference = (getattr(struck, column) - getattr(usual, column))[0]
    np.testing.assert_allclose(difference[int(2.5 * 1440)], change, rtol=1e-6)
    assert (difference[:1440] == 0.0).all()
    assert (difference[4 * 1440 :] == 0.0).all()
    assert np.abs(np.diff(difference)).max() < 0.01 * abs(change), "it comes and goes softly"


def test_a_storm_blows_and_hides_the_sun():
    usual = days("lakeside", count=3)
    struck = days("lakeside", count=3, extremes=[("site-0", Extreme("storm", MONDAY_NS, MONDAY_NS + 3 * DAY_NS, 15.0))])
    middle = slice(1440, 2880)
    assert (struck.wind[0, middle] >= usual.wind[0, middle] + 15.0).all()
    assert struck.sun[0, middle].sum() < 0.4 * usual.sun[0, middle].sum()


def test_still_fog_takes_wind_sun_and_the_days_swing():
    usual = days("harbour-fog", count=3)
    struck = days(
        "harbour-fog", count=3, extremes=[("site-0", Extreme("still_fog", MONDAY_NS, MONDAY_NS + 3 * DAY_NS, 0.9))]
    )
    middle = slice(1440, 2880)
    assert struck.wind[0, middle].mean() < 0.15 * usual.wind[0, middle].mean()
    assert struck.sun[0, middle].sum() < 0.4 * usual.sun[0, middle].sum()
    assert np.ptp(struck.ambient_temperature[0, middle]) < np.ptp(usual.ambient_temperature[0, middle])


def test_an_extreme_strikes_only_its_site():
    struck = ("site-0", Extreme("heat_wave", MONDAY_NS, MONDAY_NS + DAY_NS, 10.0))
    with_it, without = days("lakeside", "lakeside", extremes=[struck]), days("lakeside", "lakeside")
    assert with_it.ambient_temperature[1].tobytes() == without.ambient_temperature[1].tobytes()
    assert np.abs(with_it.ambient_temperature[0] - without.ambient_temperature[0]).max() > 9.0


def test_an_unknown_extreme_is_refused():
    with pytest.raises(AssertionError, match="none of cold_snap"):
        Extreme("hail", MONDAY_NS, MONDAY_NS + DAY_NS, 1.0)
