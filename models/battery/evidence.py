"""Tests of the charger at one instant: not charging, sagging, slow to recover, coming and going.

In: facts of one unit and what was learned of it. Out: log odds of each condition. May import: numpy, models. Touches
nothing. Log odds add a prior and bounded terms, each for one fact; what a fact weighs is our choice unless a source is
named, and was set by thought, not fitted to any data.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.battery.chemistry import Chemistry
from models.battery.facts import RISES_V, Facts
from models.battery.hours import Hours
from models.battery.normal import SETTLED_H, SPELL_V, BatteryNormal, spells
from models.run_length import DECISION, cumulative_sums
from models.windows import Float64

PRIOR = -6.0  # log odds that a given condition began lately: a few faults a unit in ten years, judged at any time
OFF_H_UNLEARNED = 12
AFTER_RUN_H = 8.0  # after a run volts fall from the alternator's by themselves
AFTER_RUN_SURE_H = 36
UNBELIEVED = 0.3  # greatest probability while a persistence guard is not met
CELL_V = (
    1.1,
    1.5,
    2.5,
    3.0,
)  # V under float: a cell has 2.1 V, less what its neighbours rise by (our choice)
RECOVERY_H = 30.0  # the charger fills a flat battery within 24 h (NFPA 110, shared trade facts, section 1)


def ramp(value: float, begin: float, end: float) -> float:
    """0 at begin, 1 at end, straight between; NaN gives 0."""
    if value != value:
        return 0.0
    return min(max((value - begin) / (end - begin), 0.0), 1.0)


def chance(log_odds: float) -> float:
    """Probability of log odds, bounded where arithmetic would overflow."""
    return float(1.0 / (1.0 + np.exp(-min(max(log_odds, -30.0), 30.0))))


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
    return _unless_stuck(max(log_odds, _shorted_on_charge(facts, hours)), facts)


def _shorted_on_charge(facts: Facts, hours: Hours) -> float:
    """A cell shorts while the charger charges: volts fall by a cell at once, then it lifts the other five.

    Off charge nothing lifts the volts again; a load that goes on keeps them down. The charger stays at its greatest
    current, so they stand under its float, held.
    """
    since = facts.since
    if (
        since < 3
        or facts.lifted
        or hours.ran[max(since - 12, 0) : since + 2].any()
        or not np.isinf(_last_run_h(hours, since))
    ):
        return PRIOR
    least = float(np.nanmin(hours.least[since - 1 : since + 2], initial=np.inf))
    step, lift = float(facts.volts_expected[since - 1]) - least, facts.held_at - least
    a_cell = ramp(step, CELL_V[0], CELL_V[1]) * (1.0 - ramp(step, CELL_V[2], CELL_V[3]))
    return PRIOR + a_cell * (5.0 + 3.0 * ramp(lift, 0.2, 0.5) + float(np.clip(-facts.sinking, 0.0, 3.0)))


def _last_run_h(hours: Hours, since: int) -> float:
    """Hours from the last run before an hour to it where they may still move the volts; inf: long ago, or none."""
    before = float(hours.after_run_h[since - 1])
    return before if before < SETTLED_H else np.inf


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


def low_spells(facts: Facts, hours: Hours, normal: BatteryNormal, chemistry: Chemistry) -> list[tuple[int, int]]:
    """Spells off charge of the 14 days that ended by themselves, as (first hour, one past the last).

    Args:
        facts: of the unit. hours: its hours. normal: what was learned. chemistry: of its battery.
    """
    if not facts.learned:
        return []
    deep = np.maximum(np.maximum(facts.sure, SPELL_V), 0.1 - normal.low)
    # A load that comes on draws the volts down a little; a charger that goes off lets them fall toward rest.
    deep = np.maximum(deep, 0.5 * (facts.volts_expected - chemistry.rest))
    settled = facts.known & ~(hours.after_run_h < SETTLED_H)
    # Back only where it comes well back: readings that step about the threshold are one spell.
    told = settled & ((facts.over < -deep) | (facts.over > -0.4 * deep))
    latest = np.maximum.accumulate(np.where(told, np.arange(len(deep)), 0))
    low = (settled & (facts.over < -deep))[latest] & facts.known
    return [(first, past) for first, past in spells(low) if past < len(low) and first > 0]


def intermittent_log_odds(facts: Facts, lows: Sequence[tuple[int, int]], normal: BatteryNormal) -> tuple[float, int]:
    """The charger comes and goes: spells off charge in the last week that the unit is not used to.

    Args:
        facts: of the unit. lows: see low_spells. normal: what was learned.
    Returns: log odds, number of spells.
    """
    if not facts.learned:
        return PRIOR, 0
    week = [(first, past) for first, past in lows if past > len(facts.known) - 168]
    total = sum(past - first for first, past in week)
    number = len(week)
    log_odds = PRIOR + 2.0 * max(0.0, number - 2.0 - 2.0 * normal.off_a_week) + ramp(total, 4, 12)
    return _unless_stuck(min(log_odds, 4.0), facts), number
