"""What one unit's water did lately, in the few numbers that the judgements of all conditions share.

In: models.seen.Seen, a normal. Out: one frozen object. May import: numpy, models. Touches nothing.
"""

from dataclasses import dataclass

import numpy as np

from models.jacket_water import air as around
from models.jacket_water.normal import WaterNormal
from models.jacket_water.teeth import Legs, least_height, legs
from models.seen import NOT_LATELY_H, Bool, Seen
from models.windows import CELL_NS, CELLS_A_DAY, Float64

CELL_H = 1 / 6
CELLS = 36 * 6  # a day and a half: the last cycles of a mild day are in it
FRESH_CELLS = 12  # 2 h: of water older than this nothing is said
BACK_CELLS = 9  # 1.5 h: no block that an engine warmed is back in its band so soon (3-12 h, common practice)
STARTING_CELLS = 6  # 1 h: a run is dated back before its rise, and a cold engine takes a while to warm
BLIND_EXCESS_K = 30.0  # K: where neither sensor nor cooling tells the air, a usual excess (common practice)


@dataclass(frozen=True, slots=True)
class Lately:
    """The last CELLS cells of one unit. cell = place in the window here.

    now_ns, begin_ns: the instant and the begin of cell 0, ns UTC. mean, least, greatest: water, Cel; air: Cel, gaps
    filled; excess: K; running: bool, after_run_h: as far as the water lets it be
    believed; read: bool, a reading came in it and no former one is held; [cell].
    air_told: the air is no sensor's but what the cooling tells.
    last: newest cell with water known. water: there, of its last cells, Cel. saw: legs.
    """

    now_ns: int
    begin_ns: int
    mean: Float64
    least: Float64
    greatest: Float64
    air: Float64
    excess: Float64
    running: Bool
    after_run_h: Float64
    read: Bool
    air_told: bool
    last: int
    water: float
    saw: Legs

    def ns(self, cell: float) -> int:
        """Begin of a cell, ns UTC."""
        return self.begin_ns + round(cell * CELL_NS)

    def value(self, cell: int) -> float:
        """Water of a cell and its known neighbours, their median, Cel: one wild reading changes nothing."""
        near = self.mean[max(cell - 1, 0) : cell + 2]
        near = near[near == near]
        return float(np.median(near)) if len(near) else np.nan


def lately(seen: Seen, unit: int, normal: WaterNormal) -> Lately | None:
    """The last day and a half of one unit; None where its water is not known of late.

    Args:
        seen: the units. unit: row. normal: of the unit.
    """
    begin = max(seen.water.cells - CELLS, 0)
    mean = seen.water.mean[unit, begin:]
    fresh = np.flatnonzero(mean[-FRESH_CELLS:] == mean[-FRESH_CELLS:])
    if not len(fresh):
        return None
    last = len(mean) - min(FRESH_CELLS, len(mean)) + int(fresh[-1])
    least, greatest = seen.water.least[unit, begin:], seen.water.greatest[unit, begin:]
    running, after = believed(seen.running[unit, begin:], seen.after_run_h[unit, begin:], least, normal)
    quiet = np.where(running | (after < 1.0), np.nan, mean) if running.any() or after[-1] < CELLS_A_DAY else mean
    height = least_height(normal.noise, normal.spread, normal.resolution)
    saw = legs(quiet, least, greatest, height=height, spread=normal.spread)
    air = around.filled(seen.air.mean[unit, begin:])
    told = bool(np.isnan(air[max(last - 2, 0) : last + 1]).any())
    if told:
        there = around.told_by_cooling(saw, normal)
        if np.isnan(there):
            there = normal.cut_in - BLIND_EXCESS_K
        air = np.where(np.isnan(air), there, air)
    newest = mean[max(last - 2, 0) : last + 1]
    newest = newest[newest == newest]
    # of two the newer: a median of two would be their mean and lag behind a steep fall
    water = float(np.median(newest)) if len(newest) == 3 else float(newest[-1])
    return Lately(
        now_ns=seen.now_ns,
        begin_ns=(seen.water.begin_cell + begin) * CELL_NS,
        mean=mean,
        least=least,
        greatest=greatest,
        air=air,
        excess=mean - air,
        running=running,
        after_run_h=after,
        read=seen.water.count[unit, begin:] > 0,
        air_told=told,
        last=last,
        water=water,
        saw=saw,
    )


def believed(running: Bool, after_run_h: Float64, least: Float64, normal: WaterNormal) -> tuple[Bool, Float64]:
    """Runs and hours after them without those that the water belies.

    A run that is told by the water's rise alone may be a tooth of little water that the heater makes boil up. What an
    engine warmed stays hot while it runs and takes hours to come back into its band.

    Args:
        running, after_run_h: as seen. least: of the water, Cel; all [cell]. normal: of the unit.
    """
    if normal.days < 1 or not running.any():
        return running, after_run_h
    edges = np.flatnonzero(np.diff(np.concatenate(([False], running, [False])).astype(np.int8)))
    kept, hours = running.copy(), after_run_h.copy()
    in_band = least <= normal.cut_out
    for begin, end in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
        within = in_band[begin + STARTING_CELLS : end].any() if begin > 0 else False
        if within or in_band[end : end + BACK_CELLS].any():
            kept[begin:end] = False
    for begin, end in zip(edges[0::2].tolist(), [*edges[2::2].tolist(), len(running)], strict=True):
        if not kept[begin]:
            before = hours[begin - 1] if begin > 0 else NOT_LATELY_H
            hours[begin:end] = before + CELL_H * np.arange(1, end - begin + 1)
    return kept, hours
