"""What is behind a lost charge: a dead charger, one that sagged or comes and goes, a load that is larger, a cell out.

In: facts of one unit. Out: shares of the causes. May import: numpy, models. Touches nothing. That charge is lost is one
question (evidence); what took it is another, answered by how it began, how steeply the volts sink, and whether it came
back before. Weights are odds against a charger that just stopped; all are our choice.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from models.battery.evidence import ramp
from models.battery.facts import Facts
from models.battery.hours import Hours

NO_OUTPUT, LOAD = "charger_failed/no_output", "charger_weak/load_left_on"
INTERMITTENT, SAGGING = "charger_weak/intermittent", "charger_weak/output_sagging"
SHORTED = "battery_weak/shorted_cell"
LOAD_V_DAY = (0.15, 0.35)  # steeper than what a standing load and self-discharge take (section 4: 0.02-0.1 V a day)
LOAD_ODDS = (0.05, 30.0)  # before and after that is sure
AT_ONCE_ODDS = (0.5, 4.0)  # of a load where the volts took their time to rest, and where they were there at once
COMES_ODDS, CAME_BACK = 0.15, 30.0  # of one that comes and goes; times that for each time it came back by itself
COMES_H = 24.0  # such a spell lasts for hours; longer ones speak for one that stopped
SAG_ODDS = (0.05, 20.0)  # before and after it is sure that the volts took days from float to rest
SAG_H = (14.0, 40.0)  # a battery left alone is at rest after 8 to 24 h (section 4)


@dataclass(frozen=True, slots=True)
class Story:
    """How charge was lost.

    slope, slope_sd: of the volts once the surface charge has gone, V a day, NaN: not known. way_h: from the last hour
    at float to rest, h, NaN: not there, or nobody saw it. returns: spells before that ended by themselves. longest_h:
    of those.
    """

    slope: float
    slope_sd: float
    way_h: float
    returns: int
    longest_h: float


def way_h(facts: Facts, hours: Hours) -> float:
    """Hours from the last hour near float to the first near rest; NaN where not both were seen, or a run hid them.

    Args:
        facts: of the unit. hours: its hours.
    """
    if not facts.off_h or facts.since == 0 or not facts.fallen > 0.6:
        return np.nan
    near = np.flatnonzero(facts.known[: facts.since] & (facts.over[: facts.since] > -0.5 * facts.sure[: facts.since]))
    to_rest = (facts.expected - facts.held_at) / facts.fallen
    low = facts.off_index[facts.over[facts.off_index] < -0.65 * to_rest]
    if not len(near) or not len(low) or hours.ran[near[-1] : low[0]].any():
        return np.nan
    gap = np.flatnonzero(facts.known[: low[0]])
    held = low[0] - gap[-1] if len(gap) else 0  # what nobody saw may have been quick
    return float(low[0] - near[-1] - max(held - 1, 0))


def shares(facts: Facts, story: Story, short: float, usual_a_week: float) -> Mapping[str, float]:
    """Shares of the causes of a lost charge, together 1.

    Args:
        facts: of the unit. story: how it began. short: chance that a cell is shorted, 0..1. usual_a_week: spells that
            the unit is used to.
    """
    steep = -(story.slope + np.nan_to_num(story.slope_sd, nan=0.0))
    load = LOAD_ODDS[0] + (LOAD_ODDS[1] - LOAD_ODDS[0]) * ramp(steep, *LOAD_V_DAY)
    if facts.since > 0:
        load *= AT_ONCE_ODDS[int(facts.stripped)]
    unusual = min(max(story.returns - 2.0 * usual_a_week, 0.0), 3.0)
    beyond_h = max(facts.off_h - max(story.longest_h, 0.0), 0.0)
    comes = COMES_ODDS * CAME_BACK**unusual * np.exp(-beyond_h / COMES_H)
    sag = SAG_ODDS[0] + (SAG_ODDS[1] - SAG_ODDS[0]) * ramp(story.way_h, *SAG_H)
    rest = 1.0 - short
    odds = {NO_OUTPUT: rest, LOAD: rest * load, INTERMITTENT: rest * comes, SAGGING: rest * sag}
    odds[SHORTED] = short * (1.0 + load + comes + sag)
    total = sum(odds.values())
    return {name: float(chance / total) for name, chance in odds.items()}


def story_of(
    facts: Facts, hours: Hours, lows: Sequence[tuple[int, int]], slope: tuple[float, float], kept_way_h: float
) -> Story:
    """How charge was lost.

    Args:
        facts: of the unit. hours: its hours. lows: spells that ended by themselves, see evidence.low_spells. slope: of
            the rest volts and its spread, V a day. kept_way_h: as it was told while it could be seen; NaN: it was not.
    """
    before = [past - first for first, past in lows if past <= facts.since]
    way = way_h(facts, hours)
    way = kept_way_h if np.isnan(way) else way
    return Story(*slope, way, len(before), float(max(before, default=0)))
