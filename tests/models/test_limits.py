"""Bounds and verdicts: which bound holds, and on which side of it a reading lies."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.limits import (
    ABSENT,
    BETWEEN,
    PRESENT,
    UNKNOWN,
    Bound,
    effective_bound,
    high_shift,
    learned_bound,
    verdicts,
)


def effective(bound, normal, shift=0.0):
    return float(effective_bound(bound, np.array([float(normal)]), shift)[0])


LOW = Bound(low=True, from_normal=-4.0, at=34.0)
HIGH = Bound(low=False, from_normal=0.6, at=14.4)
NAN = float("nan")


@pytest.mark.parametrize(
    ("normal", "expected"),
    [
        (NAN, 34.0),  # nothing learned: the plain value
        (41.0, 37.0),  # learned: cut-in - 4 K
        (38.0, 34.0),
        (37.0, 34.0),  # the plain value is the outermost: 33 would be looser
        (36.0, 34.0),
        (35.0, 33.0),  # no nearer to the normal than half the learned distance
        (30.0, 28.0),
    ],
)
def test_a_low_bound_follows_what_was_learned_within_the_plain_value(normal, expected):
    assert effective(LOW, normal) == expected


@pytest.mark.parametrize(
    ("normal", "expected"), [(NAN, 14.4), (13.5, 14.1), (13.7, 14.3), (14.0, 14.4), (14.2, 14.5), (15.0, 15.3)]
)
def test_a_high_bound_follows_what_was_learned_within_the_plain_value(normal, expected):
    assert effective(HIGH, normal) == pytest.approx(expected)


def test_a_bound_without_a_plain_value_waits_for_what_is_learned():
    assert np.isnan(effective(Bound(low=True, times_normal=0.85), NAN))
    assert effective(Bound(low=True, times_normal=0.85), 2740.0) == pytest.approx(2329.0)


def test_a_bound_without_a_learned_part_is_the_plain_value_whatever_is_learned():
    assert effective(Bound(low=True, at=21.0), 41.0) == 21.0
    assert effective(Bound(low=False, at=60.0), NAN) == 60.0


def test_of_two_learned_parts_the_nearer_counts():
    both = Bound(low=True, from_normal=-500.0, times_normal=0.6)
    assert learned_bound(both, np.array([1000.0, 5000.0])).tolist() == [600.0, 4500.0]


def test_only_the_plain_value_is_shifted():
    assert effective(HIGH, NAN, 1.0) == pytest.approx(15.4)
    assert effective(HIGH, 13.5, 1.0) == pytest.approx(14.1)


@given(normal=st.floats(20, 60), distance=st.floats(0.1, 20), at=st.floats(0, 80), low=st.booleans())
def test_what_is_sound_never_stands_under_alarm_and_nothing_is_looser_than_both_bounds(normal, distance, at, low):
    bound = Bound(low, from_normal=-distance if low else distance, at=at)
    limit = effective(bound, normal)
    beyond = normal - limit if low else limit - normal
    assert beyond >= distance / 2 - 1e-9
    assert beyond <= distance + 1e-9


def test_a_verdict_on_each_side_of_limit_and_deadband():
    value = np.array([33.9, 34.0, 35.9, 36.0, 50.0, NAN])
    low = verdicts(value, np.full(6, 34.0), low=True, deadband=2.0)
    assert low.tolist() == [PRESENT, BETWEEN, BETWEEN, ABSENT, ABSENT, UNKNOWN]
    high = verdicts(np.array([60.1, 60.0, 58.1, 58.0]), np.full(4, 60.0), low=False, deadband=2.0)
    assert high.tolist() == [PRESENT, BETWEEN, BETWEEN, ABSENT]


def test_without_a_deadband_on_the_limit_is_back():
    assert verdicts(np.array([34.0]), np.array([34.0]), low=True, deadband=0.0).tolist() == [ABSENT]


def test_without_a_bound_nothing_is_judged():
    assert verdicts(np.array([1.0]), np.array([NAN]), low=True, deadband=0.0).tolist() == [UNKNOWN]


def test_an_unknown_temperature_shifts_nothing():
    assert high_shift(np.array([NAN, 25.0])).tolist() == [0.0, 0.0]
