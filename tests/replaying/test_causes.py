"""From simulated faults to a replay's lines: causes are named, one alarm speaks for a fault, a tripped breaker is one.

Each scenario is the valley's fifteen days, the fault on the thirteenth; the simulator knows nothing of the models.
"""

import json
from pathlib import Path

import pytest

from monitor.replaying import replay_files
from monitor.times import HOUR_NS, from_rfc3339
from simulator.playing import write
from simulator.scenario import parse_scenario

BEGIN = "2026-01-12T00:00:00Z"
FAULT_NS = from_rfc3339("2026-01-24T03:00:00Z")
NOT_READY = "2026-01-24T10:52:00Z"  # in its truth.jsonl, with heater_element_open
SCENARIO = """
seed = 5
from = 2026-01-12
days = 15
fleet = "tarn-valley"

[[faults]]
unit = "clinic-wing"
kind = "{kind}"
from = "12.125 d"
"""


@pytest.fixture(scope="module")
def replayed(tmp_path_factory):
    """Lines of a replay of the valley with one kind of fault, once a kind."""
    known: dict[str, list[dict]] = {}

    def lines(kind: str) -> list[dict]:
        if kind not in known:
            folder: Path = tmp_path_factory.mktemp(kind)
            written = write(parse_scenario(SCENARIO.format(kind=kind)), folder)
            assert written is not None
            replay_files(folder / "fleet.toml", [folder / "readings"], folder / "alarms.jsonl")
            known[kind] = [json.loads(line) for line in (folder / "alarms.jsonl").read_text().splitlines()]
        return known[kind]

    return lines


def hours(text):
    return (from_rfc3339(text) - FAULT_NS) / HOUR_NS


def test_nothing_calls_before_the_fault_or_at_another_unit(replayed):
    for kind in ("heater_element_open", "charger_no_ac", "breaker_tripped"):
        calls = [line for line in replayed(kind) if line["urgency"] != "at_visit"]
        assert {line["unit"] for line in calls} == {"clinic-wing"}, kind
        assert all(hours(line["raised_at"]) > 0 for line in calls), kind


def test_a_failed_heater_is_named_with_when_the_water_is_cold(replayed):
    lines = [line for line in replayed("heater_element_open") if line["unit"] == "clinic-wing"]
    [heater] = [line for line in lines if line["condition"] == "heater_failed"]
    # The simulator's own word for when the engine is too cold; an hour before it is what a call-out needs at least.
    assert hours(heater["raised_at"]) <= hours(NOT_READY) - 1
    assert heater["causes"][0]["cause"].startswith("heater_failed")
    assert heater["first_said"]["not_ready_at"]["p10"] < heater["first_said"]["not_ready_at"]["p90"]
    first = {name: hours(at) for name, at in heater["first_said"]["not_ready_at"].items()}
    assert first["p10"] - 1 < hours(heater["not_ready_at"]["p50"]) < first["p90"] + 1
    assert heater["urgency"] == "now"
    low = [line for line in lines if line["condition"] == "low_water_temperature"]
    assert all(line["cleared_at"] == heater["raised_at"] for line in low)  # explained from then on


def test_a_failed_charger_is_named(replayed):
    [charger] = [line for line in replayed("charger_no_ac") if line["condition"] == "charger_failed"]
    assert hours(charger["raised_at"]) < 14
    assert charger["causes"][0]["cause"].startswith("charger_failed")
    assert charger["first_said"]["not_ready_at"] is not None


def test_a_tripped_breaker_is_told_from_two_faults(replayed):
    lines = {line["condition"]: line for line in replayed("breaker_tripped") if line["unit"] == "clinic-wing"}
    assert {"heater_failed", "charger_failed"} <= lines.keys()
    assert lines["heater_failed"]["causes"][0]["cause"] == "heater_failed/no_ac_supply"
    assert lines["charger_failed"]["causes"][0]["cause"] == "charger_failed/no_ac_supply"
