"""From simulated faults to a replay's lines: causes are named, one alarm speaks for a fault, a tripped breaker is one.

The scenario is the valley's fifteen days, the faults on the thirteenth, each at a unit of its own; the simulator knows
nothing of the models.
"""

import json
from pathlib import Path

import pytest

from monitor.replaying import replay_files
from monitor.times import HOUR_NS, from_rfc3339
from simulator.playing import write
from simulator.scenario import parse_scenario

FAULT_NS = from_rfc3339("2026-01-24T03:00:00Z")
NOT_READY = "2026-01-24T10:52:00Z"  # in its truth.jsonl, with heater_element_open
UNITS = {"heater_element_open": "clinic-wing", "charger_no_ac": "filter-hall", "breaker_tripped": "cold-store"}
SCENARIO = """
seed = 5
from = 2026-01-12
days = 15
fleet = "tarn-valley"
""" + "".join(
    f"""
[[faults]]
unit = "{unit}"
kind = "{kind}"
from = "12.125 d"
"""
    for kind, unit in UNITS.items()
)


@pytest.fixture(scope="module")
def replayed(tmp_path_factory) -> list[dict]:
    """Lines of a replay of the valley."""
    folder: Path = tmp_path_factory.mktemp("replayed") / "out"
    assert write(parse_scenario(SCENARIO), folder) is not None
    replay_files(folder / "fleet.toml", [folder / "readings"], folder / "alarms.jsonl")
    return [json.loads(line) for line in (folder / "alarms.jsonl").read_text().splitlines()]


def of(lines: list[dict], kind: str) -> list[dict]:
    """What is said of the unit with that kind of fault."""
    return [line for line in lines if line["unit"] == UNITS[kind]]


def hours(text):
    return (from_rfc3339(text) - FAULT_NS) / HOUR_NS


def test_nothing_calls_before_the_fault_or_at_another_unit(replayed):
    calls = [line for line in replayed if line["urgency"] != "at_visit"]
    assert {line["unit"] for line in calls} == set(UNITS.values())
    assert all(hours(line["raised_at"]) > 0 for line in calls)


def test_a_failed_heater_is_named_with_when_the_water_is_cold(replayed):
    lines = of(replayed, "heater_element_open")
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
    [charger] = [line for line in of(replayed, "charger_no_ac") if line["condition"] == "charger_failed"]
    assert hours(charger["raised_at"]) < 14
    assert charger["causes"][0]["cause"].startswith("charger_failed")
    assert charger["first_said"]["not_ready_at"] is not None


def test_a_tripped_breaker_is_told_from_two_faults(replayed):
    lines = {line["condition"]: line for line in of(replayed, "breaker_tripped")}
    assert {"heater_failed", "charger_failed"} <= lines.keys()
    assert lines["heater_failed"]["causes"][0]["cause"] == "heater_failed/no_ac_supply"
    assert lines["charger_failed"]["causes"][0]["cause"] == "charger_failed/no_ac_supply"
