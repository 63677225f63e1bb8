"""The learned normal of one unit's jacket water, and the fleet's prior that a new unit begins with.

May import: numpy. Touches nothing. Only numbers, so that it can be kept and read back as a row of columns.
"""

from dataclasses import dataclass

import numpy as np

CUT_IN_SD_PRIOR = 6.0  # K: thermostats of 27-60 Cel are met, most near 38 (shared trade facts, section 3)
DAYS_SETTLED = 4.0  # days with cycles before limits may lean on the cut-in: a weekend and two working days (our choice)


@dataclass(frozen=True, slots=True)
class WaterNormal:
    """What one unit's jacket water does when nothing is wrong. The defaults are the fleet's prior.

    cut_in, cut_out: the heater's lower and upper turning point as the sensor sees them, Cel; *_sd: K, how surely known.
    trough_sd, peak_sd: how much single turning points scatter, K.
    time_constant_h: of cooling toward the enclosure's air, h; time_constant_log_sd: of its logarithm, day-to-day spread
    (wind, louvers) included. heating_k_per_h: what the heater alone would warm the block by, K/h (power over heat
    capacity); heating_log_sd. heating_recent_log: logarithm of the last three days' heating over it.
    noise: of a cell's mean, K. spread: range of a cell's readings by noise alone, K. resolution: smallest step that the
    readings show, K; 0: none seen.
    cycle_k_h: off-time of a cycle times the excess over the air, K h (off-time = cycle_k_h / excess); cycle_log_sd.
    movement_per_h: how much the water moves up and down in an hour, a kelvin of excess, 1/h; movement_log_sd: of its
    logarithm between spans of eight hours. steep_k_per_h: rise heated and fall unheated together, where the sensor is,
    K/h; steep_log_sd: of its logarithm from day to day; steep_days. All NaN until learned.
    deepest, highest: how far the water went in sound cycles more than once, Cel; NaN until learned.
    flat: 1 where a heater holds the water without visible cycles, else 0.
    follows_k: excess over the air's low-pass where a heater without a thermostat leaves the water to the air (flat is 1
    then), K; follows_sd: its scatter, K; follows_h: time constant of the low-pass, h; NaN where it is no such heater.
    days: days with cycles (or with water held flat) that this rests on; 0: prior alone. heating_days,
    time_constant_days: the same for those two. learned_ns: when something was learned last, ns UTC; 0: never.
    Source of the prior: shared trade facts, section 3 (common practice); its spreads are our choice.
    """

    cut_in: float = 38.0
    cut_in_sd: float = CUT_IN_SD_PRIOR
    cut_out: float = 47.0
    cut_out_sd: float = 6.0
    trough_sd: float = 1.0
    peak_sd: float = 1.0
    time_constant_h: float = 12.0
    time_constant_log_sd: float = 0.6
    heating_k_per_h: float = 9.0
    heating_log_sd: float = 0.6
    heating_recent_log: float = 0.0
    noise: float = 0.2
    spread: float = 0.3
    resolution: float = 0.0
    cycle_k_h: float = 90.0
    cycle_log_sd: float = 0.8
    movement_per_h: float = np.nan
    movement_log_sd: float = np.nan
    steep_k_per_h: float = np.nan
    steep_log_sd: float = np.nan
    steep_days: float = 0.0
    deepest: float = np.nan
    highest: float = np.nan
    flat: float = 0.0
    follows_k: float = np.nan
    follows_sd: float = np.nan
    follows_h: float = np.nan
    days: float = 0.0
    heating_days: float = 0.0
    time_constant_days: float = 0.0
    learned_ns: int = 0

    @property
    def learned(self) -> float:
        """Share of the cut-in that is this unit's own and not the fleet's prior, 0..1."""
        return max(0.0, 1.0 - (self.cut_in_sd / CUT_IN_SD_PRIOR) ** 2) if self.days > 0 else 0.0

    @property
    def follows(self) -> bool:
        """Whether the water follows the air, at a heater that is always on."""
        return bool(self.follows_k > 0)

    @property
    def settled_cut_in(self) -> float:
        """Cut-in for limits that lean on it, Cel; NaN until enough days are known."""
        return self.cut_in if self.days >= DAYS_SETTLED else np.nan
