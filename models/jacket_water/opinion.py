"""What the jacket-water model says beyond an opinion: since when the heat is missing, and how much there is.

May import: models.opinion, models.windows. Touches nothing.
"""

from dataclasses import dataclass, field

import numpy as np

from models.opinion import Opinion
from models.windows import Float64


def _none() -> Float64:
    return np.full((0, 2), np.nan)


@dataclass(frozen=True, slots=True)
class WaterOpinion(Opinion):
    """An opinion on a jacket-water condition.

    onset_ns: the heat was lost (or its loss began) between these, ns UTC as float64 (256 ns coarse), [unit, 2]; NaN:
    not known. heat_share: heat over what the heater gives when on, 0..1 and more, [unit]; NaN: not known.
    """

    onset_ns: Float64 = field(default_factory=_none)
    heat_share: Float64 = field(default_factory=lambda: np.full(0, np.nan))
