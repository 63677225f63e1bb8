"""Whether the water's sensor can be believed: flat lines, steps and temperatures that no block can have.

In: what the water did lately. Out: a doubt in words, and by how much the reading stepped. May import: numpy, models.
Touches nothing. Naming the sensor's fault is another model's; here it only keeps a heater from being blamed.
"""

from dataclasses import dataclass

import numpy as np

from models.jacket_water.lately import CELL_H, Lately
from models.jacket_water.normal import WaterNormal

FLAT_CELLS = 18  # 3 h: no block well off the air keeps one value so long, down to the last digit
FLAT_OFF_AIR_K = 4.0
STEP_K = 3.0  # K in a cell, over what physics allows (our choice)
FASTER = 4.0  # a step falls more than so many times as fast as the learned time constant lets it
WILD_K = 8.0  # K that readings of one cell lie under its mean and the cut-in: no water does that
WILD_CELLS = 3
COOLING_K = 1.0  # K an hour ...
UNDER_AIR_K = 5.0  # ... while so much colder than the air: no block does (sensors differ by 2-3 K, our choice)
HELD_K = 2.0  # K below the learned cut-in that a thermostat's own troughs stay within (our choice)
COLDER_K = 6.0  # K below the coldest air of the day: water cannot be there


@dataclass(frozen=True, slots=True)
class Doubt:
    """text: why the sensor is not believed, "" if it is. stepped_k: what sudden steps of the last day took away, K."""

    text: str
    stepped_k: float


def doubt(late: Lately, normal: WaterNormal) -> Doubt:
    """Why this unit's water sensor is not to be believed just now, if so.

    Args:
        late: what its water did. normal: of the unit.
    """
    last = late.last
    known = np.flatnonzero(late.mean[: last + 1] == late.mean[: last + 1])
    value = late.mean[known]
    flat = known[-FLAT_CELLS:]
    off_air = abs(late.excess[last])
    if len(flat) == FLAT_CELLS and off_air > FLAT_OFF_AIR_K and late.greatest[flat].max() == late.least[flat].min():
        # a coarse sensor may sit on one step for hours, unless the air says that the water must have moved
        must = float(np.abs(late.excess[flat].sum()) * CELL_H / normal.time_constant_h)
        swing = float(np.ptp(late.air[flat])) * (1 - np.exp(-FLAT_CELLS * CELL_H / normal.time_constant_h))
        outside = not normal.cut_in - 1.0 <= late.water <= normal.cut_out + 1.0
        if outside and (max(must, swing) > 2 * max(normal.resolution, 0.5) or normal.resolution < 0.5):
            return Doubt(f"The water's reading has stood still at {late.water:.1f} Cel: the sensor may be stuck.", 0.0)
    if not late.air_told and late.water < late.air[: last + 1].min() - COLDER_K:
        return Doubt("The water reads colder than any air of the last day: the sensor cannot be right.", 0.0)
    hour = late.mean[max(last - 6, 0) : last + 1]
    cooling = late.value(max(last - 6, 0)) - late.water > max(COOLING_K, 4 * normal.noise, 2 * normal.resolution)
    if not late.air_told and cooling and np.nanmax(late.excess[last - len(hour) + 1 : last + 1]) < -UNDER_AIR_K:
        return Doubt("The water reads colder than the air round it and still cools: one of the two is wrong.", 0.0)
    recent = slice(max(last - 48, 0), last + 1)
    wild = late.least[recent] < np.minimum(normal.cut_in, late.mean[recent]) - WILD_K
    wild |= late.greatest[recent] > np.maximum(late.mean[recent], normal.cut_out) + 2 * WILD_K
    if (wild & ~late.running[recent] & (late.after_run_h[recent] > 1.0)).sum() >= WILD_CELLS:
        return Doubt(
            "Single readings of the water jump far from the others: the sensor or its contact may be bad.", 0.0
        )
    step = np.diff(value)
    cells = np.diff(known)
    fall = np.maximum(late.excess[known[:-1]], 0.0) * cells * CELL_H / normal.time_constant_h
    allowed = STEP_K + 4 * normal.noise + 2 * normal.resolution
    calm = ~late.running[known[1:]] & (late.after_run_h[known[1:]] > 1.0) & (cells <= 3)
    down = calm & (step < -allowed - FASTER * fall)
    if not down.any():
        return Doubt("", 0.0)
    # a loose contact jumps both ways; its net step is what it stands off now
    up = calm & (step > allowed + FASTER * normal.heating_k_per_h * cells * CELL_H)
    stepped = -float(step[down].sum() + step[up].sum())
    # little water at the heater jumps as fast, but between the thermostat's own ends: its floor is the cut-in
    below = np.minimum(value[1:], value[:-1]) < normal.cut_in - max(HELD_K, 3 * normal.trough_sd)
    if ((down | up) & below).sum() >= 6 and normal.days > 0:
        return Doubt("The water's reading jumps up and down: the sensor or its contact may be bad.", max(stepped, 0.0))
    if stepped > STEP_K and off_air < 3.0 and stepped > 0.5 * (value[int(np.argmax(down))] - late.air[last]):
        return Doubt("The water's reading fell to the air's within minutes: the sensor may hang in air.", stepped)
    return Doubt("", max(stepped, 0.0))
