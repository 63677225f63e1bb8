"""Parts of the battery's model: lags and sums against plain loops, laws, and the common supply."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from models.battery import judge
from models.battery.chemistry import chemistry_of, crank_volts, dip_ratio, rest_voltage, state_of_charge
from models.battery.cranking import Cranking
from models.battery.forecast import hours_to_least
from models.battery.hours import lagged
from models.battery.normal import BatteryNormal, spells
from models.battery.normals import learn
from models.opinion import Opinion
from models.run_length import cumulative_sums
from models.supply import common_supply, with_supply
from tests.models.battery_traces import Plant, build, replace, seen_at

HOUR_NS = 3600 * 10**9
known_or_not = st.one_of(st.floats(-30, 45), st.just(np.nan))


@given(air=arrays(np.float64, st.integers(1, 60), elements=known_or_not), lag=st.sampled_from([1.0, 6.0, 12.0]))
def test_the_lag_is_the_weighted_mean_of_the_past(air: np.ndarray, lag: float) -> None:
    course = lagged(air, lag)
    total = weights = 0.0
    for place, value in enumerate(air):
        total, weights = total * np.exp(-1 / lag), weights * np.exp(-1 / lag)
        if not np.isnan(value):
            total, weights = total + value, weights + 1.0
        expected = total / weights if weights else np.nan
        np.testing.assert_allclose(course[place], expected, rtol=1e-6, atol=1e-6)


@given(values=arrays(np.float64, st.integers(1, 60), elements=st.one_of(st.floats(-5, 5), st.just(np.nan))))
def test_the_sums_are_those_of_the_recursion(values: np.ndarray) -> None:
    down, up = cumulative_sums(values)
    low = high = 0.0
    for place, value in enumerate(values):
        if not np.isnan(value):
            low, high = max(0.0, low - value - 0.5), max(0.0, high + value - 0.5)
        np.testing.assert_allclose([down[place], up[place]], [low, high], atol=1e-9)


@given(flags=st.lists(st.booleans(), max_size=40))
def test_spells_cover_just_what_is_true(flags: list[bool]) -> None:
    covered = np.zeros(len(flags), bool)
    for first, past in spells(np.array(flags, bool)):
        assert not covered[first:past].any()
        covered[first:past] = True
    assert covered.tolist() == flags


@given(least=st.floats(4, 12), rest=st.floats(12.1, 13.2))
def test_a_crank_and_its_ratio_are_each_others_inverse(least: float, rest: float) -> None:
    back = crank_volts(np.array(rest), dip_ratio(np.array(least), np.array(rest)))
    assert float(back) == pytest.approx(least)


@given(charge=st.floats(0, 1), kind=st.sampled_from(["flooded", "agm", "gel"]))
def test_charge_and_rest_volts_are_each_others_inverse(charge: float, kind: str) -> None:
    chemistry = chemistry_of(kind)
    assert float(state_of_charge(rest_voltage(np.array(charge), chemistry), chemistry)) == pytest.approx(charge)


def test_the_rest_volts_of_nickel_cadmium_tell_no_charge() -> None:
    assert np.isnan(state_of_charge(np.array([12.9]), chemistry_of("nickel_cadmium"))).all()


def test_an_unlearned_nickel_cadmium_battery_is_not_judged_and_that_is_said() -> None:
    seen = seen_at(build(Plant(days=2, battery_type="nickel_cadmium", float_v=14.1)), 2.0)
    opinions, _ = judge(seen, [BatteryNormal()])
    assert np.isnan(opinions[0].probability[0])
    assert "nickel-cadmium" in opinions[0].text[0]


def test_without_any_voltage_nothing_is_judged() -> None:
    seen = seen_at(build(Plant(days=8, gaps=((5.0, 60),))), 7.4)
    opinions, notes = judge(seen, [BatteryNormal()])
    assert all(np.isnan(one.probability[0]) for one in opinions)
    assert notes == []


def test_the_same_is_said_twice_and_of_each_unit_alone() -> None:
    """Pure: no state is kept, and a unit's opinion does not hang on its neighbours."""
    trace = build(Plant(days=20))
    seen = seen_at(trace, 19.5)
    normal = BatteryNormal()
    for day in range(1, 20):
        (normal,) = learn(seen_at(trace, day), [normal])
    first, again = judge(seen, [normal]), judge(seen, [normal])
    for one, other in zip(first[0], again[0], strict=True):
        np.testing.assert_array_equal(one.probability, other.probability)
        assert one.text == other.text


def test_float_and_compensation_are_learned() -> None:
    """Float 13.45 V at 25 Cel, -20 mV/K a block, sensor 0.1 V low."""
    trace = build(Plant(days=30, offset=-0.1))
    normal = BatteryNormal()
    for day in range(1, 31):
        (normal,) = learn(seen_at(trace, day), [normal])
    assert normal.float_voltage == pytest.approx(13.35, abs=0.04)
    assert normal.float_slope == pytest.approx(-0.02, abs=0.003)


def test_a_failed_charger_is_not_learned_as_a_float() -> None:
    trace = build(Plant(days=20, set_point=lambda day, warm: np.nan))
    normal = BatteryNormal()
    for day in range(1, 21):
        (normal,) = learn(seen_at(trace, day), [normal])
    assert np.isnan(normal.float_voltage)


@given(load=st.floats(0.02, 0.2), air=st.floats(-15, 30))
def test_a_steeper_fall_and_a_colder_week_never_last_longer(load: float, air: float) -> None:
    """Law: quantiles are in order; doubling the fall, or 10 K less, gives no more time."""
    hours = np.arange(20.0, 80.0)

    def left(slope: float, warmth: float) -> np.ndarray:
        return hours_to_least(
            off_h=80.0,
            rest_h=hours,
            rest_volts=12.68 - slope * hours / 24.0,
            rest_age_h=0.0,
            first_volts=12.68 - slope * 20 / 24.0,
            temperature=np.full(336, warmth),
            temperature_known=True,
            cranking=Cranking(),
            chemistry=chemistry_of("flooded"),
        )

    usual = left(load, air)
    assert np.all(np.diff(np.where(np.isinf(usual), 1e9, usual)) >= 0)
    assert np.all(left(2 * load, air) <= usual + 12.0)  # the ensemble is coarse: two steps
    assert np.all(left(load, air - 10) <= usual)


def _opinion(condition: str, chance: float) -> Opinion:
    nothing = np.array([np.nan])
    causes = {f"{condition}/element_open": np.array([chance])}
    return Opinion(condition, "s", np.array([chance]), nothing, nothing, np.full((1, 3), np.nan), causes)


@pytest.mark.parametrize(("apart_h", "least", "most"), [(0.5, 0.9, 1.0), (1.5, 0.9, 1.0), (8.0, 0.0, 0.05)])
def test_heater_and_charger_lost_together_point_to_their_supply(apart_h: float, least: float, most: float) -> None:
    at = 10**18
    heater = np.array([[at, at + HOUR_NS]])
    charger = heater + int(apart_h * HOUR_NS) + HOUR_NS
    assert least <= common_supply(heater, charger)[0] <= most
    told = with_supply([_opinion("heater_failed", 0.9), _opinion("charger_failed", 0.9)], heater, charger)
    first = max(told[0].causes, key=lambda name: told[0].causes[name][0])
    assert (first == "heater_failed/no_ac_supply") == (least > 0.5)


def test_a_charger_lost_alone_does_not_point_to_the_supply() -> None:
    at = 10**18
    assert common_supply(np.zeros((1, 2), np.int64), np.array([[at, at + HOUR_NS]])).tolist() == [0.0]


def test_a_unit_without_air_sensor_is_judged() -> None:
    seen = seen_at(build(replace(Plant(days=6), air_known=False)), 5.5)
    opinions, _ = judge(seen, [BatteryNormal()])
    assert opinions[0].probability[0] < 0.1
