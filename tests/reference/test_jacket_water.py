"""Newton's cooling of the jacket water against the shared trade facts, section 3 (computed there by hand formulas)."""

import numpy as np
import pytest

from models.jacket_water.forecast import hours_until
from models.jacket_water.newton import coldest_air_held, cooling_time_h, duty, warming_time_h

TABLE = [  # Ta, L, hours from 49 Cel at tau 5, 10, 15, 20, 30 h: shared trade facts, section 3
    (10.0, 38.0, (1.66, 3.31, 4.97, 6.63, 9.94)),
    (10.0, 32.0, (2.86, 5.73, 8.59, 11.45, 17.18)),
    (0.0, 32.0, (2.13, 4.26, 6.39, 8.52, 12.78)),
    (0.0, 38.0, (1.27, 2.54, 3.81, 5.08, 7.63)),
    (0.0, 21.0, (4.24, 8.47, 12.71, 16.95, 25.42)),
    (-10.0, 32.0, (1.70, 3.40, 5.10, 6.80, 10.20)),
    (-10.0, 21.0, (3.22, 6.44, 9.65, 12.87, 19.31)),
    (-20.0, 32.0, (1.41, 2.83, 4.24, 5.66, 8.49)),
    (-20.0, 21.0, (2.60, 5.21, 7.81, 10.41, 15.62)),
]
TAU_H = np.array([5.0, 10.0, 15.0, 20.0, 30.0])


@pytest.mark.parametrize(("air", "limit", "hours"), TABLE)
def test_cooling_times_are_the_table_s(air: float, limit: float, hours: tuple[float, ...]):
    """Source: shared trade facts, section 3, hours from 49 Cel to L."""
    found = cooling_time_h(np.array(49.0), np.array(limit), np.array(air), TAU_H)
    np.testing.assert_allclose(found, hours, atol=0.006)


@pytest.mark.parametrize(("air", "limit", "hours"), TABLE)
def test_the_forecast_without_uncertainty_is_the_table_s(air: float, limit: float, hours: tuple[float, ...]):
    """Source: shared trade facts, section 3; the ensemble with all spreads at zero."""
    for tau_h, expected in zip(TAU_H.tolist(), hours, strict=True):
        found = hours_until(
            water=49.0,
            limit=limit,
            air=np.full(4 * 144, air),
            usual_excess=49.0 - air,
            time_constant_h=tau_h,
            time_constant_log_sd=0.0,
            sure=True,
        )
        np.testing.assert_allclose(found, expected, atol=0.006)


def test_the_worked_example_of_the_duty():
    """Source: shared trade facts, section 3: 461 kJ/K, tau 15 h, 1.6 kW: duty 26 % at 0 Cel, 0 to 49 Cel in 4.55 h."""
    heating = np.array(1600.0 * 3600 / 461e3)
    tau_h = np.array(15.0)
    assert duty(np.array(49.0), np.array(0.0), tau_h, heating) == pytest.approx(0.26, abs=0.005)
    assert warming_time_h(np.array(0.0), np.array(49.0), np.array(0.0), tau_h, heating) == pytest.approx(4.55, abs=0.01)
    # without loss 3.92 h: the same source
    assert 49.0 / heating == pytest.approx(3.92, abs=0.01)
    # duty 1 is the coldest air that it holds
    coldest = coldest_air_held(np.array(49.0), tau_h, heating)
    assert duty(np.array(49.0), coldest, tau_h, heating) == pytest.approx(1.0)
