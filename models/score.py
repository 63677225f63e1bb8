"""Score: how the alarms of a replay answer to what was truly wrong.

In: two pandas tables, alarms and labels, and which units were watched when. Out: tables. May import: numpy, pandas,
scipy. Touches nothing. One of the two doors of models that take and give pandas.

A fault counts as found by the first alarm on its unit, between its onset and its end, that speaks of the right part of
the unit (PARTS); whether it names the right cause is a figure of its own. A false alarm is one on a unit at which
nothing was wrong, nor had been for AFTERMATH.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import beta, chi2

PARTS: Mapping[str, str] = {
    **dict.fromkeys(
        ("heater_failed", "heater_weak", "heater_stuck_on", "coolant_circulation_restricted", "low_water_temperature",
         "high_water_temperature", "low_coolant_level"),
        "jacket water",
    ),
    **dict.fromkeys(
        ("charger_failed", "charger_weak", "battery_weak", "battery_overcharged", "low_battery_voltage",
         "high_battery_voltage", "low_cranking_voltage"),
        "battery",
    ),
    **dict.fromkeys(
        ("vent_blocked", "regulator_creep", "gas_supply_low", "low_gas_pressure", "high_gas_pressure"), "gas"
    ),
    **dict.fromkeys(
        ("ventilation_restricted", "high_enclosure_temperature", "low_enclosure_temperature"), "enclosure"
    ),
    **dict.fromkeys(("failed_to_start", "control_not_in_auto", "exercise_overdue"), "starting"),
    **dict.fromkeys(("readings_missing", "sensor_suspect", "clock_wrong"), "telemetry"),
}  # fmt: skip
"""The part of a unit that a condition speaks of; `unusual_behaviour` speaks of all."""
ANY_PART = "unusual_behaviour"
CALLS = ("before_visit", "now")
AFTERMATH = pd.Timedelta(3, "D")  # after a repair: batteries recharge and water settles for days (our choice)
HOUR, YEAR = pd.Timedelta(hours=1), pd.Timedelta(days=365.25)
SHARE = 0.95
QUANTILES = ("p10", "p90")
ALARM_COLUMNS = ("unit", "condition", "urgency_history", "causes", "first_said", "raised_at", "cleared_at")
LABEL_COLUMNS = ("unit", "condition", "causes", "from", "to", "not_ready_at")
WATCHED_COLUMNS = ("unit", "from", "to")


@dataclass(frozen=True, slots=True)
class Score:
    """What came of a scoring.

    by_condition: a row a condition and one for all, of the faults: `faults`; `stopped`, how many of them kept their
    unit from starting; `in_time`, share of those found before; `called_in_time`, share of those for which somebody was
    called before; `found`, share of all faults found at all; `cause_first`, share of the found whose first-named cause
    was the true one; `lead_median`, `lead_least_tenth`: h of warning before the unit stopped being ready, 0 where there
    was none; `used_median`, share of the time from onset to there that was left as warning; `within_80`, share of 80 %
    forecasts that held the truth, of `forecasts`. Shares have `_low` and `_high`, their 95 % interval.
    healthy: `unit_years`, `false_call_outs`, `false_visit_notes`, and both a unit-year with their interval.
    faults: a row a fault. false_alarms: those of healthy time.
    """

    by_condition: pd.DataFrame
    healthy: pd.Series
    faults: pd.DataFrame
    false_alarms: pd.DataFrame


def score(alarms: pd.DataFrame, labels: pd.DataFrame, watched: pd.DataFrame) -> Score:
    """Score a replay against labels.

    Args:
        alarms: as monitor.replay gives them. labels: a row a fault: unit, condition, causes (list of names that count
            as right too), from, to (NaT: never repaired), not_ready_at (NaT: it never kept the unit from starting).
            watched: unit, from, to. Times with a zone.
    Raises:
        ValueError: a table lacks a column, or a label names a condition that no part of a unit has.
    """
    _check(alarms, ALARM_COLUMNS, "alarms")
    _check(labels, LABEL_COLUMNS, "labels")
    _check(watched, WATCHED_COLUMNS, "watched")
    unknown = sorted(set(labels["condition"]) - set(PARTS))
    if unknown:
        raise ValueError(f"labels name {', '.join(unknown)}, which is no condition. Known are: {', '.join(PARTS)}.")
    alarms = alarms.assign(called_at=_called_at(alarms)).sort_values("raised_at", kind="stable")
    by_unit = dict(tuple(alarms.groupby("unit")))
    faults = pd.DataFrame([_of_fault(label, by_unit.get(label["unit"], alarms[:0])) for label in _rows(labels)])
    for moment in ("from", "not_ready_at", "found_at", "called_at") if len(faults) else ():
        faults[moment] = pd.to_datetime(faults[moment], utc=True)  # a column of nothing but NaT has no zone
    false = _false(alarms, labels)
    return Score(_by_condition(faults), _healthy(false, labels, watched), faults, false)


def share_interval(hits: int, of: int) -> tuple[float, float]:
    """Clopper and Pearson's exact 95 % interval of a share (Biometrika 26, 1934; from memory); NaN of nothing."""
    if of == 0:
        return np.nan, np.nan
    rest = (1.0 - SHARE) / 2.0
    low = 0.0 if hits == 0 else float(beta.ppf(rest, hits, of - hits + 1))
    high = 1.0 if hits == of else float(beta.ppf(1.0 - rest, hits + 1, of - hits))
    return low, high


def rate_interval(count: int, exposure: float) -> tuple[float, float]:
    """Garwood's exact 95 % interval of a Poisson rate (Biometrika 28, 1936; from memory); NaN of no exposure."""
    if exposure <= 0.0:
        return np.nan, np.nan
    rest = (1.0 - SHARE) / 2.0
    low = 0.0 if count == 0 else float(chi2.ppf(rest, 2 * count)) / 2.0
    return low / exposure, float(chi2.ppf(1.0 - rest, 2 * count + 2)) / 2.0 / exposure


def _check(table: pd.DataFrame, columns: tuple[str, ...], name: str) -> None:
    missing = [column for column in columns if column not in table.columns]
    if missing:
        raise ValueError(f"{name} has no column {', '.join(missing)}. It needs: {', '.join(columns)}.")


def _rows(table: pd.DataFrame) -> list[pd.Series]:
    return [row for _, row in table.iterrows()]


def _called_at(alarms: pd.DataFrame) -> pd.Series:
    """When each alarm first called somebody; NaT where it never did."""
    first = [
        next((moment for moment, urgency in history if urgency in CALLS), None) for history in alarms["urgency_history"]
    ]
    return pd.Series(pd.to_datetime(pd.Series(first, dtype=object), format="ISO8601", utc=True).array, alarms.index)


def _of_fault(label: pd.Series, alarms: pd.DataFrame) -> dict[str, object]:
    """What was said of one fault; alarms: of its unit, by the moment raised."""
    part = PARTS[label["condition"]]
    end = label["to"] if pd.notna(label["to"]) else pd.Timestamp.max.tz_localize("UTC")
    about = [PARTS.get(condition, ANY_PART) in (part, ANY_PART) for condition in alarms["condition"]]
    fitting = alarms[np.array(about, bool)]
    standing = fitting["cleared_at"].isna() | (fitting["cleared_at"] > label["from"])
    fitting = fitting[(fitting["raised_at"] < end) & standing & (fitting["raised_at"] >= label["from"])]
    found_at = fitting["raised_at"].min()
    called_at = fitting["called_at"].min()
    stopped = label["not_ready_at"]
    naming = fitting if pd.isna(stopped) else fitting[fitting["raised_at"] <= stopped]
    named = _first_cause(naming if len(naming) else fitting)
    forecast = _forecast(fitting)
    has_stopped = pd.notna(stopped)
    return {
        "unit": label["unit"],
        "condition": label["condition"],
        "from": label["from"],
        "not_ready_at": stopped,
        "found_at": found_at,
        "called_at": called_at,
        "cause": named,
        "right": _right(named, label),
        "lead_h": (stopped - found_at) / HOUR if has_stopped and pd.notna(found_at) else np.nan,
        "used": _used(label["from"], found_at, stopped),
        "p10": forecast[0],
        "p90": forecast[1],
        "within": _within(forecast, stopped),
    }


def _first_cause(alarms: pd.DataFrame) -> str:
    """The likeliest cause that the alarms together name; an alarm without causes names its own condition."""
    best, likeliest = "", -1.0
    for row in _rows(alarms):
        causes = row["causes"] or [{"cause": row["condition"], "probability": 0.0}]
        first = max(causes, key=lambda cause: cause["probability"])
        if first["probability"] > likeliest:
            best, likeliest = first["cause"], first["probability"]
    return best


def _right(named: str, label: pd.Series) -> bool:
    """Whether a cause is one of those that count as right, or a finer name under one of them."""
    rights = {label["condition"], *label["causes"]}
    return any(named == right or named.startswith(f"{right}/") for right in rights)


def _used(begin: pd.Timestamp, found: pd.Timestamp, stopped: pd.Timestamp) -> float:
    """Share of the time from onset to not ready that was left when the fault was found, 0..1; NaN: not found."""
    if pd.isna(stopped) or pd.isna(found) or stopped <= begin:
        return np.nan
    return float(np.clip((stopped - found) / (stopped - begin), 0.0, 1.0))


def _forecast(alarms: pd.DataFrame) -> tuple[object, object]:
    """First-said 10 % and 90 % quantile of the earliest alarm that gave a forecast; None each where there is none.

    A quantile beyond 30 days is None in the contract and stands here as pd.Timestamp.max.
    """
    for row in _rows(alarms):
        said = row["first_said"]["not_ready_at"]
        if said is not None:
            beyond = pd.Timestamp.max.tz_localize("UTC")
            low, high = (beyond if said[name] is None else pd.Timestamp(said[name]) for name in QUANTILES)
            return low, high
    return None, None


def _within(forecast: tuple[object, object], stopped: pd.Timestamp) -> object:
    low, high = forecast
    if low is None or high is None or pd.isna(stopped) or low == high:
        return None
    return bool(low <= stopped <= high)


def _false(alarms: pd.DataFrame, labels: pd.DataFrame) -> pd.DataFrame:
    """Alarms at times at which nothing was wrong with their unit."""
    keep = []
    spans = dict(tuple(labels.groupby("unit")))
    for row in _rows(alarms):
        own = spans.get(row["unit"])
        if own is None:
            keep.append(True)
            continue
        before_end = own["to"].isna() | (row["raised_at"] < own["to"] + AFTERMATH)
        keep.append(not bool((before_end & (row["raised_at"] >= own["from"])).any()))
    return alarms[np.array(keep, bool)]


def _healthy(false: pd.DataFrame, labels: pd.DataFrame, watched: pd.DataFrame) -> pd.Series:
    years = sum(((row["to"] - row["from"]) / YEAR for row in _rows(watched)), 0.0)
    for unit, rows in labels.groupby("unit"):
        for span in _rows(watched[watched["unit"] == unit]):
            years -= _covered(rows, span["from"], span["to"]) / YEAR
    called = int(false["called_at"].notna().sum())
    noted = len(false) - called
    out: dict[str, float] = {"unit_years": years, "false_call_outs": called, "false_visit_notes": noted}
    for name, count in (("call_outs_a_year", called), ("visit_notes_a_year", noted)):
        low, high = rate_interval(count, years)
        out |= {name: count / years if years > 0 else np.nan, f"{name}_low": low, f"{name}_high": high}
    return pd.Series(out)


def _covered(labels: pd.DataFrame, begin: pd.Timestamp, end: pd.Timestamp) -> pd.Timedelta:
    """How much of a span the faults of one unit and their aftermath take; what overlaps counts once."""
    total, reached = pd.Timedelta(0), begin
    for row in _rows(labels.sort_values("from")):
        from_ = max(row["from"], reached)
        to = end if pd.isna(row["to"]) else min(row["to"] + AFTERMATH, end)
        if to > from_:
            total += to - from_
            reached = to
    return total


def _by_condition(faults: pd.DataFrame) -> pd.DataFrame:
    if not len(faults):
        return pd.DataFrame()
    groups = [*faults.groupby("condition"), ("all", faults)]
    return pd.DataFrame([_row_of(rows) for _, rows in groups], index=[name for name, _ in groups])


def _row_of(rows: pd.DataFrame) -> dict[str, object]:
    stopped = rows[rows["not_ready_at"].notna()]
    found = rows[rows["found_at"].notna()]
    forecasts = rows[rows["within"].notna()]
    lead = stopped["lead_h"].astype(float).fillna(0.0).clip(lower=0.0)  # found too late or never: no warning
    out: dict[str, object] = {"faults": len(rows), "stopped": len(stopped)}
    for name, hits, of in (
        ("in_time", int((stopped["found_at"] < stopped["not_ready_at"]).sum()), len(stopped)),
        ("called_in_time", int((stopped["called_at"] < stopped["not_ready_at"]).sum()), len(stopped)),
        ("found", len(found), len(rows)),
        ("cause_first", int(found["right"].sum()), len(found)),
        ("within_80", int((forecasts["within"] == True).sum()), len(forecasts)),  # noqa: E712  objects: True, False, None
    ):
        low, high = share_interval(hits, of)
        out |= {name: hits / of if of else np.nan, f"{name}_low": low, f"{name}_high": high}
    out["lead_median"] = float(lead.median()) if len(lead) else np.nan
    out["lead_least_tenth"] = float(lead.quantile(0.1)) if len(lead) else np.nan
    out["used_median"] = float(stopped["used"].astype(float).fillna(0.0).median()) if len(stopped) else np.nan
    out["forecasts"] = len(forecasts)
    return out
