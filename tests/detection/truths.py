"""Truth beside a simulated history, as the tables that models.score takes.

In: truth.jsonl of `stillready simulate`, or of tests/strangers (lines with a "row" where ours have a "record"). Out:
labels and watched, pandas.
"""

import json
from pathlib import Path
from typing import Any

import pandas as pd

SAME_FINER_NAME = {"low_battery_voltage/load_left_on": "charger_weak/load_left_on"}
"""Truth files name a load left on by the condition that it brings about, the product by the charger that it outdoes
(contract: finer names are our own). The finer name is what counts."""
COLUMNS = ("unit", "kind", "condition", "causes", "from", "to", "severity", "not_ready_at")


def records(path: Path) -> list[dict[str, Any]]:
    """The lines of a truth file."""
    return [json.loads(line) for line in path.read_text("utf-8").splitlines()]


def labels(lines: list[dict[str, Any]]) -> pd.DataFrame:
    """A row a fault, but for those of strangers that no perfect sensor could see."""
    rows = [line for line in lines if line.get("record") == "fault"]
    rows += [_of_stranger(line) for line in lines if line.get("row") == "fault" and not _hidden(line)]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    table["causes"] = [
        [*own, *(SAME_FINER_NAME[one] for one in own if one in SAME_FINER_NAME)] for own in table["causes"]
    ]
    for moment in ("from", "to", "not_ready_at"):
        table[moment] = pd.to_datetime(table[moment], format="ISO8601", utc=True)
    return table


def watched(lines: list[dict[str, Any]], units: list[str]) -> pd.DataFrame:
    """The whole span of a history, for each unit."""
    head = next(line for line in lines if line.get("record") == "scenario" or line.get("row") == "unit")
    begin, end = (pd.Timestamp(head[name]) for name in ("from", "to"))
    return pd.DataFrame({"unit": units, "from": begin, "to": end})


def _hidden(line: dict[str, Any]) -> bool:
    told = line["condition"] in ("sensor_suspect", "readings_missing", "clock_wrong", "control_not_in_auto")
    return line["visible_at"] is None and not told


def _of_stranger(line: dict[str, Any]) -> dict[str, Any]:
    return {
        "unit": line["unit"],
        "kind": line["cause"],
        "condition": line["condition"],
        "causes": [line["condition"], *line["accepted"]],
        "from": line["onset"],
        "to": line["ends_at"] if line["repaired"] else None,
        "severity": line["severity"],
        "not_ready_at": None if line["already_not_ready"] else line["not_ready_at"],
    }
