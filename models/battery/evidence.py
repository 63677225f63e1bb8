"""Tests of the charger at one instant: not charging, sagging, slow to recover, coming and going.

In: one unit's hours and what was learned of it. Out: measured facts, and log odds of each condition. May import: numpy,
models. Touches nothing. Log odds add a prior and bounded terms, each for one fact; what a fact weighs is our choice
unless a source is named, and was set by thought, not fitted to any data.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.battery.chemistry import COMPENSATED_AT_CEL, Chemistry
from models.battery.hours import HOUR_NS, Hours
from models.battery.normals import SETTLED_H, SPELL_V, BatteryNormal, spells
from models.run_length import DECISION, cumulative_sums
from models.windows import Float64

PRIOR = -6.0  # log odds that a given condition began lately: a few faults a unit in ten years, judged at any time
OFF_V_LEAST = 0.2  # under float by less nothing is called lost: sensors step by up to this
OFF_H_LEAST = 6  # known hours off charge before a failure is believed: visits and their works are shorter
OFF_H_UNLEARNED = 12
AFTER_RUN_H = 8.0  # after a run volts fall from the alternator's by themselves
AFTER_RUN_SURE_H = 36
UNBELIEVED = 0.3  # greatest probability while a persistence guard is not met
RECOVERY_H = 30.0  # the charger fills a flat battery within 24 h (NFPA 110, shared trade facts, section 1)
UNKNOWN_WARMTH_K = 8.0
RISES_V = 0.05
LOAD_H = 4  # known hours that a load may draw the volts down


def ramp(value: float, begin: float, end: float) -> float:
    """0 at begin, 1 at end, straight between; NaN gives 0."""
    if value != value:
        return 0.0
    return min(max((value - begin) / (end - begin), 0.0), 1.0)


def chance(log_odds: float) -> float:
    """Probability of log odds, bounded where arithmetic would overflow."""
    return float(1.0 / (1.0 + np.exp(-min(max(log_odds, -30.0), 30.0))))


@dataclass(frozen=True, slots=True)
class Facts:
    """What was measured of one unit; V a block, h, NaN: not known.

    learned: a float is. volts, expected: of the last known hours. expected_sd: of the expectation. over: residual of
    each hour, [hour]; volts_expected: its expectation, [hour]; sure: V by which an hour has to stray to be meant,
    [hour]. known: bool [hour]. off_h: known hours off charge in the spell under way; since: its first hour; off_index:
    its hours. lifted: a run hides it just now. held_at: greatest of the last hours, so that a load of an hour or two
    says nothing; fallen: share of its way from float to rest. sinking: log likelihood ratio of sinking against held.
    age_h: of the last known hour. after_run_h: since the last run, inf: none known, or one that the spell lived
    through. stuck: the volts do not move at all though they used to. temperature: of the battery now, and whether it is
    known.
    """

    learned: bool
    volts: float
    expected: float
    expected_sd: float
    over: Float64
    volts_expected: Float64
    sure: Float64
    known: NDArray[np.bool_]
    off_h: int
    lifted: bool
    since: int
    off_index: NDArray[np.intp]
    held_at: float
    fallen: float
    sinking: float
    age_h: int
    after_run_h: float
    stuck: bool
    temperature: float
    temperature_known: bool


def _sinking(hours: Hours, index: NDArray[np.intp], since: int, normal: BatteryNormal) -> float:
    """Log likelihood ratio: sinks as a battery off charge does, against held at a lower level.

    Off charge the volts fall with the logarithm of time, then by 0.02-0.1 V a day (section 4); a held level follows
    the compensation. Both with the resolution of the readings, so that a deadband makes it say nothing.
    """
    early = index[index - since >= 2][:3]
    late = index[-3:]
    if len(index) < 8 or len(early) < 3 or late[0] <= early[-1]:
        return 0.0
    fell = float(hours.volts[early].mean() - hours.volts[late].mean())
    warmer = float(hours.temperature[late].mean() - hours.temperature[early].mean())
    hour = float(late[-1] - since)
    noise = float(np.hypot(np.nan_to_num(normal.spread, nan=0.05) * 0.5, 0.5 * normal.resolution))
    fall = 0.05 * np.log2(max(hour, 4.0) / 3.0) + 0.04 * hour / 24.0
    sd_off = float(np.hypot(0.6 * fall, noise))
    compensation = normal.float_slope * warmer
    sd_held = float(np.sqrt(0.02**2 + noise**2 + (normal.slope_sd * warmer) ** 2 + (0.3 * compensation) ** 2))
    off = -0.5 * ((fell - fall) / sd_off) ** 2 - np.log(sd_off) if fell < fall else -np.log(sd_off)
    held = -0.5 * ((fell + compensation) / sd_held) ** 2 - np.log(sd_held)
    if fell < -max(3.0 * noise, RISES_V):
        return -9.0  # what rises is charged
    return float(np.clip(off - held, -5.0, 3.0))


def _spell(known: NDArray[np.bool_], off: NDArray[np.bool_], hours: Hours) -> tuple[int, NDArray[np.intp], float]:
    """The spell off charge that goes on now: its first hour, its known hours, hours since a run that may explain it.

    A run lifts the volts of a battery that nothing else charges: what comes right after it tells of no charger, and a
    spell that was there for hours before the run lives through it.
    """
    settled = ~(hours.after_run_h < SETTLED_H)
    on = np.flatnonzero(known & ~off & settled)
    since = int(on[-1]) + 1 if len(on) else 0
    index = np.flatnonzero(off)
    index = index[index >= since]
    after_run_h = float(hours.after_run_h[-1])
    if not len(index) or not after_run_h < len(off):
        return since, index, after_run_h
    stopped = len(off) - int(after_run_h)
    if len(index) >= OFF_H_LEAST and index[OFF_H_LEAST - 1] < stopped:
        return since, index, np.inf
    since = max(since, stopped)
    return since, index[index >= since], after_run_h


def _stuck(hours: Hours, off_index: NDArray[np.intp], known: NDArray[np.bool_], normal: BatteryNormal) -> bool:
    """Whether the volts stand still to the last digit: for a day, or ever since they fell.

    A battery off charge sinks for a day before it is still; one on charge shows its charger's ripple. Where digits or a
    deadband are coarse, standing still says nothing.
    """
    if not (normal.moves > 0.02 and 0 < normal.resolution < 0.03):
        return False
    index = off_index[2:] if len(off_index) else np.flatnonzero(known)[-24:]
    if len(index) < (4 if len(off_index) else 20) or hours.fresh[index].sum() < 2 * len(index):
        return False
    return bool(np.nanmax(hours.greatest[index]) - np.nanmin(hours.least[index]) < 1e-6)


def facts_of(hours: Hours, normal: BatteryNormal, chemistry: Chemistry) -> Facts:
    """What one unit's hours show against what was learned of it.

    Args:
        hours: 14 days up to now. normal: BatteryNormal() until learned. chemistry: of its battery.
    """
    learned = bool(np.isfinite(normal.float_voltage))
    level = normal.float_voltage if learned else chemistry.float_voltage
    level_sd = float(np.hypot(normal.spread, 1.5 * normal.day_sd)) if learned else chemistry.float_sd
    expected = level + normal.float_slope * (hours.temperature - COMPENSATED_AT_CEL)
    over = hours.volts - expected
    if normal.float_since_ns > hours.begin_ns(0):  # the former set point says nothing against the new one
        over[: max(0, len(over) - (hours.end_ns - normal.float_since_ns) // HOUR_NS)] = np.nan
    known = ~np.isnan(over)
    coldest, warmest = (normal.coldest, normal.warmest) if learned else (15.0, 30.0)
    middle = 0.5 * (coldest + warmest)
    outside = np.maximum(np.maximum(coldest - hours.temperature, hours.temperature - warmest), 0.0)
    model = np.hypot(normal.slope_sd * (hours.temperature - middle), 0.3 * normal.float_slope * outside)
    model = np.where(hours.warm_known, model, abs(normal.float_slope) * UNKNOWN_WARMTH_K)
    spread = np.nan_to_num(normal.spread, nan=0.08)
    sure = max(OFF_V_LEAST, 4.0 * spread, 1.2 * normal.resolution) + 2.0 * model
    off = known & (over < -np.maximum(sure, 0.1 - normal.low))
    index = np.flatnonzero(known)
    since, off_index, after_run_h = _spell(known, off, hours)
    last = index[-3:]
    volts = float(hours.volts[last].mean()) if len(last) else np.nan
    now = float(expected[last].mean()) if len(last) else np.nan
    held_at = float(hours.volts[index[-LOAD_H:]].max()) if len(last) else np.nan
    to_rest = max(now - chemistry.rest, 0.3) if len(last) else np.nan
    stuck = _stuck(hours, off_index, known, normal)
    return Facts(
        learned=learned,
        volts=volts,
        expected=now,
        expected_sd=float(np.hypot(level_sd, model[last[-1]])) if len(last) else np.nan,
        over=over,
        volts_expected=expected,
        sure=sure,
        known=known,
        off_h=len(off_index),
        lifted=bool(
            len(off_index) and np.isinf(after_run_h) and hours.after_run_h[-1] < SETTLED_H and not off[last[-1]]
        ),
        since=since,
        off_index=off_index,
        held_at=held_at,
        fallen=(now - held_at) / to_rest,
        sinking=_sinking(hours, off_index, since, normal) if len(off_index) else 0.0,
        age_h=len(known) - 1 - int(last[-1]) if len(last) else len(known),
        after_run_h=after_run_h,
        stuck=stuck,
        temperature=float(hours.temperature[-1]),
        temperature_known=bool(hours.warm_known[-1]),
    )


def shorted_log_odds(facts: Facts, hours: Hours, chemistry: Chemistry) -> float:
    """A cell is shorted, from the volts off charge: 2.1 V under rest within hours, not sunk there over days.

    Args:
        facts: of the unit. hours: its hours. chemistry: of its battery.
    """
    first = facts.off_index[:6]
    if len(first) < 3 or not len(facts.off_index):
        return PRIOR
    early = float(np.median(hours.volts[first[1:]]))
    log_odds = PRIOR + 9.0 * ramp(chemistry.rest - early, 0.9, 1.5) - 6.0 * ramp(chemistry.rest - early, 2.8, 3.5)
    log_odds -= 4.0 * float(not facts.learned and facts.since == 0)
    return _unless_stuck(log_odds, facts)


def failed_log_odds(facts: Facts, normal: BatteryNormal, chemistry: Chemistry) -> float:
    """The charger gives nothing: fallen from float to rest, and sinking.

    Args:
        facts: of the unit. normal: what was learned. chemistry: of its battery.
    """
    if not facts.off_h:
        return PRIOR
    under_rest = (chemistry.rest + chemistry.rest_sd - facts.held_at) / chemistry.rest_sd
    log_odds = PRIOR + 5.0 * ramp(facts.fallen, 0.3, 0.7) + 4.5 * ramp(facts.off_h, 2, 10)
    log_odds += facts.sinking + float(np.clip(2.0 * under_rest, -3.0, 2.0)) + ramp(12.45 - facts.held_at, 0.0, 0.2)
    used_to = normal.off_a_week > 0 and facts.off_h < 1.5 * normal.off_h + 6
    if used_to and facts.volts > np.fmin(facts.expected + normal.low, normal.low_volts) - 0.1:
        log_odds -= 6.0
    log_odds -= 2.0 * float(not facts.learned)
    over_rest = (facts.volts - chemistry.rest) / chemistry.rest_sd
    log_odds -= 6.0 * ramp(facts.off_h, 20, 36) * ramp(over_rest, 1.5, 3.0)  # surface charge has gone; it is held up
    if not facts.learned and facts.volts > chemistry.rest - 1.5 * chemistry.rest_sd:
        # A charger that waits for 12.8 V or less may wait for days: no failure until that habit, or none, is known.
        log_odds = min(log_odds, -1.0)
    if facts.after_run_h < AFTER_RUN_H:
        log_odds -= 4.0
    if facts.after_run_h <= facts.off_h + 2 and facts.off_h < AFTER_RUN_SURE_H and facts.sinking < 1.0:
        log_odds = min(log_odds, -1.0)  # begun with a run: it may be recharging slowly, until it sinks
    return _unless_stuck(log_odds, facts)


def _unless_stuck(log_odds: float, facts: Facts) -> float:
    """Log odds, low where the sensor does not move: its volts tell nothing of the charger."""
    return min(log_odds, -1.7) if facts.stuck else log_odds


def _daily(facts: Facts) -> Float64:
    """Median residual of each of the last 14 days counted back from now, NaN with too few settled hours, [day]."""
    over = facts.over[-336:].reshape(-1, 24)
    enough = (~np.isnan(over)).sum(axis=1) >= 8
    filled = np.where(np.isnan(over), np.inf, over)
    number = np.maximum((~np.isnan(over)).sum(axis=1), 1)
    middle = np.sort(filled, axis=1)[np.arange(len(over)), (number - 1) // 2]
    return np.where(enough, middle, np.nan)


@dataclass(frozen=True, slots=True)
class Sag:
    """A float under its own past. under: V, of the last two days; log_odds; stepped: by one step, not by and by."""

    under: float
    log_odds: float
    stepped: bool


def sagging(facts: Facts, hours: Hours, normal: BatteryNormal, chemistry: Chemistry) -> Sag:
    """The charger's output sags: days under its own float, by a drift detector on daily values and by size.

    Args:
        facts: of the unit. hours: its hours. normal: what was learned. chemistry: of its battery.
    """
    settled = ~(hours.after_run_h < SETTLED_H) & facts.known
    recent = np.flatnonzero(settled[-48:]) + len(settled) - 48
    if not facts.learned or len(recent) < 20 or recent[0] > len(settled) - 30:
        return Sag(np.nan, PRIOR, False)
    over = np.sort(facts.over[recent])
    under = -float(over[int(0.6 * (len(over) - 1))])
    daily = _daily(facts)
    sd = float(np.hypot(max(1.5 * normal.day_sd, 0.03), facts.expected_sd))
    downward, _ = cumulative_sums(daily / sd)
    at_25 = normal.float_voltage - under
    falls = daily[:-2] - daily[2:]  # over two days: a step is seldom at the hour at which our days begin
    stepped = bool(np.nanmax(falls, initial=0.0) > 0.7 * under) if under > 0 else False
    log_odds = PRIOR + 6.0 * ramp(under, 0.12, 0.32) + 2.0 * ramp(float(downward[-1]), DECISION / 2, DECISION)
    log_odds += 2.0 * float(np.clip((chemistry.float_least + 0.1 - at_25) / 0.15, -1.0, 1.0))
    log_odds -= 5.0 * (1.0 - ramp(under / sd, 1.5, 3.0))
    if stepped and at_25 >= chemistry.float_least:
        log_odds -= 5.0  # someone moved the set point, or the charger its stage, to another float
    if normal.off_a_week > 0 and under < -normal.low + 0.1:
        log_odds -= 5.0  # a charger that is used to switch off for days
    if facts.volts < chemistry.rest + chemistry.rest_sd and facts.off_h:
        log_odds = min(log_odds, -2.0)  # at rest: nothing sags that gives nothing
    return Sag(under, _unless_stuck(log_odds, facts), stepped)


def slow_recovery_log_odds(
    facts: Facts, hours: Hours, normal: BatteryNormal, chemistry: Chemistry
) -> tuple[float, float]:
    """The current limit falls: after a run the float is not reached for a day and longer, though the volts do not sink.

    Args:
        facts: of the unit. hours: its hours. normal: what was learned. chemistry: of its battery.
    Returns: log odds, and hours since the run that it took or takes, NaN: no run in the window.
    """
    ended = np.flatnonzero(hours.ran[:-1] & ~hours.ran[1:])
    if not len(ended) or not facts.learned or hours.ran[-1]:
        return PRIOR, np.nan
    first = int(ended[-1]) + 1
    after = facts.known.copy()
    after[:first] = False
    reached = np.flatnonzero(after & (facts.over > -facts.sure))
    taken = float(reached[0] - first if len(reached) else len(after) - first)
    usual = max(RECOVERY_H, 3.0 * np.nan_to_num(normal.recovery_h, nan=0.0))
    until = int(reached[0]) if len(reached) else len(after)
    seen = float(after[first:until].mean()) if until > first else 0.0
    log_odds = PRIOR + 8.0 * ramp(taken, usual - 6.0, usual + 12.0) * float(seen > 0.6)
    inside = np.flatnonzero(after[:until])
    if len(inside) >= 8:
        # Charged slowly the volts rise; a battery left to itself sinks.
        rise = float(hours.volts[inside[-3:]].mean() - hours.volts[inside[2:5]].mean())
        held_up = facts.volts > chemistry.rest + 2.0 * chemistry.rest_sd and taken > RECOVERY_H
        log_odds += 1.5 * float(np.clip(rise / 0.05, 0.0 if held_up else -4.0, 1.0))
        at_25 = normal.float_voltage + float(np.median(facts.over[inside[-6:]]))
        if rise < max(RISES_V, 1.5 * normal.resolution) and at_25 >= chemistry.float_least:
            log_odds = min(log_odds, -1.5)  # held at what is a float: a moved set point
    if np.isnan(normal.recovery_h):
        log_odds = min(log_odds, -1.5)  # what is usual is not known yet
    return _unless_stuck(log_odds, facts), taken


def intermittent_log_odds(facts: Facts, hours: Hours, normal: BatteryNormal, chemistry: Chemistry) -> tuple[float, int]:
    """The charger comes and goes: spells off charge in the last week that the unit is not used to.

    Args:
        facts: of the unit. hours: its hours. normal: what was learned. chemistry: of its battery.
    Returns: log odds, number of spells.
    """
    if not facts.learned:
        return PRIOR, 0
    deep = np.maximum(np.maximum(facts.sure, SPELL_V), 0.1 - normal.low)
    # A load that comes on draws the volts down a little; a charger that goes off lets them fall toward rest.
    deep = np.maximum(deep, 0.5 * (facts.volts_expected - chemistry.rest))
    settled = facts.known & ~(hours.after_run_h < SETTLED_H)
    # Back only where it comes well back: readings that step about the threshold are one spell.
    told = settled & ((facts.over < -deep) | (facts.over > -0.4 * deep))
    latest = np.maximum.accumulate(np.where(told, np.arange(len(deep)), 0))
    low = (settled & (facts.over < -deep))[latest] & facts.known
    week = [(first, past) for first, past in spells(low[-168:]) if past < 168 and first > 0]
    total = sum(past - first for first, past in week)
    number = len(week)
    log_odds = PRIOR + 2.0 * max(0.0, number - 2.0 - 2.0 * normal.off_a_week) + ramp(total, 4, 12)
    return _unless_stuck(min(log_odds, 4.0), facts), number
