"""Not ready, as the contract defines it: reasons a minute, spans, and what each fault did."""

import numpy as np
import pytest

from simulator.faults import Fault, FaultKind
from simulator.truth import (
    Ledger,
    NotReady,
    Reason,
    each_minute,
    fault_lines,
    joined,
    not_ready_lines,
    not_ready_moment,
    of_a_start,
    of_full_load,
)

SECOND_NS = 1_000_000_000
MINUTE_NS = 60 * SECOND_NS


def minute(
    *, water: float = 40.0, coolant: float = 1.0, auto: float = 1.0, running: float = 0.0, heated: bool = True
) -> int:
    cell = [[1.0]]
    reasons = each_minute(
        water=np.array(cell) * water,
        coolant_share=np.array(cell) * coolant,
        in_auto=np.array(cell) * auto,
        running=np.array(cell) * running,
        heated=np.array([[heated]]),
    )
    return int(reasons[0, 0])


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({}, 0),
        ({"water": 21.0}, 0),
        ({"water": 20.9}, Reason.WATER_COLD),
        ({"water": 20.9, "heated": False}, 0),
        ({"water": 20.9, "running": 1.0}, 0),
        ({"coolant": 0.8}, Reason.COOLANT_LOW),
        ({"auto": 0.0}, Reason.NOT_IN_AUTO),
        ({"auto": 0.0, "water": 5.0}, Reason.NOT_IN_AUTO | Reason.WATER_COLD),
    ],
)
def test_what_a_minute_shows(given: dict[str, float], expected: int):
    assert minute(**given) == expected


@pytest.mark.parametrize(
    ("volts", "gas", "expected"),
    [
        (8.0, 1.0, 0),
        (7.99, 1.0, Reason.CRANKING),
        (9.5, 0.6, 0),
        (9.5, 0.59, Reason.GAS_LOW),
        (9.5, -2.0, Reason.GAS_LOW),
        (9.5, 1.5, 0),
        (9.5, 1.51, Reason.GAS_HIGH),
    ],
)
def test_what_an_imagined_start_shows(volts: float, gas: float, expected: int):
    given = {"least_block_volts": np.array([volts]), "gas_share": np.array([gas])}
    assert of_a_start(**given, standing=np.array([True])).tolist() == [expected]
    assert of_a_start(**given, standing=np.array([False])).tolist() == [0], "a unit that runs is ready"


def test_what_an_imagined_hour_at_full_load_shows():
    reasons = of_full_load(hottest_coolant=np.array([95.0, 108.0, 95.0]), hottest_air=np.array([50.0, 50.0, 75.0]))
    assert reasons.tolist() == [0, Reason.COOLANT_HOT, Reason.ENCLOSURE_HOT]


def spans_of(reasons: list[int], *, cut: int | None = None) -> list[NotReady]:
    ledger = Ledger()
    time_ns, row = MINUTE_NS * np.arange(len(reasons), dtype=np.int64), np.array([reasons], np.uint16)
    for part in (slice(None),) if cut is None else (slice(None, cut), slice(cut, None)):
        ledger.add(time_ns[part], row[:, part])
    return ledger.closed()


def test_minutes_become_spans_reason_by_reason_wherever_the_day_ends():
    reasons = [0, 1, 1, 3, 2, 0, 2, 2]
    expected = [
        NotReady(0, Reason.WATER_COLD, 1 * MINUTE_NS, 4 * MINUTE_NS),
        NotReady(0, Reason.CRANKING, 3 * MINUTE_NS, 5 * MINUTE_NS),
        NotReady(0, Reason.CRANKING, 6 * MINUTE_NS, None),
    ]
    assert spans_of(reasons) == expected
    for cut in range(1, len(reasons)):
        assert spans_of(reasons, cut=cut) == expected


def test_a_unit_that_begins_unfit_is_unfit_from_the_beginning():
    assert spans_of([1, 1]) == [NotReady(0, Reason.WATER_COLD, 0, None)]


def test_spans_that_touch_are_told_as_one():
    spans = spans_of([0, 1, 1, 3, 2, 0, 2, 2])
    assert joined(spans) == [
        (0, 1 * MINUTE_NS, 5 * MINUTE_NS, Reason.WATER_COLD | Reason.CRANKING),
        (0, 6 * MINUTE_NS, None, Reason.CRANKING),
    ]


@pytest.mark.parametrize(
    ("kind", "from_minute", "to_minute", "moment"),
    [
        (FaultKind.HEATER_ELEMENT_OPEN, 0, None, 1),
        (FaultKind.CHARGER_NO_AC, 0, None, 3),  # cold water is none of its doing
        (FaultKind.CHARGER_NO_AC, 0, 2, None),  # repaired before
        (FaultKind.CHARGER_NO_AC, 4, None, 3),  # begins within a span, which then stands at its onset
        (FaultKind.CHARGER_NO_AC, 5, None, 6),
        (FaultKind.SENSOR_STUCK, 0, None, None),
    ],
)
def test_a_fault_is_charged_with_the_first_span_that_it_explains(kind, from_minute, to_minute, moment):
    fault = Fault("a", kind, from_minute * MINUTE_NS, None if to_minute is None else to_minute * MINUTE_NS)
    span = not_ready_moment(fault, 0, spans_of([0, 1, 1, 3, 2, 0, 2, 2]))
    assert (None if span is None else span.from_ns) == (None if moment is None else moment * MINUTE_NS)


def test_another_units_trouble_is_not_its_own():
    fault = Fault("b", FaultKind.HEATER_ELEMENT_OPEN, 0)
    assert not_ready_moment(fault, 1, spans_of([0, 1, 1])) is None


def test_a_line_of_a_fault_says_it_in_the_contracts_words():
    fault = Fault("a", FaultKind.BREAKER_TRIPPED, 0, to_ns=7 * MINUTE_NS)
    ((at_ns, line),) = fault_lines([fault], ("a",), spans_of([0, 0, 1, 1]))
    assert at_ns == 0
    assert line["condition"] == "heater_failed"
    assert line["causes"] == ["heater_failed/no_ac_supply", "charger_failed/no_ac_supply"]
    assert (line["from"], line["to"]) == ("1970-01-01T00:00:00Z", "1970-01-01T00:07:00Z")
    assert (line["not_ready_at"], line["not_ready_reason"]) == ("1970-01-01T00:02:00Z", "low_water_temperature")


def test_a_switch_that_a_person_holds_off_is_told_as_attended():
    spans = spans_of([0, 128, 128, 0, 0, 128, 0])
    told = [line for _, line in not_ready_lines(("a",), spans, {0: [(0, 4 * MINUTE_NS)]})]
    assert [(line["reasons"], line["attended"]) for line in told] == [
        (["control_not_in_auto"], True),
        (["control_not_in_auto"], False),
    ]
