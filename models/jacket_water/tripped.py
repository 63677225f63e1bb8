"""A heater without heat whose thermostat stuck first: the water passed its cut-out, and the high-limit cut-out opened.

In: one unit's seen water, its normal. Out: whether it was so. May import: numpy, models. Touches nothing.

Many high-limit cut-outs have to be reset by hand. Then a heater that is stuck on ends as one that gives nothing, and
who only changes the element comes back.
"""

import numpy as np

from models.jacket_water.normal import WaterNormal
from models.seen import Seen
from models.windows import CELLS_A_DAY

OVER_K = 8.0  # K above all sound peaks: more than thermostats scatter (our choice)
AFTER_RUN_H = 24.0  # a run heats the water as well
BEFORE_CELLS = CELLS_A_DAY  # from such a peak the water falls past its cut-in within a day (3-12 h, common practice)


def tripped(seen: Seen, unit: int, normal: WaterNormal) -> bool:
    """Whether the water last left its band from above all of its sound peaks, with no run to lift it.

    Args:
        seen: the units. unit: row, whose heat is missing now. normal: of the unit.
    """
    water = seen.water.mean[unit]
    held = np.flatnonzero(water >= normal.cut_in)
    if normal.days < 1 or not len(held):
        return False
    span = slice(max(int(held[-1]) - BEFORE_CELLS, 0), int(held[-1]) + 1)
    hot = water[span] > float(np.fmax(normal.cut_out, normal.highest)) + OVER_K
    return bool((hot & ~seen.running[unit, span] & (seen.after_run_h[unit, span] > AFTER_RUN_H)).any())
