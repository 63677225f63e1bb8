"""Learning of the jacket water's normal from a unit's own last days.

In: models.seen.Seen, the normals until now. Out: new normals. May import: numpy, models. Touches nothing.

Each estimate is weighed against what was known before by its variance (Kalman's scalar update, from memory); what was
known before ages a little every day, so that a unit that is repaired or moved is learned anew.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from models.jacket_water import air as around
from models.jacket_water.cycles import CELL_H, EXCESS_TOLD_K, Cycles, cycles, grain
from models.jacket_water.following import DAYS_LEAST, DAYS_LEAST_CHANGED, SETTLED_H, follows
from models.jacket_water.habits import Spread, extremes, moved_k, movements, own_way, steepnesses
from models.jacket_water.normal import DAYS_SETTLED, WaterNormal
from models.jacket_water.overheat import SET_POINT_CEL, SET_POINT_K
from models.jacket_water.teeth import Legs, least_height, legs
from models.seen import Seen
from models.windows import CELLS_A_DAY, Float64

AFTER_RUN_H = 10.0  # water after a run falls to its band in 3-12 h (common practice); later the teeth are its own again
COOLING_FROM_H = 2.0  # after a run the block's parts even out first (our choice); then its cooling is one of Newton's
TEETH_LEAST = 3
TEETH_NEWEST = 12  # enough for a median, few enough that a moved set point is known within a day or two
MOVED_K = 2.0  # K: levels that differ by more are two set points
OWN_DAYS = 3 * CELLS_A_DAY  # levels are learned from the newest days, rates from the whole window
AGE_LEVEL_K = 0.1  # K a day that a level may wander, root of days (our choice)
AGE_LOG = 0.03  # the same for the logarithms of time constant and heating
LEVEL_SD_LEAST = 0.15  # K: sensors, gateways and the grid leave this much (our choice)
LOG_SD_LEAST = 0.08  # of time constant and heating: model error that no number of days takes away (our choice)
FLAT_RANGE_K = 4.0  # K: water held this steadily ...
FAST_RANGE_K = 14.0  # K: the same for one that goes up and down faster than cells of ten minutes can follow
CROSSINGS_LEAST = 12  # of its middle in two days
FLAT_OVER_AIR_K = 8.0  # ... and this far over the air has a heater without visible cycles (our choice)
EVEN_SHARE = 0.2  # of the band
UNEVEN_SHARE = 0.35
BALANCED_SHARE = 0.3  # of what was lost meanwhile that heated rises must have brought, at least (our choice)
UNDER_SHARE = 0.03  # of cells that may lie well under a cut-in since it was first seen
RECENT_DAYS = 3
WEAKENED = 0.75  # of the learned heating (our choice)
LONG_DAYS = 11
TOLD_SHARE = 0.85  # of the band: the least height of a leg that is told is lower than this (our choice)
HABIT_DAYS = 8.0  # days known from which on a habit changes slowly (our choice)
HABIT_LOG_A_DAY = 0.03  # of the logarithm: twofold within a month, as from summer to winter (our choice)
HABIT_SD_GROWS = 1.05  # a day (our choice)
HABIT_SD_LEAST = 0.1
DAYS_MAX = 60.0  # days are counted no further
LED_CUT_IN_MOST = 28.0  # Cel: limits a few kelvins under it speak before 21 Cel, not at each cold night (our choice)
LED_LOG_SD = 0.25  # of a time constant that only the weather told (our choice)
CUT_IN_CEL = (15.0, 70.0)  # Cel: outside it no jacket heater works (27-60 are met, with room on both sides)


def learn(seen: Seen, before: Sequence[WaterNormal]) -> list[WaterNormal]:
    """Normals of some units from the window that they are seen in; what cannot be told now stays, a little less sure.

    To be called once a day. Cells that ran, lie hours after a run or are not trusted teach nothing.

    Args:
        seen: the units. before: their normals until now, WaterNormal() for a new unit, [unit].
    Returns: [unit].
    """
    assert len(before) == seen.units
    return [learned(seen, unit, former) for unit, former in enumerate(before)]


def learned(seen: Seen, unit: int, former: WaterNormal) -> WaterNormal:
    """One unit's normal from its window. Args: seen: the units. unit: row. former: its normal until now."""
    mean, least, greatest = (part[unit] for part in (seen.water.mean, seen.water.least, seen.water.greatest))
    good = seen.trusted[unit] & ~seen.running[unit]
    teeth = own_way(seen.trusted[unit], mean, former) & ~seen.running[unit]
    settled = teeth & (seen.after_run_h[unit] >= AFTER_RUN_H)
    cooling = good & (seen.after_run_h[unit] >= COOLING_FROM_H)
    normal = _aged(former)
    if seen.heater[unit] == "none":
        return normal
    air = around.filled(seen.air.mean[unit])
    quiet = np.where(settled, mean, np.nan)
    if np.isnan(quiet).sum() > len(quiet) - CELLS_A_DAY // 4:
        return _time_constant(normal, np.where(cooling, mean, np.nan), least, greatest, air)
    read = settled & (seen.water.count[unit] > 0)
    readings = grain(quiet, np.where(read, least, np.nan), np.where(read, greatest, np.nan))
    normal = replace(normal, noise=readings.noise, spread=readings.spread, resolution=readings.resolution)
    height = least_height(readings.noise, readings.spread, readings.resolution)
    saw = legs(quiet, least, greatest, height=height, spread=readings.spread)
    found = cycles(quiet, air, saw)
    held = np.where(good, quiet, np.nan)  # without teeth nothing shows that what stood was only the unit's way
    normal = _levels(normal, former, found, (quiet, held, air), seen.now_ns)
    normal = _time_constant(normal, np.where(cooling, mean, np.nan), least, greatest, air)
    if np.isnan(air).all():  # nothing is learned of an air that the falls themselves were asked for, but the heating
        found = cycles(quiet, np.full(len(quiet), around.told_by_cooling(saw, normal)), saw)
    thermostat = former.days >= DAYS_SETTLED and not former.flat
    led = follows(
        mean,
        air,
        teeth & (seen.after_run_h[unit] >= SETTLED_H),
        former_h=former.time_constant_h,
        known_so=former.follows,
        days_least=DAYS_LEAST_CHANGED if thermostat else DAYS_LEAST,
    )
    if led is not None:
        normal = replace(normal, follows_k=led.excess, follows_sd=led.sd, follows_h=led.time_constant_h)
    if normal.follows:
        return _led(normal, former, quiet, seen.now_ns)
    if not max(normal.trough_sd, normal.peak_sd) > EVEN_SHARE * (normal.cut_out - normal.cut_in):
        normal = _heating(normal, found)  # levels that wander are those of a heater without a thermostat's cycles
    return _habits(normal, found, saw, (quiet, least, greatest, air))


def _aged(former: WaterNormal) -> WaterNormal:
    """What was known, a day later."""
    prior = WaterNormal()
    return replace(
        former,
        cut_in_sd=min(float(np.hypot(former.cut_in_sd, AGE_LEVEL_K)), prior.cut_in_sd),
        cut_out_sd=min(float(np.hypot(former.cut_out_sd, AGE_LEVEL_K)), prior.cut_out_sd),
        heating_log_sd=min(float(np.hypot(former.heating_log_sd, AGE_LOG)), prior.heating_log_sd),
    )


def weighed(known: float, known_sd: float, told: float, told_sd: float) -> tuple[float, float]:
    """Two estimates of one thing as one, by their variances.

    Args:
        known, told: in one unit. known_sd, told_sd: their standard deviations, > 0.
    Returns: the estimate and its standard deviation.
    Source: minimum variance of two independent estimates.
    """
    weight = known_sd**2 / (known_sd**2 + told_sd**2)
    return known + weight * (told - known), float(np.sqrt(weight) * told_sd)


def _levels(
    normal: WaterNormal, former: WaterNormal, found: Cycles, window: tuple[Float64, Float64, Float64], now_ns: int
) -> WaterNormal:
    """Cut-in and cut-out from the newest teeth, or the level that a heater without visible cycles holds.

    window: water whose teeth may teach, water that may teach without them, air, Cel, [cell].
    """
    water, held, air = window
    own = found.trough_cell >= len(water) - OWN_DAYS
    if own.sum() < TEETH_LEAST:
        own = np.ones_like(own)
    troughs, peaks = found.trough[own], found.peak[own]
    if len(troughs) < TEETH_LEAST:
        return _flat(normal, former, held, air, now_ns)
    span = slice(int(found.trough_cell[own][0]), int(found.trough_cell[own][-1]) + 1)
    lost = np.nansum(np.maximum(water[span] - air[span], 0.0)) * CELL_H / normal.time_constant_h
    if (peaks - troughs).sum() < BALANCED_SHARE * lost:
        return normal  # such small rises cannot have held the water: it cools from a run, and noise makes teeth
    newest = slice(-TEETH_NEWEST, None)
    low, high = float(np.median(troughs[newest])), float(np.median(peaks[newest]))
    near = np.abs(troughs - low) <= MOVED_K
    if near.sum() >= TEETH_LEAST:
        troughs, peaks = troughs[near], peaks[near]
        low, high = float(np.median(troughs)), float(np.median(peaks))
    if not CUT_IN_CEL[0] <= low <= CUT_IN_CEL[1] or _on_high_limit(former, low, high):
        return normal
    since = water[int(found.trough_cell[own][near][0] if near.sum() >= TEETH_LEAST else span.start) :]
    if np.mean(since[since == since] < low - MOVED_K / 2) > UNDER_SHARE:
        return normal  # a cut-in is a floor
    trough_sd, peak_sd = _spread(troughs), _spread(peaks)
    if max(trough_sd, peak_sd) > UNEVEN_SHARE * (high - low):
        return normal  # no thermostat switches so unevenly: sun, doors or noise
    count = min(len(troughs), TEETH_NEWEST)
    low_sd = float(np.hypot(trough_sd / np.sqrt(count), LEVEL_SD_LEAST))
    high_sd = float(np.hypot(peak_sd / np.sqrt(count), LEVEL_SD_LEAST))
    moved = normal.days > 0 and abs(low - normal.cut_in) > MOVED_K and len(troughs) >= TEETH_NEWEST // 2
    if moved:  # another set point is not the mean of two
        normal = replace(normal, cut_in_sd=WaterNormal().cut_in_sd, cut_out_sd=WaterNormal().cut_out_sd)
    cut_in, cut_in_sd = weighed(normal.cut_in, normal.cut_in_sd, low, low_sd)
    cut_out, cut_out_sd = weighed(normal.cut_out, normal.cut_out_sd, high, high_sd)
    return replace(
        normal,
        cut_in=cut_in,
        cut_in_sd=max(cut_in_sd, LEVEL_SD_LEAST),
        cut_out=cut_out,
        cut_out_sd=max(cut_out_sd, LEVEL_SD_LEAST),
        trough_sd=trough_sd,
        peak_sd=peak_sd,
        cycle_k_h=found.cycle_k_h if np.isfinite(found.cycle_k_h) else normal.cycle_k_h,
        cycle_log_sd=found.cycle_log_sd if np.isfinite(found.cycle_log_sd) else normal.cycle_log_sd,
        flat=0.0,
        days=_a_day_more(former.days, found.days),
        learned_ns=now_ns,
    )


def _on_high_limit(former: WaterNormal, low: float, high: float) -> bool:
    """Whether such a band, Cel, is a high-limit cut-out's behind a thermostat that sticks, and no new set point."""
    return former.days >= DAYS_SETTLED and low > former.cut_in + SET_POINT_K and high > SET_POINT_CEL


def _flat(normal: WaterNormal, former: WaterNormal, water: Float64, air: Float64, now_ns: int) -> WaterNormal:
    held = water[-2 * CELLS_A_DAY :]
    known = held == held
    if known.sum() < CELLS_A_DAY:
        return normal
    over = held - air[-2 * CELLS_A_DAY :]
    low, middle, high = np.quantile(held[known], (0.05, 0.5, 0.95)).tolist()
    over = over[over == over]
    # without an air sensor: water that does not follow the day, at a heater's height
    lifted = np.quantile(over, 0.1) >= FLAT_OVER_AIR_K if len(over) > CELLS_A_DAY // 2 else middle >= 35.0
    steady = high - low <= FLAT_RANGE_K or (high - low <= FAST_RANGE_K and _returns(held[known], middle))
    if not steady or not lifted or not CUT_IN_CEL[0] <= low <= CUT_IN_CEL[1]:
        return normal
    sd = float(np.hypot(0.5, (high - low) / 4))
    cut_in, cut_in_sd = weighed(normal.cut_in, normal.cut_in_sd, low, sd)
    if normal.days > 0 and abs(low - normal.cut_in) > MOVED_K:
        cut_in, cut_in_sd = low, sd
    return replace(
        normal,
        cut_in=cut_in,
        cut_in_sd=max(cut_in_sd, LEVEL_SD_LEAST),
        cut_out=cut_in + high - low,
        cut_out_sd=max(cut_in_sd, LEVEL_SD_LEAST),
        trough_sd=sd,
        peak_sd=sd,
        flat=1.0,
        days=_a_day_more(former.days, known.sum() / CELLS_A_DAY),
        learned_ns=now_ns,
    )


def _led(normal: WaterNormal, former: WaterNormal, water: Float64, now_ns: int) -> WaterNormal:
    """Levels of water that follows the air: those between which it was. Limits lean on what is near not ready alone."""
    known = water[~np.isnan(water)]
    low, high = np.quantile(known, (0.02, 0.98)).tolist()
    return replace(
        normal,
        cut_in=min(float(low), LED_CUT_IN_MOST),
        cut_in_sd=normal.follows_sd,
        cut_out=float(high),
        cut_out_sd=normal.follows_sd,
        trough_sd=normal.follows_sd,
        peak_sd=normal.follows_sd,
        flat=1.0,
        time_constant_h=normal.follows_h,
        time_constant_log_sd=LED_LOG_SD,
        heating_k_per_h=normal.follows_k / normal.follows_h,
        heating_log_sd=LED_LOG_SD,
        days=_a_day_more(former.days, len(known) / CELLS_A_DAY),
        learned_ns=now_ns,
    )


def _returns(held: Float64, middle: float) -> bool:
    """Whether the water goes through its middle again and again and stays where it is: cycles too fast for cells."""
    half = len(held) // 2
    crossings = int((np.diff((held > middle).astype(np.int8)) != 0).sum())
    return crossings >= CROSSINGS_LEAST and abs(float(held[:half].mean() - held[half:].mean())) < MOVED_K


def _time_constant(normal: WaterNormal, water: Float64, least: Float64, greatest: Float64, air: Float64) -> WaterNormal:
    """The time constant from every fall that is Newton's: tau = integral of (T - Ta) over what the water lost."""
    height = least_height(normal.noise, normal.spread, normal.resolution)
    saw = legs(water, least, greatest, height=height, spread=normal.spread)
    found = cycles(water, air, saw)
    logs = np.log(found.tau_h[~np.isnan(found.tau_h)])
    if not len(logs):
        return normal
    between = _spread(logs) if len(logs) >= 3 else 0.25
    told_sd = float(np.hypot(between / np.sqrt(len(logs)), LOG_SD_LEAST))
    known_sd = normal.time_constant_log_sd if normal.time_constant_days == 0 else max(0.15, told_sd)
    center, center_sd = weighed(float(np.log(normal.time_constant_h)), known_sd, float(np.median(logs)), told_sd)
    return replace(
        normal,
        time_constant_h=float(np.clip(np.exp(center), 0.5, 100.0)),
        time_constant_log_sd=float(np.hypot(np.hypot(center_sd, between), LOG_SD_LEAST)),
        time_constant_days=_a_day_more(normal.time_constant_days, len(logs)),
    )


def _heating(normal: WaterNormal, found: Cycles) -> WaterNormal:
    """Heating rate by each day's balance: h = excess / tau / duty, with the day's own time constant (its wind)."""
    tau_h = np.where(np.isnan(found.tau_h), normal.time_constant_h, found.tau_h)
    with np.errstate(divide="ignore", invalid="ignore"):
        tau_h = np.fmin(tau_h, normal.time_constant_h)
        logs = np.log(np.where(found.excess >= EXCESS_TOLD_K, found.excess, np.nan) / tau_h / found.duty)
    recent = logs[-RECENT_DAYS:]
    recent = recent[np.isfinite(recent)]
    logs = logs[np.isfinite(logs)]
    if not len(logs):
        return replace(normal, heating_recent_log=0.0)
    former = float(np.log(normal.heating_k_per_h))
    if normal.heating_days >= 5:  # days that a weakening heater may have made do not teach, until it has long been so
        usual = logs - former > np.log(WEAKENED)
        if usual.sum() >= max(1, len(logs) - LONG_DAYS):
            logs = logs[usual]
    told_sd = float(np.hypot(_spread(logs) / np.sqrt(len(logs)) if len(logs) >= 3 else 0.2, LOG_SD_LEAST))
    center, sd = weighed(float(np.log(normal.heating_k_per_h)), normal.heating_log_sd, float(np.median(logs)), told_sd)
    return replace(
        normal,
        heating_recent_log=float(np.mean(recent)) - center if len(recent) >= 2 else 0.0,
        heating_k_per_h=float(np.exp(center)),
        heating_log_sd=max(sd, LOG_SD_LEAST),
        heating_days=_a_day_more(normal.heating_days, len(logs)),
    )


def _habits(
    normal: WaterNormal, found: Cycles, saw: Legs, window: tuple[Float64, Float64, Float64, Float64]
) -> WaterNormal:
    """Movement, steepness and extremes; what the window does not tell stays. window: water, least, greatest, air."""
    water, least, greatest, air = window
    if normal.days <= 0:
        return normal
    moved = movements(moved_k(water, least, greatest, noise=normal.noise), water - air)
    if np.isfinite(moved.middle):
        middle, log_sd = _slowly(normal.movement_per_h, normal.movement_log_sd, moved, known=normal.days)
        normal = replace(normal, movement_per_h=middle, movement_log_sd=log_sd)
    steep = steepnesses(saw, len(water))
    merged = least_height(normal.noise, normal.spread, normal.resolution) > TOLD_SHARE * (
        normal.cut_out - normal.cut_in
    )
    if merged:  # teeth so fast, or readings so rough, that legs are told by chance
        normal = replace(normal, steep_k_per_h=np.nan, steep_log_sd=np.nan, steep_days=0.0)
    elif np.isfinite(steep.middle):
        middle, log_sd = _slowly(normal.steep_k_per_h, normal.steep_log_sd, steep, known=normal.steep_days)
        normal = replace(
            normal, steep_k_per_h=middle, steep_log_sd=log_sd, steep_days=max(normal.steep_days, float(steep.count))
        )
    deepest, highest = extremes(found.trough, found.peak)
    return replace(normal, deepest=deepest, highest=highest) if np.isfinite(deepest) else normal


def _slowly(middle: float, log_sd: float, told: Spread, *, known: float) -> tuple[float, float]:
    """A habit and its spread, a day later: once known for HABIT_DAYS days they change no faster than seasons do.

    Else what grows over days, as a hose that closes, would become the unit's own way before it is noticed.
    """
    if known < HABIT_DAYS or not np.isfinite(middle + log_sd):
        return told.middle, told.log_sd
    step = float(np.clip(np.log(told.middle / middle), -HABIT_LOG_A_DAY, HABIT_LOG_A_DAY))
    return middle * float(np.exp(step)), min(told.log_sd, max(log_sd, HABIT_SD_LEAST) * HABIT_SD_GROWS)


def _a_day_more(former: float, in_window: float) -> float:
    return min(max(former + 1.0, float(in_window)) if former > 0 else max(float(in_window), 0.5), DAYS_MAX)


def _spread(values: Float64) -> float:
    """Standard deviation as the median deviation tells it (factor 1.4826: shared trade facts, section 9)."""
    return float(1.482602 * np.median(np.abs(values - np.median(values))))
