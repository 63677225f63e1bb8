"""The chance that a unit starts and carries load: now, and at any moment up to its next visit.

In: what stands against it, each with its probability and forecast. Out: a chance. May import: math. Touches nothing.

Each condition is a threat of its own: it is present with some probability, and if so it has stopped the unit by a
moment with a probability that its forecast's quantiles tell. Threats are taken as independent, which one cause with
two alarms would not be: what another alarm explains must be left out. A unit without any threat may fail all the same.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import inf, log
from statistics import NormalDist

UNFORESEEN = 0.005
"""Chance that a set of which nothing is known to be wrong fails on demand: emergency sets of well-kept plants fail to
start or to take load in 0.3 to 1 % of demands (reliability collections of the nuclear trade, from memory)."""
SOON_H = 0.05  # h: quantiles nearer than this are this far off, so that their logarithm is known
_Z90 = NormalDist().inv_cdf(0.9)


@dataclass(frozen=True, slots=True)
class Threat:
    """One condition that stands against a unit.

    probability: that it is present, 0..1. hours: from now until it stops the unit, its 10 %, 50 % and 90 % quantile;
    inf: not within the forecast's reach; all three 0: it has. None: no forecast, and `stops` is the share of such
    conditions that keep a unit from starting or carrying load at its next start, 0..1.
    """

    probability: float
    hours: tuple[float, float, float] | None
    stops: float = 0.0


def chance(threats: Iterable[Threat], after_h: float) -> float:
    """Chance that the unit starts and carries load some hours from now, 0..1, if nobody comes.

    Args:
        threats: that stand now. after_h: h, >= 0.
    Source: independent competing risks, the product of what each one leaves.
    """
    left = 1.0 - UNFORESEEN
    for threat in threats:
        left *= 1.0 - threat.probability * _stopped(threat, after_h)
    return left


def _stopped(threat: Threat, after_h: float) -> float:
    """Chance that a condition that is present has stopped the unit by then."""
    return threat.stops if threat.hours is None else stopped_by(threat.hours, after_h)


def stopped_by(hours: tuple[float, float, float], after_h: float) -> float:
    """Share of an ensemble that is past its moment, by its 10 %, 50 % and 90 % quantile.

    Normal scores over the logarithm of time, straight between quantiles and beyond them with the nearest slope: what
    lies hours away is known to hours, what lies days away to days.

    Args:
        hours: in order, h; inf: beyond reach. after_h: h.
    """
    early, middle, late = hours
    if middle <= 0.0:
        return 1.0
    if after_h <= 0.0 or early == inf:
        return 0.0
    at = log(max(after_h, SOON_H))
    told = ((early, -_Z90), (middle, 0.0), (late, _Z90))
    points = [(log(max(hour, SOON_H)), score) for hour, score in told if hour < inf]
    if len(points) == 1:
        return 0.1 if at >= points[0][0] else 0.0
    left, right = points[:2] if len(points) == 2 or at <= points[1][0] else points[1:]
    width = max(right[0] - left[0], 1e-6)
    return NormalDist().cdf(left[1] + (at - left[0]) * (right[1] - left[1]) / width)
