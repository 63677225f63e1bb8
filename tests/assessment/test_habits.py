"""A habit is no fault: limits give way to what a sound unit does each day; a set point that was moved is learned."""

import numpy as np
import pytest

from monitor.assessment.models_known import MODELS
from monitor.assessment.seeing import untaught
from monitor.assessment.state import Span
from monitor.signals import NAMES
from monitor.times import HOUR_NS
from tests.assessment.bench import Bench

WATER, GAS = NAMES.index("jacket_water_temperature"), NAMES.index("gas_pressure")
DAY_MIN = 1440.0
EVERY_MIN = 5.0


def cycles(days: float, cut_in, *, band: float = 9.0, air: float = 15.0) -> np.ndarray:
    """Water of a heater of 20 K/h on a block of 12 h, Cel, each five minutes; cut_in: Cel, by day."""
    rng = np.random.default_rng(5)
    water, on, out = cut_in(0.0) + 4.0, False, []
    for step in range(round(days * DAY_MIN / EVERY_MIN)):
        low = cut_in(step * EVERY_MIN / DAY_MIN)
        on = water < low or (on and water < low + band)
        water += ((20.0 if on else 0.0) - (water - air) / 12.0) * EVERY_MIN / 60.0
        out.append(round(water + float(rng.normal(0.0, 0.1)), 1))
    return np.array(out)


def living(days: float, water: np.ndarray) -> Bench:
    """A unit with the real models whose water does that; all else stands."""
    one = Bench(minutes=days * DAY_MIN, every_s=EVERY_MIN * 60.0, visit_in_h=20.0, models=MODELS)
    one.steady = one.steady | {"enclosure_temperature": 15.0}
    one.stands("jacket_water_temperature")
    times = [one.at(step * EVERY_MIN) for step in range(len(water))]
    one.rows.append(one._column("jacket_water_temperature", times, water.tolist(), times))
    return one


def days_of(one: Bench, *, until_days: float | None = None) -> list[tuple[str, str, float]]:
    """Condition, kind, day of what is said."""
    until = None if until_days is None else until_days * DAY_MIN
    return [(condition, kind, round(minute / DAY_MIN, 2)) for condition, kind, _, minute in one.said(until)]


def test_a_set_point_five_kelvin_lower_makes_a_note_or_two_and_is_learned():
    one = living(24.0, cycles(24.0, lambda day: 36.0 if day < 9.0 else 31.0))
    said = days_of(one)
    assert {condition for condition, *_ in said} <= {"low_water_temperature"}
    raised = [day for _, kind, day in said if kind == "raised"]
    assert 1 <= len(raised) <= 3  # then it stands until it is quiet
    assert all(day < 10.0 for day in raised)
    assert said[-1][1] == "cleared"
    assert said[-1][2] < 14.0
    assert abs(one.assessor.states[0].normal.cut_in - 31.0) < 1.5
    assert "set_point_changed" in {note.kind for note in one.assessor.view(0).notes}


def test_peaks_of_a_sound_heater_are_no_alarm_once_they_are_learned():
    """A band of 55 to 67 Cel at the sensor: the warning at 60 Cel gives way to it."""
    one = living(20.0, cycles(20.0, lambda _: 55.0, band=11.0))
    said = [row for row in days_of(one) if row[0] == "high_water_temperature"]
    assert said[-1][1] == "cleared"
    assert said[-1][2] < 10.0
    assert one.assessor.states[0].normal.water_peak == pytest.approx(67.0, abs=0.5)  # overshoot and noise with it


# --- what is learned from though a limit is passed ---


def span(begin_h: float, end_h: float | None, *, soft: bool, signal: int = WATER) -> Span:
    return signal, round(begin_h * HOUR_NS), None if end_h is None else round(end_h * HOUR_NS), soft


NOW_NS = 100 * HOUR_NS


def test_a_limit_alone_keeps_nothing_from_being_learned():
    assert untaught([span(10, 20, soft=True), span(90, None, soft=True)], NOW_NS, stirring=False) == []


def test_a_cause_does_and_with_it_the_limit_that_led_to_it():
    spans = [span(10, 20, soft=True), span(18, 40, soft=False), span(60, 70, soft=True)]
    assert untaught(spans, NOW_NS, stirring=False) == [(10 * HOUR_NS, 20 * HOUR_NS), (18 * HOUR_NS, 40 * HOUR_NS)]


def test_while_a_model_doubts_what_stands_teaches_nothing():
    spans = [span(10, 20, soft=True), span(90, None, soft=True)]
    assert untaught(spans, NOW_NS, stirring=True) == [(90 * HOUR_NS, NOW_NS)]


def test_the_gas_has_nothing_to_do_with_the_water():
    assert untaught([span(10, 20, soft=False, signal=GAS)], NOW_NS, stirring=False) == []
