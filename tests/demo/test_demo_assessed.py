"""What the program itself makes of the demo's readings: sound units call nobody, and the story is found as told.

Notes on the visit sheet are rightly made of sound units: on a July afternoon of 36 Cel the sun heats the air in one to
50 Cel, and a crank on a frosty morning takes a battery low.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.alarms.lifecycle import Finding, Kind, Urgency
from monitor.assessment import checkpoint
from monitor.assessment.assessor import Assessor
from monitor.batch import Batch, from_columns
from monitor.commands import demo_story
from monitor.commands.demo_files import fleet_text
from monitor.commands.demo_story import HISTORY_NS, Story, valley
from monitor.fleet import parse_fleet
from monitor.limits_file import load_limits
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, SECOND_NS, from_rfc3339
from simulator.faults import Fault, FaultKind
from simulator.gateways import SIGNALS
from simulator.ongoing import Kept, Ongoing
from simulator.telemetry import Readings

OTHER_SEASONS = ("2026-01-15T12:00:00Z", "2026-04-21T03:00:00Z", "2026-10-29T20:00:00Z")
MOMENTS = ("2026-07-20T15:00:00Z", *(pytest.param(moment, marks=pytest.mark.long) for moment in OTHER_SEASONS))
FLEET = parse_fleet(fleet_text(valley()))
SIGNAL = np.array([FLEET.signal_names.index(name) for name in SIGNALS], np.int32)
CONDITION = {
    FaultKind.HEATER_ELEMENT_OPEN: "low_water_temperature",
    FaultKind.CHARGER_NO_AC: "low_battery_voltage",
    FaultKind.SEAT_LEAK: "high_gas_pressure",
    FaultKind.GAS_SUPPLY_LOW: "low_gas_pressure",
}
CAUSES = {
    FaultKind.HEATER_ELEMENT_OPEN: "heater_failed",
    FaultKind.CHARGER_NO_AC: "charger_failed",
    FaultKind.SEAT_LEAK: "regulator_creep",
    FaultKind.GAS_SUPPLY_LOW: "gas_supply_low",
}
NOTES = {"high_enclosure_temperature", "low_cranking_voltage"}
FAULTS_NS = 37 * HOUR_NS  # before the moment nothing of the story has begun


def batch(rows: Readings) -> Batch:
    return from_columns(
        FLEET.unit_names,
        FLEET.signal_names,
        rows.time_ns,
        rows.unit,
        SIGNAL[rows.signal],
        rows.value,
        rows.received_ns,
    )


def assessor() -> Assessor:
    return Assessor(FLEET, load_limits(None, FLEET), lambda _site, at_ns: (at_ns + 5 * DAY_NS, False))


class Weeks:
    """Three weeks up to a moment: the sound part is played and judged once, for it is the same in every story."""

    def __init__(self, now_ns: int, memory: Path) -> None:
        """memory: a file that keeps what an assessor knows after the sound part."""
        self.story = Story(now_ns - HISTORY_NS, ())
        self._memory = memory
        self._found: list[Finding] = []
        one, ongoing = assessor(), Ongoing(self.story.scenario)
        while ongoing.at_ns < now_ns - FAULTS_NS:
            rows = batch(ongoing.until(min(ongoing.at_ns + DAY_NS, now_ns - FAULTS_NS)).readings)
            self._found += one.advance(rows, int(rows.received_ns.max()))
        checkpoint.save(one, memory)
        self._kept: Kept = ongoing.kept

    def findings(self, faults: Sequence[Fault], now_ns: int) -> list[Finding]:
        """Of three weeks with some faults in the last days, and two minutes of live readings after them."""
        one = assessor()
        assert len(checkpoint.restore(one, self._memory)) == len(FLEET.units)
        ongoing = Ongoing(replace(self.story, faults=tuple(faults)).scenario, self._kept)
        last = batch(ongoing.until(now_ns).readings)
        live = batch(ongoing.until(now_ns + 2 * MINUTE_NS, every_s=3).readings)
        return [*self._found, *one.advance(last, now_ns), *one.advance(live, now_ns + 2 * MINUTE_NS)]


@pytest.fixture(scope="module", params=MOMENTS)
def weeks(request, tmp_path_factory) -> tuple[Weeks, int]:
    now_ns = from_rfc3339(request.param)
    return Weeks(now_ns, tmp_path_factory.mktemp("weeks") / "memory.npz"), now_ns


def test_of_three_weeks_of_sound_units_nothing_is_said_but_what_weather_does(weeks):
    played, now_ns = weeks
    found = played.findings((), now_ns)
    assert [finding for finding in found if finding.said.urgency is not Urgency.AT_VISIT] == []
    assert {finding.condition for finding in found} <= NOTES
    assert len(found) <= 8, "two a week in the whole valley, with their end"


def test_of_the_story_its_four_faults_are_found_and_the_outage_within_half_a_minute(weeks):
    played, now_ns = weeks
    story = demo_story.begun(now_ns)
    story = demo_story.with_fault(story, demo_story.outage(story, now_ns + 25 * SECOND_NS))
    assert story.began_ns == played.story.began_ns
    found = played.findings(story.faults, now_ns)
    found = [finding for finding in found if finding.condition not in NOTES]
    raised = {(finding.unit, finding.condition) for finding in found if finding.kind is Kind.RAISED}
    limits = {(fault.unit, CONDITION[fault.kind]) for fault in story.faults}
    assert limits <= raised <= limits | {(fault.unit, CAUSES[fault.kind]) for fault in story.faults}
    assert not limits & {(finding.unit, finding.condition) for finding in found if finding.kind is Kind.CLEARED}
    outage = next(finding for finding in found if finding.condition == "low_gas_pressure")
    assert outage.said.urgency is not Urgency.AT_VISIT
    assert 15 * SECOND_NS < outage.noticed_ns - now_ns - 25 * SECOND_NS <= 25 * SECOND_NS
