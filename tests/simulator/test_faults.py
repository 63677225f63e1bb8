"""Faults of simulated units: how they grow and end, and what they do to the physics."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.conditions import CONDITIONS
from simulator.faults import MEANING, TELEMETRY_KINDS, Fault, FaultKind, effects, severities, severity_at
from simulator.truth import CAN_CAUSE

SECOND_NS = 1_000_000_000
HOUR_NS = 3600 * SECOND_NS
HOURS_NS = HOUR_NS * np.arange(100, dtype=np.int64)
UNITS = ("a", "b")


def effect(kind: FaultKind, name: str, severity: float = 1.0) -> float:
    fault = Fault("a", kind, 0, severity=severity)
    acting = effects(severities([fault], UNITS, HOURS_NS), UNITS, HOURS_NS, seed=1)
    column = getattr(acting, name)
    assert column.shape == (100, 2)
    untouched = {"element_share", "flow_share", "coolant_share", "charger_supplied", "breaker_closed", "output_share"}
    untouched |= {"current_share", "resistance_factor", "vent_open", "louver_open", "grille_open", "supply_share"}
    untouched |= {"in_auto"}
    np.testing.assert_array_equal(column[:, 1], 1.0 if name in untouched else 0.0)  # the other unit is sound
    return float(column[-1, 0])


def test_a_fault_grows_in_a_straight_line_stays_and_ends_with_its_repair():
    fault = Fault("a", FaultKind.SEAT_LEAK, 10 * HOUR_NS, to_ns=40 * HOUR_NS, severity=0.8, growth_s=20 * 3600.0)
    severe = severity_at(fault, HOURS_NS)
    np.testing.assert_allclose(severe[[0, 9, 10, 15, 20, 30, 39, 40, 99]], [0, 0, 0, 0.2, 0.4, 0.8, 0.8, 0, 0])


def test_a_fault_without_growth_is_there_at_once():
    severe = severity_at(Fault("a", FaultKind.CHARGER_NO_AC, 10 * HOUR_NS), HOURS_NS)
    assert severe[9:11].tolist() == [0.0, 1.0]
    assert severe[-1] == 1.0


def test_what_is_nowhere_in_a_span_costs_nothing():
    over = Fault("a", FaultKind.SEAT_LEAK, 0, to_ns=HOUR_NS)
    to_come = Fault("a", FaultKind.VENT_BLOCKED, 500 * HOUR_NS)
    assert severities([over, to_come], UNITS, HOURS_NS[2:]) == {}


@pytest.mark.parametrize(
    ("kind", "name", "at_one"),
    [
        (FaultKind.HEATER_ELEMENT_OPEN, "element_share", 0.0),
        (FaultKind.HEATER_HALF_LOST, "element_share", 0.5),
        (FaultKind.HEATER_STUCK_ON, "stuck_on", 1.0),
        (FaultKind.HEATER_CHATTER, "chatter", 1.0),
        (FaultKind.HEATER_HOSE_RESTRICTING, "flow_share", 0.0),
        (FaultKind.COOLANT_AIR_LOCK, "coolant_share", 0.75),
        (FaultKind.HEATER_SET_POINT_DRIFT, "set_point_shift", -15.0),
        (FaultKind.CHARGER_NO_AC, "charger_supplied", 0.0),
        (FaultKind.CHARGER_OUTPUT_SAG, "output_share", 0.9),
        (FaultKind.CHARGER_CURRENT_FALLING, "current_share", 0.0),
        (FaultKind.CHARGER_INTERMITTENT, "interrupted", 1.0),
        (FaultKind.BATTERY_SHORTED_CELL, "shorted", 1.0),
        (FaultKind.BATTERY_SULPHATED, "resistance_factor", 3.0),
        (FaultKind.BATTERY_OVERCHARGED, "over_volts", 1.5),
        (FaultKind.LOAD_LEFT_ON, "left_load", 2.2),
        (FaultKind.BREAKER_TRIPPED, "breaker_closed", 0.0),
        (FaultKind.VENT_BLOCKED, "vent_open", 0.0),
        (FaultKind.SEAT_LEAK, "seat_leak", 1.0),
        (FaultKind.GAS_SUPPLY_LOW, "supply_share", 0.0),
        (FaultKind.SPRING_DRIFT, "spring_shift", -0.6),
        (FaultKind.LOUVER_STUCK, "louver_open", 0.0),
        (FaultKind.GRILLE_BLOCKING, "grille_open", 0.0),
        (FaultKind.CONTROL_LEFT_OFF, "in_auto", 0.0),
    ],
)
def test_a_fault_does_to_the_physics_what_its_name_says(kind: FaultKind, name: str, at_one: float):
    assert effect(kind, name) == pytest.approx(at_one)


def test_every_kind_acts_on_the_physics_or_on_telemetry_and_has_its_words_in_the_contract():
    assert set(MEANING) == set(FaultKind)
    assert {name.partition("/")[0] for names in MEANING.values() for name in names} <= set(CONDITIONS)
    assert set(CAN_CAUSE) == set(FaultKind) - TELEMETRY_KINDS


def test_an_intermittent_charger_is_off_for_its_share_of_the_time_in_spells_of_hours():
    time_ns = 600 * SECOND_NS * np.arange(50_000, dtype=np.int64)
    fault = Fault("a", FaultKind.CHARGER_INTERMITTENT, 0, severity=0.3)
    acting = effects(severities([fault], UNITS, time_ns), UNITS, time_ns, seed=1)
    off = acting.interrupted[:, 0]
    assert 0.26 < off.mean() < 0.34
    assert np.count_nonzero(np.diff(off)) < len(off) / 30


def of_severity(kind: FaultKind, name: str, severities_: np.ndarray) -> np.ndarray:
    return np.array([effect(kind, name, float(severity)) for severity in severities_])


def test_a_hose_passes_with_the_fourth_power_of_its_bore():
    """Source: Hagen-Poiseuille: half the bore passes a sixteenth."""
    share = of_severity(FaultKind.HEATER_HOSE_RESTRICTING, "flow_share", np.array([0.0, 0.5, 0.8, 1.0]))
    np.testing.assert_allclose(share, [1.0, 0.0625, 0.0016, 0.0])


def test_a_vent_closes_in_decades():
    area = of_severity(FaultKind.VENT_BLOCKED, "vent_open", np.linspace(0.0, 1.0, 21))
    assert area[0] == 1.0
    assert area[-1] == 0.0
    assert np.all(np.diff(area) < 0.0)
    assert 0.1 < area[10] < 0.3, "half blocked"
    assert 5e-4 < area[16] < 2e-3, "at 0.8"


def test_a_failing_supply_loses_at_full_flow_first_and_standing_last():
    severity = np.array([0.0, 0.3, 0.6, 0.7, 0.9, 1.0])
    loss = of_severity(FaultKind.GAS_SUPPLY_LOW, "supply_loss", severity)
    standing = of_severity(FaultKind.GAS_SUPPLY_LOW, "supply_share", severity)
    assert loss[0] == 0.0
    assert loss[1] < 0.2
    assert np.all(loss[2:] > 0.95), "all that there is, at full flow"
    np.testing.assert_allclose(standing, [1.0, 1.0, 1.0, 1.0, 5.0 / 9.0, 0.0], atol=1e-9)


@given(cut=st.integers(1, 99), onset=st.integers(0, 99), growth_h=st.floats(0, 80), lasts=st.integers(1, 90))
def test_cutting_the_time_into_spans_changes_no_severity(cut: int, onset: int, growth_h: float, lasts: int):
    fault = Fault(
        "b",
        FaultKind.GRILLE_BLOCKING,
        onset * HOUR_NS,
        to_ns=(onset + lasts) * HOUR_NS,
        growth_s=growth_h * 3600.0,
    )
    nothing = {FaultKind.GRILLE_BLOCKING: np.zeros((2, 0))}
    whole = severities([fault], UNITS, HOURS_NS)[FaultKind.GRILLE_BLOCKING]
    parts = [
        {FaultKind.GRILLE_BLOCKING: np.zeros((2, len(span)))} | severities([fault], UNITS, span)
        for span in (HOURS_NS[:cut], HOURS_NS[cut:])
        if len(span)
    ]
    joined = np.concatenate([(part or nothing)[FaultKind.GRILLE_BLOCKING] for part in parts], axis=1)
    np.testing.assert_array_equal(joined, whole)
