"""Runs of simulated units: when they are due, and what keeps an engine from firing."""

import numpy as np
import pytest

from simulator.running import (
    CONTROL_DROPPED_OUT,
    NO_FAILURE,
    NO_GAS,
    TOO_COLD,
    TOO_MUCH_GAS,
    TURNED_TOO_SLOWLY,
    Engine,
    exercise_runs,
    fire_after_s,
    fired_after_s,
    outage_delay_s,
    retransfer_s,
    rule_fault,
)

SECOND_NS = 1_000_000_000
DAY_NS = 86_400 * SECOND_NS
BEGIN_NS = 1_767_571_200 * SECOND_NS  # Monday, 2026-01-05
ENGINE = Engine(np.array([2.0]), np.array([7.6]), np.array([0.45]), np.array([2.2]))


def fired(*, water: float = 40.0, volts: float = 10.0, turns: bool = True, gas: float = 1.0) -> tuple[int, str]:
    return fired_after_s(
        ENGINE,
        row=0,
        water=water,
        block_volts=np.full(15, volts),
        turns=np.full(15, turns),
        gas_share=np.full(15, gas),
    )


def runs(*, to_days: int, seed: int = 1) -> list[int]:
    found = exercise_runs(
        "FREQ=WEEKLY;BYDAY=TU;BYHOUR=10",
        "America/Denver",
        unit=0,
        unit_id="a",
        load=0.3,
        seed=seed,
        from_ns=BEGIN_NS,
        to_ns=BEGIN_NS + to_days * DAY_NS,
    )
    return [run.start_ns for run in found]


def test_a_weekly_run_comes_each_week_within_a_minute_of_its_hour():
    due = BEGIN_NS + DAY_NS + 17 * 3600 * SECOND_NS  # Tuesday 10:00 at UTC-7
    late_s = [(start - due - week * 7 * DAY_NS) / SECOND_NS for week, start in enumerate(runs(to_days=28))]
    assert len(late_s) == 4
    assert all(0 <= late < 60 for late in late_s)
    assert len(set(late_s)) > 1, "no clock is that exact"


def test_a_warm_sound_engine_fires_at_once():
    assert fired() == (2, NO_FAILURE)


@pytest.mark.parametrize(("water", "seconds"), [(21.0, 6), (0.0, 15)])
def test_a_colder_engine_takes_longer(water: float, seconds: int):
    assert fired(water=water) == (seconds, NO_FAILURE)


def test_a_frozen_engine_does_not_fire_within_its_crank():
    assert fired(water=-10.0) == (-1, TOO_COLD)


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        ({"volts": 7.5}, CONTROL_DROPPED_OUT),
        ({"turns": False}, TURNED_TOO_SLOWLY),
        ({"gas": 0.2}, NO_GAS),
        ({"gas": -1.5}, NO_GAS),
        ({"gas": 3.0}, TOO_MUCH_GAS),
    ],
)
def test_an_engine_that_does_not_fire_says_why(wrong: dict[str, float], why: str):
    assert fired(**wrong) == (-1, why)


def test_it_takes_e_times_as_long_twenty_kelvin_colder():
    waiting = fire_after_s(np.array([2.0, 2.0]), np.array([40.0, 20.0]))
    np.testing.assert_allclose(waiting, [2.0, 2.0 * np.e])


def test_a_flicker_of_the_mains_starts_nobody_and_they_must_be_back_for_minutes():
    delays = [outage_delay_s("a", BEGIN_NS + turn, seed=1) for turn in range(200)]
    waits = [retransfer_s("a", BEGIN_NS + turn, seed=1) for turn in range(200)]
    assert (min(delays), max(delays)) == (2, 5)
    assert min(waits) >= 300
    assert max(waits) <= 900
    assert len(set(waits)) > 50


@pytest.mark.parametrize(
    ("rule", "part"),
    [
        ("FREQ=HOURLY", "must begin with FREQ="),
        ("FREQ=WEEKLY;BYDAY=XX", "cannot be read"),
        ("every Tuesday", "must begin with FREQ="),
        ("FREQ=WEEKLY;UNTIL=20200101T000000Z", "never comes about"),
    ],
)
def test_a_rule_that_cannot_be_kept_is_refused(rule: str, part: str):
    assert part in (rule_fault(rule) or "")


def test_a_good_rule_is_taken():
    assert rule_fault("FREQ=MONTHLY;BYDAY=1TU;BYHOUR=10") is None
