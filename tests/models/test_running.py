"""Runs: by a run signal, and by the water alone."""

from dataclasses import replace

import numpy as np
import pytest

from models.running import FALL_K, FORGIVEN_K, QUICK_BINS, RISE_BIN_NS, RISE_BINS, RISE_K, Run, inferred, switched
from monitor.assessment.tracks import Ring
from monitor.times import MINUTE_NS, SECOND_NS, from_rfc3339
from simulator.running import rule_times
from simulator.scenario import load_scenario
from simulator.world import days
from tests.assessment.bench import LEARNED, Bench


def minutes(*values):
    return np.array(values, np.int64) * MINUTE_NS


def by_water(values, last=None, before=None, every=1):
    """Runs of water read each so many minutes, steady for hours before."""
    value = np.array(values, np.float64)
    times = minutes(*range(0, len(value) * every, every))
    known = np.concatenate((minutes(*range(-90, 0, every)), times)) // RISE_BIN_NS
    window = np.concatenate((np.full(len(known) - len(value), value[0] if before is None else before), value))
    least = np.empty(len(value))
    for place, now in enumerate(times // RISE_BIN_NS):
        ago = now - known
        inside = (ago >= 0) & (ago < RISE_BINS) & (np.arange(len(known)) <= len(known) - len(value) + place)
        least[place] = (window[inside] + FORGIVEN_K[ago[inside]]).min()
    return inferred(times, times + SECOND_NS, value, least, last)


def test_each_change_of_the_run_signal_begins_or_ends_a_run():
    times = minutes(0, 1, 2, 3, 4, 5)
    runs = switched(times, times + 7, np.array([False, True, True, False, False, True]), None)
    assert runs == [
        Run(MINUTE_NS, MINUTE_NS + 7, 3 * MINUTE_NS, 3 * MINUTE_NS + 7),
        Run(5 * MINUTE_NS, 5 * MINUTE_NS + 7),
    ]


def test_a_run_under_way_goes_on():
    last = Run(0, 0)
    assert switched(minutes(1, 2), minutes(1, 2), np.array([True, True]), last) == [last]


def test_water_that_rises_by_twelve_kelvin_within_twenty_minutes_is_a_run_and_its_peak_is_the_stop():
    rise = [44.0, *np.linspace(44, 84, 10), *[84.0] * 20, *np.linspace(84, 60, 60)]
    (run,) = by_water(rise)
    assert run.inferred
    assert 30 * MINUTE_NS <= run.ended_ns <= 33 * MINUTE_NS  # the last minutes within a kelvin of the peak
    assert 0 <= run.began_noticed_ns <= 5 * MINUTE_NS


def test_a_run_of_hours_ends_when_the_engine_stopped_and_not_at_its_hottest_reading():
    """84.6 Cel in the first minutes under its thermostat, 84 for three hours more."""
    (run,) = by_water([44.0, *np.linspace(44, 84.6, 10), *[84.0] * 180, *np.linspace(84, 60, 60)])
    assert 190 * MINUTE_NS <= run.ended_ns <= 193 * MINUTE_NS


def test_a_heaters_saw_tooth_is_no_run():
    assert by_water([*np.linspace(41, 52, 30), *np.linspace(52, 41, 120)] * 3) == []


@pytest.mark.parametrize(("minutes_up", "found"), [(20, 1), (60, 0)])
def test_a_rise_is_an_engines_only_where_it_is_quick(minutes_up, found):
    assert len(by_water([40.0] * 5 + np.linspace(40, 60, minutes_up).tolist())) == found


def test_a_short_run_is_one_run():
    """Five minutes: while the water falls again its coldest of the last 25 minutes is still that before the start."""
    water = [42.0] * 10 + np.linspace(42, 84, 5).tolist() + np.linspace(84, 50, 120).tolist()
    assert len(by_water(water)) == 1


def test_a_second_start_soon_after_a_short_run_is_seen():
    water = [42.0] * 10 + np.linspace(42, 80, 5).tolist() + np.linspace(80, 75, 10).tolist() + [82.0, 84.0, 84.0]
    assert [run.under_way for run in by_water(water)] == [False, True]


@pytest.mark.parametrize(("hot", "days", "under_way"), [(60.0, 0.6, False), (84.0, 6.5, True), (84.0, 7.5, False)])
def test_a_run_without_an_end_is_given_up_after_half_a_day_or_a_week_of_hot_water(hot, days, under_way):
    water = [42.0, *np.linspace(42, hot, 10), *[hot] * round(days * 1440)]
    assert [run.under_way for run in by_water(water)] == [under_way]


def test_loads_that_come_and_go_end_no_long_run():
    swings = [83.0, 85.0, 88.0, 84.0] * 60
    water = [42.0] + np.linspace(42, 84, 10).tolist() + [84.0] * 60 + np.repeat(swings, 10).tolist()
    (run,) = by_water(water)
    assert run.under_way


def test_the_numbers_are_those_of_the_trade():
    assert (RISE_K, FALL_K, QUICK_BINS) == (12.0, 3.0, 5)


def test_a_gateway_that_reports_each_quarter_or_half_hour_shows_runs_too():
    (run,) = by_water([56.0, 56.6, 68.3, 80.2, 81.3, 82.2, 81.6, 80.4, 79.5, 78.7, 75.0], every=15)
    assert 45 * MINUTE_NS <= run.began_noticed_ns <= 46 * MINUTE_NS
    assert len(by_water([42.0, 41.0, 84.0, 83.0, 75.0, 70.0], every=30)) == 1
    assert by_water([42.0, 47.0, 52.0, 57.0, 62.0, 60.0, 55.0], every=30) == []  # a heater that stays on


def test_the_runs_of_simulated_units_are_all_found_by_their_water_and_nothing_else_is():
    begin_ns, end_ns = from_rfc3339("2026-03-02T00:00:00Z"), from_rfc3339("2026-03-12T00:00:00Z")
    valley = replace(load_scenario("demo-valley"), from_ns=begin_ns, to_ns=end_ns)
    truths = [day.truth for day in days(valley)]
    times = np.concatenate([truth.time_ns for truth in truths])
    water = np.concatenate([truth.values["jacket_water_temperature"] for truth in truths], axis=1)
    made = 0
    for unit, value in zip(valley.units, np.round(water, 1), strict=True):
        ring = Ring.empty(1, RISE_BIN_NS, RISE_BINS)
        least, _ = ring.trailing_least(0, times, value, forgiven=FORGIVEN_K)
        runs = inferred(times, times, value, least, None)
        starts = rule_times(unit.exercise_rule, "America/Denver", from_ns=begin_ns, to_ns=end_ns)
        assert len(runs) == len(starts), unit.id
        made += len(runs)
        for run, start in zip(runs, starts.tolist(), strict=True):
            assert abs(run.began_ns - start) < 30 * MINUTE_NS
            assert 0 < run.began_noticed_ns - start < 8 * MINUTE_NS
            # The water falls a little earlier: the last minutes are without load.
            assert 25 * MINUTE_NS <= run.ended_ns - start <= 36 * MINUTE_NS
    assert made == 7


# --- what the assessor makes of run signals ---


def runs_of(one: Bench):
    return [
        tuple(None if at is None else round((at - one.at(0)) / MINUTE_NS, 2) for at in run)
        for run in one.assessor.view(0).runs
    ]


def test_speed_and_switch_together_make_one_run():
    """Their readings come interleaved, one of them late: the run is over when neither says that the engine runs."""
    one = Bench(minutes=500.0).stands().reports("engine_running", (200.0, 230.0, 1.0))
    one.reports("engine_speed", (200.5, 231.5, 1800.0), every_s=30.0)
    one.findings()
    assert runs_of(one) == [(200.0, 231.5)]


def test_cranking_speed_is_no_run():
    one = Bench(minutes=500.0).stands().reports("engine_speed", (200.0, 201.0, 180.0), every_s=5.0)
    one.findings()
    assert runs_of(one) == []


def test_a_run_signal_that_only_reports_changes_takes_over_from_the_water():
    """Its first word is a run within the unit's first hour, which the water shows: the end is not lost between them."""
    one = Bench(normal=LEARNED, minutes=900.0).stands("jacket_water_temperature")
    one.reports("jacket_water_temperature", (20.0, 58.0, 84.0), (58.0, 70.0, 83.0))
    one.says("engine_running", 20.0, 1.0).says("engine_running", 50.0, 0.0)
    one.findings()
    assert all(end is not None for _, end in runs_of(one))


def test_a_run_of_weeks_is_still_masked_after_its_stop():
    """Sixteen days of a mains failure, reported each ten minutes; the engine cools for hours after it."""
    end = 16 * 1440.0
    one = Bench(normal=LEARNED, minutes=end + 600.0, every_s=600.0)
    one.reports("engine_running", (200.0, end, 1.0)).stands("jacket_water_temperature")
    one.reports("jacket_water_temperature", (200.0, end, 84.0), (end, end + 400.0, 75.0))
    assert [row for row in one.said() if row[0] == "high_water_temperature"] == []
