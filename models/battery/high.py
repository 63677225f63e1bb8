"""Tests of a battery that is charged too high: overcharged for days, or only equalised.

In: one unit's hours, facts and what was learned of it. Out: log odds, and equalise charges that have ended. May import:
numpy, models. Touches nothing.
"""

from dataclasses import dataclass

import numpy as np

from models.battery.chemistry import COMPENSATED_AT_CEL, Chemistry
from models.battery.evidence import PRIOR, ramp
from models.battery.facts import Facts
from models.battery.hours import Hours
from models.battery.normal import BatteryNormal, spells

GASSING_SLOPE = -0.024  # V/K a block: -4 mV/K a cell, the middle of what is published (shared trade facts, section 4)
EQUALISE_H = 26.0  # an equalise of up to a day is healthy on flooded cells (shared trade facts, section 4: for hours)
ABSORPTION_H = 14.0  # so long may absorption take on sealed cells


@dataclass(frozen=True, slots=True)
class High:
    """Volts above gassing. log_odds; for_h: known hours in the spell under way; allowed_h: so long it may be meant."""

    log_odds: float
    for_h: int
    allowed_h: float


def overcharged(facts: Facts, hours: Hours, normal: BatteryNormal, chemistry: Chemistry) -> High:
    """The battery is charged too high: over its own float and over gassing for longer than any meant charge.

    Args:
        facts: of the unit. hours: its hours. normal: what was learned. chemistry: of its battery.
    """
    at_25 = hours.volts - GASSING_SLOPE * (hours.temperature - COMPENSATED_AT_CEL)
    gassing = chemistry.gassing if facts.learned else chemistry.gassing + 0.4
    far = np.maximum(facts.sure, max(0.3, normal.high + 0.1)) if facts.learned else np.full_like(at_25, 0.8)
    high = facts.known & (at_25 > gassing) & (facts.over > far)
    index = np.flatnonzero(facts.known)
    blind = not facts.learned and not facts.temperature_known  # at -20 Cel 14.6 V is a float (section 4)
    if blind or not len(index) or not high[index[-1]]:
        return High(PRIOR, 0, EQUALISE_H)
    lower = np.flatnonzero(facts.known & ~high)
    since = int(lower[-1]) + 1 if len(lower) else 0
    inside = index[index >= since]
    allowed = EQUALISE_H if chemistry.equalised else ABSORPTION_H
    if hours.ran[max(since - 6, 0) : since + 1].any() or since == 0:
        allowed += 12.0  # absorption after a run, or nobody saw it begin
    size = float(np.median(at_25[inside])) - gassing
    log_odds = PRIOR + 9.0 * ramp(len(inside), allowed - 4, allowed + 6) + 2.0 * ramp(size, 0.1, 0.6)
    if len(inside) <= allowed:
        log_odds = min(log_odds, -1.0)
    return High(log_odds - 4.0 * float(facts.stuck), len(inside), allowed)


def equalises(facts: Facts, hours: Hours, chemistry: Chemistry) -> list[tuple[int, int, float]]:
    """Equalise charges of the window that have ended: begin in ns UTC, hours, greatest volts.

    Args:
        facts: of the unit. hours: its hours. chemistry: of its battery.
    """
    if not chemistry.equalised or not facts.learned:
        return []
    at_25 = hours.volts - GASSING_SLOPE * (hours.temperature - COMPENSATED_AT_CEL)
    high = facts.known & (at_25 > chemistry.gassing + 0.45) & (facts.over > 0.8)
    found = []
    for first, past in spells(high) if high.any() else []:
        ended = past < len(high) and facts.known[past]
        if ended and 2 <= past - first <= EQUALISE_H and not hours.ran[max(first - 6, 0) : first + 1].any():
            found.append((hours.begin_ns(first), past - first, float(hours.volts[first:past].max())))
    return found
