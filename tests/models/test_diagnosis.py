"""From symptom to cause: the textbook's arithmetic, two faults at once, and none of these."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.diagnosis import NONE, Origin, Symptom, Table, diagnosed, with_causes
from models.opinion import Opinion

TABLE = Table(
    {name: Symptom(name, name, 0.001) for name in ("no_heat", "no_charge", "hot")},
    {
        "element": Origin(0.01, {"no_heat": 0.95}),
        "charger": Origin(0.01, {"no_charge": 0.95}),
        "supply": Origin(0.01, {"no_heat": 0.98, "no_charge": 0.98}),
        "louver": Origin(0.01, {"hot": 0.9}),
    },
)


def chances(strengths: dict[str, float], table: Table = TABLE) -> dict[str, float]:
    told = diagnosed(table, strengths)
    return {one.cause: one.probability for one in told.likely} | dict(told.unexplained)


def test_one_symptom_and_one_cause_is_bayes_rule():
    """P(c | s) = share usual / (1 - (1 - unexplained)(1 - share usual)), worked by hand for a lone cause."""
    table = Table({"s": Symptom("s", "s", 0.02)}, {"c": Origin(0.1, {"s": 0.8})})
    shown = 1 - (1 - 0.02) * (1 - 0.1 * 0.8)
    both = 0.1 * (1 - 0.98 * 0.2)
    assert chances({"s": 1.0}, table)["c"] == pytest.approx(both / shown, rel=1e-4)
    half = 0.5 * both / shown + 0.5 * (0.1 - both) / (1 - shown)
    assert chances({"s": 0.5}, table)["c"] == pytest.approx(half, rel=1e-6), "a strength is the chance that it is true"


def test_one_common_cause_is_likelier_than_two_faults_at_once():
    found = diagnosed(TABLE, {"no_heat": 0.95, "no_charge": 0.95}).likely
    assert found[0].cause == "supply"
    assert found[0].probability > 0.85
    assert found[0].by == ("no_charge", "no_heat")
    alone = chances({"no_heat": 0.95, "no_charge": 0.0001})
    assert alone["element"] > 0.8
    assert alone["supply"] < 0.1


def test_two_faults_at_once_are_both_named():
    found = chances({"no_heat": 0.97, "hot": 0.97, "no_charge": 0.0001})
    assert found["element"] > 0.8
    assert found["louver"] > 0.8
    assert found["no_heat"] < 0.1


def test_what_nothing_explains_is_said_to_be_so():
    table = Table(TABLE.symptoms | {"noise": Symptom("noise", "noise", 0.02)}, TABLE.causes)
    assert diagnosed(table, {"noise": 0.9}).likely == []
    assert diagnosed(table, {"noise": 0.9}).unexplained["noise"] == pytest.approx(0.9, abs=1e-6)
    weak = Table({"s": Symptom("s", "s", 0.2)}, {"c": Origin(0.001, {"s": 0.9})})
    assert diagnosed(weak, {"s": 0.99}).unexplained["s"] > 0.95


def test_nothing_seen_asks_for_no_cause():
    for strengths in ({}, {"no_heat": 0.1}, {"unheard_of": 1.0, "hot": float("nan")}):
        told = diagnosed(TABLE, strengths)
        assert (told.likely, told.unexplained) == ([], {})


def _opinion(condition: str, *chance: float, **finer: float) -> Opinion:
    some = np.array(chance)
    causes = {condition: some} | {f"{condition}/{name}": some * share for name, share in finer.items()}
    return Opinion(condition, "battery_voltage", some, some, some, np.full((len(some), 3), np.nan), causes)


def test_opinions_get_the_causes_of_the_table_where_their_models_name_none():
    table = Table(
        {"no_heat": Symptom("", "heater_failed", 0.001), "no_charge": Symptom("", "charger_failed", 0.001)},
        {
            "heater_failed/element": Origin(0.01, {"no_heat": 0.95}),
            "heater_failed/thermostat": Origin(0.004, {"no_heat": 0.95}),
            "charger_failed/dead": Origin(0.01, {"no_charge": 0.95}),
        },
    )
    heater, charger = with_causes(
        table, [_opinion("heater_failed", 0.0, 0.96), _opinion("charger_failed", 0.9, 0.0, no_output=1.0)]
    )
    assert heater.causes["heater_failed/element"][0] == 0.0
    shares = [float(heater.causes[name][1]) for name in ("heater_failed/element", "heater_failed/thermostat", NONE)]
    assert sum(shares) == pytest.approx(0.96)
    assert shares[0] > shares[1] > shares[2]
    assert "charger_failed/dead" not in charger.causes, "its model has said all of it"
    assert charger.causes["charger_failed/no_output"][0] == pytest.approx(0.9)


@given(st.fixed_dictionaries({name: st.floats(0.0, 1.0) for name in TABLE.symptoms}))
def test_chances_stay_chances_and_a_stronger_symptom_makes_its_cause_likelier(strengths):
    found = chances(strengths)
    assert all(0.0 <= chance <= 1.0 for chance in found.values())
    if found and 0.25 < strengths["hot"] < 0.9:
        assert chances(strengths | {"hot": strengths["hot"] + 0.1})["louver"] > found["louver"]
