"""When a battery without charge would no longer crank: least cranking volts against their limit, as quantiles.

In: volts since charging was lost, past cranks, the air's last days. Out: hours from now, 10 %, 50 % and 90 %. May
import: numpy, models. Touches nothing. A fixed, evenly spread ensemble: the same input gives the same bits.
"""

from statistics import NormalDist

import numpy as np

from models.battery.chemistry import EMPTY_RISE, EMPTY_SD, Chemistry, crank_volts, ratio_shift
from models.battery.cranking import Cranking
from models.windows import Float64

LEAST_V = 8.0  # a block: controls drop out below (shared trade facts, section 2)
MEMBERS = 64  # evenly spread: their quantiles lie within some hours of those of 256
STEP_H = 6.0
HORIZON_H = 30 * 24.0
# After charge the volts fall by themselves for 8 to 24 h (section 4); only later ones tell the drain.
SURFACE_H = 18.0
# Standing load and self-discharge: -0.02 .. -0.1 V a day (section 4, 'charger failed') over 0.76 V from full to empty.
DRAIN_A_DAY, DRAIN_LOG_SD = 0.055, 0.7
LOAD_A_DAY, LOAD_LOG_SD, LOAD_SHARE = 0.6, 1.0, 0.1  # lamps or a pump left on: 2-60 A of some 70 Ah (our choice)
FLAT, FLAT_RISE = 0.25, 2.5  # charge below which the acid in the plates gives out under a starter (from memory)
BEFORE_LOSS_SD = 0.06  # charge missing when charging was lost, one-sided (our choice)
WEATHER_SD_K, SWING_K, SWING_H = 3.5, 3.0, 168.0  # next weeks against the last three days: level and passing fronts
SLOPE_H_LEAST = 4  # hours of rest volts before their slope is told
SLOPE_SHARE_SD = 0.15  # volts a charge differ between makes
SLOPE_SD_V_DAY = 0.01  # of a slope over one day, for what a temperature does to rest volts; falls with the span
# Surface charge left when the quick part has gone, and its decay: rest is read after 8, better 24 h (section 4).
SURFACE_V, SURFACE_SD_V, SURFACE_TAU_H, HOUR_SD_V = 0.1, 0.1, 15.0, 0.01
QUICK_V, QUICK_TAU_H = 0.15, 2.5  # the quick part, and its spread as great (from memory)
# Where a load took the surface charge with the first minutes, so much of either part may be left (our choice).
STRIPPED_V, STRIPPED_H = 0.03, 1.0
FELL_SD_V = 0.04  # of a fall between two rest volts (our choice)
REST_SD_V = 0.18  # of an absolute rest volt: sensor offset and make (section 4; our choice)


def _even(members: int, dimensions: int) -> Float64:
    """Evenly spread points in (0, 1), [dimension, member].

    Additive recurrence with the powers of the generalised golden ratio; no random generator, so the same everywhere.
    Source: Roberts 2018, the R sequence (from memory).
    """
    ratio = 2.0
    for _ in range(30):
        ratio = (1.0 + ratio) ** (1.0 / (dimensions + 1))
    steps = ratio ** -(np.arange(dimensions) + 1.0)
    places: Float64 = (0.5 + np.outer(steps, np.arange(members) + 1.0)) % 1.0 * 0.998 + 0.001
    return places


_PLACES = _even(MEMBERS, 9)
_NORMAL = np.array([[NormalDist().inv_cdf(place) for place in row] for row in _PLACES.tolist()])
_AHEAD_H = np.arange(0.0, HORIZON_H, STEP_H)
_LOG_DRAIN = np.linspace(-4.5, 4.5, 361)  # of a drain over its usual one


def _drains(places: Float64, slope: float, slope_sd: float, a_charge: float) -> Float64:
    """Drains, charge a day, spread as prior times what the slope of the rest volts says; NaN slope: prior, [member]."""
    drain = DRAIN_A_DAY * np.exp(_LOG_DRAIN)
    usual = (1.0 - LOAD_SHARE) / DRAIN_LOG_SD * np.exp(-0.5 * (_LOG_DRAIN / DRAIN_LOG_SD) ** 2)
    loaded = (_LOG_DRAIN - np.log(LOAD_A_DAY / DRAIN_A_DAY)) / LOAD_LOG_SD
    log_weight = np.log(usual + LOAD_SHARE / LOAD_LOG_SD * np.exp(-0.5 * loaded**2) * np.isfinite(slope) + 1e-300)
    if np.isfinite(slope):
        log_weight -= 0.5 * ((slope + drain * a_charge) / slope_sd) ** 2
    weight = np.exp(log_weight - log_weight.max())
    share = np.cumsum(weight)
    found: Float64 = DRAIN_A_DAY * np.exp(np.interp(places, share / share[-1], _LOG_DRAIN))
    return found


def fall_a_day(rest_h: Float64, rest_volts: Float64, *, stripped: bool = False) -> tuple[float, float]:
    """Slope of the rest volts, V a day, negative where they sink, and its spread; the surface charge is taken out.

    V = a + b t + c exp(-t / 15 h) + q exp(-t / 2.5 h), least squares with what is known of c and q; six hours tell as
    much as one alone.

    Args:
        rest_h, rest_volts: see hours_to_least, [n >= SLOPE_H_LEAST]. stripped: see hours_to_least.
    """
    day = rest_h / 24.0
    slow, quick = np.exp(-rest_h / SURFACE_TAU_H), np.exp(-rest_h / QUICK_TAU_H)
    basis = np.stack((np.ones_like(day), day - day.mean(), slow, quick), axis=1)
    weight = 1.0 / (6.0 * HOUR_SD_V**2)
    surface, surface_sd, quick_volts = (0.0, STRIPPED_V, 0.0) if stripped else (SURFACE_V, SURFACE_SD_V, QUICK_V)
    quick_sd = STRIPPED_V if stripped else QUICK_V
    precision = weight * basis.T @ basis + np.diag([1e-9, 1e-9, surface_sd**-2, quick_sd**-2])
    covariance = np.linalg.inv(precision)
    known = np.array([0.0, 0.0, surface / surface_sd**2, quick_volts / quick_sd**2])
    fit = covariance @ (weight * basis.T @ rest_volts + known)
    span = max(float(day[-1] - day[0]), 0.25)
    sd = np.sqrt(covariance[1, 1] + (SLOPE_SD_V_DAY / span) ** 2 + (SLOPE_SHARE_SD * fit[1]) ** 2)
    return float(fit[1]), float(sd)


def told_slope(rest_h: Float64, rest_volts: Float64, chemistry: Chemistry, *, stripped: bool) -> tuple[float, float]:
    """Slope of the rest volts and its spread, of the hours before the battery was empty: a flat end tells no drain."""
    held = rest_volts > chemistry.rest - chemistry.volts_a_charge
    index = held if held.sum() >= SLOPE_H_LEAST else np.ones(len(held), np.bool_)
    return fall_a_day(rest_h[index], rest_volts[index], stripped=stripped)


def course_ahead(temperature: Float64, known: bool) -> tuple[Float64, float]:
    """Coldest battery of each six hours ahead as the last three days were, and the spread of their level.

    Args:
        temperature: of the battery each hour up to now, Cel, [hour >= 72]. known: False: assumed, so widely spread.
    Returns: Cel, [step] and K.
    """
    day = temperature[-72:].reshape(3, 24).mean(axis=0)  # hour k of it lies k + 1 hours ahead, a whole day on
    coldest = day.reshape(4, 6).min(axis=1)
    ahead = np.tile(coldest, int(HORIZON_H / 24))
    return (ahead, WEATHER_SD_K) if known else (np.full_like(ahead, 10.0), 12.0)


def hours_to_least(
    *,
    off_h: float,
    rest_h: Float64,
    rest_volts: Float64,
    rest_age_h: float,
    first_volts: float,
    temperature: Float64,
    temperature_known: bool,
    cranking: Cranking,
    chemistry: Chemistry,
    drain_share: float = 1.0,
    stripped: bool = False,
    missing_volts: float = 0.0,
    least: float = LEAST_V,
) -> Float64:
    """Hours from now until a crank would fall below its least volts, if nobody comes.

    Each member has its own drain, missing charge, dip, cold, weather. The drain is the textbook's times what the slope
    of the rest volts says; the charge is what the rest volts fell since the surface charge had gone.

    Args:
        off_h: hours since charging was lost; 0 where it goes on.
        rest_h, rest_volts: hours since charging or a run ended and V a block, where the battery was left to itself and
            most of its surface charge had gone, [n]. rest_age_h: how long ago the last of them was.
        first_volts: V a block when the surface charge had just gone; NaN where nobody saw it.
        temperature: of the battery, hourly, Cel, [hour]. temperature_known: False where there is no air sensor.
        cranking: what the cranks said. chemistry: the battery's.
        drain_share: of the drain that the charger does not carry, 1: all of it, 0: it goes on charging.
        stripped: a load took the surface charge at once, so that the first hours tell the drain.
        missing_volts: of a cell that is out, V.
        least: V a block.
    Returns: 10 %, 50 %, 90 % quantile, h, [3]: 0 where it would now, inf: not within 30 days.
    """
    _, missing_n, dip_n, cold_n, empty_n, level_n, phase_n, late_n, volts_n = _NORMAL
    a_charge = chemistry.volts_a_charge * (1.0 + SLOPE_SHARE_SD * volts_n)
    slope = slope_sd = np.nan
    if len(rest_h) >= SLOPE_H_LEAST and drain_share > 0:
        slope, slope_sd = told_slope(rest_h, rest_volts, chemistry, stripped=stripped)
    drain = _drains(_PLACES[0], slope, slope_sd, chemistry.volts_a_charge) * drain_share / 24.0  # charge an hour
    missing = BEFORE_LOSS_SD * np.abs(missing_n)
    if np.isfinite(slope) and np.isfinite(first_volts):
        # By the volts, not by the time: runs meanwhile gave charge back.
        left_v = 0.0 if stripped else SURFACE_V * np.exp(-SURFACE_H / SURFACE_TAU_H)
        fell = first_volts - left_v - float(rest_volts[-6:].mean()) + FELL_SD_V * missing_n[::-1]
        charge = 1.0 - missing - drain * (STRIPPED_H if stripped else SURFACE_H) - np.maximum(fell, 0.0) / a_charge
        charge -= drain * rest_age_h
    elif np.isfinite(slope) and chemistry.tells_charge and rest_h[-1] > SURFACE_H:
        stands = float(rest_volts[-6:].mean()) + missing_volts + REST_SD_V * volts_n
        charge = np.clip(1.0 - (chemistry.rest - stands) / chemistry.volts_a_charge, 0.0, 1.0)
    else:
        charge = 1.0 - missing - drain * off_h
    ahead, level_sd = course_ahead(temperature, temperature_known)
    swing = SWING_K * np.sin(2 * np.pi * _AHEAD_H / SWING_H + 2.0 * phase_n[:, None])
    warmth = ahead + (level_sd * level_n[:, None] + swing) * np.minimum(_AHEAD_H / 48.0, 1.0)
    left = np.clip(charge[:, None] - drain[:, None] * _AHEAD_H, 0.0, 1.0)
    cold = np.maximum(cranking.cold + cranking.cold_sd * cold_n, 0.002)[:, None]
    empty = np.maximum(EMPTY_RISE + EMPTY_SD * empty_n, 0.1)[:, None]
    flat = FLAT_RISE * np.maximum(FLAT - left, 0.0) / FLAT
    ratio = flat + (cranking.ratio + cranking.ratio_sd * dip_n)[:, None] + ratio_shift(warmth, left, cold, empty)
    volts = crank_volts(chemistry.rest - missing_volts - a_charge[:, None] * (1.0 - left), ratio)
    below = volts < least
    first = below.argmax(axis=1)
    jitter = np.where(first > 0, 0.5 + 0.3 * np.clip(late_n, -1.6, 1.6), 0.0)  # somewhere in the step before
    when = np.where(below.any(axis=1), np.maximum(_AHEAD_H[first] - STEP_H * jitter, 0.0), np.inf)
    found: Float64 = np.sort(when)[[int(0.1 * MEMBERS), MEMBERS // 2, int(0.9 * MEMBERS)]]
    return found
