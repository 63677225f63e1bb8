"""A scenario on disk: history in the contract's form, the truth, the fleet file, and the same bytes each time."""

import json
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from monitor.fleet import load_fleet
from monitor.signals import NAMES
from simulator.playing import Written, play, write
from simulator.scenario import Scenario, parse_scenario

TEXT = """
seed = 5
from = 2026-01-30
days = 3
fleet = "tarn-valley"
outages = false
signals = ["control_in_auto"]
[[faults]]
unit = "quay-crane"
kind = "control_left_off"
from = "1 d"
to = "2 d"
[[events]]
kind = "outage"
site = "harbour"
from = "30 h"
to = "31 h"
"""


def written(scenario: Scenario, out: Path) -> Written:
    return write(scenario, out)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("simulated") / "out"
    written(parse_scenario(TEXT), out)
    return out


def records(folder: Path, kind: str) -> list[dict[str, object]]:
    lines = [json.loads(line) for line in (folder / "truth.jsonl").read_text("utf-8").splitlines()]
    return [line for line in lines if line["record"] == kind]


def test_history_is_in_the_contracts_form_a_file_a_unit_and_month(folder: Path):
    files = sorted(str(path.relative_to(folder / "readings")) for path in folder.rglob("*.parquet"))
    assert len(files) == 16
    assert files[:2] == ["boiler-house/2026-01.parquet", "boiler-house/2026-02.parquet"]
    table = pq.read_table(folder / "readings" / "quay-crane" / "2026-01.parquet")
    assert table.column_names == ["time", "unit", "signal", "value", "received"]
    assert str(table.schema.field("time").type) == "timestamp[ns, tz=UTC]"
    assert set(table["unit"].to_pylist()) == {"quay-crane"}
    assert set(table["signal"].to_pylist()) == {*NAMES[:4], "control_in_auto"}


def test_rows_stand_as_they_were_received_each_minute_of_each_signal(folder: Path):
    table = pq.read_table(folder / "readings" / "cold-store")
    received = table["received"].cast("int64").to_numpy()
    assert np.all(np.diff(received) >= 0)
    water = table["signal"].to_numpy(zero_copy_only=False) == "jacket_water_temperature"
    assert 0.98 < water.sum() / (3 * 1440) <= 1.001


def test_values_are_those_of_a_warm_unit_that_somebody_could_have_read(folder: Path):
    table = pq.read_table(folder / "readings" / "clinic-main").to_pandas()
    middle = table.groupby("signal")["value"].median()
    assert 36.0 < middle["jacket_water_temperature"] < 52.0
    assert 25.5 < middle["battery_voltage"] < 30.0
    assert 4500.0 < middle["gas_pressure"] < 6500.0
    assert -25.0 < middle["enclosure_temperature"] < 25.0


def test_the_fleet_file_is_read_by_the_program(folder: Path):
    assert len(load_fleet(folder / "fleet.toml").units) == 8


def test_the_truth_stands_in_order_and_says_what_happened(folder: Path):
    lines = [json.loads(line) for line in (folder / "truth.jsonl").read_text("utf-8").splitlines()]
    assert lines[0]["record"] == "scenario"
    (fault,) = records(folder, "fault")
    assert (fault["kind"], fault["condition"]) == ("control_left_off", "control_not_in_auto")
    assert fault["not_ready_at"] == fault["from"] == "2026-01-31T00:00:00Z"
    span = next(line for line in records(folder, "not_ready") if not line["attended"])
    assert (span["unit"], span["reasons"]) == ("quay-crane", ["control_not_in_auto"])
    assert (span["from"], span["to"]) == ("2026-01-31T00:00:00Z", "2026-02-01T00:00:00Z")
    runs = {run["unit"]: run for run in records(folder, "run") if run["why"] == "outage"}
    assert runs["cold-store"]["started"] is True
    assert (runs["quay-crane"]["started"], runs["quay-crane"]["failed_because"]) == (False, "control_not_in_auto")
    assert records(folder, "outage") == [
        {"record": "outage", "site": "harbour", "from": "2026-01-31T06:00:00Z", "to": "2026-01-31T07:00:00Z"}
    ]
    assert [event["kind"] for event in records(folder, "event")] == ["outage"]
    assert records(folder, "visit")


def test_the_same_scenario_gives_the_same_bytes(folder: Path, tmp_path: Path):
    written(parse_scenario(TEXT), tmp_path / "again")
    files = sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    assert len(files) == 18
    for file in files:
        assert (tmp_path / "again" / file).read_bytes() == (folder / file).read_bytes(), file


def test_what_was_written_is_counted(tmp_path: Path):
    scenario = parse_scenario('from = 2026-01-05\ndays = 1\nfleet = "lone-pump"\n')
    told: list[tuple[int, int]] = []
    done = write(scenario, tmp_path / "out", told=lambda *counts: told.append(counts))
    assert told == [(1, 1)]
    assert (done.units, done.days) == (1, 1)
    assert done.readings == pq.read_table(tmp_path / "out" / "readings").num_rows > 5_600
    assert done.truths == len((tmp_path / "out" / "truth.jsonl").read_text("utf-8").splitlines())


def test_a_history_that_is_there_is_not_written_over(folder: Path):
    with pytest.raises(FileExistsError, match="Name a new folder"):
        written(parse_scenario(TEXT), folder)


def test_only_the_signals_that_a_scenario_names_are_reported():
    scenario = parse_scenario('from = 2026-01-05\ndays = 0.1\nfleet = "lone-pump"\n')
    (played,) = play(scenario)
    assert set(played.readings.signal.tolist()) == {0, 1, 2, 3}
    everything = parse_scenario('from = 2026-01-05\ndays = 0.1\nfleet = "lone-pump"\nsignals = ["all"]\n')
    (played,) = play(everything)
    assert set(played.readings.signal.tolist()) == set(range(13))
