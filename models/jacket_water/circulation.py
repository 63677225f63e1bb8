"""Little water moving past heater and sensor: short steep teeth over a cold block.

In: what the water did lately, the normal. Out: a chance. May import: numpy, models. Touches nothing.

The sensor then sees the little water at the heater and not the block. It warms and cools in minutes: the off-time
times the excess, steady in a sound unit whatever the weather, collapses, and the water moves up and down far more for
the same excess. A closer thermostat shortens the off-time too, but moves the water no more; wind does both, by two or
so.
"""

import numpy as np

from models.jacket_water.cycles import CYCLE_EXCESS_K
from models.jacket_water.lately import CELL_H, Lately
from models.jacket_water.normal import WaterNormal

SPAN_CELLS = 48  # 8 h
AFTER_RUN_H = 10.0
FALLS_LEAST = 4
LOG_ODDS = -11.0
COLLAPSED_LOG = np.log(0.2)
MOVED_LOG = np.log(4.0)
MOVED_SD = 0.45
MODEL_LOG_SD = 0.35  # wind from day to day (our choice)
UNEVEN = 0.6  # spread over mean of the falls' heights: a bad contact jumps unevenly, a thermostat does not
NOISE_RANGE = 3.0


def restricted(late: Lately, normal: WaterNormal) -> tuple[float, float]:
    """Chance that circulation is restricted, 0..1, and the off-time times excess of late, K h.

    Args:
        late: what the water did. normal: of the unit.
    Returns: chance, NaN: cannot be judged (hours after a run, nothing learned, no cycles ever); K h, NaN: not told.
    """
    last = late.last
    if normal.days < 1 or normal.flat or late.running[last] or late.after_run_h[last] < AFTER_RUN_H:
        return np.nan, np.nan
    begin = max(last - SPAN_CELLS, last - int(min(late.after_run_h[last] - AFTER_RUN_H, 100.0) / CELL_H), 0)
    saw = late.saw
    falls = saw.whole & (saw.rise < 0) & (saw.begin >= begin)
    if falls.sum() < FALLS_LEAST:
        return 0.0, np.nan
    excess = (saw.from_k[falls] + saw.to_k[falls]) / 2 - late.air[saw.begin[falls]]
    told = (saw.hours[falls] * excess)[excess >= CYCLE_EXCESS_K]
    if len(told) < FALLS_LEAST:
        return 0.0, np.nan
    usual = float(np.median(told))
    log = float(np.log(usual / normal.cycle_k_h))
    sd2 = 2 * (normal.cycle_log_sd**2 + MODEL_LOG_SD**2)
    shorter = (log**2 - max(log - COLLAPSED_LOG, 0.0) ** 2) / sd2 if log < 0 else -8.0
    span = slice(begin, last + 1)
    step = np.abs(np.diff(late.mean[span], prepend=np.nan))
    moved = np.fmax(late.greatest[span] - late.least[span], step) - NOISE_RANGE * normal.noise
    ratio = float(np.nanmean(np.maximum(moved, 0.0))) / CELL_H / max(float(np.nanmean(late.excess[span])), 1.0)
    more = float(np.log(max(ratio, 1e-3) / max(normal.movement_per_h, 0.7 / normal.time_constant_h)))
    livelier = (more**2 - max(MOVED_LOG - more, 0.0) ** 2) / (2 * MOVED_SD**2) if more > 0 else -6.0
    odds = LOG_ODDS + float(np.clip(shorter, -8.0, 8.0)) + float(np.clip(livelier, -6.0, 5.0))
    heights = -saw.rise[falls]
    if heights.std() > UNEVEN * heights.mean():
        odds -= 4.0
    return float(1 / (1 + np.exp(-odds))), usual
