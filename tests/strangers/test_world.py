"""A whole world of strangers: the same each time, ready while sound, and with a truth that its own traces bear out."""

import ast
import json
from pathlib import Path

import numpy as np
import pytest

from monitor.conditions import CONDITIONS
from monitor.fleet import load_fleet
from monitor.history.files import history_files
from tests.strangers.__main__ import main
from tests.strangers.design import Design, design
from tests.strangers.faults import KIND_OF, KINDS, Fault, deal
from tests.strangers.readiness import crank_now, first_not_ready, gas_at_full_load, not_ready
from tests.strangers.sensors import readings
from tests.strangers.span import MINUTES_A_DAY, STRETCH_MINUTES
from tests.strangers.visible import visible_at
from tests.strangers.world import World, carried, draw_span, twin_of

SEED = 5
DAYS = 9
ONSET = 4 * MINUTES_A_DAY
# Faults so hard that each must stop its unit from being ready within the days left, with the criterion that says so.
HARD = {
    "vent_blocked/full": "gas",
    "gas_supply_low/supply": "gas",
    "high_gas_pressure/spring_drift": "gas",
    "low_gas_pressure/spring_drift": "gas",
    "battery_weak/loose_post": "battery",
    "ventilation_restricted/louver_stuck": "air",
    "low_coolant_level/hose_burst": "coolant",
    "control_not_in_auto/left_off": "switch",
}


@pytest.fixture(scope="module")
def world() -> World:
    """Sound units, then one unit for each hard fault, then two with no heat, one of them in the cold."""
    span = draw_span(SEED, DAYS)
    numbers, faults = list(range(8)), []
    taken = 8
    for name in [*HARD, "heater_failed/element_open"]:
        kind = KIND_OF[name]
        while not kind.only(design(SEED, taken)) or (kind.group == "water" and not _cold(design(SEED, taken))):
            taken += 1
        faults.append(Fault(len(numbers), kind, ONSET, ONSET, span.minutes, False, 1.0, "step"))
        numbers.append(taken)
        taken += 1
    return carried(SEED, [design(SEED, number) for number in numbers], faults, span)


def _cold(unit: Design) -> bool:
    cold = unit.climate.mean + unit.climate.season < 14 and unit.words["enclosure"] in ("sheet steel", "container")
    return cold and unit.words["heater"] != "plug"


def test_sound_units_are_ready(world: World) -> None:
    sound = range(len(world.designs) - len(world.faults))
    assert [span for span in not_ready(world) if span.unit in sound] == []


@pytest.mark.parametrize("name", list(HARD))
def test_hard_fault_ends_readiness_by_its_own_criterion(world: World, name: str) -> None:
    fault = next(fault for fault in world.faults if fault.kind.name == name)
    first = first_not_ready(fault, not_ready(world))
    assert first is not None
    assert first.criterion == HARD[name]
    assert first.begin >= ONSET


def test_truth_is_what_the_traces_say(world: World) -> None:
    """At the moment named the value has just crossed the contract's limit, in the traces themselves."""
    checked = 0
    crank, gas = crank_now(world), gas_at_full_load(world)
    for span in not_ready(world):
        here, before = span.begin // STRETCH_MINUTES, span.begin // STRETCH_MINUTES - 1
        if span.criterion == "water":
            assert world.traces.block[here, span.unit] < 21.0
            assert world.traces.block[before, span.unit] >= 21.0
        elif span.criterion == "battery":
            assert crank[here, span.unit] < 8.0 <= crank[before, span.unit]
        elif span.criterion == "gas":
            assert not 0.6 <= gas[here, span.unit] <= 1.5
            assert 0.6 <= gas[before, span.unit] <= 1.5
        checked += 1
    assert checked >= len(HARD)


def test_fault_shows_itself_against_its_twin(world: World) -> None:
    """Hard faults are seen soon after their onset, and units without one are their twins to the last bit."""
    twin = twin_of(world)
    sound = len(world.designs) - len(world.faults)
    np.testing.assert_array_equal(world.traces.water[:, :sound], twin.traces.water[:, :sound])
    np.testing.assert_array_equal(world.traces.volts[:ONSET], twin.traces.volts[:ONSET])
    seen = {fault.kind.name: visible_at(fault, world, twin) for fault in world.faults}
    for name in ("heater_failed/element_open", "vent_blocked/full", "high_gas_pressure/spring_drift"):
        at = seen[name]
        assert at is not None
        assert ONSET <= at < ONSET + MINUTES_A_DAY
    assert seen["control_not_in_auto/left_off"] is None


def test_block_without_heat_falls_to_its_air(world: World) -> None:
    fault = next(fault for fault in world.faults if fault.kind.name == "heater_failed/element_open")
    assert world.traces.heater_watt[ONSET // STRETCH_MINUTES + 1 :, fault.unit].max() == 0.0
    end = world.traces.block[-1, fault.unit]
    assert end < world.traces.block[ONSET // STRETCH_MINUTES - 1, fault.unit] - 10


def test_traces_stay_within_physics(world: World) -> None:
    traces = world.traces
    assert traces.water.min() > -50
    assert traces.water.max() < 126
    assert traces.volts.min() >= 0.3
    assert traces.volts.max() < 18
    assert traces.charge.min() >= 0
    assert traces.charge.max() <= 1.0001
    assert traces.air.min() > -50
    assert traces.air.max() < 100
    stopped = traces.running == 0
    assert np.all(traces.gas[stopped] <= np.maximum(traces.supply, traces.gas[0])[stopped] + 1)


def test_readings_of_whole_set_count_its_blocks(world: World) -> None:
    minutes = np.arange(100.0, 4000.0, 7.0)
    for column, unit in enumerate(world.designs[:8]):
        volts = np.median(readings(world, column, "battery_voltage", minutes, []))
        assert 12.4 < volts / unit.battery["blocks"] < 15.6


def test_every_kind_is_dealt() -> None:
    designs = [design(SEED, number) for number in range(90)]
    dealt = deal(SEED, designs, span=draw_span(SEED, 90), count=90)
    assert {fault.kind.name for fault in dealt} == {kind.name for kind in KINDS}
    assert all(fault.kind.only(designs[fault.unit]) for fault in dealt)
    assert all(0 <= fault.begin <= fault.full <= fault.end for fault in dealt)


def test_kinds_speak_the_contracts_language() -> None:
    for kind in KINDS:
        assert {kind.condition, *kind.accepted} <= set(CONDITIONS)


def test_families_are_all_met() -> None:
    words: dict[str, set[str]] = {}
    for number in range(250):
        for part, word in design(SEED, number).words.items():
            words.setdefault(part, set()).add(word)
    met = {part: len(found) for part, found in words.items()}
    assert met["climate"] == 8
    assert met["heater"] == 7
    assert met["charger"] == 8
    assert met["battery"] == 4
    assert met["enclosure"] == 5
    assert met["regulator"] == 3


def test_unit_is_the_same_whatever_others_there_are() -> None:
    assert design(SEED, 3) == design(SEED, 3)
    assert design(SEED, 3) != design(SEED + 1, 3)


def test_same_seed_same_bytes(tmp_path: Path) -> None:
    """Twice the command; then what it wrote is read by the program's own readers."""
    for name in ("one", "two"):
        arguments = ["--seed", "9", "--units", "4", "--days", "3", "--faults", "3", "--out", str(tmp_path / name)]
        assert main(arguments) == 0
    files = sorted(path.relative_to(tmp_path / "one") for path in (tmp_path / "one").rglob("*") if path.is_file())
    assert len(files) == 6
    for file in files:
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()
    assert len(load_fleet(tmp_path / "one" / "fleet.toml").units) == 4
    assert sum(len(part.row) for file in history_files([tmp_path / "one"]) for part in file.portions()) > 10_000
    truth = [json.loads(line) for line in (tmp_path / "one" / "truth.jsonl").read_text("utf-8").splitlines()]
    assert {"unit", "fault", "event"} <= {row["row"] for row in truth}


def test_strangers_know_neither_simulator_nor_models() -> None:
    for path in Path(__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [name for name in names if name.split(".")[0] in ("simulator", "models")]
