"""Cranks against the unit's own past, at like temperature and charge: weaker, shorted, replaced.

In: cranks of one unit. Out: how much deeper the last ones dipped than the earlier, and how sure. May import: numpy,
models. Touches nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from models.battery.chemistry import (
    COLD_A_KELVIN,
    COLD_SD,
    COMPENSATED_AT_CEL,
    DIP_PRIOR,
    DIP_PRIOR_SD,
    EMPTY_RISE,
    Chemistry,
    chemistry_of,
    crank_volts,
    dip_ratio,
    state_of_charge,
)
from models.seen import Crank
from models.windows import Float64

SEEN_S_SURE = 2.0  # s: read at least this often, the least of a crank of 1-3 s is nearly met (models.seen.Crank)
RATIO_SD = 0.12  # of one crank's log ratio: 0.2 V on a dip of 2 V; engines stop at other cylinders (our choice)
RATIO_SD_LEAST, RATIO_SD_CRANKS = (
    0.05,
    4.0,
)  # a unit's own scatter: its least, and cranks that RATIO_SD weighs as much as
LATE_SD = 0.4  # of one whose least may have been missed
# Not on charge, its state is known to a fifth at best (0.15 V of 0.76 V), which moves the ratio by a quarter.
UNCHARGED_V, UNCHARGED_SD = 0.1, 0.25
# A starter needs more of a cold engine: 100 % at 27 and 155 % at 0 Cel for all that is cold (section 4, read: 0.016 a
# kelvin), of which the battery's own cold is no part; so much of the log ratio a kelvin, and its spread (our choice).
CHILLED_A_KELVIN, CHILLED_SD = 0.011, 0.005
OUTLIER_SHARE, OUTLIER_SD = 0.03, 0.6  # a crank against a hot, cold or hung engine that says nothing of the battery
PAST_LEAST = 3  # cranks before any is judged by them
RECENT_MOST = 4  # last cranks that may be of another battery than the earlier ones
PAST_MOST = 60  # cranks kept; a year of weekly ones
SHIFTS = np.linspace(0.15, 1.5, 28)  # of the log ratio: resistance 16 % .. 4.5 times over its own past
SHIFT_PRIOR = np.exp(-0.5 * ((SHIFTS - 0.5) / 0.4) ** 2)  # replace at +30..50 % (IEEE 1188 from memory), later worse
DAY_NS = 86_400 * 10**9
REMEMBERED = 4096  # units whose cranks need no new reckoning until the next crank; a few hundred bytes each

PastCrank = tuple[float, float, float, float]
"""Day since 1970, log ratio at full charge, enclosure Cel (NaN: not known), spread of the ratio."""


@dataclass(frozen=True, slots=True)
class Cranking:
    """What the cranks say.

    ratio, ratio_sd: log dip ratio now at 25 Cel and full charge, the last cranks' where they differ from the past.
    cold, cold_sd: its rise a kelvin below 25 Cel. weaker: log odds of evidence, not of belief, that the last `recent`
    cranks dipped deeper than the own past; replaced: that they dipped less deep. shift: mean of their excess.
    least, expected: of the last crank, V a block, NaN: no crank or no past. number: cranks used. since_day: of the
    first of the recent ones. beyond_sds: how many of its spreads the last crank's ratio lies over the earlier ones';
    0 where its true least may have been missed.
    """

    ratio: float = DIP_PRIOR
    ratio_sd: float = DIP_PRIOR_SD
    cold: float = COLD_A_KELVIN
    cold_sd: float = COLD_SD
    weaker: float = 0.0
    replaced: float = 0.0
    recent: int = 0
    shift: float = 0.0
    least: float = np.nan
    expected: float = np.nan
    number: int = 0
    since_day: float = np.nan
    beyond_sds: float = 0.0


def _usual_water(seen: Sequence[Crank]) -> float:
    """Jacket water at which a unit is used to crank, Cel; NaN: not known."""
    water = [crank.water for crank in seen if np.isfinite(crank.water)]
    return float(np.median(water)) if water else np.nan


def _chilled_k(crank: Crank, usual_water: float) -> float:
    """How much colder than usual the engine was, K, >= 0; 0 where it is not known."""
    return max(float(np.nan_to_num(usual_water - crank.water, nan=0.0)), 0.0)


def _own(crank: Crank, chemistry: Chemistry, usual_water: float) -> PastCrank | None:
    """One crank as log ratio at full charge and usual water; None where it shows no dip."""
    rest = min(crank.before, chemistry.rest)  # on charge the volts before tell the charger's, not the battery's
    charge = 1.0
    if chemistry.tells_charge and crank.before < chemistry.rest - chemistry.rest_sd:
        charge = float(state_of_charge(np.array(crank.before), chemistry))
    ratio = float(dip_ratio(np.array(crank.least), np.array(rest)))
    if not np.isfinite(ratio):
        return None
    spread = RATIO_SD if crank.seen_s <= SEEN_S_SURE else LATE_SD
    if crank.before < chemistry.rest + UNCHARGED_V:
        spread = float(np.hypot(spread, UNCHARGED_SD + 0.4 * (1.0 - charge)))
    chilled_k = _chilled_k(crank, usual_water)
    ratio -= EMPTY_RISE * (1.0 - charge) + CHILLED_A_KELVIN * chilled_k
    return crank.at_ns / DAY_NS, ratio, crank.air, float(np.hypot(spread, CHILLED_SD * chilled_k))


def merged(
    past: tuple[PastCrank, ...], seen: Sequence[Crank], chemistry: Chemistry, since_day: float
) -> tuple[PastCrank, ...]:
    """Cranks kept from before and those seen now, in order, the newest PAST_MOST.

    Args:
        past: as kept. seen: the last 90 days'. chemistry: of the battery. since_day: the battery is there since then.
    """
    water = _usual_water(seen)
    now = [own for own in (_own(crank, chemistry, water) for crank in seen) if own is not None and own[0] >= since_day]
    first = seen[0].at_ns / DAY_NS - 1e-6 if seen else np.inf
    old = [crank for crank in past if crank[0] < first and crank[0] >= since_day]
    return tuple((*old, *now)[-PAST_MOST:])


def _fit(ratio: Float64, colder: Float64, variance: Float64) -> tuple[Float64, Float64]:
    """Mean and covariance of level at 25 Cel and rise a kelvin colder, with the textbook as prior."""
    basis = np.stack((np.ones_like(colder), colder), axis=1)
    precision = np.diag([1.0 / DIP_PRIOR_SD**2, 1.0 / COLD_SD**2]) + (basis.T / variance) @ basis
    right = np.array([DIP_PRIOR / DIP_PRIOR_SD**2, COLD_A_KELVIN / COLD_SD**2]) + (basis.T / variance) @ ratio
    covariance: Float64 = np.linalg.inv(precision).astype(np.float64)
    return covariance @ right, covariance


def _own_scatter(ratio: Float64, colder: Float64, variance: Float64) -> float:
    """Share of the textbook's variances that a unit's own cranks show; close together, a weaker battery shows by less.

    Args:
        ratio, colder, variance: of cranks of a battery that had not changed, [n].
    """
    mean, _ = _fit(ratio, colder, variance)
    # 0.455 is the median of a chi square of one: the middle, so that one odd crank does not widen the others.
    seen = float(np.median((ratio - mean[0] - mean[1] * colder) ** 2 / variance)) / 0.455
    share = (RATIO_SD_CRANKS + len(ratio) * seen) / (RATIO_SD_CRANKS + len(ratio))
    return float(np.clip(share, (RATIO_SD_LEAST / RATIO_SD) ** 2, 1.0))


def _evidence(excess: Float64, variance: Float64, common: float, sign: float) -> float:
    """Log likelihood ratio: all shifted, by one amount or by growing ones, against none shifted but outliers allowed.

    Args:
        excess: of the recent log ratios over the past's. variance: of each alone. common: of the past's level, shared.
        sign: +1 deeper, -1 less deep.
    """
    total = variance + common
    spread = total[None, :]
    each = -0.5 * (excess - sign * SHIFTS[:, None]) ** 2 / spread - 0.5 * np.log(spread)
    log_weight = np.log(SHIFT_PRIOR / SHIFT_PRIOR.sum())[:, None]
    one = float(np.logaddexp.reduce(each.sum(axis=1) + log_weight[:, 0]))
    growing = float(np.logaddexp.reduce(each + log_weight, axis=0).sum())
    wide = total + OUTLIER_SD**2
    same = (1 - OUTLIER_SHARE) * np.exp(-0.5 * excess**2 / total) / np.sqrt(total)
    same = same + OUTLIER_SHARE * np.exp(-0.5 * excess**2 / wide) / np.sqrt(wide)
    return float(np.logaddexp(one, growing) - np.log(2.0) - np.log(np.maximum(same, 1e-30)).sum())


def cranking(
    cranks: Sequence[PastCrank], last: Crank | None, chemistry: Chemistry, usual_water: float = np.nan
) -> Cranking:
    """What a unit's cranks say of its battery.

    Args:
        cranks: of the battery that is in, in order. last: the newest as it was seen. chemistry: of the battery.
        usual_water: jacket water at which it is used to crank, Cel; NaN: not known.
    Returns: the prior, wide, where there is no crank.
    """
    if not cranks:
        return Cranking()
    table = np.array(cranks)
    known = ~np.isnan(table[:, 2])
    colder = np.where(known, COMPENSATED_AT_CEL - table[:, 2], 0.0)
    variance = table[:, 3] ** 2 + np.where(known, 0.0, 0.2**2)  # 15 K of unknown temperature (our choice)
    ratio = table[:, 1]
    mean, covariance = _fit(ratio, colder, variance)
    best = (0.0, 0.0, 0, 0.0)
    fitted = (mean, covariance)
    beyond_sds = 0.0
    for recent in range(1, min(RECENT_MOST, len(ratio) - PAST_LEAST) + 1):
        own = variance * _own_scatter(ratio[:-recent], colder[:-recent], variance[:-recent])
        past_mean, past_covariance = _fit(ratio[:-recent], colder[:-recent], own[:-recent])
        excess = ratio[-recent:] - past_mean[0] - past_mean[1] * colder[-recent:]
        lean = np.array([1.0, float(colder[-recent:].mean())])
        common = float(lean @ past_covariance @ lean)
        if recent == 1 and last is not None and last.seen_s <= SEEN_S_SURE:
            beyond_sds = float(excess[0] / np.sqrt(own[-1] + common))
        weaker = _evidence(excess, own[-recent:], common, 1.0)
        replaced = _evidence(excess, own[-recent:], common, -1.0) if recent >= 2 else 0.0
        if max(weaker, replaced) > max(best[0], best[1]):
            best = (weaker, replaced, recent, float(excess.mean()))
            fitted = (past_mean, past_covariance)
    weaker, replaced, recent, shift = best
    level, level_sd = float(mean[0]), float(np.sqrt(covariance[0, 0]))
    if recent and max(weaker, replaced) > 1.0:
        level = float(fitted[0][0]) + shift
        level_sd = float(np.sqrt(fitted[1][0, 0] + variance[-recent:].mean() / recent))
    expected = least = np.nan
    if last is not None:
        least = last.least
        predicted = float(fitted[0][0] + fitted[0][1] * colder[-1])
        predicted += CHILLED_A_KELVIN * _chilled_k(last, usual_water)
        expected = min(last.before, chemistry.rest) / (1.0 + np.exp(predicted))
    return Cranking(
        ratio=level,
        ratio_sd=level_sd,
        cold=float(fitted[0][1]),
        cold_sd=float(np.sqrt(fitted[1][1, 1])),
        weaker=weaker,
        replaced=replaced,
        recent=recent,
        shift=shift,
        least=least,
        expected=float(expected),
        number=len(ratio),
        since_day=float(table[-recent, 0]) if recent else np.nan,
        beyond_sds=beyond_sds,
    )


@lru_cache(maxsize=REMEMBERED)
def cranking_of(past: tuple[PastCrank, ...], seen: tuple[Crank, ...], battery_type: str, since_day: float) -> Cranking:
    """What a unit's cranks say, kept and seen; remembered, for it only changes with a crank.

    Args:
        past: as kept in the normal. seen: the last 90 days'. battery_type: as the fleet file names it. since_day: the
            battery is there since then, days since 1970.
    """
    chemistry = chemistry_of(battery_type)
    last = seen[-1] if seen else None
    return cranking(merged(past, seen, chemistry, since_day), last, chemistry, _usual_water(seen))


def expected_crank(
    cranks: Sequence[PastCrank], battery_type: str, before: float, temperature: float
) -> tuple[float, float]:
    """Least volts that a unit's own past lets expect of a crank at a temperature, and their spread.

    The cranks that dipped deeper than the others of late are no part of that past.

    Args:
        cranks: as kept in the normal. battery_type: as the fleet file names it. before: V a block before the crank.
        temperature: of the enclosure, Cel; NaN: not known, then as warm as the past and wider.
    Returns: V a block; NaN, NaN with fewer than PAST_LEAST cranks.
    """
    if len(cranks) < PAST_LEAST:
        return np.nan, np.nan
    chemistry = chemistry_of(battery_type)
    said = cranking_of(tuple(cranks), (), battery_type, 0.0)
    lately = said.recent if said.weaker > 1.0 else 0
    table = np.array(cranks[: len(cranks) - lately])
    at = float(np.nanmean(table[:, 2])) if np.isfinite(table[:, 2]).any() else COMPENSATED_AT_CEL
    known = np.isfinite(table[:, 2])
    colder = np.where(known, COMPENSATED_AT_CEL - table[:, 2], COMPENSATED_AT_CEL - at)
    variance = table[:, 3] ** 2
    variance = variance * _own_scatter(table[:, 1], colder, variance)
    mean, covariance = _fit(table[:, 1], colder, variance)
    lean = np.array([1.0, COMPENSATED_AT_CEL - (at if np.isnan(temperature) else temperature)])
    rest = min(before, chemistry.rest)
    volts = float(crank_volts(np.array(rest), lean @ mean))
    ratio_sd = np.sqrt(lean @ covariance @ lean + variance.min() + (0.0 if np.isfinite(temperature) else 0.2**2))
    return volts, float(volts * (1.0 - volts / rest) * ratio_sd)
