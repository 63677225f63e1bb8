"""The command line: what it answers to right and wrong words, in sentences and exit codes."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.acquisition.decoder import Decoder, Message
from monitor.commands.cli import run
from monitor.fleet import load_fleet
from monitor.settings import Settings
from monitor.stores.embedded import EmbeddedReadings
from monitor.stores.operations import FILE_NAME, SqlOperations
from monitor.times import MINUTE_NS, from_rfc3339

FLEET = '# the valley\n[sites.mill]\ntimezone = "America/Denver"\n\n[units.mill-1]\nsite = "mill"\n'
COMMANDS = [
    *(["serve"], ["replay"], ["demo"], ["check"], ["history", "import"], ["history", "export"]),
    ["simulate"],
    *(["quarantine", "list"], ["quarantine", "show"], ["quarantine", "admit"]),
]
BEGIN_NS = from_rfc3339("2026-01-13T00:00:00Z")


@pytest.fixture(autouse=True)
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a fleet file, in which the words are typed."""
    (tmp_path / "fleet.toml").write_text(FLEET)
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("STILLREADY_SETTINGS", raising=False)
    return tmp_path


def typed(words: str) -> int:
    return run(words.split())


def history_csv(house: Path, *, unit: str = "mill-1", value: float = 27.1) -> Path:
    rows = [f"2026-01-13T00:{minute:02}:00Z,{unit},gas_pressure,{value + minute}" for minute in range(30)]
    path = house / "old.csv"
    path.write_text("\n".join(["time,unit,signal,value", *rows, "2026-01-13T00:00:00,mill-1,gas_pressure,1"]) + "\n")
    return path


def set_aside_an_unknown_unit(house: Path, volts: float = 13.0) -> None:
    """Three messages of a unit that stands in no fleet file, as the collector keeps them."""
    decoder = Decoder(load_fleet(house / "fleet.toml"), Settings())
    messages = []
    for number in range(3):
        record = {"bn": "mill-2/", "bt": 1_768_262_400 + 60 * number, "n": "battery_voltage", "v": volts + number / 10}
        arrival_ns = BEGIN_NS + number * MINUTE_NS
        messages.append(
            Message("stillready/mill/mill-2/readings", json.dumps([record]).encode(), "", False, arrival_ns)
        )
    (house / "data").mkdir()
    operations = SqlOperations(house / "data" / FILE_NAME)
    operations.set_aside(decoder.decode(messages).set_aside)
    operations.close()


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_every_command_explains_itself_with_an_example(words: list[str], capsys: pytest.CaptureFixture[str]):
    assert run([*words, "--help"]) == 0
    assert f"Example: stillready {' '.join(words)}" in capsys.readouterr().out


def test_help_needs_none_of_the_heavy_packages():
    """`--help` has to be there at once: pandas alone takes 0.7 s to import, SQLAlchemy 0.6 s."""
    heavy = "{'numpy', 'pandas', 'pyarrow', 'sqlalchemy', 'fastapi', 'pydantic', 'paho', 'icalendar', 'httpx'}"
    code = f"import sys; from monitor.commands.cli import run; run(['--help']); print({heavy} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "set()"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ("histry", 'Unknown command "histry". Did you mean "history"?'),
        ("replay", "requires an argument"),
        ("serve --lisen 127.0.0.1:1", "--lisen"),
        ("replay --readings a --alarms o --from yesterday", '"yesterday" is no time. Write it as'),
        ("replay --readings a --alarms o --from 2026-01-01T00:00:00", "does not say its offset"),
        ("replay --readings a --alarms o --from 2026-01-02T00:00:00Z --to 2026-01-01T00:00:00Z", "not before --to"),
        ("replay --readings a --alarms o --models m", "There are no trained models in this version"),
        ("quarantine list --limit many", "many"),
    ],
)
def test_wrong_use_ends_with_2_and_one_sentence(words: str, sentence: str, capsys: pytest.CaptureFixture[str]):
    assert typed(words) == 2
    said = capsys.readouterr()
    assert sentence in said.err
    assert len(said.err.strip().splitlines()) == 1
    assert said.out == ""


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ("replay --readings nowhere --alarms out.jsonl", "nowhere"),
        ("replay --fleet nowhere.toml --readings . --alarms out.jsonl", "nowhere.toml cannot be read"),
        (
            "history export --data nowhere --out out",
            "nowhere holds no data of Stillready. Name its folder with --data.",
        ),
        ("quarantine list --data nowhere", "nowhere holds no data of Stillready."),
        ("quarantine admit mill-2 --site mill --data nowhere", "nowhere holds no data of Stillready."),
        ("serve --settings nowhere.toml", "The settings file nowhere.toml cannot be read"),
        ("serve --fleet nowhere.toml --data data", "nowhere.toml cannot be read"),
        ("serve --listen here", '"here" is no HOST:PORT.'),
    ],
)
def test_a_failure_ends_with_1_and_says_what_to_do(words: str, sentence: str, capsys: pytest.CaptureFixture[str]):
    assert typed(words) == 1
    said = capsys.readouterr()
    assert sentence in said.err
    assert "Traceback" not in said.err
    assert said.out == ""


def test_an_unknown_variable_stops_every_command_that_reads_settings(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    monkeypatch.setenv("STILLREADY_DATTA", "x")
    assert typed("quarantine list") == 1
    assert 'STILLREADY_DATTA is no setting. Did you mean "STILLREADY_DATA"?' in capsys.readouterr().err


def test_the_settings_file_can_be_named_in_the_environment(
    house: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    (house / "settings.toml").write_text('data = "of-the-file"\n')
    monkeypatch.setenv("STILLREADY_SETTINGS", str(house / "settings.toml"))
    assert typed("quarantine list") == 1
    assert "of-the-file holds no data" in capsys.readouterr().err


def test_history_goes_in_once_comes_out_whole_and_replays_to_the_same_bytes(
    house: Path, capsys: pytest.CaptureFixture[str]
):
    history_csv(house)
    assert typed("history import old.csv --data data") == 0
    said = capsys.readouterr().err
    assert (
        said
        == "30 of 30 readings were not there yet and are kept. 1 were set aside, see `stillready quarantine list`.\n"
    )
    assert typed("history import old.csv --data data") == 0
    assert capsys.readouterr().err.startswith("0 of 30 readings were not there yet")

    assert typed("quarantine list --data data") == 0
    listed = capsys.readouterr().out
    assert "naive_time" in listed
    assert "Set aside in all: 1 naive_time." in listed

    assert typed("history export --data data --out out") == 0
    assert capsys.readouterr().err == "30 readings in 1 files in out.\n"
    assert typed("replay --readings old.csv --alarms a.jsonl") == 0
    assert typed("replay --readings out/mill-1.parquet out --alarms b.jsonl") == 0
    assert (house / "a.jsonl").read_bytes() == (house / "b.jsonl").read_bytes()


def test_a_unit_without_readings_cannot_be_exported(house: Path, capsys: pytest.CaptureFixture[str]):
    history_csv(house)
    assert typed("history import old.csv --data data") == 0
    assert typed("history export --data data --out out --unit mill-9") == 1
    assert "data holds no reading of mill-9. Check the name." in capsys.readouterr().err


def test_an_unknown_unit_is_admitted_with_the_readings_that_came_before(
    house: Path, capsys: pytest.CaptureFixture[str]
):
    set_aside_an_unknown_unit(house)
    assert typed("quarantine admit mill-2 --site mill --data data") == 0
    assert "mill-2 stands in fleet.toml. 3 readings were kept." in capsys.readouterr().err
    fleet = load_fleet(house / "fleet.toml")
    assert list(fleet.units) == ["mill-1", "mill-2"]
    assert (house / "fleet.toml").read_text().startswith("# the valley\n"), "comments stay"
    readings = EmbeddedReadings(house / "data")
    kept = readings.read(units=["mill-2"], signals=["battery_voltage"], from_ns=0, to_ns=2**62)
    readings.close()
    assert kept.value.tolist() == [13.0, 13.1, 13.2]
    assert kept.received_ns.tolist() == [BEGIN_NS, BEGIN_NS + MINUTE_NS, BEGIN_NS + 2 * MINUTE_NS]
    assert typed("quarantine list --data data") == 0
    assert capsys.readouterr().out == "Nothing is set aside.\n"


def test_a_unit_with_a_24_v_battery_is_admitted_with_its_readings(house: Path, capsys: pytest.CaptureFixture[str]):
    set_aside_an_unknown_unit(house, volts=27.0)
    assert typed("quarantine admit mill-2 --site mill --battery-nominal-voltage 24 --data data") == 0
    assert "3 readings were kept." in capsys.readouterr().err
    assert load_fleet(house / "fleet.toml").units["mill-2"].blocks == 2


def test_admitting_again_changes_nothing_more(house: Path, capsys: pytest.CaptureFixture[str]):
    set_aside_an_unknown_unit(house)
    assert typed("quarantine admit mill-2 --site mill --data data") == 0
    before = (house / "fleet.toml").read_bytes()
    assert typed("quarantine admit mill-2 --site mill --data data") == 0
    assert "0 readings were kept." in capsys.readouterr().err
    assert (house / "fleet.toml").read_bytes() == before


def test_admitting_at_a_site_that_is_not_there_changes_nothing(house: Path, capsys: pytest.CaptureFixture[str]):
    set_aside_an_unknown_unit(house)
    assert typed("quarantine admit mill-2 --site mil --data data") == 1
    assert 'Did you mean "mill"?' in capsys.readouterr().err
    assert (house / "fleet.toml").read_text() == FLEET
    assert typed("quarantine list --data data --reason unknown_unit") == 0
    assert capsys.readouterr().out.endswith("3 shown. Set aside in all: 3 unknown_unit.\n")


def test_a_message_of_the_wrong_site_stays_aside_when_its_unit_is_admitted(
    house: Path, capsys: pytest.CaptureFixture[str]
):
    (house / "fleet.toml").write_text(FLEET + "[sites.weir]\n")
    set_aside_an_unknown_unit(house)
    assert typed("quarantine admit mill-2 --site weir --data data") == 0
    assert "0 readings were kept. 3 could not be read even so" in capsys.readouterr().err
    assert typed("quarantine list --data data") == 0
    assert "Set aside in all: 3 wrong_site." in capsys.readouterr().out


def test_one_item_is_shown_with_its_payload_but_nothing_that_steers_a_terminal(
    house: Path, capsys: pytest.CaptureFixture[str]
):
    (house / "data").mkdir()
    operations = SqlOperations(house / "data" / FILE_NAME)
    decoder = Decoder(load_fleet(house / "fleet.toml"), Settings())
    message = Message("stillready/mill/mill-1/readings", b'\x1b[2J{"not": "a pack"', "", False, BEGIN_NS)
    operations.set_aside(decoder.decode([message]).set_aside)
    key = operations.quarantined(limit=1)[0].key
    operations.close()
    assert typed(f"quarantine show {key[:8]} --data data") == 0
    shown = capsys.readouterr().out
    assert '·[2J{"not": "a pack"' in shown
    assert "\x1b" not in shown
    assert typed("quarantine show ffffffffff --data data") == 1
    assert "Take a key from `stillready quarantine list`" in capsys.readouterr().err


def test_ctrl_c_is_quiet(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    def interrupted(*args: object, **options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("monitor.replaying.replay_files", interrupted)
    assert typed("replay --readings . --alarms out.jsonl") == 130
    assert capsys.readouterr() == ("", "")
