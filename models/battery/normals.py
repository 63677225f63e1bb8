"""What is learned of a unit's battery and charger: float and its compensation, habits of the charger, past cranks.

In: what is seen of some units over 14 days, and what was learned before. Out: one frozen normal a unit. May import:
numpy, models. Touches nothing. Supersedes models.normal.float_voltage.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.seen import Seen

SLOPE_PRIOR = -0.018  # V/K a block: -3 mV/K a cell, the weaker end of what is published (shared trade facts, section 4)


@dataclass(frozen=True, slots=True)
class BatteryNormal:
    """What was learned of one unit's battery and charger; NaN: not yet. Plain numbers and tuples of them only.

    float_voltage: at 25 Cel, V a 12 V block. float_slope: of the float against temperature, V/K a block.
    """

    float_voltage: float = np.nan
    float_slope: float = SLOPE_PRIOR


def learn(seen: Seen, before: Sequence[BatteryNormal]) -> list[BatteryNormal]:
    """Normals after one more day.

    Args:
        seen: 14 days of some units; called at midnight UTC, the days before it are complete.
        before: what was learned of each unit until yesterday, [unit]; BatteryNormal() of a new one.
    Returns: [unit], in the order of the units.
    """
    assert len(before) == seen.units
    return list(before)
