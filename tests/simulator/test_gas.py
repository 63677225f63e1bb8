"""Gas at the engine: healthy pressures are the trade's, and each fault looks as a technician knows it."""

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator import gas
from simulator.faults import vent_area

IDS = [f"unit-{row}" for row in range(60)]
SET_POINTS = [(1740.0, 2740.0, 3490.0, 4980.0)[row % 4] for row in range(60)]
P = gas.draw(IDS, SET_POINTS, seed=7)
SEA_LEVEL = 101_325.0
DAY = 1440  # minutes in one


def arrays(given_values, *, count=60, at=0.0):
    usual = {
        "case_temperature": 20.0, "pipe_temperature": 20.0, "atmospheric_pressure": SEA_LEVEL, "supply": 13_800.0,
        "supply_loss": 0.0, "flow_share": 0.0, "vent_open": 1.0, "seat_leak": 0.0, "spring_shift": 0.0,
    } | given_values  # fmt: skip
    return {
        name: np.broadcast_to(np.float64(value(at) if callable(value) else value), count)
        for name, value in usual.items()
    }


def standing(p=P, *, temperature=20.0):
    count = len(p.set_point)
    return gas.begin(p, case_temperature=np.full(count, temperature), atmospheric_pressure=np.full(count, SEA_LEVEL))


def trace(minutes, *, state=None, p=P, **given_values):
    """Pressure, Pa, [unit, minute], and the state at the end; values may be functions of minutes gone."""
    state, seen = state or standing(p), []
    for minute in range(minutes):
        state, pressure = gas.step(p, state, **arrays(given_values, count=len(p.set_point), at=minute), dt_s=60.0)
        seen.append(pressure)
    return np.array(seen).T, state


def started(state=None, *, p=P, seconds=30, **given_values):
    return gas.start(p, state or standing(p), **arrays(given_values, count=len(p.set_point)), seconds=seconds)


def daily(middle, swing):
    return lambda minute: middle - swing * np.cos(2.0 * np.pi * minute / DAY)


def weathery(**more):
    """Clear days, each as the one before: the pipe lags behind the case, the barometer has its tide."""
    return {
        "case_temperature": daily(10.0, 8.0),
        "pipe_temperature": lambda minute: 10.0 - 6.0 * np.cos(2.0 * np.pi * (minute - 90.0) / DAY),
        "atmospheric_pressure": lambda minute: SEA_LEVEL + 100.0 * np.sin(4.0 * np.pi * minute / DAY),
    } | more


def test_healthy_gas_humps_over_a_flat_floor():
    pressure, _ = trace(4 * DAY, **weathery())
    share = pressure[:, DAY:] / P.set_point[:, None]
    for day in range(3):
        seen = share[:, day * DAY : (day + 1) * DAY]
        np.testing.assert_allclose(seen.min(axis=1), 1.0, atol=0.002)
        assert np.all(seen.max(axis=1) > 1.03)
        assert np.all(seen.max(axis=1) < 1.6)
    on_floor = np.mean(share < 1.002, axis=1)
    assert np.all(on_floor > 0.15)  # the floor is a floor, no lowest point of a wave
    assert np.all(on_floor < 0.6)


def test_a_blocked_vent_follows_warmth_and_barometer():
    healthy, _ = trace(3 * DAY, **weathery())
    blocked, _ = trace(3 * DAY, **weathery(vent_open=0.0))
    low, high = blocked[:, DAY:].min(axis=1), blocked[:, DAY:].max(axis=1)
    assert np.all(high - low > 3000.0)  # 16 K at 346 Pa/K, less what the trapped gas of a cooler pipe takes away
    assert np.all(np.ptp(healthy[:, DAY:], axis=1) < 0.5 * (high - low))
    assert np.all(np.diff(trace(60, vent_open=0.0, atmospheric_pressure=lambda m: SEA_LEVEL - 10.0 * m)[0]) > 5.0)


@pytest.mark.parametrize(
    ("severity", "low", "high"),
    [(0.0, 0.0, 0.2), (0.5, 0.3, 2.0), (0.6, 1.0, 5.0), (0.8, 40.0, 200.0), (0.9, 900.0, 4000.0), (0.95, 7e3, 3e4)],
)
def test_a_vent_that_closes_leaks_off_in_seconds_then_minutes_then_hours(severity, low, high):
    time_s = gas.vent_time(P, vent_area(np.full(60, severity)))
    assert np.all((time_s > low) & (time_s < high))
    assert np.all(np.isinf(gas.vent_time(P, vent_area(np.ones(60)))))


def test_half_a_vents_area_leaks_off_half_as_fast():
    """Law: an orifice passes in proportion to its area."""
    np.testing.assert_allclose(gas.vent_time(P, np.full(60, 0.5)), 2.0 * gas.vent_time(P, np.ones(60)))


def under_full_load(severity):
    """Share of the set point a quarter of a minute after full load came on, [unit]."""
    state = standing()
    for seconds in (1.0, 14.0):
        now = arrays({"flow_share": 1.0, "vent_open": vent_area(np.array(severity))})
        state, pressure = gas.step(P, state, **now, dt_s=seconds)
    return pressure / P.set_point


def test_a_vent_half_blocked_carries_full_load_and_a_nearly_blocked_one_does_not():
    np.testing.assert_allclose(under_full_load(0.5), under_full_load(0.0), atol=0.03)
    assert np.all(under_full_load(0.6) > 0.6)
    assert np.mean(under_full_load(0.85) < 0.6) > 0.85
    assert np.all(np.diff([under_full_load(severity) for severity in (0.6, 0.7, 0.8, 0.9, 1.0)], axis=0) < 1e-9)


def test_a_half_closed_vent_forgets_the_weather_and_a_nearly_closed_one_does_not():
    _, half = trace(2 * DAY + 600, **weathery(vent_open=vent_area(np.array(0.5))))
    _, nearly = trace(2 * DAY + 600, **weathery(vent_open=vent_area(np.array(0.95))))
    assert np.all(np.abs(half.case_pressure - half.atmospheric_pressure) < 60.0)
    assert np.all(np.abs(nearly.case_pressure - nearly.atmospheric_pressure) > 300.0)


def test_a_run_droops_and_the_stop_locks_up():
    idle, _ = trace(5, flow_share=0.3)
    full, state = trace(5, flow_share=1.0)
    np.testing.assert_allclose(idle[:, -1] / P.set_point, 1.0 - 0.3 * P.droop, atol=0.01)
    np.testing.assert_allclose(full[:, -1] / P.set_point, 1.0 - P.droop, atol=0.01)
    stopped, _ = trace(60, state=state)
    np.testing.assert_allclose(stopped[:, -1] / P.set_point, 1.0 + P.lock_up, atol=0.03)
    assert np.all(np.abs(np.diff(stopped[:, 2:])) < 3.0)
    assert np.all(stopped[:, 0] <= P.set_point * (1.0 + P.lock_up) + 50.0)


def test_lock_up_cools_down_to_the_floor():
    _, state = trace(5, flow_share=1.0, pipe_temperature=40.0)
    cooled, _ = trace(120, state=state, pipe_temperature=lambda minute: 40.0 - minute / 2.0)
    np.testing.assert_allclose(cooled[:, -1], P.set_point, atol=1.0)
    assert np.all(np.diff(cooled[:, 2:]) < 0.5)


def test_a_leaking_seat_climbs_after_each_stop_up_to_the_relief():
    climb, _ = trace(DAY, seat_leak=1.0)
    assert np.all(np.diff(climb) > -30.0)
    assert np.all(climb[:, -1] > P.set_point + 0.9 * P.relief)
    assert np.all(climb <= P.set_point[:, None] + P.relief[:, None] + 1.0)
    slight, state = trace(120, seat_leak=0.1)
    assert np.all((slight[:, -1] > P.set_point + 2.0) & (slight[:, -1] < climb[:, 120]))
    run, state = trace(3, state=state, seat_leak=1.0, flow_share=0.3)
    np.testing.assert_allclose(run[:, -1] / P.set_point, 1.0 - 0.3 * P.droop, atol=0.02)  # no trace of it in a run
    again, _ = trace(DAY, state=state, seat_leak=1.0)
    assert np.all(again[:, -1] > again[:, 0] + 500.0)


@pytest.mark.parametrize("vent_open", [0.0, 1.0])
@pytest.mark.parametrize("supply", [6000.0, 13_800.0])
def test_a_leaking_seat_never_passes_its_supply(vent_open, supply):
    without = replace(P, relief=np.full(60, 1e9), weep=np.zeros(60))
    pressure, _ = trace(3 * DAY, p=without, seat_leak=1.0, supply=supply, vent_open=vent_open)
    assert np.all(pressure <= supply + 1e-6)
    assert np.all(pressure[:, -1] > 0.98 * supply)


def test_without_a_leak_nothing_climbs():
    pressure, _ = trace(DAY)
    np.testing.assert_allclose(pressure, np.repeat(P.set_point[:, None], DAY, axis=1), atol=0.01)


def test_a_low_supply_caps_the_floor_and_the_run():
    off, state = trace(30, supply=1000.0)
    np.testing.assert_allclose(off, 1000.0)
    run, _ = started(state, supply=1000.0, flow_share=1.0)
    assert np.all(run[:, 5:] < 800.0)
    assert np.all(run >= gas.SUCTION_PA)
    back, _ = trace(30, state=state, supply=13_800.0)
    np.testing.assert_allclose(back[:, -1], P.set_point, atol=1.0)


def test_a_choked_line_starves_full_load_while_the_pressure_standing_and_without_load_looks_right():
    """Source: TRADE.md section 5: supply low: start dip deep, stays low; lock-up normal."""
    off, state = trace(30, supply_loss=14_500.0)
    np.testing.assert_allclose(off[:, -1], P.set_point, atol=1.0)
    idle, _ = trace(3, state=state, supply_loss=14_500.0, flow_share=0.3)
    np.testing.assert_allclose(idle[:, -1] / P.set_point, 1.0 - 0.3 * P.droop, atol=0.01)
    full, state = trace(3, state=state, supply_loss=14_500.0, flow_share=1.0)
    assert np.all(full[:, -1] < 0.3 * P.set_point)
    locked, _ = trace(30, state=state, supply_loss=14_500.0)
    np.testing.assert_allclose(locked[:, -1] / P.set_point, 1.0 + P.lock_up, atol=0.05)


def test_a_line_loses_with_the_square_of_the_flow_and_never_more_than_there_is():
    left = gas.supply_left(supply=np.full(3, 10e3), supply_loss=np.full(3, 12e3), flow_share=np.array([0.0, 0.5, 1.0]))
    np.testing.assert_allclose(left, [10e3, 7e3, 0.0])


def test_a_lazy_spring_shifts_the_floor_and_the_run():
    run, state = trace(5, spring_shift=-0.6, flow_share=0.3)
    np.testing.assert_allclose(run[:, -1] / P.set_point, 0.4 * (1.0 - 0.3 * P.droop), atol=0.02)
    floor, _ = trace(600, state=state, spring_shift=-0.6, pipe_temperature=lambda minute: 20.0 - minute / 20.0)
    np.testing.assert_allclose(floor[:, -1] / P.set_point, 0.4, atol=0.02)


@pytest.mark.parametrize("flow", [0.12, 0.3])
def test_a_healthy_start_dips_a_quarter_kilopascal_at_most_and_is_back_at_once(flow):
    pressure, state = started(flow_share=flow)
    dip = P.set_point[:, None] - pressure
    settled = P.set_point * flow * P.droop
    assert np.all(dip.max(axis=1) < 250.0 + (flow > 0.12) * settled)  # of an engine that is turned; then it fires
    assert np.all(dip.max(axis=1) > 20.0)
    assert np.all(np.abs(dip[:, 3:] - settled[:, None]) < 40.0)
    np.testing.assert_allclose(state.flow, flow, rtol=1e-6)


def test_a_start_from_a_hump_or_a_lock_up_dips_no_deeper_than_one_from_the_floor():
    _, locked = trace(5, state=trace(5, flow_share=1.0)[1])
    _, warm = trace(5, case_temperature=28.0, pipe_temperature=28.0)
    for state, temperature in ((locked, 20.0), (warm, 28.0)):
        pressure, _ = started(state, flow_share=0.12, case_temperature=temperature, pipe_temperature=temperature)
        assert np.all(P.set_point[:, None] - pressure < 250.0)
        assert np.all(pressure[:, 5] < P.set_point)


def test_a_blocked_vent_dips_deep_and_slowly():
    healthy, _ = started(flow_share=1.0)
    partly, _ = started(flow_share=1.0, vent_open=vent_area(np.array(0.7)))
    sealed, _ = started(flow_share=1.0, vent_open=0.0)
    assert np.all(partly.min(axis=1) < healthy.min(axis=1) - 200.0)
    assert np.all(partly[:, 3] < healthy[:, 3] - 100.0)
    assert np.all(sealed[:, 20:].max(axis=1) < healthy[:, 20:].min(axis=1) - 600.0)


def test_sealed_air_takes_its_walls_warmth_back_within_seconds():
    sealed, _ = started(flow_share=0.12, vent_open=0.0)
    assert np.all(sealed[:, -1] - sealed[:, 0] > 40.0)
    assert np.all(np.abs(sealed[:, -1] - sealed[:, -5]) < 2.0)


def test_a_healthy_engines_draw_rings_for_some_seconds():
    share = (started(flow_share=1.0)[0].T - P.set_point * (1.0 - P.droop)) / (P.set_point * P.droop)
    assert np.all(share[2] > 0.05)
    assert np.all(share[3] < 0.0)
    assert np.all(np.abs(share[10:]) < 0.05)


def test_one_long_step_is_many_short_ones():
    def warming(minute_share):
        return arrays({"vent_open": 0.001, "case_temperature": 20.0 + minute_share})

    long, _ = gas.step(P, standing(), **warming(1.0), dt_s=60.0)
    short = standing()
    for second in range(60):
        short, _ = gas.step(P, short, **warming((second + 1) / 60.0), dt_s=1.0)
    excess = short.case_pressure - SEA_LEVEL
    assert np.all(excess > 100.0)
    np.testing.assert_allclose(long.case_pressure - SEA_LEVEL, excess, rtol=0.02)


def test_runs_with_a_sealed_vent_differ_from_day_to_day():
    cold, _ = trace(
        600, vent_open=0.0, case_temperature=lambda m: 20.0 - m / 120.0, pipe_temperature=lambda m: 20.0 - m / 60.0
    )
    _, cool = trace(600, vent_open=0.0, case_temperature=lambda m: 20.0 - m / 120.0)
    _, warm = trace(600, vent_open=0.0, case_temperature=lambda m: 20.0 + m / 120.0)
    in_cold, _ = started(cool, vent_open=0.0, case_temperature=15.0, flow_share=0.3)
    in_warm, _ = started(warm, vent_open=0.0, case_temperature=25.0, flow_share=0.3)
    assert np.all(in_warm[:, -1] - in_cold[:, -1] > 1000.0)
    assert np.all(cold[:, -1] < P.set_point - 1500.0)


def test_a_start_ends_where_the_minutes_take_over():
    pressure, state = started(flow_share=0.5)
    following, _ = trace(1, state=state, flow_share=0.5)
    np.testing.assert_allclose(pressure[:, -1], following[:, 0], atol=2.0)
    rested, state = started(state, flow_share=0.0, seconds=5)
    np.testing.assert_allclose(rested[:, -1] / P.set_point, 1.0 + P.lock_up, atol=0.05)
    assert np.all(state.flow == 0.0)


@given(
    temperatures=st.lists(st.floats(-45.0, 60.0), min_size=2, max_size=8),
    pipe=st.floats(-45.0, 60.0),
    atmosphere=st.floats(70_000.0, 105_000.0),
    supplies=st.tuples(st.floats(0.0, 40_000.0), st.floats(0.0, 40_000.0)),
    flows=st.lists(st.sampled_from([0.0, 0.12, 0.3, 1.0]), min_size=8, max_size=8),
    vent_open=st.floats(0.0, 1.0),
    seat_leak=st.floats(0.0, 1.0),
    spring_shift=st.floats(-0.9, 0.5),
    dt_s=st.sampled_from([1.0, 60.0, 600.0]),
)
@settings(max_examples=150, deadline=None)
def test_all_that_can_be_asked_has_a_finite_answer_that_more_supply_does_not_lower(
    temperatures, pipe, atmosphere, supplies, flows, vent_open, seat_leak, spring_shift, dt_s
):
    state = standing()
    for temperature, flow in zip(temperatures, flows, strict=False):
        now = {
            "case_temperature": temperature, "pipe_temperature": pipe, "atmospheric_pressure": atmosphere,
            "flow_share": flow, "vent_open": vent_open, "seat_leak": seat_leak, "spring_shift": spring_shift,
        }  # fmt: skip
        less, low = gas.step(P, state, **arrays(now | {"supply": min(supplies)}), dt_s=dt_s)
        state, high = gas.step(P, state, **arrays(now | {"supply": max(supplies)}), dt_s=dt_s)
        for reached in (less, state):
            assert all(np.isfinite(getattr(reached, field.name)).all() for field in fields(reached))
            assert np.all(reached.lift <= P.lift_stop)
            assert np.all(reached.trapped > 0.0)
        assert np.all(low <= high + 1e-6)
        assert np.all(low <= min(supplies) + 1e-6)


def test_a_unit_is_the_same_alone_and_in_a_fleet():
    rows = slice(17, 18)
    alone = gas.draw(IDS[rows], SET_POINTS[rows], seed=7)
    fleet, _ = trace(300, **weathery(vent_open=0.001, seat_leak=0.2))
    single, _ = trace(300, p=alone, **weathery(vent_open=0.001, seat_leak=0.2))
    assert single.tobytes() == fleet[rows].tobytes()


def test_same_seed_same_regulators_and_another_seed_others():
    again, other = gas.draw(IDS, SET_POINTS, seed=7), gas.draw(IDS, SET_POINTS, seed=8)
    for field in fields(P):
        assert getattr(again, field.name).tobytes() == getattr(P, field.name).tobytes()
    assert np.all(other.spring != P.spring)
