"""A study: units live through scenarios, their history is replayed, and the alarms are scored against the truth.

`python -m tests.detection.study --help` for experiments; the proofs are in test_detection.py. Nothing is tuned on the
seeds that stand there.
"""

import argparse
import json
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from models.score import ALARM_COLUMNS, PARTS, Score, rate_interval, score
from monitor.assessment.modelling import Models
from monitor.assessment.models_known import MODELS
from monitor.batch import Batch
from monitor.fleet import load_fleet
from monitor.history import History
from monitor.limits_file import load_limits
from monitor.replaying import alarm_line, replay_unit
from monitor.times import HOUR_NS
from monitor.visits import load_visits
from simulator.playing import write
from simulator.scenario import load_scenario
from tests.detection.truths import labels, records, watched

FAULTS_OF_ISSUE = {
    "jacket water": ("heater_element_open", "heater_half_lost", "heater_stuck_on", "heater_hose_restricting",
                     "coolant_air_lock"),
    "battery and charger": ("charger_no_ac", "charger_output_sag", "charger_current_falling", "charger_intermittent",
                            "battery_shorted_cell", "battery_sulphated", "battery_overcharged", "load_left_on"),
    "supply": ("breaker_tripped",),
}  # fmt: skip
CONFUSERS = """
[[events]]
kind = "heat_wave"
from = "{a} d"
to = "{a5} d"
size = 8.0
[[events]]
kind = "cold_snap"
from = "{b} d"
to = "{b5} d"
size = 10.0
[[events]]
kind = "storm"
from = "{c} d"
to = "{c2} d"
size = 9.0
[[events]]
kind = "outage"
from = "{d} d"
to = "{d1} d"
"""
UNIT_CONFUSERS = """
[[events]]
kind = "equalise"
unit = "{unit}"
from = "{a} d"
to = "{a1} d"
[[events]]
kind = "battery_replaced"
unit = "{unit}"
at = "{b} d"
[[events]]
kind = "heater_set_point_changed"
unit = "{unit}"
at = "{c} d"
size = {size}
[[events]]
kind = "sensor_replaced"
unit = "{unit}"
at = "{d} d"
signal = "{signal}"
"""
SENSORS = ("battery_voltage", "enclosure_temperature", "jacket_water_temperature", "gas_pressure")


def scenario_text(
    seed: int,
    *,
    units: int,
    days: int,
    faults: dict[str, int] | None = None,
    begin: str = "2025-09-01",
    telemetry: str = "",
    after_days: int = 21,
) -> str:
    """A scenario of the widest fleet.

    Args:
        faults: how many of each kind; None: a healthy fleet with all confusers: a cold snap, a heat wave, a storm, a
            day without mains for all, and at every second unit an equalise charge, a new battery, a moved set point and
            a new sensor. after_days: sound ones before the first fault.
    """
    head = f'seed = {seed}\nfrom = {begin}\ndays = {days}\nfleet = "wide-country"\ncount = {units}\n'
    if telemetry:
        head += f'telemetry = "{telemetry}"\n'
    if faults is not None:
        counts = "".join(f"{kind} = {count}\n" for kind, count in faults.items())
        return f'{head}\n[drawn_faults]\nafter = "{after_days} d"\nlasting = ["4 d", "16 d"]\n{counts}'
    part = days / 10
    text = head + CONFUSERS.format(
        a=round(2 * part), a5=round(2 * part) + 5, b=round(5 * part), b5=round(5 * part) + 5,
        c=round(7 * part), c2=round(7 * part) + 2, d=round(8 * part), d1=round(8 * part) + 1,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scenario.toml"
        path.write_text(head, "utf-8")
        ids = load_scenario(str(path)).unit_ids
    for number, unit in enumerate(ids[::2]):
        shift = number % 7
        text += UNIT_CONFUSERS.format(
            unit=unit, a=round(3 * part) + shift, a1=round(3 * part) + shift + 0.3, b=round(4 * part) + shift,
            c=round(6 * part) + shift, size=(-5.0, 4.0, 7.0, -3.0)[number % 4], d=round(9 * part) + shift,
            signal=SENSORS[number % 4],
        )  # fmt: skip
    return text


@dataclass(frozen=True, slots=True)
class Studied:
    """What a study brought. judged: readings. seconds: simulating and replaying."""

    score: Score
    alarms: pd.DataFrame
    labels: pd.DataFrame
    watched: pd.DataFrame
    judged: int
    seconds: tuple[float, float]


Spoiled = Callable[[Batch, pd.DataFrame], Batch]
"""What a study does to one unit's readings before they are judged; the unit's labels stand beside them."""


def unspoiled(rows: Batch, _labels: pd.DataFrame) -> Batch:
    """As they came."""
    return rows


def with_gaps(rows: Batch, own: pd.DataFrame) -> Batch:
    """Nothing is heard from 6 h before the onset of each fault to 6 h after it."""
    keep = np.ones(len(rows), np.bool_)
    for onset in own["from"]:
        keep &= np.abs(rows.time_ns - onset.value) > 6 * HOUR_NS
    return rows.where(keep)


def in_first_day(rows: Batch, own: pd.DataFrame) -> Batch:
    """The unit is new: the first reading comes a day before its first fault."""
    return (
        rows.where(rows.time_ns >= own["from"].min().value - 24 * HOUR_NS)
        if len(own)
        else rows.where(np.zeros(len(rows), np.bool_))
    )


LIMITS_ALONE = replace(
    MODELS, each=tuple(replace(model, judge=lambda _seen, _normals: ((), ())) for model in MODELS.each)
)
"""The models learn what limits lean on, and say nothing."""


def study(
    text: str,
    folder: Path,
    *,
    from_days: float = 0.0,
    models: Models = MODELS,
    spoiled: Spoiled = unspoiled,
) -> Studied:
    """Simulate, replay, score one scenario.

    Args:
        folder: where the history goes; what is there already is taken. The others: as of judged.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "scenario.toml").write_text(text, "utf-8")
    begun = time.perf_counter()
    if not (folder / "history").exists():
        write(load_scenario(str(folder / "scenario.toml")), folder / "history")
    simulating = time.perf_counter() - begun
    done = judged(folder / "history", from_days=from_days, models=models, spoiled=spoiled)
    return replace(done, seconds=(simulating, done.seconds[1]))


def judged(history: Path, *, from_days: float = 0.0, models: Models = MODELS, spoiled: Spoiled = unspoiled) -> Studied:
    """Replay and score a history that has its fleet and its truth beside it.

    Args:
        from_days: alarms raised earlier than so long after the beginning do not count, nor does that time.
        models: that judge beside the limits. spoiled: what is done to the readings first.
    """
    begun = time.perf_counter()
    fleet = load_fleet(history / "fleet.toml")
    limits, deadline = load_limits(None, fleet), load_visits(fleet).deadline
    lines = records(history / "truth.jsonl")
    true, spans = labels(lines), watched(lines, list(fleet.units))
    rows_of = History([history / "readings"], fleet)
    until_ns = rows_of.until_ns()
    assert until_ns is not None, "a history has readings"
    found: list[str] = []
    count = 0
    for unit in rows_of.units():
        rows = spoiled(rows_of.unit(unit), true[true["unit"] == unit])
        count += len(rows)
        found += [
            alarm_line(alarm) for alarm in replay_unit(fleet, limits, deadline, unit, rows, until_ns, models=models)
        ]
    alarms = pd.DataFrame([json.loads(line) for line in found], columns=[*ALARM_COLUMNS, "urgency", "not_ready_at"])
    for name in ("raised_at", "cleared_at"):
        alarms[name] = pd.to_datetime(alarms[name], format="ISO8601", utc=True)
    begin = spans["from"].min() + pd.Timedelta(days=from_days)
    spans["from"] = begin
    alarms = alarms[(alarms["raised_at"] >= begin) & (alarms["raised_at"] < spans["to"].max())]
    return Studied(score(alarms, true, spans), alarms, true, spans, count, (0.0, time.perf_counter() - begun))


def studies(texts: list[str], folder: Path, *, from_days: float = 0.0) -> list[Studied]:
    """Several, on all cores."""
    with ProcessPoolExecutor(max_workers=2) as pool:
        jobs = [
            pool.submit(study, text, folder / f"study-{number}", from_days=from_days)
            for number, text in enumerate(texts)
        ]
        return [job.result() for job in jobs]


def together_of(done: list[Studied]) -> Score:
    """One score of several studies, whose units are others even where they have the same names."""

    def joined(tables: list[pd.DataFrame]) -> pd.DataFrame:
        named = [table.assign(unit=f"{number} " + table["unit"]) for number, table in enumerate(tables)]
        return pd.concat(named, ignore_index=True)

    return score(
        joined([one.alarms for one in done]),
        joined([one.labels for one in done]),
        joined([one.watched for one in done]),
    )


def told(name: str, result: Score) -> str:
    """A score as lines to print."""
    lines = [f"== {name}"]
    if len(result.by_condition):
        shown = result.by_condition[
            ["faults", "stopped", "in_time", "in_time_low", "called_in_time", "found", "cause_first", "cause_first_low",
             "lead_median", "lead_least_tenth", "used_median", "within_80", "forecasts"]
        ]  # fmt: skip
        lines.append(shown.round(2).to_string())
    healthy = result.healthy
    lines.append(
        f"healthy {healthy['unit_years']:.1f} unit-years: {healthy['false_call_outs']:.0f} false call-outs "
        f"({healthy['call_outs_a_year']:.3f} a year, {healthy['call_outs_a_year_low']:.3f} to "
        f"{healthy['call_outs_a_year_high']:.3f}), {healthy['false_visit_notes']:.0f} false visit notes "
        f"({healthy['visit_notes_a_year']:.3f} a year, {healthy['visit_notes_a_year_low']:.3f} to "
        f"{healthy['visit_notes_a_year_high']:.3f})"
    )
    lines += [_told_of_part(part, result) for part in ("jacket water", "battery")]
    if len(result.false_alarms):
        lines.append(result.false_alarms.groupby(["condition", "urgency"]).size().to_string())
    return "\n".join(lines)


def _told_of_part(part: str, result: Score) -> str:
    """What healthy units were called and noted for, of one part of them."""
    own = result.false_alarms[[PARTS.get(condition) == part for condition in result.false_alarms["condition"]]]
    years = float(result.healthy["unit_years"])
    called = int(own["called_at"].notna().sum())
    told_so = []
    for name, count in (("call-outs", called), ("visit notes", len(own) - called)):
        low, high = rate_interval(count, years)
        told_so.append(f"{count} false {name} ({count / years:.3f} a year, {low:.3f} to {high:.3f})")
    return f"of them {part}: {', '.join(told_so)}"


def main() -> None:
    """Run one study from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=900)
    parser.add_argument("--units", type=int, default=10)
    parser.add_argument("--days", type=int, default=120)
    parser.add_argument(
        "--each", type=int, default=0, help="faults of each kind of jacket water, battery and charger; 0: healthy"
    )
    parser.add_argument("--telemetry", default="")
    parser.add_argument("--begin", default="2025-09-01")
    parser.add_argument("--from-days", type=float, default=0.0, help="alarms of the first days do not count")
    parser.add_argument("--limits-alone", action="store_true")
    parser.add_argument("--history", type=Path, help="a history that is there already")
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    models = LIMITS_ALONE if given.limits_alone else MODELS
    if given.history:
        done = judged(given.history, from_days=given.from_days, models=models)
    else:
        kinds = [kind for part in FAULTS_OF_ISSUE.values() for kind in part]
        faults = dict.fromkeys(kinds, given.each) if given.each else None
        text = scenario_text(given.seed, units=given.units, days=given.days, faults=faults, begin=given.begin,
                             telemetry=given.telemetry)  # fmt: skip
        done = study(text, given.out, from_days=given.from_days, models=models)
    print(told(str(given.history or given.out), done.score))
    print(f"simulated in {done.seconds[0]:.1f} s, replayed in {done.seconds[1]:.1f} s")
    given.out.mkdir(parents=True, exist_ok=True)
    if len(done.score.faults):
        done.score.faults.merge(done.labels[["unit", "from", "kind", "severity", "to"]], on=["unit", "from"]).to_csv(
            given.out / "faults.csv", index=False
        )
    done.score.false_alarms.to_csv(given.out / "false.csv", index=False)


if __name__ == "__main__":
    main()
