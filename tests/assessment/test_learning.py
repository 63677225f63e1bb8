"""What is learned of a unit from its own last days, and from what nothing is learned."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models import normal as normals
from models.normal import Normal
from models.windows import CELL_NS, CELLS_A_DAY, WINDOW_CELLS, Window, grid
from monitor.assessment.assessor import Assessor
from monitor.assessment.modelling import Models
from monitor.assessment.tracks import NEEDED_INDEX
from monitor.batch import from_columns
from monitor.signals import NAMES, NEEDED
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, from_rfc3339
from simulator.faults import Fault, FaultKind
from tests.assessment.valley import FLEET, LIMITS, UNITS, batch_of, deadline, plant, truths

WINTER_NS = from_rfc3339("2026-01-12T00:00:00Z")
SUMMER_NS = from_rfc3339("2026-07-06T00:00:00Z")
PLANT = plant()


def learned(*, begin_ns=WINTER_NS, days=10.5, faults=(), every_s=120, keep=None) -> list[Normal]:
    """What is known of the valley's units after some days."""
    one = Assessor(FLEET, LIMITS, deadline)
    rows = batch_of(begin_ns, begin_ns + int(days * DAY_NS), faults=faults, every_s=every_s)
    if keep is not None:
        rows = rows.where(keep(rows))
    one.advance(rows, begin_ns + int(days * DAY_NS))
    return [state.normal for state in one.states]


@pytest.fixture(scope="module")
def healthy() -> list[Normal]:
    return learned()


def test_the_cut_in_of_each_thermostat_is_found_within_half_a_kelvin(healthy):
    assert [normal.cut_in for normal in healthy] == pytest.approx(PLANT.water.cut_in.tolist(), abs=0.5)


def test_the_set_point_of_each_regulator_is_found_within_half_a_percent(healthy):
    assert [normal.gas_set_point for normal in healthy] == pytest.approx(PLANT.gas.set_point.tolist(), rel=0.005)


def test_the_learned_float_gives_the_volts_of_cold_and_warm_hours_within_an_eighth_of_a_volt(healthy):
    """60 mV a block are the sensors' calibration; the rest is that the battery is warm or cold later than the air.

    The slope is that against the battery's own temperature, which lags: at the air's extremes it gives a little more.
    """
    days = truths(WINTER_NS, WINTER_NS + 10 * DAY_NS)[4:]
    volts = np.concatenate([day.values["battery_voltage"] for day in days], axis=1)
    air = np.concatenate([day.values["enclosure_temperature"] for day in days], axis=1)
    for unit, normal in enumerate(healthy):
        for cold, warm in ((0, 20), (80, 100)):
            least, most = np.percentile(air[unit], (cold, warm))
            there = (air[unit] >= least) & (air[unit] <= most)
            told = normal.float_voltage + normal.float_slope * (air[unit, there] - 25.0)
            assert abs(np.median(volts[unit, there] / UNITS[unit].blocks - told)) < 0.12


def test_the_slope_of_each_charger_is_found_by_a_third_and_none_where_there_is_none(healthy):
    """The slope is that against the air; the battery, which the charger feels, lags behind it."""
    slopes = [normal.float_slope for normal in healthy]
    assert slopes == pytest.approx(PLANT.battery.compensation.tolist(), rel=0.34, abs=0.001)
    assert 0.0 in PLANT.battery.compensation


def test_nothing_is_learned_from_less_than_four_days():
    for normal in learned(days=3.5):
        assert np.isnan([normal.cut_in, normal.gas_set_point, normal.float_voltage]).all()


def test_four_days_are_enough():
    for normal in learned(days=5.2):
        assert not np.isnan([normal.cut_in, normal.gas_set_point, normal.float_voltage]).any()


def test_what_happens_under_a_fault_is_not_learned(healthy):
    """All four faults at four units for the last four days: the normals stay what they were before."""
    begin = WINTER_NS + int(6.5 * DAY_NS)
    kinds = (FaultKind.HEATER_ELEMENT_OPEN, FaultKind.CHARGER_NO_AC, FaultKind.GAS_SUPPLY_LOW, FaultKind.SEAT_LEAK)
    faults = [Fault(UNITS[place].id, kind, begin) for place, kind in enumerate(kinds)]
    for faulty, sound in zip(learned(faults=faults), healthy, strict=True):
        assert faulty.cut_in == pytest.approx(sound.cut_in, abs=0.5)
        assert faulty.gas_set_point == pytest.approx(sound.gas_set_point, rel=0.01)
        assert faulty.float_voltage == pytest.approx(sound.float_voltage, abs=0.05)


def test_humps_by_day_do_not_move_the_set_point():
    hours = np.arange(WINDOW_CELLS) % CELLS_A_DAY / 6
    gas = 2740.0 + 2000.0 * np.maximum(np.sin((hours - 6) / 12 * np.pi), 0)
    assert normals.gas_set_point(window(gas))[0] == pytest.approx(2740.0, abs=1.0)


def test_gaps_of_whole_days_leave_enough_to_learn_from(healthy):
    def keep(rows):
        return (rows.time_ns - WINTER_NS) // DAY_NS % 4 != 0

    for normal, sound in zip(learned(days=11.2, keep=keep), healthy, strict=True):
        assert normal.cut_in == pytest.approx(sound.cut_in, abs=0.5)
        assert normal.gas_set_point == pytest.approx(sound.gas_set_point, rel=0.005)
        assert normal.float_voltage == pytest.approx(sound.float_voltage, abs=0.05)


def test_in_summer_too_what_is_learned_is_right_or_nothing():
    for unit, normal in enumerate(learned(begin_ns=SUMMER_NS, days=7.5)):
        assert np.isnan(normal.cut_in) or normal.cut_in == pytest.approx(PLANT.water.cut_in[unit], abs=0.7)
        assert normal.gas_set_point == pytest.approx(PLANT.gas.set_point[unit], rel=0.01)
        assert normal.float_voltage == pytest.approx(PLANT.battery.float_volts[unit], abs=0.06)


def window(cells) -> Window:
    """One unit's window with one reading a cell."""
    value = np.asarray(cells, np.float64)[None]
    return Window(0, value.copy(), value.copy(), value.copy(), np.ones(value.shape, np.int64))


@given(
    times=st.lists(st.integers(0, 20 * 1440), min_size=1, max_size=60),
    values=st.lists(st.floats(-50, 130), min_size=60, max_size=60),
    cuts=st.lists(st.integers(0, 20 * 1440), max_size=3),
)
@settings(max_examples=60, deadline=None)
def test_cells_kept_piece_by_piece_are_those_of_the_plain_grid(times, values, cuts):
    """The fleet's memory in one go or in pieces, against the plain grid over all readings; 14 days are kept."""
    minutes = sorted(set(times))
    time_ns = WINTER_NS + np.array(minutes, np.int64) * MINUTE_NS
    value = np.array(values[: len(minutes)])
    end_ns = (int(time_ns[-1]) // CELL_NS + 1) * CELL_NS
    plain = grid(time_ns, value, begin_cell=end_ns // CELL_NS - WINDOW_CELLS, cells=WINDOW_CELLS)
    one = Assessor(FLEET, LIMITS, deadline, models=Models())  # nobody judges: this is about what is kept
    count = len(minutes)
    rows = from_columns(
        FLEET.unit_names, FLEET.signal_names, time_ns, [3] * count, [NAMES.index(NEEDED[0])] * count, value, time_ns
    )
    one.advance(rows.where(np.zeros(0, np.intp)), WINTER_NS - HOUR_NS, [3])
    for cut in sorted({*(WINTER_NS + cut * MINUTE_NS for cut in cuts), int(time_ns[-1])}):
        if cut <= time_ns[-1]:
            begin = one.assessed_ns[3]
            one.advance(rows.where((rows.received_ns > begin) & (rows.received_ns <= cut)), cut, [3])
    kept = one.tracks.window(np.array([3]), NEEDED_INDEX.index(NAMES.index(NEEDED[0])), end_ns)
    assert kept.begin_cell == plain.begin_cell
    np.testing.assert_array_equal(kept.mean, plain.mean)
    np.testing.assert_array_equal(kept.count, plain.count)
    np.testing.assert_array_equal(kept.least, plain.least.astype(np.float32))
    np.testing.assert_array_equal(kept.greatest, plain.greatest.astype(np.float32))
