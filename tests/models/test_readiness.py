"""The chance that a unit starts: forecasts' quantiles are met, threats add up, and nothing makes it likelier."""

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.readiness import UNFORESEEN, Threat, chance, stopped_by

hours = st.floats(0.01, 700.0)
quantiles = st.lists(hours, min_size=3, max_size=3).map(sorted).map(tuple)
threats = st.lists(
    st.builds(Threat, st.floats(0.0, 1.0), st.none() | quantiles, st.floats(0.0, 1.0)), min_size=0, max_size=4
)


def test_a_unit_without_threats_may_fail_all_the_same():
    assert chance([], 0.0) == chance([], 500.0) == 1 - UNFORESEEN


@pytest.mark.parametrize(("after_h", "share"), [(4.0, 0.1), (9.0, 0.5), (30.0, 0.9)])
def test_the_quantiles_of_a_forecast_are_its_own(after_h, share):
    assert stopped_by((4.0, 9.0, 30.0), after_h) == pytest.approx(share)


def test_what_has_stopped_it_has_and_what_lies_beyond_reach_has_not():
    assert stopped_by((0.0, 0.0, 0.0), 0.0) == 1.0
    assert stopped_by((5.0, 9.0, 12.0), 0.0) == 0.0
    assert stopped_by((inf, inf, inf), 700.0) == 0.0
    assert stopped_by((100.0, inf, inf), 99.0) == 0.0
    assert stopped_by((100.0, inf, inf), 101.0) == 0.1
    assert 0.1 < stopped_by((100.0, 300.0, inf), 200.0) < 0.5


def test_a_condition_without_a_forecast_stops_its_share_whenever_it_is_asked():
    threat = Threat(0.5, None, stops=0.2)
    assert chance([threat], 0.0) == chance([threat], 90.0) == pytest.approx((1 - UNFORESEEN) * 0.9)


@given(quantiles, hours, hours)
def test_a_unit_that_nobody_sees_to_grows_no_readier(told, one, other):
    early, late = sorted((one, other))
    assert stopped_by(told, early) <= stopped_by(told, late) + 1e-12


@given(threats, hours, st.builds(Threat, st.floats(0.0, 1.0), quantiles))
def test_one_more_threat_makes_it_no_likelier_to_start(standing, after_h, more):
    before = chance(standing, after_h)
    assert 0.0 <= chance([*standing, more], after_h) <= before <= 1 - UNFORESEEN
