"""A control that has tried in vain locks itself out, and starts nothing until somebody has come."""

import numpy as np
import pytest

from simulator.attempts import Attempt
from simulator.chance import SECOND_NS
from simulator.faults import FaultKind
from simulator.running import CONTROL_DROPPED_OUT, LOCKED_OUT, NO_GAS
from simulator.scenario import parse_scenario
from simulator.truth import Ledger, Reason, explained, not_ready_moment
from simulator.world import Day, World, days

HOUR_NS = 3600 * SECOND_NS
# Exercise each day at 10; the gas fails on Tuesday and is back on Wednesday noon; a visit on Thursday.
LOCKED = """
from = 2026-01-05
days = 5
fleet = "lone-pump"
outages = false
[sites.pump-house]
visit_rule = "FREQ=WEEKLY;BYDAY=TH;BYHOUR=9"
[units.pump-house-1]
exercise_rule = "FREQ=DAILY;BYHOUR=10"
[[faults]]
unit = "pump-house-1"
kind = "gas_supply_low"
from = "1 d"
to = "2.5 d"
"""


@pytest.fixture(scope="module")
def lived() -> list[Day]:
    return list(days(parse_scenario(LOCKED)))


def test_a_control_that_failed_to_start_tries_no_more_though_the_gas_is_back(lived: list[Day]):
    runs = [run for day in lived for run in day.runs]
    assert [run.started for run in runs[:1]] == [True], "before the gas failed"
    assert (runs[1].failed_because, runs[1].attempts) == (NO_GAS, 3)
    assert (runs[2].failed_because, runs[2].attempts) == (LOCKED_OUT, 0)
    assert np.isnan(runs[2].least_block_volts), "it never cranked"


def test_who_comes_resets_it_and_it_starts_again(lived: list[Day]):
    runs = [run for day in lived for run in day.runs]
    assert runs[-1].started
    (visit,) = [visit for day in lived for visit in day.visits if visit.from_ns > runs[2].from_ns][:1]
    assert runs[2].from_ns < visit.from_ns < runs[-1].from_ns


def test_as_long_as_it_is_locked_out_it_is_not_ready_and_the_fault_is_charged_with_it(lived: list[Day]):
    scenario, ledger = parse_scenario(LOCKED), Ledger()
    for day in lived:
        ledger.add(day.truth.time_ns, day.reasons)
    spans = ledger.closed()
    (locked,) = [span for span in spans if span.reason == Reason.LOCKED_OUT]
    failed = next(run for day in lived for run in day.runs if run.attempts == 3)
    visit = next(visit for day in lived for visit in day.visits if visit.from_ns > failed.from_ns)
    assert abs(locked.from_ns - failed.from_ns) <= 60 * SECOND_NS
    assert locked.to_ns is not None
    assert 0 <= locked.to_ns - visit.door_from_ns <= 60 * SECOND_NS
    assert not_ready_moment(scenario.faults[0], 0, spans) is not None
    assert explained(FaultKind.GAS_SUPPLY_LOW) & Reason.LOCKED_OUT
    assert not explained(FaultKind.CONTROL_LEFT_OFF) & Reason.LOCKED_OUT
    assert not explained(FaultKind.SENSOR_STUCK)


def test_an_outage_that_lasts_starts_it_once_it_is_reset():
    text = LOCKED + "[[events]]\nkind = 'outage'\nfrom = '3 d'\nto = '4 d'\n"
    runs = [run for day in days(parse_scenario(text)) for run in day.runs if run.why == "outage"]
    refused, started = runs
    assert refused.failed_because == LOCKED_OUT
    assert started.started


def test_a_lock_out_is_remembered_over_a_stop(lived: list[Day]):
    scenario = parse_scenario(LOCKED)
    day_ns = 24 * HOUR_NS
    world = World(scenario)
    for number in range(2):
        world.day(scenario.from_ns + number * day_ns, scenario.from_ns + (number + 1) * day_ns)
    gone_on = World(scenario, world.memory)
    after = gone_on.day(scenario.from_ns + 2 * day_ns, scenario.from_ns + 3 * day_ns)
    assert [run.failed_because for run in after.runs] == [LOCKED_OUT]
    np.testing.assert_array_equal(after.reasons, lived[2].reasons)


@pytest.mark.parametrize(("started", "attempts", "locks"), [(False, 3, True), (True, 3, False), (False, 0, False)])
def test_only_all_attempts_in_vain_lock_a_control_out(started: bool, attempts: int, locks: bool):
    none = np.zeros(0)
    done = Attempt(started, "", attempts, none, none, np.nan, np.nan, None)  # type: ignore[arg-type]
    assert done.locks_out == locks


FLAT = """
from = 2026-01-05
days = 3
fleet = "lone-pump"
outages = false
[units.pump-house-1]
exercise_rule = "FREQ=DAILY;BYHOUR=10"
[[faults]]
unit = "pump-house-1"
kind = "load_left_on"
from = "20 h"
"""


def test_a_control_on_a_flat_battery_is_dead_and_turns_nothing():
    told = list(days(parse_scenario(FLAT)))
    last = [run for day in told for run in day.runs][-1]
    assert (last.started, last.failed_because, last.attempts) == (False, CONTROL_DROPPED_OUT, 0)
    assert np.isnan(last.least_block_volts)
    assert not np.any(told[-1].truth.quick_time_ns >= last.from_ns), "no crank is told"
    assert told[-1].reasons[0, -1] == Reason.CRANKING
