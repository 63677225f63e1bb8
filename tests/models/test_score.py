"""Scores: what counts as found, in time, right, false; intervals against published values."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

from models.score import rate_interval, score, share_interval

DAY0 = pd.Timestamp("2026-01-01T00:00Z")


def day(number: float) -> pd.Timestamp:
    return DAY0 + pd.Timedelta(days=number)


def text(moment: pd.Timestamp) -> str:
    return str(moment.isoformat())


def alarm(
    unit: str,
    condition: str,
    raised: float,
    *,
    cleared: float | None = None,
    urgency: str = "before_visit",
    causes: tuple[tuple[str, float], ...] = (),
    forecast: tuple[float, float] | None = None,
) -> dict[str, Any]:
    said = None
    if forecast is not None:
        said = {"p10": text(day(forecast[0])), "p50": None, "p90": text(day(forecast[1]))}
    return {
        "unit": unit,
        "condition": condition,
        "urgency": urgency,
        "raised_at": day(raised),
        "cleared_at": pd.NaT if cleared is None else day(cleared),
        "urgency_history": [[text(day(raised)), urgency]],
        "causes": [{"cause": cause, "probability": probability} for cause, probability in causes],
        "not_ready_at": said,
        "first_said": {"urgency": urgency, "causes": [], "not_ready_at": said},
    }


def fault(
    unit: str, condition: str, begin: float, *, stops: float | None = None, end: float | None = None
) -> dict[str, Any]:
    return {
        "unit": unit,
        "condition": condition,
        "causes": [condition],
        "from": day(begin),
        "to": pd.NaT if end is None else day(end),
        "not_ready_at": pd.NaT if stops is None else day(stops),
    }


def table(rows: list[dict[str, Any]], columns: tuple[str, ...]) -> pd.DataFrame:
    out = pd.DataFrame(rows, columns=list(columns))
    for name in ("raised_at", "cleared_at", "from", "to", "not_ready_at"):
        if name in out and not (name == "not_ready_at" and "raised_at" in out):  # there it is the forecast
            out[name] = pd.to_datetime(out[name], utc=True)
    return out


def scored(alarms: list[dict[str, Any]], faults: list[dict[str, Any]], days: float = 365.25, units: str = "ab"):  # type: ignore[no-untyped-def]
    return score(
        table(alarms, tuple(alarm("a", "heater_failed", 0))),
        table(faults, tuple(fault("a", "heater_failed", 0))),
        pd.DataFrame({"unit": list(units), "from": day(0), "to": day(days)}),
    )


def test_a_fault_found_before_its_unit_stops_being_ready_is_in_time() -> None:
    said = scored(
        [alarm("a", "heater_failed", 10.25, causes=(("heater_failed/element_open", 0.9),))],
        [fault("a", "heater_failed", 10, stops=11)],
    )
    row = said.by_condition.loc["heater_failed"]
    assert row["in_time"] == row["called_in_time"] == row["cause_first"] == 1.0
    assert row["lead_median"] == pytest.approx(18.0)
    assert row["used_median"] == pytest.approx(0.75)


def test_an_alarm_after_the_unit_stopped_is_found_but_not_in_time() -> None:
    said = scored([alarm("a", "low_water_temperature", 12)], [fault("a", "heater_failed", 10, stops=11)])
    row = said.by_condition.loc["heater_failed"]
    assert (row["in_time"], row["found"], row["lead_median"]) == (0.0, 1.0, 0.0)
    assert row["cause_first"] == 0.0, "a limit names no cause"


def test_an_alarm_on_another_part_does_not_find_a_fault_and_is_not_false_either() -> None:
    said = scored([alarm("a", "low_gas_pressure", 10.5)], [fault("a", "heater_failed", 10, stops=11)])
    assert said.by_condition.loc["heater_failed", "found"] == 0.0
    assert said.healthy["false_call_outs"] == 0


def test_alarms_of_healthy_time_are_false_and_told_by_whether_they_call() -> None:
    said = scored(
        [
            alarm("b", "heater_failed", 100),
            alarm("b", "battery_weak", 200, urgency="at_visit"),
            alarm("a", "charger_failed", 9),
        ],
        [fault("a", "heater_failed", 10, end=20)],
    )
    assert (said.healthy["false_call_outs"], said.healthy["false_visit_notes"]) == (2, 1)
    assert said.healthy["unit_years"] == pytest.approx(2 - 13 / 365.25), "repair and aftermath are not healthy time"


def test_faults_that_overlap_are_taken_from_healthy_time_once() -> None:
    said = scored([], [fault("a", "heater_failed", 10, end=30), fault("a", "vent_blocked", 20, end=40)], units="a")
    assert said.healthy["unit_years"] == pytest.approx(1 - 33 / 365.25)


def test_an_alarm_just_after_a_repair_is_not_false() -> None:
    said = scored([alarm("a", "charger_weak", 21)], [fault("a", "charger_failed", 10, end=20)])
    assert not len(said.false_alarms)


def test_a_forecast_holds_the_truth_or_not() -> None:
    faults = [fault(unit, "heater_failed", 10, stops=12) for unit in "ab"]
    alarms = [
        alarm("a", "heater_failed", 10.1, forecast=(11.5, 12.5)),
        alarm("b", "heater_failed", 10.1, forecast=(12.1, 12.5)),
    ]
    row = scored(alarms, faults).by_condition.loc["heater_failed"]
    assert (row["forecasts"], row["within_80"]) == (2, 0.5)


def test_the_likeliest_cause_that_was_named_in_time_counts() -> None:
    alarms = [
        alarm("a", "heater_weak", 10.1, causes=(("heater_weak", 0.6), ("heater_failed", 0.3))),
        alarm("a", "heater_failed", 10.2, causes=(("heater_failed", 0.9),)),
    ]
    assert (
        scored(alarms, [fault("a", "heater_failed", 10, stops=11)]).by_condition.loc["heater_failed", "cause_first"]
        == 1.0
    )


def test_nothing_raised_and_nothing_wrong_scores() -> None:
    said = scored([], [])
    assert said.healthy["call_outs_a_year"] == 0.0
    assert said.by_condition.empty


def test_a_table_that_lacks_a_column_is_refused_in_words() -> None:
    with pytest.raises(ValueError, match=r"labels has no column not_ready_at\. It needs"):
        score(
            table([], tuple(alarm("a", "x", 0))),
            pd.DataFrame({"unit": [], "condition": [], "causes": [], "from": [], "to": []}),
            pd.DataFrame({"unit": [], "from": [], "to": []}),
        )


def test_a_label_of_no_known_condition_is_refused() -> None:
    with pytest.raises(ValueError, match="gremlins, which is no condition"):
        scored([], [fault("a", "gremlins", 1)])


@pytest.mark.parametrize(
    ("hits", "of", "low", "high"),
    [(0, 10, 0.0, 0.3085), (5, 10, 0.1871, 0.8129), (10, 10, 0.6915, 1.0)],
)
def test_the_interval_of_a_share_is_clopper_and_pearsons(hits: int, of: int, low: float, high: float) -> None:
    # Exact binomial limits as handbook tables have them (Documenta Geigy; from memory).
    assert share_interval(hits, of) == pytest.approx((low, high), abs=1e-4)


@pytest.mark.parametrize(("count", "low", "high"), [(0, 0.0, 3.689), (1, 0.0253, 5.572), (10, 4.795, 18.39)])
def test_the_interval_of_a_rate_is_garwoods(count: int, low: float, high: float) -> None:
    # Exact Poisson limits as handbook tables have them (Pearson and Hartley, table 40; from memory).
    assert rate_interval(count, 1.0) == pytest.approx((low, high), rel=1e-3, abs=1e-4)


def test_intervals_of_nothing_are_unknown() -> None:
    assert np.isnan(share_interval(0, 0)).all()
    assert np.isnan(rate_interval(0, 0.0)).all()
