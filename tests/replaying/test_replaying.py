"""`stillready replay`: files in, the contract's lines out, the same bytes whatever the order of files and rows."""

import json

import numpy as np
import pandas as pd
import pytest

from monitor.alarms import lifecycle
from monitor.alarms.lifecycle import Cause, Finding, Kind, NotReady, Said, Urgency
from monitor.replaying import alarm_line, alarms_of, in_order, replay_files
from monitor.times import HOUR_NS, MINUTE_NS, from_rfc3339
from tests.assessment.bench import STEADY

BEGIN = "2026-02-03T00:00:10Z"
BEGIN_NS = from_rfc3339(BEGIN)
FLEET = """
[sites.mill]
name = "Mill"
[units.mill-1]
site = "mill"
[units.mill-2]
site = "mill"
battery_nominal_voltage = 24
"""


def history(*, received=True, minutes=360) -> pd.DataFrame:
    """Two units each minute: the water of one cools in the third hour, the gas of the other fails in the fifth."""
    parts = []
    for unit, blocks in (("mill-1", 1), ("mill-2", 2)):
        for signal, value in STEADY.items():
            minute = np.arange(minutes)
            values = np.full(minutes, value * (blocks if signal == "battery_voltage" else 1))
            if (unit, signal) == ("mill-1", "jacket_water_temperature"):
                values[120:180], values[180:200] = 33.0, 20.0
            if (unit, signal) == ("mill-2", "gas_pressure"):
                values[240:] = 500.0
            time = pd.to_datetime(BEGIN_NS + minute * MINUTE_NS, utc=True)
            parts.append(pd.DataFrame({"time": time, "unit": unit, "signal": signal, "value": values}))
    table = pd.concat(parts, ignore_index=True)
    if received:
        table["received"] = table["time"] + pd.Timedelta(seconds=1)
    return table


@pytest.fixture
def place(tmp_path):
    (tmp_path / "fleet.toml").write_text(FLEET)
    return tmp_path


def replayed(place, *tables, **kwargs) -> str:
    folder = place / f"history-{len(list(place.iterdir()))}"
    folder.mkdir()
    for number, table in enumerate(tables):
        table.to_parquet(folder / f"{number}.parquet")
    out = place / "alarms.jsonl"
    replay_files(place / "fleet.toml", [folder], out, **kwargs)
    return out.read_text(encoding="utf-8")


LINES = (
    '{"unit": "mill-1", "condition": "low_water_temperature", "urgency": "now", "raised_at": "2026-02-03T02:15:10Z", '
    '"cleared_at": "2026-02-03T03:35:10Z", "urgency_history": [["2026-02-03T02:15:10Z", "at_visit"], '
    '["2026-02-03T03:01:10Z", "now"]], "causes": [], "not_ready_at": {"p10": "2026-02-03T03:01:10Z", '
    '"p50": "2026-02-03T03:01:10Z", "p90": "2026-02-03T03:01:10Z"}, "first_said": {"urgency": "at_visit", '
    '"causes": [], "not_ready_at": null}}\n'
    '{"unit": "mill-2", "condition": "low_gas_pressure", "urgency": "before_visit", '
    '"raised_at": "2026-02-03T04:00:25Z", "cleared_at": null, "urgency_history": [["2026-02-03T04:00:25Z", '
    '"before_visit"]], "causes": [], "not_ready_at": null, "first_said": {"urgency": "before_visit", "causes": [], '
    '"not_ready_at": null}}\n'
)


def test_the_lines_are_the_contracts(place):
    assert replayed(place, history()) == LINES


def test_without_the_moments_of_arrival_the_alarms_are_the_same(place):
    assert replayed(place, history(received=False)) == LINES


def test_any_order_of_rows_and_any_cut_into_files_gives_the_same_bytes(place):
    for seed in range(3):
        rng = np.random.default_rng(seed)
        mixed = history().iloc[rng.permutation(len(history()))]
        cut = sorted(rng.integers(1, len(mixed), 2).tolist())
        tables = [mixed.iloc[: cut[0]], mixed.iloc[cut[0] : cut[1]], mixed.iloc[cut[1] :]]
        assert replayed(place, *tables) == LINES


def test_repeats_change_nothing(place):
    assert replayed(place, history(), history().sample(300, random_state=1)) == LINES


def test_to_is_as_if_that_were_the_present(place):
    """Nothing after it is looked at: what the first hours say is the same with or without the rest."""
    at = from_rfc3339("2026-02-03T03:00:11Z")
    early = replayed(place, history(), to_ns=at)
    rows = history()
    assert early == replayed(place, rows[rows["received"] < pd.Timestamp(at, unit="ns", tz="UTC")], to_ns=at)
    (line,) = [json.loads(text) for text in early.splitlines()]
    assert (line["urgency"], line["cleared_at"]) == ("at_visit", None)


def test_from_leaves_out_what_was_raised_before_it_and_learns_from_it_all_the_same(place):
    whole = LINES.splitlines(keepends=True)
    assert replayed(place, history(), from_ns=from_rfc3339("2026-02-03T02:15:11Z")) == whole[1]
    assert replayed(place, history(), from_ns=from_rfc3339("2026-02-03T02:15:10Z")) == LINES


def test_silence_is_judged_by_gaps_in_event_time_where_arrivals_are_not_known(place):
    rows = history(received=False)
    quiet = (rows["unit"] == "mill-1") & (rows["time"] >= pd.Timestamp(BEGIN) + pd.Timedelta(minutes=100))
    lines = [json.loads(line) for line in replayed(place, rows[~quiet]).splitlines()]
    missing = [(line["unit"], line["raised_at"]) for line in lines if line["condition"] == "readings_missing"]
    assert missing == [("mill-1", "2026-02-03T02:40:00Z")]


def test_a_history_of_nothing_gives_no_lines(place):
    assert replayed(place, history().iloc[:0]) == ""


def test_limits_decide(place):
    (place / "limits.toml").write_text("[fleet.jacket_water_temperature.stopped]\nlow_not_ready = false\n")
    assert '"now"' not in replayed(place, history(), limits=place / "limits.toml")


def finding(condition="heater_failed", unit="mill-1", at_ns=BEGIN_NS, said=None):
    return Finding(unit, condition, Kind.RAISED, at_ns, at_ns, said or Said(Urgency.NOW))


def test_a_line_with_causes_and_a_forecast():
    said = Said(
        Urgency.BEFORE_VISIT,
        (Cause("heater_failed/element_open", 0.62), Cause("heater_failed/no_ac_supply", 0.27)),
        NotReady(BEGIN_NS + HOUR_NS, BEGIN_NS + 2 * HOUR_NS + 500_000_000, None),
    )
    line = json.loads(alarm_line(lifecycle.raised(finding(said=said))))
    assert list(line) == [
        "unit", "condition", "urgency", "raised_at", "cleared_at", "urgency_history", "causes", "not_ready_at",
        "first_said",
    ]  # fmt: skip
    assert line["causes"] == [
        {"cause": "heater_failed/element_open", "probability": 0.62},
        {"cause": "heater_failed/no_ac_supply", "probability": 0.27},
    ]
    assert line["not_ready_at"] == {"p10": "2026-02-03T01:00:10Z", "p50": "2026-02-03T02:00:10.500Z", "p90": None}
    assert line["first_said"] == {
        "urgency": "before_visit", "causes": line["causes"], "not_ready_at": line["not_ready_at"],
    }  # fmt: skip


def test_alarms_are_sorted_by_moment_then_unit_then_condition():
    some = [
        finding("vent_blocked", "mill-2"),
        finding("heater_failed", "mill-2"),
        finding("vent_blocked", "mill-1"),
        finding("regulator_creep", "mill-9", BEGIN_NS - 1),
    ]
    ordered = [(alarm.unit, alarm.condition) for alarm in in_order(alarms_of(some))]
    assert ordered == [
        ("mill-9", "regulator_creep"),
        ("mill-1", "vent_blocked"),
        ("mill-2", "heater_failed"),
        ("mill-2", "vent_blocked"),
    ]
