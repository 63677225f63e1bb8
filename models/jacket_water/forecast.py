"""When the water will be too cold: an ensemble of courses under Newton's law.

In: water now, the air's last days, time constant and heating with their spread. Out: quantiles, h. May import: numpy,
models. Touches nothing.

Each member has its own time constant, remaining heat, difference of the air round the block from the sensor's, and
weather to come. The draws are quasi-random (Halton) and the same every time, so that the same readings give the same
forecast.
"""

from statistics import NormalDist

import numpy as np

from models.windows import CELLS_A_DAY, Float64

MEMBERS = 64
HOURS = 720  # 30 days
DAYS_BACK = 4  # the diurnal course is the mean of so many days
WEATHER_SD_K = 2.5  # K: spread of air a day ahead where the last days do not tell (our choice)
WEATHER_GROWS_H = 24.0
AIR_OFF_SD_K = 2.5  # K: air at the sensor against air round the block (our choice)
AIR_WARM_K = 1.0  # K: sun and the heater make sensors read warm more often than cold (our choice)
WARMED_SHARE = 0.1  # of its excess that the water warms the enclosure by, at most twice that: jacket heaters add 2-5 K
ANOMALY_H = 30.0  # h in which what is unusual about today is forgotten (weather of days, our choice)
QUANTILES = (0.1, 0.5, 0.9)
LEAVES = (0, 72, 240)  # h from which on a step lasts ...
STEPS_H = (1, 3, 6)  # h: what is days away is as unsure as the weather, and needs no hours


def _halton(count: int, base: int) -> Float64:
    out = np.zeros(count)
    for place in range(count):
        left, share = place + 1, 1.0
        while left:
            share /= base
            out[place] += share * (left % base)
            left //= base
    return out


_NORMAL = NormalDist()
# standard normal draws [kind, member]; kinds: time constant, air at the block, weather, heat, wind to come
_DRAWS = np.array([[_NORMAL.inv_cdf(p) for p in _halton(MEMBERS, base).tolist()] for base in (2, 3, 5, 7, 11)])
_WARMED = _halton(MEMBERS, 13)
_ENDS = (*LEAVES[1:], HOURS)
_STEPS = [
    (hour, step) for begin, end, step in zip(LEAVES, _ENDS, STEPS_H, strict=True) for hour in range(begin, end, step)
]
_ENOUGH = round(QUANTILES[-1] * (MEMBERS - 1)) + 1  # members whose crossing the quantiles need


def coming_air(air: Float64, hours: int) -> tuple[Float64, float]:
    """The air of the hours to come: the mean day of the last days, and what is unusual now, dying away.

    Args:
        air: one unit's, gaps filled, Cel, [cell], the newest last. hours: how many.
    Returns: Cel, [hours], and the spread of one day from the next, K.
    """
    known = air[air == air]
    if not len(known):
        return np.full(hours, np.nan), WEATHER_SD_K
    days = min(len(air) // CELLS_A_DAY, DAYS_BACK)
    now = float(np.mean(known[-3:]))
    if days < 1:
        return np.full(hours, now), 2 * WEATHER_SD_K
    by_day = air[-days * CELLS_A_DAY :].reshape(days, CELLS_A_DAY)
    known_cells = ~np.isnan(by_day)
    count = known_cells.sum(axis=0)
    course = np.where(count > 0, np.where(known_cells, by_day, 0.0).sum(axis=0) / np.maximum(count, 1), now)
    hourly = course.reshape(24, 6).mean(axis=1)
    today = now - float(course[-3:].mean())
    ahead = np.arange(hours)
    day_means = [float(day[ok].mean()) for day, ok in zip(by_day, known_cells, strict=True) if ok.any()]
    spread = float(np.std(np.diff(day_means))) if len(day_means) >= 3 else WEATHER_SD_K
    return hourly[ahead % 24] + today * np.exp(-(ahead + 0.5) / ANOMALY_H), max(spread, 1.0)


def hours_until(
    *,
    water: float,
    limit: float,
    air: Float64,
    usual_excess: float,
    time_constant_h: float,
    time_constant_log_sd: float,
    heating_k_per_h: float = 0.0,
    heating_log_sd: float = 0.3,
    cut_in: float = np.inf,
    sure: bool = False,
) -> Float64:
    """Hours until the water falls below a limit, its 10, 50 and 90 % quantile.

    Args:
        water, limit: Cel. air: enclosure of the last days, gaps filled, Cel, [cell]. usual_excess: water over air while
        the heater still worked, K: without it the enclosure grows colder. time_constant_h, time_constant_log_sd: of
        the cooling to come. heating_k_per_h, heating_log_sd: what the heater still gives, 0: nothing. cut_in: it gives
        it below this, Cel. sure: the parameters are taken as exact (for comparing with tables).
    Returns: h, [3]: 0: already, inf: not within 30 days, NaN: unknown.
    """
    if np.isnan(water):
        return np.full(3, np.nan)
    if water < limit:
        return np.zeros(3)
    course, spread = coming_air(air, HOURS)
    draws = _DRAWS * (0.0 if sure else 1.0)
    tau_h = np.clip(time_constant_h * np.exp(time_constant_log_sd * draws[0] + 0.1 * draws[4]), 0.5, 200.0)
    heat = heating_k_per_h * np.exp(heating_log_sd * draws[3])
    warmed = 0.0 if sure else 2 * WARMED_SHARE * _WARMED
    off_k = 0.0 if sure else AIR_OFF_SD_K * draws[1] - AIR_WARM_K
    lefts = {step: np.exp(-step / tau_h) for step in STEPS_H}
    warmth = heat * tau_h
    excess_now = water - float(course[0])
    now = np.full(MEMBERS, water)
    crossing = np.full(MEMBERS, np.inf)
    for hour, step in _STEPS:
        weather = spread * draws[2] * min((hour + 0.5 * step) / WEATHER_GROWS_H, 4.0) ** 0.5
        around = float(course[hour : hour + step].mean()) if step > 1 else float(course[hour])
        # air at the instant is already that of the water as it is now; what the water loses, the enclosure loses too
        colder = np.clip(min(usual_excess, excess_now) - (now - around), 0.0, 60.0)
        end = around + off_k + weather - warmed * colder
        if heating_k_per_h > 0:
            end = end + np.where(now < cut_in, warmth, 0.0)
        following = end + (now - end) * lefts[step]
        if heating_k_per_h > 0:
            following = np.where(now >= cut_in, np.maximum(following, cut_in - 0.01), np.minimum(following, cut_in))
        if following.min() < limit:
            passed = (following < limit) & np.isinf(crossing)
            share = np.log((now[passed] - end[passed]) / (limit - end[passed])) * tau_h[passed]
            crossing[passed] = hour + np.clip(share, 0.0, step)
            if np.isfinite(crossing).sum() >= _ENOUGH:
                break
        now = following
    ordered = np.sort(crossing)
    return ordered[[round(q * (MEMBERS - 1)) for q in QUANTILES]]
