"""A control that has tried in vain locks itself out, and starts nothing until somebody has come."""

from dataclasses import dataclass

import numpy as np
import pytest

from simulator.attempts import Attempt
from simulator.chance import SECOND_NS
from simulator.faults import FaultKind
from simulator.people import Visit
from simulator.running import CONTROL_DROPPED_OUT, LOCKED_OUT, NO_GAS
from simulator.scenario import parse_scenario
from simulator.truth import Ledger, Reason, explained, not_ready_moment
from simulator.world import Day, Memory, Run, World

DAY_NS = 24 * 3600 * SECOND_NS
# Exercise each day at 10; the gas fails on Tuesday and is back on Wednesday noon; a visit on Thursday. At the mill the
# mains fail on that Thursday too. The battery of the last pump is emptied from Monday evening on.
LOCKED = """
from = 2026-01-05
days = 5
fleet = "lone-pump"
outages = false
[sites.pump-house]
visit_rule = "FREQ=WEEKLY;BYDAY=TH;BYHOUR=9"
[sites.mill]
climate = "high-plain"
visit_rule = "FREQ=WEEKLY;BYDAY=TH;BYHOUR=9"
[units.pump-house-1]
exercise_rule = "FREQ=DAILY;BYHOUR=10"
[units.mill-1]
site = "mill"
exercise_rule = "FREQ=DAILY;BYHOUR=10"
[units.emptied]
site = "pump-house"
exercise_rule = "FREQ=DAILY;BYHOUR=10"
[[faults]]
unit = "pump-house-1"
kind = "gas_supply_low"
from = "1 d"
to = "2.5 d"
[[faults]]
unit = "mill-1"
kind = "gas_supply_low"
from = "1 d"
to = "2.5 d"
[[faults]]
unit = "emptied"
kind = "load_left_on"
from = "20 h"
[[events]]
site = "mill"
kind = "outage"
from = "3 d"
to = "4 d"
"""
PUMP, MILL, EMPTIED = range(3)


@dataclass(frozen=True)
class Lived:
    """All days, and what the world remembers after the second, in which the pump was locked out."""

    days: list[Day]
    memory: Memory

    def runs(self, unit: int = PUMP) -> list[Run]:
        return [run for day in self.days for run in day.runs if run.unit == unit]

    def visit_after(self, at_ns: int) -> Visit:
        """The next one to the pump."""
        visits = (visit for day in self.days for visit in day.visits if visit.unit == PUMP)
        return next(visit for visit in visits if visit.from_ns > at_ns)


@pytest.fixture(scope="module")
def lived() -> Lived:
    scenario = parse_scenario(LOCKED)
    world, lived = World(scenario), []
    while world.at_ns < scenario.to_ns:
        lived.append(world.day(world.at_ns, world.at_ns + DAY_NS))
        if len(lived) == 2:
            memory = world.memory
    return Lived(lived, memory)


def test_a_control_that_failed_to_start_tries_no_more_though_the_gas_is_back(lived: Lived):
    runs = lived.runs()
    assert [run.started for run in runs[:1]] == [True], "before the gas failed"
    assert (runs[1].failed_because, runs[1].attempts) == (NO_GAS, 3)
    assert (runs[2].failed_because, runs[2].attempts) == (LOCKED_OUT, 0)
    assert np.isnan(runs[2].least_block_volts), "it never cranked"


def test_who_comes_resets_it_and_it_starts_again(lived: Lived):
    runs = lived.runs()
    assert runs[-1].started
    assert lived.visit_after(runs[2].from_ns).from_ns < runs[-1].from_ns


def test_as_long_as_it_is_locked_out_it_is_not_ready_and_the_fault_is_charged_with_it(lived: Lived):
    scenario, ledger = parse_scenario(LOCKED), Ledger()
    for day in lived.days:
        ledger.add(day.truth.time_ns, day.reasons)
    spans = ledger.closed()
    (locked,) = [span for span in spans if span.reason == Reason.LOCKED_OUT and span.unit == PUMP]
    failed = next(run for run in lived.runs() if run.attempts == 3)
    visit = lived.visit_after(failed.from_ns)
    assert abs(locked.from_ns - failed.from_ns) <= 60 * SECOND_NS
    assert locked.to_ns is not None
    assert 0 <= locked.to_ns - visit.door_from_ns <= 60 * SECOND_NS
    (fault,) = [fault for fault in scenario.faults if fault.unit == "pump-house-1"]
    assert not_ready_moment(fault, PUMP, spans) is not None
    assert explained(FaultKind.GAS_SUPPLY_LOW) & Reason.LOCKED_OUT
    assert not explained(FaultKind.CONTROL_LEFT_OFF) & Reason.LOCKED_OUT
    assert not explained(FaultKind.SENSOR_STUCK)


def test_an_outage_that_lasts_starts_it_once_it_is_reset(lived: Lived):
    refused, started = [run for run in lived.runs(MILL) if run.why == "outage"]
    assert refused.failed_because == LOCKED_OUT
    assert started.started


def test_a_lock_out_is_remembered_over_a_stop(lived: Lived):
    scenario = parse_scenario(LOCKED)
    gone_on = World(scenario, lived.memory)
    after = gone_on.day(scenario.from_ns + 2 * DAY_NS, scenario.from_ns + 3 * DAY_NS)
    assert [run.failed_because for run in after.runs if run.unit == PUMP] == [LOCKED_OUT]
    np.testing.assert_array_equal(after.reasons, lived.days[2].reasons)


@pytest.mark.parametrize(("started", "attempts", "locks"), [(False, 3, True), (True, 3, False), (False, 0, False)])
def test_only_all_attempts_in_vain_lock_a_control_out(started: bool, attempts: int, locks: bool):
    none = np.zeros(0)
    done = Attempt(started, "", attempts, none, none, np.nan, np.nan, None)  # type: ignore[arg-type]
    assert done.locks_out == locks


def test_a_control_on_a_flat_battery_is_dead_and_turns_nothing(lived: Lived):
    last = lived.runs(EMPTIED)[-1]
    assert (last.started, last.failed_because, last.attempts) == (False, CONTROL_DROPPED_OUT, 0)
    assert np.isnan(last.least_block_volts)
    truth = lived.days[-1].truth
    assert not np.any(truth.quick_time_ns[truth.quick_unit == EMPTIED] >= last.from_ns), "no crank is told"
    assert lived.days[-1].reasons[EMPTIED, -1] == Reason.CRANKING
