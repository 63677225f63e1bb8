"""The simulator's units as the program's fleet, and their readings as batches."""

from collections.abc import Sequence

import numpy as np

from monitor.batch import Batch, from_columns
from monitor.fleet import Fleet, Site, Unit
from monitor.limits_file import load_limits
from monitor.signals import NAMES
from monitor.times import DAY_NS
from simulator.behaviour import SIGNALS, Plant, begin, readings
from simulator.units import SITES, TIMEZONE, UNITS, Fault

FLEET = Fleet(
    {site.id: Site(site.id, site.name, TIMEZONE) for site in SITES},
    {
        unit.id: Unit(unit.id, unit.site, unit.name, battery_nominal_voltage=12 * unit.blocks, gateway=unit.id)
        for unit in UNITS
    },
)
LIMITS = load_limits(None, FLEET)
SIGNAL = np.array([NAMES.index(signal) for signal in SIGNALS], np.int32)


def deadline(_site: str, at_ns: int) -> tuple[int, bool]:
    """Somebody comes in three days, always."""
    return at_ns + 3 * DAY_NS, False


def batch_of(from_ns: int, to_ns: int, *, faults: Sequence[Fault] = (), every_s: int = 120, seed: int = 1) -> Batch:
    """What all units report, received as it is measured."""
    plant = Plant(UNITS, seed)
    rows, _ = readings(plant, faults, begin(plant, from_ns), from_ns=from_ns, to_ns=to_ns, every_s=every_s)
    return from_columns(
        FLEET.unit_names, FLEET.signal_names, rows.time_ns, rows.unit, SIGNAL[rows.signal], rows.value, rows.time_ns
    )
