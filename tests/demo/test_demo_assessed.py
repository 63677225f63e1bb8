"""What the program itself makes of the demo's readings: nothing of sound units, and of the story what it tells."""

import numpy as np
import pytest

from monitor.alarms.lifecycle import Finding, Kind, Urgency
from monitor.assessment.assessor import Assessor
from monitor.batch import Batch, from_columns
from monitor.commands import demo_story
from monitor.commands.demo_files import fleet_text
from monitor.commands.demo_story import Story
from monitor.fleet import parse_fleet
from monitor.limits_file import load_limits
from monitor.times import DAY_NS, SECOND_NS, from_rfc3339
from simulator.behaviour import SIGNALS, Readings, begin, readings
from simulator.units import FaultKind

MOMENTS = ("2026-01-15T12:00:00Z", "2026-04-21T03:00:00Z", "2026-07-20T15:00:00Z", "2026-10-29T20:00:00Z")
FLEET = parse_fleet(fleet_text())
CONDITION = {
    FaultKind.HEATER_FAILED: "low_water_temperature",
    FaultKind.CHARGER_FAILED: "low_battery_voltage",
    FaultKind.GAS_CREEPS_UP: "high_gas_pressure",
    FaultKind.GAS_SUPPLY_LOW: "low_gas_pressure",
}


def batch(rows: Readings) -> Batch:
    signal = np.array([FLEET.signal_names.index(name) for name in SIGNALS])[rows.signal]
    return from_columns(
        FLEET.unit_names,
        FLEET.signal_names,
        rows.time_ns,
        rows.unit.astype(np.int32),
        signal.astype(np.int32),
        rows.value,
        rows.time_ns,
    )


def findings(story: Story, now_ns: int) -> list[Finding]:
    """Of three weeks of history up to now, and a minute of live readings after it."""
    assessor = Assessor(FLEET, load_limits(None, FLEET), lambda _site, at_ns: (at_ns + 5 * DAY_NS, False))
    plant, found = story.plant, []
    state = begin(plant, story.began_ns)
    for from_ns, to_ns, every_s in ((story.began_ns, now_ns, 60), (now_ns, now_ns + 60 * SECOND_NS, 3)):
        rows, state = readings(plant, story.faults, state, from_ns=from_ns, to_ns=to_ns, every_s=every_s)
        found += assessor.advance(batch(rows), to_ns)
    return found


@pytest.mark.parametrize("moment", MOMENTS)
def test_of_three_weeks_of_sound_units_nothing_is_said(moment):
    now_ns = from_rfc3339(moment)
    assert findings(Story(now_ns - demo_story.HISTORY_NS, ()), now_ns) == []


@pytest.mark.parametrize("moment", MOMENTS)
def test_of_the_story_its_four_faults_are_found_and_the_outage_within_half_a_minute(moment):
    now_ns = from_rfc3339(moment)
    story = demo_story.begun(now_ns)
    story = demo_story.with_fault(story, demo_story.outage(story, now_ns))
    found = findings(story, now_ns)
    raised = {(finding.unit, finding.condition) for finding in found if finding.kind is Kind.RAISED}
    assert raised == {(fault.unit, CONDITION[fault.kind]) for fault in story.faults}
    assert all(finding.kind is not Kind.CLEARED for finding in found)
    outage = next(finding for finding in found if finding.condition == "low_gas_pressure")
    assert outage.said.urgency is not Urgency.AT_VISIT
    assert 15 * SECOND_NS < outage.noticed_ns - now_ns <= 25 * SECOND_NS
