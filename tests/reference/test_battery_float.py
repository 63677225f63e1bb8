"""Temperature compensation of a float voltage, against published figures."""

import numpy as np
import pytest

from models.limits import float_at, high_shift


@pytest.mark.parametrize(("temperature", "volts"), [(-20.0, 14.58), (0.0, 14.10), (25.0, 13.50), (40.0, 13.14)])
def test_a_float_of_13_50_v_compensated_by_4_mv_a_kelvin_and_cell(temperature, volts):
    """Source: shared trade facts, section 4, row '13.50 V float at -20 / 0 / 25 / 40 Cel, -4 mV/K a cell'."""
    six_cells = -0.004 * 6
    assert float_at(13.5, six_cells, np.array([temperature]))[0] == pytest.approx(volts, abs=0.005)


def test_absorption_of_14_4_v_at_25_cel_is_about_15_5_v_at_minus_20():
    """Source: shared trade facts, section 2, high warning of the battery: '14.4 at 25 Cel is about 15.5 at -20 Cel'."""
    assert 14.4 + high_shift(np.array([-20.0]))[0] == pytest.approx(15.5, abs=0.05)


def test_at_an_unknown_temperature_no_float_is_known():
    """What was not measured is not compensated: an unknown temperature gives no float."""
    assert np.isnan(float_at(13.5, -0.024, np.array([np.nan]))[0])
