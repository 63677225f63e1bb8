"""What is learned of a unit's battery and charger: float and its compensation, habits of the charger, past cranks.

In: what is seen of some units over 14 days, and what was learned before. Out: one frozen normal a unit. May import:
numpy, models. Touches nothing. Supersedes models.normal.float_voltage.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.battery import recharge
from models.battery.charging import slope_a_day
from models.battery.chemistry import COMPENSATED_AT_CEL, Chemistry, chemistry_of
from models.battery.cranking import cranking, merged
from models.battery.facts import facts_of
from models.battery.habits import rests, with_course, with_habits
from models.battery.hours import HOUR_NS, Hours, hours_of, lagged
from models.battery.naming import way_h
from models.battery.normal import (
    ANCHOR_DAYS,
    DAY_NS,
    SETTLED_H,
    SLOPE_PRIOR,
    SLOPE_PRIOR_SD,
    SPELL_V,
    BatteryNormal,
    Day,
)
from models.seen import Seen
from models.windows import Float64

SLOPE_RANGE = (-0.036, 0.003)
SLOPE_SD_LEAST = 0.0015  # V/K a block: what a straight line leaves out over the seasons (our choice)
LAGS_H = (1.0, 3.0, 6.0, 12.0)  # compensated by a sensor in the charger .. in the middle of the battery
LAG_BETTER = 0.85  # share of the squares left over below which another lag is believed
DAYS_LEAST = 4  # days before a float counts as learned (our choice, as before)
DAYS_MOST = 120
IN_A_ROW_LEAST = 0.6  # fewer, and the charger is one that is off for days: its float alone says little
DAY_HOURS_LEAST = 6
LOW_HOURS = 4  # a day's low is held by its charger for at least so many hours; a visit's interruption is shorter
STEP_V_LEAST = 0.12  # a set point moved by less is left to the slow reference
STEP_DAYS = 4
SPELL_H, SPELL_FALLEN = 3, 0.6  # a spell off charge: known hours, share of the way from float to rest (our choice)
SLOPE_SURE_H = 30  # h off charge; by then the surface charge has gone for hours, unless a load took it at once
SPREAD_V_MAX = 0.25  # above it there is no float to compensate: a charger that switches on and off


def robust_sd(values: Float64) -> float:
    """Standard deviation from the median absolute deviation (1.4826, shared trade facts, section 9)."""
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) if len(values) else np.nan


def compensated(hours: Hours, slope: float) -> Float64:
    """Volts at 25 Cel of each hour: V - slope * (T - 25 Cel), [hour]."""
    at_25: Float64 = hours.volts - slope * (hours.temperature - COMPENSATED_AT_CEL)
    return at_25


def _slope_of(hours: Hours, temperature: Float64, settled: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Slope, its weight and mean squares left over, from settled hours; a straight trend in time is taken out."""
    index = np.flatnonzero(settled & hours.warm_known)
    if len(index) < 48:
        return np.nan, 0.0, np.inf
    for _ in range(2):
        basis = np.stack((np.ones(len(index)), index / len(settled) - 0.5, temperature[index] - 25.0), axis=1)
        fit, *_rest = np.linalg.lstsq(basis, hours.volts[index], rcond=None)
        left = hours.volts[index] - basis @ fit
        keep = np.abs(left) <= max(3.0 * robust_sd(left), 0.02)
        index = index[keep]
        if len(index) < 48:
            return np.nan, 0.0, np.inf
    squares = float((left[keep] ** 2).mean())
    warmth = temperature[index] - temperature[index].mean()
    warmth = warmth - np.polyval(np.polyfit(index, warmth, 1), index)
    # Hours are no independent values: about two a day are (our choice), and a deadband's steps hold for as long.
    weight = float((warmth**2).sum()) / 12.0 / (squares + 0.02**2)
    return float(fit[2]), weight, squares


def _with_slope(before: BatteryNormal, hours: Hours, settled: NDArray[np.bool_]) -> BatteryNormal:
    """The slope and lag after one more day: a fourteenth of what the window says, the rest from before."""
    fits = {lag: _slope_of(hours, lagged(hours.air, lag), settled) for lag in LAGS_H}
    own = fits.get(before.lag_h, (np.nan, 0.0, np.inf))
    lag = min(fits, key=lambda one: fits[one][2])
    if not fits[lag][2] < LAG_BETTER * own[2]:
        lag = before.lag_h
    slope, weight, squares = fits.get(lag, own)
    if not np.isfinite(slope) or squares > SPREAD_V_MAX**2:
        return replace(before, lag_h=lag)
    first = before.slope_weight == 0.0
    share = 0.5 if first else 1.0 / 14.0
    total = 0.985 * before.slope_weight  # fades over two months: chargers are replaced
    own_slope = before.float_slope if total > 0 else 0.0
    prior = 1.0 / SLOPE_PRIOR_SD**2
    # float_slope is the mean of prior and data; the data's own part is taken out, grown and put back.
    data = own_slope * (total + prior) - SLOPE_PRIOR * prior if total > 0 else 0.0
    data, total = data + slope * weight * share, total + weight * share
    mean = (data + SLOPE_PRIOR * prior) / (total + prior)
    return replace(
        before,
        lag_h=lag,
        float_slope=float(np.clip(mean, *SLOPE_RANGE)),
        slope_sd=float(np.hypot(SLOPE_SD_LEAST, 1.0 / np.sqrt(total + prior))),
        slope_weight=total,
    )


def _days_of(hours: Hours, at_25: Float64, slope: float, settled: NDArray[np.bool_], least: float) -> list[Day]:
    """Each complete day's float where the charger charged."""
    first_ns = hours.begin_ns(0)
    # The first day of a full window lacks the air before it; its float was kept when it had it.
    numbers = (first_ns + np.arange(len(at_25)) * HOUR_NS) // DAY_NS
    days = []
    for number in np.unique(numbers).tolist():
        of_day = settled & (numbers == number)
        complete = number > first_ns // DAY_NS and (number + 1) * DAY_NS <= hours.end_ns + HOUR_NS
        if not complete or of_day.sum() < DAY_HOURS_LEAST:
            continue
        volts, warmth = np.sort(at_25[of_day]), float(hours.temperature[of_day].mean())
        top = volts[int(0.8 * (len(volts) - 1))]
        level = float(np.median(volts[volts > top - SPELL_V]))
        if level < least:
            continue
        rank = min(LOW_HOURS - 1, len(volts) // 2)
        days.append(
            Day(
                int(number),
                level + slope * (warmth - COMPENSATED_AT_CEL),
                warmth,
                float(volts[rank]) - level,
                float(volts[-1 - rank]) - level,
            )
        )
    return days


def levels(days: Sequence[Day], slope: float) -> Float64:
    """Float of each day at 25 Cel, V a block, [day]."""
    table = np.array(days, np.float64).reshape(len(days), 5)
    at_25: Float64 = table[:, 1] - slope * (table[:, 2] - COMPENSATED_AT_CEL)
    return at_25


def _about_day(over: Float64, settled: NDArray[np.bool_]) -> Float64:
    """Distances of settled hours from the middle of their own day, so that no slow drift widens them, [n]."""
    found = []
    for begin in range(0, len(over) - 23, 24):
        day = over[begin : begin + 24][settled[begin : begin + 24]]
        if len(day) >= DAY_HOURS_LEAST:
            found.append(np.abs(day - np.median(day)))
    return np.concatenate(found) if found else np.empty(0)


def _in_a_row(days: Sequence[Day]) -> float:
    """Share of the last days with a float that followed the one before, 0..1."""
    numbers = np.array([day.number for day in days[-20:]])
    return float((np.diff(numbers) == 1).mean())


def _step(days: tuple[Day, ...], slope: float, slope_sd: float, chemistry: Chemistry) -> int:
    """Where in the days the set point was moved, by a step between two steady levels that both are floats; 0: not."""
    if len(days) < 2 * STEP_DAYS:
        return 0
    values = levels(days, slope)
    after = values[-STEP_DAYS:]
    warmths = np.array([day.temperature for day in days])
    for place in range(len(days) - STEP_DAYS, max(len(days) - 11, STEP_DAYS - 1), -1):
        before, past = values[max(0, place - 14) : place], values[place:]
        moved = float(np.median(past) - np.median(before))
        scatter = max(robust_sd(np.diff(values)) / np.sqrt(2.0), 0.01)
        warmth = abs(float(warmths[place:].mean() - warmths[:place].mean()))
        beyond = abs(moved) > max(STEP_V_LEAST, 6 * scatter, 3 * slope_sd * warmth)
        at_once = abs(values[place] - values[place - 1]) > 0.7 * abs(moved)
        flat = float(after.max() - after.min()) < max(0.05, 4 * scatter) and abs(after[-1] - past[0]) < 0.3 * abs(moved)
        is_float = chemistry.float_least <= np.median(past) <= chemistry.gassing
        if beyond and at_once and flat and is_float:
            return place
    return 0


def _learned(before: BatteryNormal, seen: Seen, unit: int) -> BatteryNormal:
    """One unit's normal after one more day."""
    chemistry = chemistry_of(seen.battery_type[unit])
    hours = hours_of(seen, unit, before.lag_h)
    settled = hours.trusted & ~hours.ran & ~(hours.after_run_h < SETTLED_H) & ~np.isnan(hours.volts)
    if np.isfinite(before.float_voltage):
        # Whatever the alarms make of it: a spell off charge that goes on is judged by what was known before it.
        facts = facts_of(hours, before, chemistry)
        if facts.off_h >= SPELL_H and facts.fallen > SPELL_FALLEN:
            settled[facts.since :] = False
            way = way_h(facts, hours)
            slope = np.nan
            if facts.stripped or facts.off_h > SLOPE_SURE_H:
                slope = float(np.add(*slope_a_day(facts, hours, chemistry)))
            before = replace(
                before,
                lost_way_h=before.lost_way_h if np.isnan(way) else way,
                lost_slope=float(np.fmin(before.lost_slope, slope)),
            )
        elif not facts.off_h:
            before = replace(before, lost_way_h=np.nan, lost_slope=np.nan)
    normal = _with_slope(before, hours, settled)
    hours = hours_of(seen, unit, normal.lag_h)
    at_25 = compensated(hours, normal.float_slope)
    if np.isfinite(before.float_voltage):
        over = at_25 - before.float_voltage
        normal = with_course(normal, hours, over)
        settled &= ~rests(normal, hours, over)
    fresh = _days_of(hours, at_25, normal.float_slope, settled, chemistry.float_least - 0.15)
    forgotten = normal.float_since_ns // DAY_NS
    fresh = [day for day in fresh if day.number >= forgotten]
    first = fresh[0].number if fresh else 0
    days = (*(day for day in normal.days if not fresh or day.number < first), *fresh)[-DAYS_MOST:]
    place = _step(days, normal.float_slope, normal.slope_sd, chemistry)
    if place:
        former = float(np.median(levels(days[:place], normal.float_slope)))
        normal = replace(normal, float_since_ns=days[place].number * DAY_NS, float_before=former)
        days = days[place:]
    normal = replace(normal, days=days)
    if len(days) >= DAYS_LEAST and _in_a_row(days) >= IN_A_ROW_LEAST:
        anchor = levels(days, normal.float_slope)[: max(7, len(days) - ANCHOR_DAYS)]
        over = at_25 - float(np.median(anchor))
        # A habit is what the unit did before these weeks; what began lately has to be judged, not learned.
        known = days[: max(7, len(days) - ANCHOR_DAYS)]
        lows = sorted(day.low for day in known)
        highs = sorted((day.high for day in known), reverse=True)
        rank = 0 if len(known) < 8 else 2
        close = _about_day(over, settled)
        warmths = [day.temperature for day in days]
        spans = (hours.greatest - hours.least)[settled]  # a sensor that now stands still did move
        moved = np.abs(np.diff(hours.volts[settled]))
        moved = moved[moved > 1e-6]
        normal = replace(
            normal,
            float_voltage=float(np.median(anchor)),
            spread=float(np.clip(1.4826 * np.median(close), 0.005, 0.3)) if len(close) > 24 else 0.08,
            day_sd=max(robust_sd(anchor), robust_sd(np.diff(anchor)) / 2.0**0.5, 0.01),
            low=min(lows[rank], 0.0),
            high=max(highs[rank], 0.0),
            coldest=min(warmths),
            warmest=max(warmths),
            resolution=float(np.quantile(moved, 0.1)) if len(moved) >= 24 else normal.resolution or 0.2,
            moves=max(float(np.median(spans)), 0.99 * float(np.nan_to_num(normal.moves)))
            if len(spans)
            else normal.moves,
        )
        earlier = settled.copy()
        if len(days) > 14:
            earlier[len(settled) // 2 :] = False
        normal = with_habits(normal, hours, over, earlier)
    since_day = normal.battery_since_ns / DAY_NS
    cranks = merged(normal.cranks, seen.cranks[unit], chemistry, since_day)
    said = cranking(cranks, None, chemistry)
    if said.replaced > REPLACED_LOG_ODDS and said.recent >= 2:
        since_day = said.since_day - 1e-6
        normal = replace(normal, battery_since_ns=int(since_day * DAY_NS))
        cranks = tuple(crank for crank in cranks if crank[0] >= since_day)
    back_h, back_ns = recharge.learned(recharge.ways_back(seen, unit, hours, before), before)
    return replace(normal, cranks=cranks, back_h=back_h, back_ns=back_ns)


REPLACED_LOG_ODDS = 7.0  # evidence that outweighs a change every few years, about one in 200 weekly cranks


def learn(seen: Seen, before: Sequence[BatteryNormal]) -> list[BatteryNormal]:
    """Normals after one more day.

    Args:
        seen: 14 days of some units; called at midnight UTC, the days before it are complete.
        before: what was learned of each unit until yesterday, [unit]; BatteryNormal() of a new one.
    Returns: [unit], in the order of the units.
    """
    assert len(before) == seen.units
    return [_learned(normal, seen, unit) for unit, normal in enumerate(before)]
