"""Set point changed by somebody: the saw-tooth as before, at another level.

In: what the water did lately, the normal. Out: a note or None. May import: numpy, models. Touches nothing.
"""

import numpy as np

from models.jacket_water.lately import Lately
from models.jacket_water.normal import WaterNormal
from models.opinion import Note

TEETH = 3
MOVED_K = 2.5  # K: less may be the season or the sensor (our choice)


def moved(late: Lately, normal: WaterNormal, unit: int) -> Note | None:
    """A note where the newest teeth all stand at another level than the learned ones, both ends of them.

    Args:
        late: what the water did. normal: of the unit. unit: its row.
    """
    if normal.days < 1 or normal.flat:
        return None
    saw = late.saw
    rises = np.flatnonzero(saw.whole & (saw.rise > 0) & (late.after_run_h[saw.begin] > 10.0))
    if len(rises) < TEETH:
        return None
    by_trough, by_peak = saw.from_k[rises] - normal.cut_in, saw.to_k[rises] - normal.cut_out
    least = max(MOVED_K, 4 * normal.cut_in_sd, 3 * normal.trough_sd)
    away = (np.minimum(np.abs(by_trough), np.abs(by_peak)) > least) & (np.sign(by_trough) == np.sign(by_peak))
    if not away[-TEETH:].all() or np.ptp(by_trough[-TEETH:]) > MOVED_K:
        return None
    other = np.flatnonzero(~away | (np.sign(by_trough) != np.sign(by_trough[-1])))
    if not len(other):
        return None  # since when is out of sight: it was said when it was new
    first = int(other[-1]) + 1
    low, high = (float(np.median(part[rises][first:])) for part in (saw.from_k, saw.to_k))
    return Note(
        unit,
        "set_point_changed",
        late.ns(float(saw.begin[rises[first]])),
        f"The heater's thermostat works between {low:.1f} and {high:.1f} Cel now, before between {normal.cut_in:.1f}"
        f" and {normal.cut_out:.1f} Cel: somebody changed the set point, or the sensor moved.",
    )
