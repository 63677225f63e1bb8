"""A small chart of one signal: a path for the mean and a shape between least and greatest.

In: columns as the store gives them, a scale. Out: SVG path data in a box of 1000 by 100. Pure. May import: numpy,
monitor.measures, monitor.stores.protocols.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from monitor.batch import Float64
from monitor.measures import Scale
from monitor.stores.protocols import Columns

WIDTH, HEIGHT = 1000.0, 100.0
GAP_RATIO = 4.0  # a step longer than so many usual ones is a gap: no line is drawn over what was not measured


@dataclass(frozen=True, slots=True)
class Chart:
    """mean, band: path data. normal: height of the learned normal, None if unknown or outside. top, bottom: values."""

    mean: str
    band: str
    normal: float | None
    top: float
    bottom: float
    least: float
    greatest: float


def chart(columns: Columns, how: Scale, *, from_ns: int, to_ns: int, normal: float | None) -> Chart | None:
    """The chart of a span; None where there is nothing to draw."""
    if not len(columns.time_ns):
        return None
    least, mean, greatest = (how.factor * column + how.offset for column in _of(columns))
    low, high = float(least.min()), float(greatest.max())
    margin = max((high - low) * 0.08, 0.5 * 10.0**-how.decimals)
    bottom, top = low - margin, high + margin
    x = (columns.time_ns - from_ns) / (to_ns - from_ns) * WIDTH
    heights = [(top - column) / (top - bottom) * HEIGHT for column in (least, mean, greatest)]
    level = None if normal is None else (top - (how.factor * normal + how.offset)) / (top - bottom) * HEIGHT
    pieces = _pieces(columns)
    return Chart(
        mean=" ".join(_line(x[piece], heights[1][piece]) for piece in pieces),
        band=" ".join(_shape(x[piece], heights[0][piece], heights[2][piece]) for piece in pieces),
        normal=None if level is None or not 0.0 <= level <= HEIGHT else round(level, 1),
        top=top,
        bottom=bottom,
        least=low,
        greatest=high,
    )


def _of(columns: Columns) -> tuple[Float64, Float64, Float64]:
    return columns.least, columns.mean, columns.greatest


def _pieces(columns: Columns) -> list[slice]:
    steps = np.diff(columns.time_ns)
    if not len(steps):
        return [slice(0, 1)]
    breaks = np.flatnonzero(steps > GAP_RATIO * np.median(steps)) + 1
    edges = [0, *breaks.tolist(), len(columns.time_ns)]
    return [slice(begin, end) for begin, end in pairwise(edges)]


def _points(x: Float64, y: Float64) -> str:
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True))


def _line(x: Float64, y: Float64) -> str:
    if len(x) == 1:  # a lone reading is a dot, drawn as a line without length
        return f"M{x[0]:.1f},{y[0]:.1f}h0"
    return f"M{_points(x, y)}"


def _shape(x: Float64, least: Float64, greatest: Float64) -> str:
    return f"M{_points(x, greatest)} {_points(x[::-1], least[::-1])}Z"
