"""Too little heat: whether a heater that must be on gives none (failed) or not enough (weak).

In: what the water did lately, the normal. Out: chances of both, and the numbers behind. May import: numpy, models.
Touches nothing.

Three explanations are weighed (Bayes): all is well, no heat at all, some heat. Each says how much heat the block
should have received since the water passed under its cut-in; what it did receive is the change plus Newton's loss.
Noise of the readings, spread of the time constant and a floor for what no model knows are in the standard deviation,
so that short spells and unsure units weigh little.
"""

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from models.jacket_water.following import missing
from models.jacket_water.lately import CELL_H, Lately
from models.jacket_water.normal import WaterNormal
from models.jacket_water.weakness import weak_while_held

SPAN_CELLS = 24  # 4 h of heat are balanced at most, so that heat that comes back shows soon
SPAN_LEAST = 2
LOG_ODDS_FAULT = -4.5  # of a fault in a given spell under cut-in: one in a hundred such spells (our choice)
LOG_ODDS_UNLEARNED = -1.0  # more, while only the fleet's prior speaks
LOG_ODDS_SUMMER = -5.0  # a seasonal heater in warm air is switched off, not broken
WARM_AIR_CEL, WARM_AIR_SD_K = 10.0, 2.5  # mean of a day: seasonal heaters are off above 5-15 Cel (from memory)
DEPTH_FLOOR_K = 1.0  # K: thermostats, lags and grids leave this much below the learned cut-in
AFTER_RUN_FLOOR_K = 1.5  # K more until the heater was first seen again after a run
HEAT_FLOOR_K = 0.4  # K of heat that no balance resolves
LOSS_SHARE = 0.25  # of the loss: air sensor, wind and block are never quite as the model has them
HEATING_SHARE = 0.15
HEAT_WEIGHT_MAX = 8.0
WEAK_SHARE = (0.3, 0.75)  # of a heater's usual heat: one of two elements, low volts, scale
WEAK_SHARE_SD = 0.1
OVERLOAD_LOG_ODDS = -1.0  # full heat and still sinking: loss, not heater; a condition all the same, but a rarer one
LIKELIER_POWER = 6  # of the odds between no heat and too little: 1.5 to 1 is said as 11 to 1 (our choice)
LOWERED_SHARE = 0.15  # of spells without heat, somebody turned the thermostat down ...
LOWERED_K = 4.0  # ... by some kelvins; deeper ones are rarer (our choice)
RECOVERING_K_PER_H = 0.4
WEAK_H_LEAST = 1.5  # h of too little heat before it is a weak heater rather than the turn of a tooth (our choice)
WEAK_EARLY = 4.0  # log odds against it until then
WEAK_EXCESS_K = 3.0  # K: water that a heater warms at all stands further over the air (our choice)
SHIFTED_K = 1.5  # K: less is scatter
SHIFTED_SD_K = 1.0  # K: one tooth tells a level so well
HEATED_SHARE = 0.6  # of the learned heating: a rise slower than that may be a warm day's with a weak heater
WIND_LOG_SD = 0.2  # of the time constant: what one night's wind says nothing of the next's about (our choice)
SAME_LOG_SD = 0.15  # of the time constant within one fall: wind comes and goes (our choice)
TOLD_CELLS_LEAST = 6  # 1 h
TOLD_K_LEAST = 3.0
EVENED_OUT_H = 2.0  # after a run until the block's parts are as warm as each other (our choice)
HEATED_K_PER_H = 3.0  # where no heating was learned


@dataclass(frozen=True, slots=True)
class Shortfall:
    """Chances 0..1 of no heat and of too little; NaN: cannot be judged.

    share: heat received over what the heater gives when on; NaN: not told. hours: since the water passed under its
    cut-in. heating_now: K/h, what the heater gives now. tau_h: time constant that the current cooling tells with the
    learned one, h; tau_log_sd. onset: first and last cell between which the heat went; NaN: not known.
    by_teeth: the weakness is told by slow rises, the water still being held.
    """

    failed: float
    weak: float
    share: float
    hours: float
    heating_now: float
    tau_h: float
    tau_log_sd: float
    onset: tuple[float, float]
    by_teeth: bool = False


def shortfall(late: Lately, normal: WaterNormal, *, heater: str, stepped_k: float) -> Shortfall:
    """Whether heat is missing.

    Args:
        late: what the water did. normal: of the unit. heater: always or seasonal. stepped_k: K that the sensor stepped
        down by itself, which are given back.
    """
    last = late.last
    if normal.follows:
        return _at_one_always_on(late, normal)
    shifted = _shifted(late, normal)
    cut_in = normal.cut_in + min(shifted, -stepped_k)
    under = cut_in - max(0.3, 0.5 * normal.trough_sd)
    calm = ~(late.running[: last + 1] | (late.after_run_h[: last + 1] < 0.5))
    low = (late.mean[: last + 1] < under) & calm
    high_cells = np.flatnonzero((late.mean[: last + 1] >= under) | ~calm)
    crossed = int(high_cells[-1]) + 1 if len(high_cells) else 0
    tau_h, tau_log_sd = normal.time_constant_h, normal.time_constant_log_sd
    peak, trough = _last_heat(late)
    prior = LOG_ODDS_FAULT + (LOG_ODDS_UNLEARNED if normal.days < 1 else 0.0)
    if heater == "seasonal":
        warm = (float(np.nanmean(late.air[-144:])) - WARM_AIR_CEL) / WARM_AIR_SD_K
        prior += LOG_ODDS_SUMMER * (NormalDist().cdf(warm) if np.isfinite(warm) else 1.0)
    begin = max(crossed, last - SPAN_CELLS)
    if low[last]:  # after a gap, from where it is known again
        begin += int(np.argmax(~np.isnan(late.excess[begin : last + 1])))
    if not low[last] or last - begin < SPAN_LEAST:
        weak, heating_now = weak_while_held(late, normal)
        return Shortfall(0.0, weak, np.nan, 0.0, heating_now, tau_h, tau_log_sd, (np.nan, np.nan), by_teeth=True)
    span = slice(begin, last + 1)
    known = ~np.isnan(late.excess[span])
    hours = (last - begin) * CELL_H
    excess = float(late.excess[span][known].mean())
    tau_h, tau_log_sd = _time_constant_now(late, normal, peak, crossed)
    own_h, own_log_sd = _unheated_before(late, normal, peak, crossed)
    lost = excess * hours / own_h
    received = late.value(last) - late.value(begin) + lost
    expected = _expected_heating(normal, lost / hours) * hours
    loss_sd = max(LOSS_SHARE if own_log_sd > SAME_LOG_SD else SAME_LOG_SD, own_log_sd) * abs(lost)
    sd = float(np.sqrt(2 * normal.noise**2 + loss_sd**2 + HEAT_FLOOR_K**2))
    healthy_sd = float(np.hypot(sd, HEATING_SHARE * expected))
    deepest = normal.deepest if np.isfinite(normal.deepest) else normal.cut_in
    depth = cut_in - max(normal.cut_in - deepest, 0.0) - late.water  # as deep the unit's own sound cycles have gone
    floor = np.hypot(DEPTH_FLOOR_K, normal.trough_sd)
    if late.after_run_h[last] < 36 and trough < last - late.after_run_h[last] / CELL_H:
        floor = np.hypot(floor, AFTER_RUN_FLOOR_K)
    depth_sd = float(np.sqrt(floor**2 + normal.cut_in_sd**2 + (SHIFTED_SD_K if shifted else 0.0) ** 2))
    slope = _slope(late, begin)
    heat_now = slope + late.excess[last] / normal.time_constant_h
    recovering = slope > RECOVERING_K_PER_H and heat_now > HEATED_SHARE * expected / hours
    # well, with the heater on as it must be, or off because the true cut-in lies lower than was learned
    lower = max(NormalDist().cdf(-depth / depth_sd), 1e-12)
    given = max(max(expected - received, 0.0) ** 2 / (2 * healthy_sd**2), 0.0)
    idle = max(received, 0.0) ** 2 / (2 * sd**2)
    on = max(float(np.log(lower)), -HEAT_WEIGHT_MAX)  # on and yet so deep: as rare
    well = float(np.logaddexp(np.log(lower) - min(idle, 30.0), on - min(given, 30.0)))
    none = prior - min(idle, 30.0)
    share = received / expected
    share_sd = float(np.hypot(WEAK_SHARE_SD, sd / expected))
    off = max(WEAK_SHARE[0] - share, share - WEAK_SHARE[1], 0.0) / share_sd
    weak = prior - min(off**2 / 2, 30.0) - (1.5 if normal.heating_days < 1 else 0.0)
    if hours < WEAK_H_LEAST:
        weak -= WEAK_EARLY
    sinking = slope < 0.3 and share > WEAK_SHARE[1] and hours >= 1.0
    if sinking:
        weak = max(weak, prior + OVERLOAD_LOG_ODDS)
    if excess < WEAK_EXCESS_K or normal.days < 1:
        weak = -30.0
    if recovering:
        weak = none = -30.0
    weights = np.exp(np.array([well, none, weak]) - max(well, none, weak))
    chances = weights / weights.sum()
    lowered = LOWERED_SHARE * np.exp(-max(depth, 0.0) / LOWERED_K)
    # of no heat and too little the likelier is said: both mean the same journey, and neither is to hide in the other
    either = chances[1] + chances[2]
    likelier = 1 / (1 + (chances[2] / max(chances[1], 1e-9)) ** LIKELIER_POWER) if either > 0 else 0.0
    failed = float(either * likelier * (1 - lowered))
    return Shortfall(
        failed=failed,
        weak=float(either * (1 - likelier)),
        share=float(share),
        hours=(last - crossed) * CELL_H,
        heating_now=max(received / hours, 0.0),
        tau_h=tau_h,
        tau_log_sd=tau_log_sd,
        onset=_onset(late, normal, peak, crossed),
    )


def _at_one_always_on(late: Lately, normal: WaterNormal) -> Shortfall:
    """The same where no thermostat tells when the heater must be on: it always must."""
    found = missing(late, normal)
    heating = float(max(found.share, 0.0) * normal.heating_k_per_h)
    hours = float(min(late.after_run_h[late.last], late.last * CELL_H))
    tau_h, log_sd = normal.time_constant_h, normal.time_constant_log_sd
    return Shortfall(found.failed, found.weak, found.share, hours, heating, tau_h, log_sd, (np.nan, np.nan))


def _shifted(late: Lately, normal: WaterNormal) -> float:
    """By how much the newest heated rise stood lower than learned, both ends of it, K <= 0.

    Somebody turned the thermostat down, or the sensor stepped or drifts; a heater that rises like that has not failed.
    """
    saw = late.saw
    rate = saw.rise / saw.hours + np.maximum(late.excess[saw.begin], 0.0) / normal.time_constant_h
    least = HEATED_SHARE * normal.heating_k_per_h if normal.heating_days >= 1 else HEATED_K_PER_H
    begun = saw.whole.copy()
    begun[1:] |= np.arange(1, len(begun)) == len(begun) - 1  # the newest rise counts from its trough on
    rises = np.flatnonzero(begun & (saw.rise > 0) & (rate >= least))
    if not len(rises):
        return 0.0
    newest = rises[-1]
    by = max(saw.from_k[newest] - normal.cut_in, saw.to_k[newest] - normal.cut_out)
    return float(by) if by < -SHIFTED_K else 0.0


def _last_heat(late: Lately) -> tuple[float, float]:
    """End and begin of the newest rise, cells; NaN and -1: none in sight."""
    rises = np.flatnonzero((late.saw.rise > 0) & (late.saw.to_k - late.air[late.saw.begin] > 2.0))
    if not len(rises):
        return np.nan, -1.0
    return float(late.saw.end[rises[-1]]), float(late.saw.begin[rises[-1]])


def _expected_heating(normal: WaterNormal, loss_k_per_h: float) -> float:
    """What a sound heater gives when on, K/h, at the lower end of what is known; where nothing is, enough to hold."""
    low = normal.heating_k_per_h * float(np.exp(-0.5 * normal.heating_log_sd))
    return max(low, 1.3 * loss_k_per_h) if normal.heating_days < 1 else low


def _slope(late: Lately, begin: int) -> float:
    """Of the last hour or what there is of it, K/h."""
    begin = max(begin, late.last - 6)
    return (late.value(late.last) - late.value(begin)) / max((late.last - begin) * CELL_H, CELL_H)


def _time_constant_now(late: Lately, normal: WaterNormal, peak: float, crossed: int) -> tuple[float, float]:
    """Time constant with what the current fall tells, and the spread of its logarithm."""
    begin = crossed if np.isnan(peak) else min(int(peak) + 3, late.last)
    begin = max(begin, late.last - SPAN_CELLS)
    span = late.excess[begin : late.last + 1]
    lost = late.value(begin) - late.value(late.last)
    area = float(np.nansum(span)) * CELL_H
    log_sd = normal.time_constant_log_sd
    if lost < 1.0 or area <= 0 or late.last - begin < 4:
        return normal.time_constant_h, log_sd
    told = float(np.log(area / lost))
    air_k = 2.0  # K: what a sensor in the enclosure differs from the air round the block (our choice)
    told_sd = float(np.sqrt(0.15**2 + 2 * (normal.noise / lost) ** 2 + (air_k * len(span) * CELL_H / area) ** 2))
    weight = log_sd**2 / (log_sd**2 + told_sd**2)
    center = np.log(normal.time_constant_h) + weight * (told - np.log(normal.time_constant_h))
    return float(np.exp(center)), float(np.hypot(np.sqrt(weight) * told_sd, WIND_LOG_SD))


def _unheated_before(late: Lately, normal: WaterNormal, peak: float, crossed: int) -> tuple[float, float]:
    """Time constant with what this very fall told above the cut-in, where no heater is on, and its logarithm's spread.

    The same wind and the same doors: what cools on as it did before is not heated.
    """
    begin = crossed - 1 if np.isnan(peak) else int(peak) + 3
    settled = np.flatnonzero(late.running[:crossed] | (late.after_run_h[:crossed] < EVENED_OUT_H))
    begin = max(begin, int(settled[-1]) + 1 if len(settled) else 0, crossed - SPAN_CELLS)
    known_sd = normal.time_constant_log_sd
    if crossed - begin < TOLD_CELLS_LEAST:
        return normal.time_constant_h, known_sd
    span = late.excess[begin:crossed]
    lost = late.value(begin) - late.value(crossed - 1)
    area = float(np.nansum(span)) * CELL_H
    if lost < TOLD_K_LEAST or np.isnan(span).mean() > 0.3 or area <= 0:
        return normal.time_constant_h, known_sd
    told = float(np.log(area / lost))
    told_sd = float(np.sqrt(SAME_LOG_SD**2 + 2 * (max(normal.noise, normal.resolution / 2) / lost) ** 2))
    weight = known_sd**2 / (known_sd**2 + told_sd**2)
    center = np.log(normal.time_constant_h) + weight * (told - np.log(normal.time_constant_h))
    return float(np.exp(center)), float(np.sqrt(weight) * told_sd)


def _onset(late: Lately, normal: WaterNormal, peak: float, crossed: int) -> tuple[float, float]:
    """Between which cells the heat went: after the last heat seen, and before heat was missed."""
    if np.isnan(peak):
        return np.nan, float(crossed)
    reached = late.greatest[max(int(peak) - 1, 0) : int(peak) + 2]
    cut_short = np.nanmax(reached) < normal.cut_out - max(1.5, 3 * normal.peak_sd)
    # a rise that ended well under the cut-out was ended by the fault
    return (peak - 1.0, peak + 2.0) if cut_short and normal.days >= 1 else (peak, max(float(crossed) + 2.0, peak + 2.0))
