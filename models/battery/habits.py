"""Habits of a charger: how it switches itself off, how soon it is back after a run, and its course over the day.

In: one unit's hours, how far each stands over the float. Out: the normal with its habits. May import: numpy, models.
Touches nothing.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.battery.hours import HOUR_NS, Hours
from models.battery.normal import ANCHOR_DAYS, SETTLED_H, SPELL_V, BatteryNormal, spells
from models.windows import Float64

COURSE_DAYS_LEAST = 4  # days that show the same rests before they are the unit's way (our choice)
COURSE_DAYS_SURE = 12  # at a unit whose charger is known never to have rested: two weeks less what is missing
BACK_V = 0.15  # so near its float a charger is back by itself
RESTS_SHARE, WAKES_SHARE = 0.7, 0.3  # of the days: an hour at which a charger rests by habit, and one at which not
ALIKE_SHARE = 0.88  # of the hours of those days that are as the course says; its ends move with season and clouds
DAY_KNOWN_H = 18  # hours of a day that have to be known before it tells a course
DEEPER_V = 0.12  # a rest that goes deeper than its own past by more is no longer the same rest
NEVER: tuple[float, ...] = ()


def hour_of_day(hours: Hours) -> NDArray[np.int64]:
    """Hour of the day UTC, 0..23, of each hour, [hour]."""
    return (hours.end_ns // HOUR_NS - len(hours.volts) + np.arange(len(hours.volts))) % 24


def course_of(hours: Hours, over: Float64) -> tuple[tuple[float, ...], int]:
    """Volts to which the battery sinks at each hour of the day at which its charger rests by habit.

    Days are taken whatever stood open in them: a limit that speaks each night would else keep the night from being
    learned. What makes a rest a habit is that it came at the same hours and ended by itself, without a run.

    Args:
        hours: 14 days that end at midnight UTC. over: V over the expected float, [hour].
    Returns: V a block for each hour of the day UTC, 0 at those at which it does not rest, () where it never does; and
        the number of days that tell it.
    """
    days = len(over) // 24
    settled = ~(hours.ran | (hours.after_run_h < SETTLED_H))
    told = np.where(settled, over, np.nan)[-24 * days :].reshape(days, 24)
    seen = ~np.isnan(told)
    best = np.where(seen, told, -np.inf).max(axis=1)
    enough = (seen.sum(axis=1) >= DAY_KNOWN_H) & (best > -BACK_V)
    told, seen = told[enough], seen[enough]
    if len(told) < COURSE_DAYS_LEAST:
        return NEVER, 0
    low = seen & (np.where(seen, told, 0.0) < -SPELL_V)
    share = low.sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    alike = float((low == (share >= 0.5))[seen].mean())
    if not (share >= RESTS_SHARE).any() or not (share <= WAKES_SHARE).any() or alike < ALIKE_SHARE:
        return NEVER, len(told)
    volts = hours.volts[-24 * days :].reshape(days, 24)[enough]
    # The second lowest: one night after a cloudy day says nothing of the others.
    lowest = np.sort(np.where(low, volts, np.inf), axis=0)[1]
    wide = np.minimum(np.minimum(np.roll(lowest, 1), lowest), np.roll(lowest, -1))
    near = np.maximum(np.maximum(np.roll(share, 1), share), np.roll(share, -1)) >= RESTS_SHARE
    edge = np.where(near & np.isfinite(wide), wide, 0.0)
    return tuple(float(round(value, 4)) for value in edge), len(told)


def rests(normal: BatteryNormal, hours: Hours, over: Float64) -> NDArray[np.bool_]:
    """Hours that its daily course explains: at that hour it rests, and not lower than it is used to, [hour].

    Args:
        normal: what was learned. hours: 14 days. over: V over the expected float, [hour].
    """
    if not normal.course:
        return np.zeros(len(over), np.bool_)
    usual = np.array(normal.course)[hour_of_day(hours)]
    excused: NDArray[np.bool_] = (usual > 0) & (over < -BACK_V) & (hours.volts > usual - DEEPER_V)
    return excused


def with_course(before: BatteryNormal, hours: Hours, over: Float64) -> BatteryNormal:
    """The normal with its daily course after one more day.

    Args:
        before: with its float. hours: 14 days that end at midnight UTC. over: V over the expected float, [hour].
    """
    course, days = course_of(hours, over)
    if not course:
        return replace(before, course=NEVER) if days >= COURSE_DAYS_SURE else before
    if before.course:
        return replace(before, course=course)
    # A charger that held its float for weeks and now rests each night is judged first, and its way only after.
    if len(before.days) >= ANCHOR_DAYS and days < COURSE_DAYS_SURE:
        return before
    # What the rests had been taken for is forgotten.
    return replace(before, course=course, low=0.0, low_volts=np.nan, off_h=0.0, off_a_week=0.0)


def with_habits(before: BatteryNormal, hours: Hours, over: Float64, settled: NDArray[np.bool_]) -> BatteryNormal:
    """How the charger is used to switch itself off, and how soon it is back at float after a run.

    Args:
        before: with its float. hours: 14 days. over: V over the expected float, [hour]. settled: hours that may be
            learned from and that no run moves, [hour].
    """
    own = [
        (first, past)
        for first, past in spells(settled & (over < -SPELL_V))
        if past - first >= 2 and past < len(over) and settled[past] and first > 0 and settled[first - 1]
    ]
    habit = len(own) >= 2
    known_weeks = max(float(settled.sum()) / 168.0, 0.3)
    often = len(own) / known_weeks if habit else 0.0
    longest = max(past - first for first, past in own) if habit else 0
    deepest = sorted(float(over[first:past].min()) for first, past in own)[1] if habit else 0.0
    lowest = sorted(float(hours.volts[first:past].min()) for first, past in own)[1] if habit else np.nan
    recovery = before.recovery_h
    back = (over > -0.15) & ~hours.ran
    for first in np.flatnonzero(hours.ran[:-1] & ~hours.ran[1:]).tolist():
        returned = np.flatnonzero(back[first + 1 : first + 49])
        if len(returned) and hours.trusted[first + 1 : first + 2 + int(returned[0])].all():
            took = float(returned[0] + 1)
            if np.isnan(recovery):
                recovery = took
            elif took < 3.0 * recovery + 6.0:  # longer is to be judged, not learned
                recovery += 0.2 * (took - recovery)
    return replace(
        before,
        low=min(before.low, deepest),
        low_volts=float(np.fmin(before.low_volts, lowest)),
        off_h=float(max(longest, 0.97 * before.off_h)),
        off_a_week=float(max(often, 0.97 * before.off_a_week)),
        recovery_h=recovery,
    )
