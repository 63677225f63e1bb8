"""What a unit does on most days, and how far a limit gives way to it."""

import numpy as np
import pytest

from models.habits import floors, peaks
from models.limits import with_habit
from models.windows import CELLS_A_DAY, Window

DAYS = 14


def window(by_day) -> Window:
    """One unit that lies at 45 and goes to a level for an hour of each day; NaN: not heard that day."""
    mean = np.full((1, DAYS * CELLS_A_DAY), 45.0)
    for day, level in enumerate(by_day):
        begin = day * CELLS_A_DAY
        mean[0, begin + 30 : begin + 36] = level
        if np.isnan(level):
            mean[0, begin : begin + CELLS_A_DAY] = np.nan
    return Window(0, mean, mean.copy(), mean.copy(), np.where(np.isnan(mean), 0, 1))


def usable(but=()):
    told = np.ones((1, DAYS * CELLS_A_DAY), np.bool_)
    for day in but:
        told[0, day * CELLS_A_DAY : (day + 1) * CELLS_A_DAY] = False
    return told


def test_what_most_days_show_is_a_habit():
    high, low = [65.0] * 12 + [45.0, 80.0], [33.0, 33.4] * 7
    assert peaks(window(high), usable(), steady=3.0).tolist() == [65.0]
    assert floors(window(low), usable(), steady=3.0).tolist() == [pytest.approx(33.2)]


@pytest.mark.parametrize(
    "by_day",
    [
        [60.0 + day for day in range(DAYS)],  # creeps up
        [47.0] * 7 + [66.0] * 7,  # new this week
        [np.nan] * 8 + [65.0] * 6,  # six days are no week
    ],
)
def test_what_grows_or_is_new_is_none(by_day):
    assert np.isnan(peaks(window(by_day), usable(), steady=3.0)).all()


def test_days_under_suspicion_tell_nothing():
    assert peaks(window([65.0] * 4 + [90.0] * 6 + [65.0] * 4), usable(range(4, 10)), steady=3.0).tolist() == [65.0]
    assert np.isnan(peaks(window([65.0] * DAYS), usable(range(8)), steady=3.0)).all()


@pytest.mark.parametrize(
    ("limit", "habit", "low", "margin", "outermost", "bound"),
    [
        (60.0, 65.0, False, 5.0, 85.0, 70.0),
        (60.0, 48.0, False, 5.0, 85.0, 60.0),  # it never comes nearer
        (60.0, 83.0, False, 5.0, 85.0, 85.0),  # and never goes further
        (34.0, 33.0, True, 2.0, 23.0, 31.0),
        (34.0, 40.0, True, 2.0, 23.0, 34.0),
        (34.0, 22.0, True, 2.0, 23.0, 23.0),
        (34.0, np.nan, True, 2.0, 23.0, 34.0),
    ],
)
def test_a_bound_gives_way_to_a_habit_so_far_and_no_further(limit, habit, low, margin, outermost, bound):
    given = with_habit(np.array([limit]), habit, low=low, margin=margin, outermost=outermost)
    assert given.tolist() == [bound]


def test_where_there_is_no_limit_a_habit_makes_none():
    assert np.isnan(with_habit(np.array([np.nan]), 33.0, low=True, margin=2.0, outermost=23.0)).all()
