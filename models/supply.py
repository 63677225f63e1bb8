"""The unit's own AC supply: heater and charger that stop together while the engine stands.

In: when each was lost, as intervals, and the opinions on both. Out: the same opinions with the common cause first. May
import: numpy, models.opinion. Touches nothing.
"""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from models.opinion import Opinion
from models.windows import Float64, Int64

HOUR_NS = 3600 * 10**9
TOGETHER_H = 2.0  # of each other while not running: the supply first (CONTRACT.md, causes)
BY_CHANCE_H = 30 * 24.0  # a second fault of its own falls anywhere in the month around the first (our choice)
COMMON_TO_BOTH = 1.0  # a tripped supply is about as frequent as a charger or a heater that fails alone (our choice)
CHARGER, HEATER, CAUSE = "charger_failed", "heater_failed", "no_ac_supply"


def common_supply(heater_ns: Int64, charger_ns: Int64) -> Float64:
    """Chance that one supply took both, given that both are lost.

    Two faults of their own meet within the two intervals and two hours by chance in (widths + 2 h) of a month; a common
    one always does. Intervals further apart than 2 h fall off by half an hour's scale.

    Args:
        heater_ns, charger_ns: last instant seen well and first seen lost, ns UTC, int64 [unit, 2]; 0, 0: not lost.
    Returns: 0..1, [unit]; 0 where one of the two is not lost.
    """
    lost = (heater_ns[:, 1] > 0) & (charger_ns[:, 1] > 0)
    apart = np.maximum(heater_ns[:, 0] - charger_ns[:, 1], charger_ns[:, 0] - heater_ns[:, 1]) / HOUR_NS
    widths = (heater_ns[:, 1] - heater_ns[:, 0] + charger_ns[:, 1] - charger_ns[:, 0]) / HOUR_NS
    chance = np.minimum((np.maximum(widths, 0.0) + TOGETHER_H) / BY_CHANCE_H, 1.0)
    # Past two hours the common cause no longer fits, however the intervals were taken.
    fits = np.exp(-np.clip((apart - TOGETHER_H) / 0.5, 0.0, 50.0))
    odds = COMMON_TO_BOTH * fits / chance
    return np.where(lost, odds / (1.0 + odds), 0.0)


def with_supply(opinions: Iterable[Opinion], heater_ns: Int64, charger_ns: Int64) -> list[Opinion]:
    """Opinions with `no_ac_supply` among the causes of a failed charger and heater; the others are left as they are.

    Args:
        opinions: of some units. heater_ns, charger_ns: see common_supply.
    """
    common = common_supply(heater_ns, charger_ns)
    told = []
    for opinion in opinions:
        if opinion.condition not in (CHARGER, HEATER):
            told.append(opinion)
            continue
        name = f"{opinion.condition}/{CAUSE}"
        before = opinion.causes.get(name, np.zeros_like(common))
        causes = {
            cause: chance if cause == opinion.condition else chance * (1.0 - common)
            for cause, chance in opinion.causes.items()
            if cause != name
        }
        causes[name] = np.maximum(np.nan_to_num(opinion.probability) * common, before)
        told.append(replace(opinion, causes=causes))
    return told
