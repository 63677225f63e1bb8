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
MEMBERS = 256
STEP_H = 6.0
HORIZON_H = 30 * 24.0
# After charge the volts fall by themselves for 8 to 24 h (section 4); only later ones tell the drain.
SURFACE_H = 18.0
# Standing load and self-discharge: -0.02 .. -0.1 V a day (section 4, 'charger failed') over 0.76 V from full to empty.
DRAIN_A_DAY, DRAIN_LOG_SD = 0.055, 0.8
PROPOSED_LOG_SD = 1.3  # drawn wider than believed, then weighed, so that a load left on has members too
BEFORE_LOSS_SD = 0.06  # charge missing when charging was lost, one-sided (our choice)
WEATHER_SD_K, SWING_K, SWING_H = 3.5, 3.0, 168.0  # next weeks against the last three days: level and passing fronts
SLOPE_SD_V_DAY = 0.02  # what surface charge left over does to a day's slope; falls with the span (our choice)
REST_SD_V = 0.12  # of an absolute rest volt: sensor offset and make (section 4; our choice)


def _spread(members: int, dimensions: int) -> Float64:
    """Evenly spread points as standard normal numbers, [dimension, member].

    Additive recurrence with the powers of the generalised golden ratio; no random generator, so the same everywhere.
    Source: Roberts 2018, the R sequence (from memory).
    """
    ratio = 2.0
    for _ in range(30):
        ratio = (1.0 + ratio) ** (1.0 / (dimensions + 1))
    inverse = NormalDist().inv_cdf
    places = [
        [(0.5 + (i + 1) * ratio ** -(j + 1)) % 1.0 * 0.998 + 0.001 for i in range(members)] for j in range(dimensions)
    ]
    return np.array([[inverse(place) for place in row] for row in places])


_NORMAL = _spread(MEMBERS, 8)
_AHEAD_H = np.arange(0.0, HORIZON_H, STEP_H)


def weighted_quantiles(values: Float64, weights: Float64) -> Float64:
    """10 %, 50 % and 90 % quantile of weighted values; inf stays inf, [3]."""
    order = np.argsort(values)
    share = np.cumsum(weights[order]) / weights.sum()
    places = np.minimum(np.searchsorted(share, [0.1, 0.5, 0.9]), len(values) - 1)
    found: Float64 = values[order][places]
    return found


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
    temperature: Float64,
    temperature_known: bool,
    cranking: Cranking,
    chemistry: Chemistry,
    drain_share: float = 1.0,
    least: float = LEAST_V,
) -> Float64:
    """Hours from now until a crank would fall below its least volts, if nobody comes.

    Each member has its own drain, missing charge, dip, weather; members are weighed by how well they tell the volts
    since charging was lost: their slope after the surface charge has gone, and where they stand.

    Args:
        off_h: hours since charging was lost; 0 where it goes on.
        rest_h, rest_volts: hours since the loss and V a block, where the battery was left to itself and its surface
            charge had gone, [n].
        temperature: of the battery, hourly, Cel, [hour]. temperature_known: False where there is no air sensor.
        cranking: what the cranks said. chemistry: the battery's.
        drain_share: of the drain that the charger does not carry, 1: all of it, 0: it goes on charging.
        least: V a block.
    Returns: 10 %, 50 %, 90 % quantile, h, [3]: 0 where it would now, inf: not within 30 days.
    """
    drain_n, missing_n, dip_n, cold_n, empty_n, level_n, phase_n, late_n = _NORMAL
    drain = DRAIN_A_DAY * np.exp(PROPOSED_LOG_SD * drain_n) * drain_share / 24.0  # charge an hour
    log_weight = 0.5 * drain_n**2 - 0.5 * (PROPOSED_LOG_SD * drain_n / DRAIN_LOG_SD) ** 2
    charge = 1.0 - BEFORE_LOSS_SD * np.abs(missing_n) - drain * off_h
    a_charge = chemistry.volts_a_charge
    if len(rest_h) >= 6 and drain_share > 0:
        at, volts = rest_h, rest_volts
        span_days = max(float(at[-1] - at[0]) / 24.0, 0.25)
        slope = float(np.polyfit(at, volts, 1)[0]) * 24.0
        sd = np.hypot(SLOPE_SD_V_DAY / span_days, 0.15 * abs(slope))
        log_weight -= 0.5 * ((slope + drain * 24.0 * a_charge) / sd) ** 2
        if chemistry.tells_charge:
            stands = float(volts[-6:].mean())
            then = charge + drain * (off_h - float(at[-6:].mean()))
            rest = chemistry.rest - a_charge * (1.0 - then)
            log_weight -= 0.5 * ((stands - rest) / (1.5 * REST_SD_V)) ** 2
    log_weight -= log_weight.max()
    weight = np.exp(log_weight)
    while weight.sum() ** 2 / (weight**2).sum() < 12:  # too few members left to tell quantiles: believe the volts less
        log_weight *= 0.6
        weight = np.exp(log_weight)
    ahead, level_sd = course_ahead(temperature, temperature_known)
    swing = SWING_K * np.sin(2 * np.pi * _AHEAD_H / SWING_H + 2.0 * phase_n[:, None])
    warmth = ahead + (level_sd * level_n[:, None] + swing) * np.minimum(_AHEAD_H / 48.0, 1.0)
    left = np.clip(charge[:, None] - drain[:, None] * _AHEAD_H, 0.0, 1.0)
    cold = np.maximum(cranking.cold + cranking.cold_sd * cold_n, 0.002)[:, None]
    empty = np.maximum(EMPTY_RISE + EMPTY_SD * empty_n, 0.1)[:, None]
    ratio = (cranking.ratio + cranking.ratio_sd * dip_n)[:, None] + ratio_shift(warmth, left, cold, empty)
    volts = crank_volts(chemistry.rest - a_charge * (1.0 - left), ratio)
    below = volts < least
    first = below.argmax(axis=1)
    jitter = np.where(first > 0, 0.5 + 0.3 * np.clip(late_n, -1.6, 1.6), 0.0)  # somewhere in the step before
    when = np.where(below.any(axis=1), np.maximum(_AHEAD_H[first] - STEP_H * jitter, 0.0), np.inf)
    return weighted_quantiles(when, weight)
