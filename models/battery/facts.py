"""What one unit's hours show against what was learned of it: how far off charge, since when, how it began.

In: one unit's hours and what was learned of it. Out: measured facts, on which evidence rests. May import: numpy,
models. Touches nothing.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.battery.chemistry import COMPENSATED_AT_CEL, Chemistry
from models.battery.habits import rests
from models.battery.hours import HOUR_NS, Hours
from models.battery.normal import SETTLED_H, BatteryNormal
from models.windows import Float64

OFF_V_LEAST = 0.2  # under float by less nothing is called lost: sensors step by up to this
OFF_H_LEAST = 6  # known hours off charge before a failure is believed: visits and their works are shorter
UNKNOWN_WARMTH_K = 8.0
RISES_V, LOADS_V = 0.05, 0.08  # what rises is charged; a load that goes lets rest volts rise by a little (our choice)
RISES_LATELY_H = 36
SINKS_H_LEAST = 8  # known hours off charge before their course is told
LOAD_H = 4  # known hours that a load may draw the volts down
AT_ONCE = 0.6  # share of the way from float to rest that a load takes at once; a battery left alone takes hours for it


@dataclass(frozen=True, slots=True)
class Facts:
    """What was measured of one unit; V a block, h, NaN: not known.

    learned: a float is. volts, expected: of the last known hours. expected_sd: of the expectation. over: residual of
    each hour, [hour]; volts_expected: its expectation, [hour]; sure: V by which an hour has to stray to be meant,
    [hour]. known: bool [hour]. off_h: known hours off charge in the spell under way; since: its first hour; off_index:
    its hours. lifted: a run hides it just now. held_at: greatest of the last hours, so that a load of an hour or two
    says nothing; fallen: share of its way from float to rest. sinking: log likelihood ratio of sinking against held.
    age_h: of the last known hour. after_run_h: since the last run, inf: none known, or one that the spell lived
    through. stuck: the volts do not move at all though they used to. temperature: of the battery now, and whether it is
    known. stripped: charging was lost and the surface charge with it, within minutes.
    """

    learned: bool
    volts: float
    expected: float
    expected_sd: float
    over: Float64
    volts_expected: Float64
    sure: Float64
    known: NDArray[np.bool_]
    off_h: int
    lifted: bool
    since: int
    off_index: NDArray[np.intp]
    held_at: float
    fallen: float
    sinking: float
    age_h: int
    after_run_h: float
    stuck: bool
    temperature: float
    temperature_known: bool
    stripped: bool


def _stripped(hours: Hours, since: int, expected: Float64, chemistry: Chemistry) -> bool:
    """Whether the volts were at rest as soon as charging was lost: a load took the surface charge at once.

    A battery that is only left alone keeps it for hours (shared trade facts, section 4: rest is read after 8 h). After
    a run, whose alternator gave it, the first hour tells.
    """
    first = hours.volts[since + 1 : since + 2]
    if not chemistry.tells_charge or since == 0 or not len(first) or not first[0] < chemistry.rest + chemistry.rest_sd:
        return False
    if hours.ran[since - 1 : since + 1].any():
        return True
    way = float(expected[since - 1]) - chemistry.rest
    return bool(np.nanmax(hours.step[since - 1 : since + 2], initial=-np.inf) > AT_ONCE * max(way, 0.3))


def _own_course(hours: Hours, index: NDArray[np.intp]) -> NDArray[np.intp]:
    """Of the hours off charge those of one stretch without a run: what an alternator lifts tells of no charger."""
    ran = np.flatnonzero(hours.ran)
    inside = ran[ran > index[0]] if len(index) else ran[:0]
    if not len(inside):
        return index
    after = index[(index > inside[-1]) & ~(hours.after_run_h[index] < SETTLED_H)]
    stretch: NDArray[np.intp] = after if len(after) >= SINKS_H_LEAST else index[index < inside[0]]
    return stretch


def _rise(hours: Hours, index: NDArray[np.intp]) -> float:
    """Greatest rise of the volts of three hours over what they had sunk to, lately, V."""
    lately = index[index >= len(hours.volts) - RISES_LATELY_H]
    if len(lately) < 5:
        return 0.0
    smooth = np.convolve(hours.volts[lately], np.full(3, 1.0 / 3.0), "valid")
    return float((smooth - np.minimum.accumulate(smooth)).max())


def _sinking(hours: Hours, index: NDArray[np.intp], since: int, normal: BatteryNormal) -> float:
    """Log likelihood ratio: sinks as a battery off charge does, against held at a lower level.

    Off charge the volts fall with the logarithm of time, then by 0.02-0.1 V a day (section 4); a held level follows
    the compensation. Both with the resolution of the readings, so that a deadband makes it say nothing.
    """
    index = _own_course(hours, index)
    early = index[index - since >= 2][:3]
    late = index[-3:]
    if len(index) < SINKS_H_LEAST or len(early) < 3 or late[0] <= early[-1]:
        return 0.0
    fell = float(hours.volts[early].mean() - hours.volts[late].mean())
    warmer = float(hours.temperature[late].mean() - hours.temperature[early].mean())
    hour = float(late[-1] - since)
    noise = float(np.hypot(np.nan_to_num(normal.spread, nan=0.05) * 0.5, 0.5 * normal.resolution))
    fall = 0.05 * np.log2(max(hour, 4.0) / 3.0) + 0.04 * hour / 24.0
    sd_off = float(np.hypot(0.6 * fall, noise))
    compensation = normal.float_slope * warmer
    sd_held = float(np.sqrt(0.02**2 + noise**2 + (normal.slope_sd * warmer) ** 2 + (0.3 * compensation) ** 2))
    off = -0.5 * ((fell - fall) / sd_off) ** 2 - np.log(sd_off) if fell < fall else -np.log(sd_off)
    held = -0.5 * ((fell + compensation) / sd_held) ** 2 - np.log(sd_held)
    if fell < -max(3.0 * noise, RISES_V) or _rise(hours, index[index - since >= 2]) > max(3.0 * noise, LOADS_V):
        return -9.0  # what rises is charged
    return float(np.clip(off - held, -5.0, 3.0))


def _spell(on_charge: NDArray[np.bool_], off: NDArray[np.bool_], hours: Hours) -> tuple[int, NDArray[np.intp], float]:
    """The spell off charge that goes on now: its first hour, its known hours, hours since a run that may explain it.

    Only an hour that shows charge ends it: on a hot afternoon a compensated float comes down to where a battery rests.

    A run lifts the volts of a battery that nothing else charges: what comes right after it tells of no charger, and a
    spell that was there for hours before the run lives through it.
    """
    settled = ~(hours.after_run_h < SETTLED_H)
    on = np.flatnonzero(on_charge & settled)
    since = int(on[-1]) + 1 if len(on) else 0
    index = np.flatnonzero(off)
    index = index[index >= since]
    after_run_h = float(hours.after_run_h[-1])
    if not len(index) or not after_run_h < len(off):
        return since, index, after_run_h
    stopped = len(off) - int(after_run_h)
    if len(index) >= OFF_H_LEAST and index[OFF_H_LEAST - 1] < stopped:
        return since, index, np.inf
    since = max(since, stopped)
    return since, index[index >= since], after_run_h


def _stuck(hours: Hours, off_index: NDArray[np.intp], known: NDArray[np.bool_], normal: BatteryNormal) -> bool:
    """Whether the volts stand still to the last digit: for a day, or ever since they fell.

    A battery off charge sinks for a day before it is still; one on charge shows its charger's ripple. Where digits or a
    deadband are coarse, standing still says nothing.
    """
    if not (normal.moves > 0.02 and 0 < normal.resolution < 0.03):
        return False
    index = off_index[2:] if len(off_index) else np.flatnonzero(known)[-24:]
    if len(index) < (4 if len(off_index) else 20) or hours.fresh[index].sum() < 2 * len(index):
        return False
    return bool(np.nanmax(hours.greatest[index]) - np.nanmin(hours.least[index]) < 1e-6)


def facts_of(hours: Hours, normal: BatteryNormal, chemistry: Chemistry) -> Facts:
    """What one unit's hours show against what was learned of it.

    Args:
        hours: 14 days up to now. normal: BatteryNormal() until learned. chemistry: of its battery.
    """
    learned = bool(np.isfinite(normal.float_voltage))
    level = normal.float_voltage if learned else chemistry.float_voltage
    level_sd = float(np.hypot(normal.spread, 1.5 * normal.day_sd)) if learned else chemistry.float_sd
    expected = level + normal.float_slope * (hours.temperature - COMPENSATED_AT_CEL)
    over = hours.volts - expected
    if normal.float_since_ns > hours.begin_ns(0):  # the former set point says nothing against the new one
        over[: max(0, len(over) - (hours.end_ns - normal.float_since_ns) // HOUR_NS)] = np.nan
    known: NDArray[np.bool_] = ~np.isnan(over)
    if learned:
        known &= ~rests(normal, hours, over)
    coldest, warmest = (normal.coldest, normal.warmest) if learned else (15.0, 30.0)
    middle = 0.5 * (coldest + warmest)
    outside = np.maximum(np.maximum(coldest - hours.temperature, hours.temperature - warmest), 0.0)
    model = np.hypot(normal.slope_sd * (hours.temperature - middle), 0.3 * normal.float_slope * outside)
    model = np.where(hours.warm_known, model, abs(normal.float_slope) * UNKNOWN_WARMTH_K)
    spread = np.nan_to_num(normal.spread, nan=0.08)
    sure = max(OFF_V_LEAST, 4.0 * spread, 1.2 * normal.resolution) + 2.0 * model
    deep = np.maximum(sure, 0.1 - normal.low)
    off = known & (over < -deep)
    tells = (expected - deep > chemistry.rest + chemistry.rest_sd) | (
        hours.volts > chemistry.rest + 2.0 * chemistry.rest_sd
    )
    index = np.flatnonzero(known)
    since, off_index, after_run_h = _spell(known & ~off & tells, off, hours)
    last = index[-3:]
    volts = float(hours.volts[last].mean()) if len(last) else np.nan
    now = float(expected[last].mean()) if len(last) else np.nan
    held_at = float(hours.volts[index[-LOAD_H:]].max()) if len(last) else np.nan
    # Where nothing can be told now, the last hours that told are what it has fallen from.
    told = float(expected[off_index[-3:]].mean()) if len(off_index) and not tells[last[-1]] else now
    to_rest = max(told - chemistry.rest, 0.3) if len(last) else np.nan
    stuck = _stuck(hours, off_index, known, normal)
    return Facts(
        learned=learned,
        volts=volts,
        expected=now,
        expected_sd=float(np.hypot(level_sd, model[last[-1]])) if len(last) else np.nan,
        over=over,
        volts_expected=expected,
        sure=sure,
        known=known,
        off_h=len(off_index),
        lifted=bool(
            len(off_index) and np.isinf(after_run_h) and hours.after_run_h[-1] < SETTLED_H and not off[last[-1]]
        ),
        since=since,
        off_index=off_index,
        held_at=held_at,
        fallen=(told - held_at) / to_rest,
        sinking=_sinking(hours, off_index, since, normal) if len(off_index) else 0.0,
        age_h=len(known) - 1 - int(last[-1]) if len(last) else len(known),
        after_run_h=after_run_h,
        stuck=stuck,
        temperature=float(hours.temperature[-1]),
        temperature_known=bool(hours.warm_known[-1]),
        stripped=bool(len(off_index)) and _stripped(hours, since, expected, chemistry),
    )
