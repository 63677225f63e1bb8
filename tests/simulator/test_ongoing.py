"""A scenario played in pieces, kept and gone on with, and what is told of the minute in which a gas main fails."""

import json
from dataclasses import replace

import numpy as np
import pytest

from simulator import keeping
from simulator.chance import SECOND_NS
from simulator.faults import Fault, FaultKind
from simulator.gateways import SIGNALS
from simulator.keeping import NotKept, as_text, from_text
from simulator.ongoing import Ongoing
from simulator.scenario import Scenario, parse_scenario
from simulator.telemetry import Readings

MINUTE_NS = 60 * SECOND_NS
TEXT = """
seed = 5
from = 2026-03-03T16:50:00Z   # ten minutes before the weekly run of intake-pump-1
days = 0.1
fleet = "tarn-valley"
telemetry = "ideal"
[[faults]]
unit = "quay-crane"
kind = "heater_element_open"
from = "5 min"
[[events]]
kind = "outage"
site = "harbour"
from = "20 min"
to = "60 min"
[[events]]
kind = "gas_set_point_changed"
unit = "cold-store"
at = "15 min"
size = 3000.0
"""


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return parse_scenario(TEXT)


def sorted_rows(parts: list[Readings]) -> list[tuple[int, int, int, float, int]]:
    columns = ("time_ns", "unit", "signal", "value", "received_ns")
    return sorted(
        zip(*(np.concatenate([getattr(part, name) for part in parts]).tolist() for name in columns), strict=True)
    )


@pytest.fixture(scope="module")
def whole(scenario: Scenario) -> list[tuple[int, int, int, float, int]]:
    return sorted_rows([Ongoing(scenario).until(scenario.to_ns).readings])


@pytest.mark.parametrize("piece", [1, 13, 50])
def test_pieces_kept_as_text_between_them_give_the_readings_of_the_whole(scenario, whole, piece):
    """Through a run, an outage, a set point that was changed: after each piece another program goes on."""
    going, parts = Ongoing(scenario), []
    while going.at_ns < scenario.to_ns:
        parts.append(going.until(min(going.at_ns + piece * MINUTE_NS, scenario.to_ns)).readings)
        going = Ongoing(scenario, from_text(as_text(going.kept, scenario), scenario))
    assert sorted_rows(parts) == whole


CALLED = """
seed = 5
from = 2026-01-13
days = 3.5
fleet = "tarn-valley"
telemetry = "ideal"
outages = false
"""


@pytest.mark.parametrize("piece_h", [5, pytest.param(24, marks=pytest.mark.long)])
def test_who_was_called_out_is_remembered_and_what_was_mended_stays_mended(piece_h):
    """Between the call and the work, and after it, another program goes on, with the faults as they were planned."""
    cold = parse_scenario(CALLED)
    faults = tuple(
        Fault(unit, FaultKind.HEATER_ELEMENT_OPEN, cold.from_ns + hour * 60 * MINUTE_NS, at_visit=True, called_out=True)
        for unit, hour in (("quay-crane", 2), ("cold-store", 30))
    )
    cold = replace(cold, faults=faults)
    through, going = Ongoing(cold), Ongoing(cold)
    whole, parts = [], []
    while going.at_ns < cold.to_ns:
        to_ns = min(going.at_ns + piece_h * 60 * MINUTE_NS, cold.to_ns)
        whole.append(through.until(to_ns))
        parts.append(going.until(to_ns))
        going = Ongoing(cold, from_text(as_text(going.kept, cold), cold))
    ends = [fault.to_ns for fault in parts[-1].day.faults]
    assert all(end is not None and end < cold.to_ns for end in ends), "both were mended"
    assert [part.day.faults for part in parts] == [one.day.faults for one in whole]
    assert [part.day.visits for part in parts] == [one.day.visits for one in whole]
    assert sorted_rows([part.readings for part in parts]) == sorted_rows([one.readings for one in whole])


def test_what_was_kept_does_not_change_when_the_scenario_is_played_on(scenario):
    going = Ongoing(scenario)
    going.until(scenario.from_ns + 12 * MINUTE_NS)
    kept = going.kept
    before = as_text(kept, scenario)
    going.until(scenario.from_ns + 40 * MINUTE_NS)
    assert as_text(kept, scenario) == before


def test_another_rhythm_reads_the_same_world(scenario, whole):
    quick = Ongoing(scenario).until(scenario.to_ns, every_s=3).readings
    minutes = {row for row in sorted_rows([quick]) if row[0] % MINUTE_NS == 0}
    assert minutes == {row for row in whole if row[0] % MINUTE_NS == 0}
    assert len(quick.value) > 15 * len(whole)


def damaged(text: str, change) -> str:
    content = json.loads(text)
    change(content)
    return json.dumps(content)


@pytest.mark.parametrize(
    "change",
    [
        lambda content: content["kept"]["world"].pop("volts"),
        lambda content: content["kept"]["world"]["volts"]["numbers"].pop(),
        lambda content: content["kept"]["world"]["volts"].update(kind="object"),
        lambda content: content["kept"]["world"]["volts"]["numbers"].__setitem__(0, float("nan")),
        lambda content: content["kept"]["world"]["states"]["water"].update(more=1),
        lambda content: content["kept"]["telemetry"]["lagged"].pop("gas_pressure"),
        lambda content: content["kept"]["world"].update(called=[{"unit": "", "kind": "", "from_ns": 0, "to_ns": 1}]),
        lambda content: content["kept"]["world"].update(called=[["quay-crane", 5]]),
        lambda content: content["kept"]["world"].update(at_ns="now"),
        lambda content: content["kept"]["world"].update(at_ns=True),
        lambda content: content.update(kept=None),
    ],
)
def test_a_damaged_text_is_refused_in_words(scenario, change):
    going = Ongoing(scenario)
    going.until(scenario.from_ns + 2 * MINUTE_NS)
    with pytest.raises(NotKept, match="it is damaged"):
        from_text(damaged(as_text(going.kept, scenario), change), scenario)


@pytest.mark.parametrize("text", ["", "{", "[]", "[" * 100_000, '{"format": 1}'])
def test_what_is_no_text_of_ours_is_refused_in_words(scenario, text):
    with pytest.raises(NotKept, match="it is damaged"):
        from_text(text, scenario)


def test_a_text_of_other_units_or_another_version_is_refused_in_words(scenario, monkeypatch):
    going = Ongoing(scenario)
    going.until(scenario.from_ns + 2 * MINUTE_NS)
    text = as_text(going.kept, scenario)
    with pytest.raises(NotKept, match="for other units"):
        from_text(text, replace(scenario, units=scenario.units[1:]))
    monkeypatch.setattr(keeping, "FORMAT", 99)
    with pytest.raises(NotKept, match="another version"):
        from_text(text, scenario)


def pressures(scenario: Scenario, unit: str) -> dict[int, float]:
    """Gas pressure by second after the beginning, as a gateway that reads each three seconds reports it."""
    readings = Ongoing(scenario).until(scenario.to_ns, every_s=3).readings
    mine = readings.unit == scenario.unit_ids.index(unit)
    mine &= readings.signal == SIGNALS.index("gas_pressure")
    second = (readings.time_ns[mine] - scenario.from_ns) // SECOND_NS
    return dict(zip(second.tolist(), readings.value[mine].tolist(), strict=True))


def test_a_gas_main_that_fails_within_a_minute_is_seen_from_that_second_on(scenario):
    at_ns = scenario.from_ns + 227 * SECOND_NS
    fault = Fault("filter-hall", FaultKind.GAS_SUPPLY_LOW, at_ns, at_ns + 10 * MINUTE_NS, severity=0.99)
    seen = pressures(replace(scenario, faults=(fault,), to_ns=scenario.from_ns + 20 * MINUTE_NS), "filter-hall")
    assert min(value for second, value in seen.items() if second < 227) > 4_900
    assert max(value for second, value in seen.items() if 227 <= second <= 820) < 1_000
    assert min(value for second, value in seen.items() if second > 900) > 4_900
