"""What arrives of the truth: rhythm, on change, links with gaps, wrong clocks, sensors that stick, drift, mis-scale."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.chance import SECOND_NS
from simulator.faults import Fault, FaultKind
from simulator.gateways import GATEWAYS, SIGNALS, Gateway
from simulator.telemetry import Readings, Reporting, Truth, report, reporting

BEGIN = 1_767_571_200 * SECOND_NS  # 2026-01-05 00:00 UTC
MINUTE = 60 * SECOND_NS
WATER, BATTERY, GAS = 0, 1, 2
CRANK = BEGIN + 90 * MINUTE + 7 * SECOND_NS
NONE = np.empty(0, np.int64)


def truth(units: int, minutes: int, *, crank_ns: int | None = None) -> Truth:
    """A saw-tooth of water, a flat battery, gas that wanders; a crank of the first unit with a second-by-second dip."""
    minute = np.arange(minutes)
    unit = np.arange(units)[:, None]
    values = {
        "jacket_water_temperature": 40.0 + 8.0 * np.abs((minute + 37 * unit) % 240 / 120.0 - 1.0),
        "battery_voltage": np.broadcast_to(27.0 + 0.1 * unit, (units, minutes)).copy(),
        "gas_pressure": 2740.0 + 120.0 * np.sin(minute / 200.0 + unit),
        "engine_running": np.broadcast_to(minute == 91, (units, minutes)).astype(np.float64),
    }
    if crank_ns is None:
        return Truth(BEGIN + minute * MINUTE, values, NONE, NONE, NONE, np.empty(0))
    second = np.arange(33)
    dip = np.where(second < 3, 19.0, 25.0)
    return Truth(
        BEGIN + minute * MINUTE,
        values,
        np.tile(crank_ns + second * SECOND_NS, 2),
        np.zeros(66, np.int64),
        np.repeat([BATTERY, GAS], 33),
        np.concatenate([dip, 100.0 * dip]),
    )


def part(whole: Truth, begin: int, end: int) -> Truth:
    """Some minutes of a truth, with the quick rows from the first of them to the one after the last."""
    time_ns = whole.time_ns[begin:end]
    quick = (whole.quick_time_ns >= time_ns[0]) & (whole.quick_time_ns < time_ns[-1] + MINUTE)
    return Truth(
        time_ns,
        {signal: value[:, begin:end] for signal, value in whole.values.items()},
        whole.quick_time_ns[quick],
        whole.quick_unit[quick],
        whole.quick_signal[quick],
        whole.quick_value[quick],
    )


def single(profile: Gateway, units: int = 1, seed: int = 4) -> Reporting:
    names = tuple(f"unit-{number}" for number in range(units))
    return Reporting(names, names, (profile,) * units, seed)


def told(profile: Gateway | str, whole: Truth, *faults: Fault, units: int = 1) -> Readings:
    chosen = GATEWAYS[profile] if isinstance(profile, str) else profile
    return report(single(chosen, units), faults, whole)[0]


def of(readings: Readings, signal: int, unit: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    mine = (readings.signal == signal) & (readings.unit == unit)
    return readings.time_ns[mine], readings.value[mine], readings.received_ns[mine]


ROUGH = replace(GATEWAYS["weak-mobile"], gaps_a_day=12.0, sensors="noisy", lost_share=0.05)


@pytest.mark.parametrize("profile", [*GATEWAYS.values(), ROUGH], ids=[*GATEWAYS, "rough"])
@settings(deadline=None, max_examples=12)
@given(cuts=st.sets(st.integers(1, 599), max_size=4))
def test_the_same_bytes_come_however_the_time_is_cut(profile: Gateway, cuts: set[int]):
    whole = truth(3, 600, crank_ns=CRANK)
    faults = [
        Fault("unit-0", FaultKind.LINK_DOWN, BEGIN + 100 * MINUTE, BEGIN + 290 * MINUTE),
        Fault("unit-1", FaultKind.SENSOR_STUCK, BEGIN + 250 * MINUTE, None, signal="jacket_water_temperature"),
        Fault("unit-2", FaultKind.SENSOR_DRIFT, BEGIN + 50 * MINUTE, None, growth_s=9e3, signal="gas_pressure"),
        Fault("unit-2", FaultKind.CLOCK_WRONG, BEGIN + 400 * MINUTE, BEGIN + 500 * MINUTE),
    ]
    how = replace(single(profile, 3), replaced=(("unit-0", "battery_voltage", BEGIN + 300 * MINUTE),))
    at_once, after_all = report(how, faults, whole)
    state, parts = None, []
    edges = [0, *sorted(cuts), 600]
    for begin, end in pairwise(edges):
        readings, state = report(how, faults, part(whole, begin, end), state)
        parts.append(readings)
    for column in ("time_ns", "unit", "signal", "value", "received_ns"):
        joined = np.concatenate([getattr(readings, column) for readings in parts])
        assert joined.tobytes() == getattr(at_once, column).tobytes()
    assert state is not None
    assert len(state.under_way.time_ns) == len(after_all.under_way.time_ns)


def test_the_ideal_gateway_tells_the_truth_each_minute_at_once():
    whole = truth(2, 300)
    readings = told("ideal", whole, units=2)
    for signal, name in enumerate(SIGNALS):
        if name in whole.values:
            for unit in range(2):
                time_ns, value, received_ns = of(readings, signal, unit)
                assert time_ns.tolist() == whole.time_ns.tolist() == received_ns.tolist()
                assert value.tolist() == whole.values[name][unit].tolist()


def test_readings_are_noisy_stepped_and_a_little_off_but_near_the_truth():
    _, value, _ = of(told("minute", truth(1, 600)), BATTERY)
    assert np.allclose(value * 100.0, np.round(value * 100.0))
    assert 3 <= len(np.unique(value)) <= 12
    assert abs(value.mean() - 27.0) < 27.0 * 0.003 + 0.02


def test_a_sensor_in_a_pocket_lags_behind_a_jump():
    whole = truth(1, 60)
    jump = np.where(np.arange(60) < 30, 20.0, 80.0)[None, :]
    slow = report(
        single(replace(GATEWAYS["ideal"], sensors="usual")), [], replace(whole, values={SIGNALS[WATER]: jump})
    )
    _, value, _ = of(slow[0], WATER)
    # tau 45 s: after a minute 1 - exp(-60/45) = 74 % of the way
    assert value[30] == pytest.approx(20.0 + 0.736 * 60.0, abs=1.0)
    assert value[35] == pytest.approx(80.0, abs=1.0)


@pytest.mark.parametrize(("profile", "an_hour"), [("ten-seconds", 360), ("minute", 60), ("five-minutes", 12)])
def test_each_gateway_keeps_its_rhythm(profile: str, an_hour: int):
    time_ns, _, _ = of(told(replace(GATEWAYS[profile], gaps_a_day=0.0), truth(1, 601)), WATER)
    assert len(time_ns) == pytest.approx(10 * an_hour, abs=1)
    assert len(np.unique(np.diff(time_ns))) <= 3  # the clock is set every six hours


def test_on_change_leaves_out_what_stays_and_still_gives_a_sign_each_quarter_of_an_hour():
    quiet = replace(GATEWAYS["on-change"], gaps_a_day=0.0)
    readings = told(quiet, truth(1, 601))
    battery_ns, _, _ = of(readings, BATTERY)
    assert 40 <= len(battery_ns) < 60
    assert np.diff(battery_ns).max() <= 910 * SECOND_NS
    water_ns, water, _ = of(readings, WATER)
    assert len(water_ns) > 1.5 * len(battery_ns)
    assert np.abs(np.diff(water)).max() < 1.0


def test_a_quick_gateway_tells_a_crank_each_second_and_then_each_ten():
    quiet = replace(GATEWAYS["minute"], gaps_a_day=0.0, clock_offset_s=0.0, clock_drift_ppm=0.0)
    time_ns, value, _ = of(told(quiet, truth(1, 200, crank_ns=CRANK)), BATTERY)
    order = np.argsort(time_ns)
    since_s = (time_ns[order] - CRANK) / SECOND_NS
    quick, after = since_s[(since_s >= 0) & (since_s < 33)], since_s[(since_s >= 45) & (since_s < 900)]
    assert quick.tolist() == list(range(33))
    assert 85 <= len(after) <= 86 + 15
    assert np.diff(after).max() <= 10.0
    assert value[order][(since_s >= 0) & (since_s < 3)].max() < 19.2


def test_a_slow_gateway_sees_a_dip_only_where_its_reading_falls_into_it():
    slow = replace(GATEWAYS["ideal"], quick=False)
    _, missed, _ = of(told(slow, truth(1, 200, crank_ns=CRANK)), BATTERY)
    assert missed.min() == 27.0
    _, seen, _ = of(told(slow, truth(1, 200, crank_ns=BEGIN + 90 * MINUTE - SECOND_NS)), BATTERY)
    assert (seen.min(), np.count_nonzero(seen < 27.0)) == (19.0, 1)


def test_a_switch_stands_as_it_last_stood_between_two_minutes():
    quick = replace(GATEWAYS["ideal"], every_s=20)
    _, value, _ = of(told(quick, truth(1, 200)), SIGNALS.index("engine_running"))
    assert set(value.tolist()) == {0.0, 1.0}
    assert np.count_nonzero(value) == 3


DOWN = Fault("unit-0", FaultKind.LINK_DOWN, BEGIN + 60 * MINUTE, BEGIN + 180 * MINUTE)


@pytest.mark.parametrize(("back_fill", "sign"), [("oldest_first", 1), ("newest_first", -1)])
def test_after_a_dead_link_the_gap_is_filled_in_the_gateways_order(back_fill: str, sign: int):
    profile = replace(GATEWAYS["ideal"], back_fill=back_fill, back_fill_a_s=2.0)
    time_ns, _, received_ns = of(told(profile, truth(1, 300), DOWN), WATER)
    assert len(time_ns) == 300
    late = (time_ns >= DOWN.from_ns) & (time_ns < DOWN.to_ns)
    assert received_ns[late].min() == DOWN.to_ns
    assert received_ns[late].max() == DOWN.to_ns + 119 * SECOND_NS // 2
    assert set(np.sign(np.diff(time_ns[late])).tolist()) == {sign}
    assert np.array_equal(time_ns[~late], received_ns[~late])


def test_a_gateway_that_keeps_nothing_or_not_enough_loses_the_gap():
    whole = truth(1, 300)
    assert len(of(told(replace(GATEWAYS["ideal"], back_fill="none"), whole, DOWN), WATER)[0]) == 180
    kept = of(told(replace(GATEWAYS["ideal"], keep_s=1800.0), whole, DOWN), WATER)[0]
    assert len(kept) == 180 + 30


def test_what_a_dead_link_holds_back_has_not_arrived_at_the_end():
    readings, state = report(single(GATEWAYS["ideal"]), [replace(DOWN, to_ns=None)], truth(1, 100))
    assert len(of(readings, WATER)[0]) == 60
    assert len(state.under_way.time_ns) == 3 * 40 + 40


def test_batches_come_each_quarter_of_an_hour_whole():
    profile = replace(GATEWAYS["quarter-hour-batches"], gaps_a_day=0.0)
    readings = told(profile, truth(1, 300))
    arrived = np.unique(readings.received_ns)
    assert len(arrived) in (19, 20)
    assert np.diff(arrived) == pytest.approx(900 * SECOND_NS, abs=30 * SECOND_NS)


def test_a_weak_link_repeats_and_disorders_messages_but_changes_none():
    profile = replace(GATEWAYS["weak-mobile"], gaps_a_day=0.0)
    whole = truth(1, 1440)
    time_ns, value, received_ns = of(told(profile, whole), WATER)
    assert np.all(np.diff(received_ns) >= 0)
    assert np.count_nonzero(np.diff(time_ns) < 0) > 10
    seen = set(zip(time_ns.tolist(), value.tolist(), strict=True))
    assert 5 < len(time_ns) - len(seen) < 80
    plain = of(told(replace(profile, repeat_share=0.0, late_share=0.0), whole), WATER)
    assert len(seen ^ set(zip(plain[0].tolist(), plain[1].tolist(), strict=True))) <= 3  # at the very end


def test_links_fall_out_about_as_often_and_as_long_as_said():
    profile = replace(GATEWAYS["ideal"], gaps_a_day=1.0, gap_s=3600.0, back_fill="none")
    count = len(of(told(profile, truth(40, 14 * 1440), units=40), WATER)[0])
    readings = told(profile, truth(40, 14 * 1440), units=40)
    share = np.count_nonzero(readings.signal == WATER) / (40 * 14 * 1440)
    assert share == pytest.approx(1.0 - 1.0 / 24.0, abs=0.01)
    assert count < 14 * 1440


def test_units_of_one_box_fall_silent_together():
    profile = replace(GATEWAYS["ideal"], gaps_a_day=2.0, gap_s=1800.0, back_fill="none")
    how = replace(single(profile, 2), gateway_ids=("box", "box"))
    readings, _ = report(how, [], truth(2, 3 * 1440))
    assert 0 < len(of(readings, WATER, 0)[0]) < 3 * 1440
    assert of(readings, WATER, 0)[0].tolist() == of(readings, WATER, 1)[0].tolist()


def test_a_wrong_clock_stamps_hours_off_and_is_right_again_after():
    fault = Fault("unit-0", FaultKind.CLOCK_WRONG, BEGIN + 100 * MINUTE, BEGIN + 200 * MINUTE)
    time_ns, _, received_ns = of(told("ideal", truth(1, 300), fault), WATER)
    off_s = (time_ns - received_ns) // SECOND_NS
    assert set(np.abs(off_s[100:200]).tolist()) == {7200}
    assert not np.any(off_s[:100])
    assert not np.any(off_s[200:])


def sensor_fault(kind: FaultKind, signal: str, **more: float) -> Fault:
    return Fault("unit-0", kind, BEGIN + 100 * MINUTE, BEGIN + 400 * MINUTE, signal=signal, **more)


def test_a_stuck_sensor_sends_the_same_value_to_the_last_digit():
    fault = sensor_fault(FaultKind.SENSOR_STUCK, "jacket_water_temperature")
    time_ns, value, _ = of(told(replace(GATEWAYS["minute"], gaps_a_day=0.0), truth(1, 600), fault), WATER)
    still = (time_ns > fault.from_ns + MINUTE) & (time_ns < BEGIN + 399 * MINUTE)
    assert len(np.unique(value[still])) == 1
    assert len(np.unique(value[~still])) > 50


def test_a_drifting_sensor_is_off_by_more_and_more():
    fault = sensor_fault(FaultKind.SENSOR_DRIFT, "gas_pressure", growth_s=200 * 60.0)
    whole = truth(1, 600)
    _, value, _ = of(told("ideal", whole, fault), GAS)
    off = value - whole.values["gas_pressure"][0]
    assert off[200] == pytest.approx(450.0)
    assert off[399] == pytest.approx(900.0)
    assert off[401] == 0.0


@pytest.mark.parametrize(
    ("signal", "number", "sent"),
    [("jacket_water_temperature", WATER, 118.4), ("battery_voltage", BATTERY, 54.0), ("gas_pressure", GAS, 0.3974)],
)
def test_a_wrong_scale_sends_fahrenheit_the_other_batterys_volts_or_psi(signal: str, number: int, sent: float):
    fault = sensor_fault(FaultKind.SENSOR_WRONG_SCALE, signal)
    whole = truth(1, 600)
    whole.values["jacket_water_temperature"][:] = 48.0
    whole.values["gas_pressure"][:] = 2740.0
    _, value, _ = of(told("ideal", whole, fault), number)
    assert value[150] == pytest.approx(sent, rel=1e-4)


def test_a_unit_without_a_sensor_reports_nothing_for_it():
    whole = truth(2, 100)
    whole.values["gas_pressure"][1] = np.nan
    readings = told("minute", whole, units=2)
    assert len(of(readings, GAS, 0)[0]) > 90
    assert len(of(readings, GAS, 1)[0]) == 0


def test_a_new_sensor_is_off_by_something_else():
    how = replace(single(GATEWAYS["minute"]), replaced=(("unit-0", "gas_pressure", BEGIN + 50 * MINUTE),))
    whole = truth(1, 100)
    whole.values["gas_pressure"][:] = 2740.0
    time_ns, value, _ = of(report(how, [], whole)[0], GAS)
    before, after = value[time_ns < BEGIN + 50 * MINUTE], value[time_ns > BEGIN + 51 * MINUTE]
    assert 1.0 < abs(before.mean() - after.mean()) < 17.0


def test_profiles_are_found_by_name_and_units_have_phases_of_their_own():
    how = reporting([f"u{number}" for number in range(50)], seed=1, profiles=["minute"] * 50)
    assert len(set(how.phase_ns.tolist())) > 20
    assert how.gateway_ids == how.unit_ids
