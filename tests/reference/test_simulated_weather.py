"""Generated weather against the typical year that pvlib carries: TMY3 station 723170, Greensboro."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from simulator.chance import SECOND_NS
from simulator.climate import CLIMATES, weather

pvlib = pytest.importorskip("pvlib", reason="a test extra: pvlib")

DAY_NS = 86_400 * SECOND_NS
JANUARY_NS = 19_358 * DAY_NS + 5 * 3600 * SECOND_NS  # 2023-01-01 00:00 at UTC-5, the station's clock
SEEDS = (1, 2, 3, 4, 5)


@dataclass(frozen=True)
class Year:
    """Hours of one year, [365, 24]: air Cel, barometer Pa abs, wind m/s, sun W/m2."""

    air: np.ndarray
    pressure: np.ndarray
    wind: np.ndarray
    sun: np.ndarray

    @property
    def swing(self):
        """From the coolest to the warmest hour of each day, K."""
        return np.ptp(self.air, axis=1)

    @property
    def fronts(self):
        """Daily means less the season (a year's and half a year's wave), K."""
        return self.air.mean(axis=1) - self.season

    @property
    def season(self):
        angle = 2.0 * np.pi * np.arange(365) / 365.0
        waves = np.stack([np.ones(365), np.cos(angle), np.sin(angle), np.cos(2.0 * angle), np.sin(2.0 * angle)], axis=1)
        return waves @ np.linalg.lstsq(waves, self.air.mean(axis=1), rcond=None)[0]


def correlation(values, lag):
    return np.corrcoef(values[:-lag], values[lag:])[0, 1]


@pytest.fixture(scope="module")
def real():
    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    table, _ = pvlib.iotools.read_tmy3(path, map_variables=True)

    def hours(name):
        return table[name].to_numpy(np.float64).reshape(365, 24)

    return Year(hours("temp_air"), 100.0 * hours("pressure"), hours("wind_speed"), hours("ghi"))


@pytest.fixture(scope="module")
def generated():
    years = []
    for seed in SEEDS:
        span = weather(
            [CLIMATES["rolling-hills"]],
            ["site"],
            seed=seed,
            from_ns=JANUARY_NS,
            to_ns=JANUARY_NS + 365 * DAY_NS,
            step_s=1200,
        )
        years.append(
            Year(
                span.ambient_temperature[0, ::3].reshape(365, 24),
                span.atmospheric_pressure[0, ::3].reshape(365, 24),
                span.wind[0, ::3].reshape(365, 24),
                span.sun[0].reshape(365, 24, 3).mean(axis=2),
            )
        )
    return years


def middle(years, figure):
    """The median of the generated years: one typical year is one draw, so single years differ more."""
    return float(np.median([figure(year) for year in years]))


def test_days_swing_as_far(real, generated):
    """Source: TMY3 723170, mean daily swing 10.7 K, standard deviation 4.0 K. Tolerances 1.5 K, 1.5 K."""
    assert middle(generated, lambda year: year.swing.mean()) == pytest.approx(real.swing.mean(), abs=1.5)
    assert middle(generated, lambda year: year.swing.std()) == pytest.approx(real.swing.std(), abs=1.5)


def test_the_warmest_and_the_coolest_hour_come_when_they_do(real, generated):
    """Source: TMY3 723170: coolest in the sixth hour, warmest in the fifteenth. Tolerance two hours."""
    for extreme in (np.argmin, np.argmax):
        hour = middle(generated, lambda year, extreme=extreme: extreme(year.air.mean(axis=0)))
        assert hour == pytest.approx(extreme(real.air.mean(axis=0)), abs=2)


def test_fronts_are_as_big_and_last_as_long(real, generated):
    """Source: TMY3 723170: 4.3 K; correlation of daily means a day on 0.71, two days 0.38, five days 0.06."""
    assert middle(generated, lambda year: year.fronts.std()) == pytest.approx(real.fronts.std(), rel=0.25)
    for lag, tolerance in ((1, 0.12), (2, 0.17), (5, 0.2)):
        expected = correlation(real.fronts, lag)
        assert middle(generated, lambda year, lag=lag: correlation(year.fronts, lag)) == pytest.approx(
            expected, abs=tolerance
        )


def test_winter_fronts_are_bigger_than_summers(real, generated):
    """Source: TMY3 723170: 6.0 K in January and February, 2.2 K in June to August."""

    def ratio(year):
        return year.fronts[:60].std() / year.fronts[150:240].std()

    assert ratio(real) > 1.5
    assert middle(generated, ratio) > 1.5


def test_season_and_frost_are_as_hard(real, generated):
    """Source: TMY3 723170: mean 14.4 Cel, seasons 22.8 K apart, 792 h of frost. One year draws within a third."""
    assert middle(generated, lambda year: year.air.mean()) == pytest.approx(real.air.mean(), abs=1.0)
    assert middle(generated, lambda year: np.ptp(year.season)) == pytest.approx(np.ptp(real.season), rel=0.15)
    assert middle(generated, lambda year: (year.air < 0.0).sum()) == pytest.approx((real.air < 0.0).sum(), rel=0.35)


def test_the_hours_hang_together(real, generated):
    """Source: TMY3 723170: correlation of the air's hours about the season 0.97."""

    def hourly(year):
        return correlation((year.air - year.season[:, None]).ravel(), 1)

    assert middle(generated, hourly) == pytest.approx(hourly(real), abs=0.02)


def test_the_barometer_moves_as_far_and_with_the_air(real, generated):
    """Source: TMY3 723170: 627 Pa, a day on 0.67; correlation with warmth about -0.3. Its mean by ISO 2533."""
    assert middle(generated, lambda year: year.pressure.std()) == pytest.approx(real.pressure.std(), rel=0.2)
    assert middle(generated, lambda year: correlation(year.pressure.mean(axis=1), 1)) == pytest.approx(
        correlation(real.pressure.mean(axis=1), 1), abs=0.15
    )
    with_warmth = middle(generated, lambda year: np.corrcoef(year.fronts, year.pressure.mean(axis=1))[0, 1])
    assert with_warmth == pytest.approx(np.corrcoef(real.fronts, real.pressure.mean(axis=1))[0, 1], abs=0.2)
    assert middle(generated, lambda year: year.pressure.mean()) == pytest.approx(real.pressure.mean(), rel=0.01)


def test_wind_blows_as_hard_and_as_unevenly(real, generated):
    """Source: TMY3 723170: mean 3.0 m/s, standard deviation 1.8 m/s, an hour on 0.77, more by day."""
    assert middle(generated, lambda year: year.wind.mean()) == pytest.approx(real.wind.mean(), rel=0.15)
    assert middle(generated, lambda year: year.wind.std()) == pytest.approx(real.wind.std(), rel=0.2)
    assert middle(generated, lambda year: correlation(year.wind.ravel(), 1)) == pytest.approx(
        correlation(real.wind.ravel(), 1), abs=0.12
    )


def test_the_year_has_as_much_sun(real, generated):
    """Source: TMY3 723170: 4.29 kWh/m2 a day, three times as much in summer as in winter."""
    energy = middle(generated, lambda year: year.sun.sum(axis=1).mean())
    assert energy == pytest.approx(real.sun.sum(axis=1).mean(), rel=0.12)

    def ratio(year):
        by_day = year.sun.sum(axis=1)
        return by_day[150:210].mean() / np.r_[by_day[:30], by_day[-30:]].mean()

    assert middle(generated, ratio) == pytest.approx(ratio(real), rel=0.2)


def test_clear_days_swing_further(real, generated):
    """Source: TMY3 723170: correlation of daily swing and daily sun 0.42."""

    def bound(year):
        return np.corrcoef(year.swing, year.sun.sum(axis=1))[0, 1]

    assert middle(generated, bound) == pytest.approx(bound(real), abs=0.2)
