"""`stillready simulate`, as it is typed: folders, faults of a scenario, words that do not fit together."""

import json
import threading
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from monitor.commands.cli import run
from simulator.scenario import ready_made

SMALL = 'from = 2026-01-06\ndays = 1\nfleet = "lone-pump"\n'


@pytest.fixture(autouse=True)
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a small scenario, in which the words are typed."""
    (tmp_path / "small.toml").write_text(SMALL)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def typed(words: str) -> int:
    return run(words.split())


def test_without_a_scenario_it_lists_those_that_there_are(capsys: pytest.CaptureFixture[str]):
    assert typed("simulate") == 0
    listed = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in listed] == list(ready_made())
    assert all(len(line.split()) > 5 for line in listed)


def test_a_scenario_becomes_a_folder_that_replay_reads(house: Path, capsys: pytest.CaptureFixture[str]):
    assert typed("simulate small.toml --out out") == 0
    said = capsys.readouterr().err
    rows = pq.read_table(house / "out" / "readings").num_rows
    assert f"{rows:,} readings of 1 units in 1 days, and the truth, in out." in said
    assert json.loads((house / "out" / "truth.jsonl").read_text("utf-8").splitlines()[0])["name"] == "small"
    assert typed("replay --fleet out/fleet.toml --readings out/readings --alarms alarms.jsonl") == 0
    assert f"from {rows:,} readings of 1 units" in capsys.readouterr().err


def test_a_second_time_into_the_same_folder_is_refused(capsys: pytest.CaptureFixture[str]):
    assert typed("simulate small.toml --out out") == 0
    assert typed("simulate small.toml --out out") == 1
    assert "is there already. Name a new folder" in capsys.readouterr().err


def test_every_fault_of_a_scenario_is_said(house: Path, capsys: pytest.CaptureFixture[str]):
    (house / "bad.toml").write_text(SMALL + 'colour = 1\n[[events]]\nkind = "cold_snapp"\n')
    assert typed("simulate bad.toml --out out") == 1
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 2
    assert said[0].startswith("bad.toml: colour is not known here.")
    assert 'Did you mean "cold_snap"?' in said[1]
    assert not (house / "out").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("simulate lone-pump", "--out FOLDER, or --mqtt"),
        ("simulate lone-pump --out a --mqtt mqtt://127.0.0.1:1", "--out FOLDER, or --mqtt"),
        ("simulate lone-pump --out a --speed 3", "--speed is for --mqtt"),
        ("simulate lone-pump --mqtt mqtt://127.0.0.1:1 --plots", "--plots draws into the folder"),
        ("simulate lone-pump --mqtt mqtt://127.0.0.1:1 --speed 0", "where more than 0"),
    ],
)
def test_words_that_do_not_fit_together_are_wrong_use(words: str, said: str, capsys: pytest.CaptureFixture[str]):
    assert typed(words) == 2
    assert said in capsys.readouterr().err


def test_a_scenario_without_faults_has_nothing_to_plot(capsys: pytest.CaptureFixture[str]):
    assert typed("simulate small.toml --out out --plots") == 0
    assert "No plots: nothing fails in this scenario." in capsys.readouterr().err


def test_no_thread_of_a_simulation_stays():
    before = threading.active_count()
    assert typed("simulate small.toml --out out") == 0
    assert threading.active_count() == before
