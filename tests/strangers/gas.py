"""Gas between the unit's regulator and its first valve: lock-up, humps, creep, vents, supplies that sag.

In: what each unit has, and the minute's drives. Out: gauge pressure a minute on. May import: numpy, tests.strangers.
Touches nothing. Arrays [unit]; Pa, Cel.

Trapped gas is a ratchet: warmth lifts it, cold lets it fall to the floor where the regulator opens again. Air over the
diaphragm is a store that leaks out through the vent with a time constant: minutes of an hour when free, hours to weeks
when blocked.
"""

from dataclasses import dataclass

import numpy as np

from tests.strangers.draws import Array, Rng, between, chance, log_between, pick
from tests.strangers.span import STEP_S

HOURS = STEP_S / 3600.0
VENT_FREE_H = 0.004  # a free vent empties the case within seconds; any small number does
REGULATORS = {"direct spring": 0.5, "pilot operated": 0.2, "lever": 0.3}


def draw_gas(rng: Rng) -> tuple[dict[str, str], dict[str, float]]:
    """Kind and numbers of one unit's regulator, pipe and supply; droop and lock-up as in TRADE.md."""
    kind = pick(rng, REGULATORS)
    set_point = log_between(rng, 1200.0, 5000.0)
    supply = set_point * log_between(rng, 1.5, 9.0)
    humps = pick(rng, {"flat": 0.25, "small": 0.45, "large": 0.3})
    droop = {"direct spring": (0.10, 0.2), "pilot operated": (0.02, 0.06), "lever": (0.06, 0.15)}[kind]
    lock_up = {"direct spring": (0.04, 0.14), "pilot operated": (0.08, 0.28), "lever": (0.03, 0.12)}[kind]
    numbers = {
        "set_point": set_point,
        "supply": supply,
        "supply_evening": between(rng, 0.0, 0.12),
        "supply_cold": between(rng, 0.0, 0.006),  # share a K under 5 Cel
        "supply_load": between(rng, 0.02, 0.12),
        "droop": between(rng, *droop),
        "bend": {"direct spring": 1.0, "pilot operated": 0.7, "lever": 1.4}[kind],
        "lock_up": between(rng, *lock_up),
        "hump": {"flat": 0.0, "small": between(rng, 5.0, 40.0), "large": between(rng, 60.0, 240.0)}[humps],  # Pa/K
        "bleed_h": log_between(rng, 0.3, 4.0) if humps == "flat" else log_between(rng, 6.0, 300.0),
        "relief": set_point * between(rng, 1.25, 1.8) if chance(rng, 0.25) else 1e9,
        "pipe_lag": 1 - np.exp(-1 / log_between(rng, 8.0, 90.0)),
        "pipe_inside": between(rng, 0.0, 1.0),
        "vent_spring": between(rng, 0.25, 0.9),  # what sealed air takes off at full stroke, share of set
        "vent_open": float(chance(rng, 0.88)),  # else a balance line
        "pulse": log_between(rng, 0.004, 0.05),  # pulsation while running, share of set
        "dip": between(rng, 0.02, 0.09),  # start dip, share of set, <= 0.25 kPa by TRADE.md
        "dip_s": between(rng, 0.6, 2.0),
    }
    return {"regulator": kind, "humps": humps, "vent": "open" if numbers["vent_open"] else "balance_line"}, numbers


@dataclass(slots=True)
class GasDrives:
    """What acts on the gas in this minute, each shape [unit].

    inside, outside: Cel. barometer_change: Pa over this minute. barometer: Pa absolute. running: 0 or 1. load: 0..1.
    supply: share of the normal supply, people, season and faults together. Of the faults: vent_h (hours of the blocked
    vent, 0 = free), creep (Pa an hour through the seat), spring (share of the set point).
    """

    inside: Array
    outside: Array
    barometer: Array
    barometer_change: Array
    running: Array
    load: Array
    supply: Array
    vent_h: Array
    creep: Array
    spring: Array


class Gas:
    """Regulators of all units; step() carries them a minute on."""

    def __init__(self, numbers: dict[str, Array], outside: Array) -> None:
        self.p = numbers
        self.pressure = numbers["set_point"] * (1 + 0.5 * numbers["lock_up"])
        self.pipe = outside.copy()
        self.case = np.zeros(len(outside))  # air over the diaphragm against the outside, Pa
        self.supply = numbers["supply"].copy()
        self._ran = np.zeros(len(outside))

    def step(self, d: GasDrives) -> None:
        """A minute on."""
        p = self.p
        change = p["pipe_lag"] * (p["pipe_inside"] * d.inside + (1 - p["pipe_inside"]) * d.outside - self.pipe)
        self.pipe += change
        kelvin = self.pipe + 273.15
        rigid = d.barometer / kelvin  # Pa/K of air or gas that cannot give way
        stay = np.exp(-HOURS / np.maximum(d.vent_h, VENT_FREE_H))
        self.case = (self.case + rigid * change - d.barometer_change) * stay
        sealed = d.vent_h / (d.vent_h + 2.0)
        floor = np.maximum(p["set_point"] * d.spring + self.case, -0.9 * d.barometer)
        self.supply = p["supply"] * d.supply
        hump = p["hump"] + sealed * np.maximum(rigid - p["hump"], 0.0)
        still = self.pressure + hump * change - sealed * d.barometer_change
        # Trapped gas bleeds to the floor, but never under the air outside; what cold has drawn under it fills again.
        still -= (still - np.maximum(np.minimum(floor, still), 0.0)) * (1 - np.exp(-HOURS / p["bleed_h"]))
        still += d.creep * HOURS * np.clip((self.supply - still) / self.supply, 0.0, 1.0)
        still = np.where(self._ran > d.running, floor + p["lock_up"] * p["set_point"], still)
        still = np.where(still < floor, still + 0.7 * (floor - still), still)
        still = np.minimum(np.minimum(still, p["relief"]), np.maximum(self.supply, floor * 0))
        flowing = self.under_load(0.2 + 0.8 * d.load, self.case, d.vent_h, d.spring, self.supply)
        self.pressure = np.where(d.running > 0, flowing, still)
        self._ran = d.running.copy()

    def under_load(self, load: Array, case: Array, vent_h: Array, spring: Array, supply: Array) -> Array:
        """Pressure while gas flows, Pa.

        Args:
            load: share of full flow. case: Pa. vent_h: h. spring: share. supply: Pa. [unit] or [time, unit].
        """
        p = self.p
        hard = vent_h / (vent_h + 0.1)  # how far the air over the diaphragm acts as a second spring
        drop = p["droop"] * load ** p["bend"] + hard * p["vent_spring"] * load
        open_valve = p["set_point"] * (spring - drop) + case
        fed = supply * (1 - p["supply_load"] * load**2) - 0.06 * p["set_point"] * load
        return np.asarray(np.maximum(np.minimum(open_valve, fed), -3000.0))
