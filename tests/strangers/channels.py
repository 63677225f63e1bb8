"""The channels through which faults and people reach the physics: one number a stretch of ten minutes and unit.

In: what is to change, when and along which curve. Out: arrays [stretch, unit]. May import: numpy, tests.strangers.
Touches nothing.
"""

from dataclasses import dataclass, field

import numpy as np

from tests.strangers.draws import Array, Rng

# Names with what is normal; measures stand where the part's drives are told.
NORMAL: dict[str, float] = {
    "element": 1.0,
    "heater_ac": 1.0,
    "stuck": 0.0,
    "heater_set": 0.0,
    "circulation": 1.0,
    "coolant": 1.0,
    "airflow": 1.0,
    "louvers": 1.0,
    "charger_alive": 1.0,
    "charger_shift": 0.0,
    "limit": 1.0,
    "extra_load": 0.0,
    "short_cells": 0.0,
    "resistance": 1.0,
    "capacity": 1.0,
    "fuse": 1.0,
    "post_ohm": 0.0,
    "vent_h": 0.0,
    "creep": 0.0,
    "supply": 1.0,
    "spring": 1.0,
}
SHAPES = ("step", "linear", "accelerating", "s-curve", "stairs", "intermittent")


@dataclass(slots=True)
class Channels:
    """All channels of a run, each float32 [stretch, unit]."""

    stretches: int
    units: int
    values: dict[str, Array] = field(init=False)

    def __post_init__(self) -> None:
        shape = (self.stretches, self.units)
        self.values = {name: np.full(shape, normal, np.float32) for name, normal in NORMAL.items()}

    def bend(self, name: str, unit: int, *, begin: int, share: Array, target: float) -> None:
        """Move a channel toward a target by a share at each stretch; factors multiply, the others add.

        Args:
            unit: its column.
            begin: first stretch; those past the end are left out.
            share: 0 (as it was) to 1 (target), shape [stretch].
            target: of a unit that was normal before.
        """
        column = self.values[name][begin : begin + len(share), unit]
        part = share[: len(column)]
        if NORMAL[name] == 1.0:
            column *= 1 + (target - 1) * part
        else:
            column += target * part


def growth(rng: Rng, shape: str, *, length: int, full: int) -> Array:
    """How a fault grows: 0 at its onset, 1 from `full` on.

    Args:
        rng: for the ragged shapes.
        shape: one of SHAPES.
        length: stretches until the repair or the end.
        full: stretches until it is whole; 0: at once.
    """
    at = np.arange(length, dtype=float)
    if shape == "step" or full <= 0:
        return np.ones(length)
    way = np.clip((at + 1) / full, 0.0, 1.0)
    if shape == "accelerating":
        return np.asarray(way**2.5)
    if shape == "s-curve":
        return np.asarray(way**2 * (3 - 2 * way))
    if shape == "stairs":
        steps = int(rng.integers(2, 6))
        return np.asarray(np.ceil(way * steps) / steps)
    if shape == "intermittent":  # comes and goes in spells of an hour to a day, more often as time goes on
        here = np.zeros(length)
        place, bad = 0, True
        while place < min(full, length):
            spell = int(rng.exponential(40.0 if bad else 60.0 * (1.2 - way[place]))) + 3
            here[place : place + spell] = float(bad)
            place, bad = place + spell, not bad
        here[full:] = 1.0
        return here
    return way
