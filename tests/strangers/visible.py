"""When a fault can first be seen in the true signals: beside a twin in which nothing breaks.

In: a fault, its world, the twin. Out: a minute of the run. May import: numpy, tests.strangers. Touches nothing.

Days are compared by their least, mean and greatest, not minute by minute: a thermostat that once switched later
is out of step for ever, and nothing is wrong with it.
"""

import numpy as np

from tests.strangers.draws import Array
from tests.strangers.faults import Fault
from tests.strangers.span import MINUTES_A_DAY
from tests.strangers.world import World

# What a careful person would call a difference; our choice. Gas as a share of the set point.
LEAST = {"water": 3.0, "volts": 0.15, "gas": 0.06, "air": 3.0}


def visible_at(fault: Fault, world: World, twin: World) -> int | None:
    """First minute at which any of the four signals is off its twin; None: at no time before the fault's end.

    Args:
        fault: of the world.
        world: with faults.
        twin: without.
    """
    if fault.kind.group in ("none", "switch"):
        return None
    found = []
    for name, least in LEAST.items():
        limit = least * (world.designs[fault.unit].gas["set_point"] if name == "gas" else 1.0)
        here, there = (getattr(each.traces, name)[fault.begin : fault.end, fault.unit] for each in (world, twin))
        minute = _first_off(here, there, limit)
        found += [] if minute is None else [fault.begin + minute]
    return min(found, default=None)


def _first_off(here: Array, there: Array, limit: float) -> int | None:
    """First minute of the first day whose least, mean or greatest is off by more than a limit."""
    for begin in range(0, len(here), MINUTES_A_DAY):
        day, twin_day = here[begin : begin + MINUTES_A_DAY], there[begin : begin + MINUTES_A_DAY]
        off = [abs(float(measure(day)) - float(measure(twin_day))) for measure in (np.min, np.mean, np.max)]
        if max(off) > limit:
            apart = np.flatnonzero(np.abs(day - twin_day) > limit)
            return begin + int(apart[0])
    return None
