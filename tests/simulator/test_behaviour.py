"""The simulated units: the same each time, smooth from history into live, sound by default, ill where told."""

import time
from datetime import UTC, datetime

import numpy as np
import pytest

from simulator.behaviour import SIGNALS, Plant, Readings, begin, heated_water, readings
from simulator.chance import SECOND_NS, white
from simulator.units import UNITS, Fault, FaultKind, run_starts_ns

MINUTE_NS = 60 * SECOND_NS
HOUR_NS = 60 * MINUTE_NS
DAY_NS = 24 * HOUR_NS
JANUARY = int(datetime(2026, 1, 12, tzinfo=UTC).timestamp()) * SECOND_NS
JULY = int(datetime(2026, 7, 6, tzinfo=UTC).timestamp()) * SECOND_NS
PLANT = Plant(UNITS, seed=7)
SET_POINT = {unit.id: unit.set_point for unit in UNITS}


def history(*faults: Fault, from_ns: int = JANUARY, days: float = 21, plant: Plant = PLANT) -> Readings:
    to_ns = from_ns + int(days * DAY_NS)
    rows, _ = readings(plant, faults, begin(plant, from_ns), from_ns=from_ns, to_ns=to_ns, every_s=60)
    return rows


def series(rows: Readings, unit: str, signal: str) -> tuple[np.ndarray, np.ndarray]:
    index = [known.id for known in UNITS].index(unit)
    mine = (rows.unit == index) & (rows.signal == SIGNALS.index(signal))
    return rows.time_ns[mine], rows.value[mine]


def stopped(unit: str, time_ns: np.ndarray, *, for_hours: float) -> np.ndarray:
    """Times at which the unit has stood still for some hours."""
    known = next(known for known in UNITS if known.id == unit)
    starts = run_starts_ns(known, seed=PLANT.seed, from_ns=int(time_ns[0]) - 8 * DAY_NS, to_ns=int(time_ns[-1]) + 1)
    since_h = np.min(
        np.where(time_ns[:, None] >= starts, (time_ns[:, None] - starts) / HOUR_NS, np.inf), axis=1, initial=np.inf
    )
    return since_h > for_hours + 0.5


def at(rows: Readings, unit: str, signal: str, time_ns: int) -> float:
    times, values = series(rows, unit, signal)
    return float(values[np.searchsorted(times, time_ns)])


def test_the_same_seed_gives_the_same_bytes():
    once, again = history(), history(plant=Plant(UNITS, seed=7))
    for column in ("time_ns", "unit", "signal", "value"):
        assert getattr(once, column).tobytes() == getattr(again, column).tobytes()


def test_another_seed_gives_other_noise():
    assert history(days=1, plant=Plant(UNITS, seed=8)).value.tobytes() != history(days=1).value.tobytes()


def test_history_and_live_join_as_if_never_cut():
    """One call over two days, or a day of minutes and then live pieces of a few odd seconds: the same readings."""
    fault = Fault("cold-store", FaultKind.HEATER_FAILED, JANUARY + 20 * HOUR_NS)
    to_ns = JANUARY + 2 * DAY_NS
    whole, _ = readings(PLANT, [fault], begin(PLANT, JANUARY), from_ns=JANUARY, to_ns=to_ns, every_s=60)
    cut_ns = JANUARY + DAY_NS
    first, state = readings(PLANT, [fault], begin(PLANT, JANUARY), from_ns=JANUARY, to_ns=cut_ns, every_s=60)
    pieces = [first]
    while cut_ns < to_ns:
        next_ns = min(cut_ns + 977 * SECOND_NS, to_ns)
        piece, state = readings(PLANT, [fault], state, from_ns=cut_ns, to_ns=next_ns, every_s=60)
        pieces.append(piece)
        cut_ns = next_ns
    for column in ("time_ns", "unit", "signal"):
        np.testing.assert_array_equal(
            np.concatenate([getattr(piece, column) for piece in pieces]), getattr(whole, column)
        )
    np.testing.assert_allclose(np.concatenate([piece.value for piece in pieces]), whole.value, rtol=0, atol=1e-9)


def test_a_finer_rhythm_reads_the_same_at_the_same_times():
    begun = begin(PLANT, JANUARY)
    coarse, _ = readings(PLANT, [], begun, from_ns=JANUARY, to_ns=JANUARY + HOUR_NS, every_s=60)
    fine, _ = readings(PLANT, [], begun, from_ns=JANUARY, to_ns=JANUARY + HOUR_NS, every_s=4)
    for signal in SIGNALS:
        times, values = series(coarse, "quay-crane", signal)
        fine_times, fine_values = series(fine, "quay-crane", signal)
        assert len(fine_times) == 900
        np.testing.assert_array_equal(fine_values[np.isin(fine_times, times)], values)


@pytest.mark.parametrize("from_ns", [JANUARY, JULY])
def test_healthy_units_stay_within_the_default_limits(from_ns):
    """Limits: shared trade table, default limits; battery against its temperature-compensated plain values."""
    rows = history(from_ns=from_ns)
    for unit in UNITS:
        times, water = series(rows, unit.id, "jacket_water_temperature")
        assert water.min() > 36.0, unit.id
        assert water[stopped(unit.id, times, for_hours=4)].max() < 60.0, unit.id
        times, volts = series(rows, unit.id, "battery_voltage")
        enclosure_times, enclosure = series(rows, unit.id, "enclosure_temperature")
        compensation = 0.024 * (np.interp(times, enclosure_times, enclosure) - 25.0)
        block = (volts / unit.blocks + compensation)[stopped(unit.id, times, for_hours=1)]
        assert 13.2 < block.min() <= block.max() < 13.8, unit.id
        times, gas = series(rows, unit.id, "gas_pressure")
        gas = gas[stopped(unit.id, times, for_hours=0)] / unit.set_point
        assert 0.97 < gas.min() <= gas.max() < 1.22, unit.id
        assert -15.0 < enclosure.min() <= enclosure.max() < 48.0, unit.id


def test_a_run_dips_the_battery_and_the_gas_and_warms_the_water():
    unit = UNITS[0]
    start = int(run_starts_ns(unit, seed=PLANT.seed, from_ns=JANUARY, to_ns=JANUARY + 9 * DAY_NS)[0])
    rows = history(days=9)
    assert 19.0 < at(rows, unit.id, "battery_voltage", start + 2 * SECOND_NS) < 22.0
    assert 26.0 < at(rows, unit.id, "battery_voltage", start + 20 * MINUTE_NS) < 28.5
    assert at(rows, unit.id, "gas_pressure", start + SECOND_NS) < 0.91 * unit.set_point
    assert 80.0 < at(rows, unit.id, "jacket_water_temperature", start + 25 * MINUTE_NS) < 88.0
    times, _ = series(rows, unit.id, "battery_voltage")
    quick = times[(times >= start) & (times < start + 30 * SECOND_NS)]
    np.testing.assert_array_equal(quick, start + np.arange(30) * SECOND_NS)


def test_readings_have_the_resolution_of_the_sensors():
    rows = history(days=1)
    for signal, decimals in zip(SIGNALS, (1, 2, 0, 1), strict=True):
        values = series(rows, "filter-hall", signal)[1]
        assert all(value == float(f"{value:.{decimals}f}") for value in values.tolist())
        assert len(set(values.tolist())) > 3


def test_a_failed_heater_lets_the_water_fall_out_of_its_band_in_hours_and_the_repair_brings_it_back():
    begun = JANUARY + 4 * DAY_NS
    rows = history(Fault("cold-store", FaultKind.HEATER_FAILED, begun, begun + DAY_NS), days=6)
    assert at(rows, "cold-store", "jacket_water_temperature", begun) > 40.0
    assert at(rows, "cold-store", "jacket_water_temperature", begun + 8 * HOUR_NS) < 34.0
    assert at(rows, "cold-store", "jacket_water_temperature", begun + DAY_NS) < 16.0
    assert at(rows, "cold-store", "jacket_water_temperature", begun + DAY_NS + 6 * HOUR_NS) > 40.0
    assert series(rows, "intake-pump-1", "jacket_water_temperature")[1].min() > 36.0


def test_a_failed_charger_lets_the_battery_sag_and_then_sink_slowly():
    begun = JANUARY + DAY_NS
    rows = history(Fault("filter-hall", FaultKind.CHARGER_FAILED, begun))
    block = [at(rows, "filter-hall", "battery_voltage", begun + hours * HOUR_NS) / 2 for hours in (0, 12, 36, 228)]
    assert block[0] > 13.6
    assert 12.6 < block[1] < 12.95
    assert 0.02 < block[1] - block[2] < 0.1  # V a day
    assert 12.3 < block[3] < 12.6


def test_a_lost_gas_supply_is_seen_within_seconds():
    begun = JULY + HOUR_NS
    fault = Fault("intake-pump-2", FaultKind.GAS_SUPPLY_LOW, begun, begun + HOUR_NS)
    rows, _ = readings(PLANT, [fault], begin(PLANT, JULY), from_ns=JULY, to_ns=begun + 2 * HOUR_NS, every_s=4)
    assert at(rows, "intake-pump-2", "gas_pressure", begun) > 2700
    assert at(rows, "intake-pump-2", "gas_pressure", begun + 8 * SECOND_NS) < 0.6 * 2740
    assert 600 < at(rows, "intake-pump-2", "gas_pressure", begun + 20 * SECOND_NS) < 700
    assert at(rows, "intake-pump-2", "gas_pressure", begun + HOUR_NS + 60 * SECOND_NS) > 2700


def test_a_leaking_seat_lifts_even_the_floor_of_the_day():
    begun = JANUARY + DAY_NS
    times, gas = series(history(Fault("boiler-house", FaultKind.GAS_CREEPS_UP, begun)), "boiler-house", "gas_pressure")
    later = (times > begun + DAY_NS) & stopped("boiler-house", times, for_hours=0)
    assert 1.6 * 2740 < gas[later].min() <= gas[later].max() < 2.0 * 2740


def test_an_unheated_block_cools_as_the_trade_table_says():
    """Source: shared trade table, hours from 49 Cel at Ta 0: tau 10 h 2.54 to 38 and 4.26 to 32 Cel, tau 20 h 8.52."""
    minutes = 10 * 60
    off = np.zeros((minutes, 2), np.bool_)
    water, _ = heated_water(
        air=np.zeros((minutes, 2)),
        running=off,
        supplied=off,
        start=np.array([49.0, 49.0]),
        heater_on=np.zeros(2),
        cut_in=np.array([40.0, 40.0]),
        cut_out=np.array([48.0, 48.0]),
        heater_k_per_h=np.array([12.0, 12.0]),
        time_constant_h=np.array([10.0, 20.0]),
    )
    hours = [np.argmax(water[:, unit] <= limit) / 60 for unit, limit in ((0, 38.0), (0, 32.0), (1, 32.0))]
    np.testing.assert_allclose(hours, [2.54, 4.26, 8.52], atol=0.02)


def test_white_noise_is_white():
    noise = white(np.array([[3]], np.uint64), np.arange(100_000) * SECOND_NS)[0]
    assert abs(noise.mean()) < 0.02
    assert abs(noise.std() - 1.0) < 0.02
    assert abs(np.corrcoef(noise[1:], noise[:-1])[0, 1]) < 0.02
    assert np.abs(noise).max() < 3.5


def test_three_weeks_of_the_whole_valley_take_well_under_a_second_or_two():
    """The goal is one second; a busy machine gets three."""
    begun = time.perf_counter()
    rows = history()
    assert time.perf_counter() - begun < 3.0
    assert len(rows.value) > 21 * 1440 * 8 * 4
