"""What is known of some units at one instant: the one form in which every model of a condition sees them.

In: windows of the four needed signals, runs, what must not be learned from. Out: one frozen object. May import: numpy,
models.windows. Touches nothing.

All arrays are [unit, cell] on one grid (models.windows), oldest cell first; the last cell is the one that ends at the
instant, or is under way then, and its last readings may still be on their way. Nothing in here lies later than the
instant, so a replay that sees the same arrivals sees the same.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.windows import Float64, Int64, Window

Bool = NDArray[np.bool_]

NOT_LATELY_H = np.inf
"""after_run_h where no run is known."""


@dataclass(frozen=True, slots=True)
class Crank:
    """One crank as far as the readings show it.

    at_ns: first reading of the dip, ns UTC. least: V a 12 V block. before: V a block, at rest or on charge before it.
    air, water: enclosure and jacket water then, Cel; NaN: not known. seen_s: the longest gap between readings in the
    dip, s: over 2 s the true least may lie lower, and `least` is only an upper bound.
    """

    at_ns: int
    least: float
    before: float
    air: float
    water: float
    seen_s: float


@dataclass(frozen=True, slots=True)
class Seen:
    """Some units at one instant.

    now_ns: the instant, ns UTC. water, battery, gas, air: jacket water, Cel; V a 12 V block; gas, Pa; enclosure,
    Cel. Where a unit reports on change or rarely, cells are filled with the last reading as long as its own rhythm lets
    it hold, with a count of 0; a cell of which nothing is known is NaN.
    running: bool [unit, cell], the engine ran for some of the cell. after_run_h: at the cell's end, hours since the
    engine last stopped, 0 while it runs, NOT_LATELY_H where no run is known, [unit, cell].
    trusted: bool [unit, cell], False where something was wrong or suspect and nothing must be learned.
    cranks: of each unit, in order, the last 90 days'.
    battery_type: of each unit, as the fleet file names it. heater: always, seasonal or none, of each unit.
    first_ns: when each unit was first heard, ns UTC, [unit].
    """

    now_ns: int
    water: Window
    battery: Window
    gas: Window
    air: Window
    running: Bool
    after_run_h: Float64
    trusted: Bool
    cranks: tuple[tuple[Crank, ...], ...]
    battery_type: tuple[str, ...]
    heater: tuple[str, ...]
    first_ns: Int64

    @property
    def units(self) -> int:
        """Length of the unit axis."""
        return len(self.battery_type)
