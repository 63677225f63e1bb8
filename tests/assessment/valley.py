"""The simulated valley as the program's fleet, and its readings as batches.

A day of the valley takes half a second, so sound days are played once a run of the tests: a history with faults goes on
from the sound day in which the first one begins.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np

from monitor.batch import Batch, from_columns
from monitor.fleet import Fleet, Site, Unit
from monitor.limits_file import load_limits
from monitor.signals import NAMES
from monitor.times import DAY_NS
from simulator.faults import Fault
from simulator.gateways import SIGNALS
from simulator.ongoing import in_rhythm
from simulator.plant import Plant, plant_of
from simulator.reporting import reporting_of
from simulator.scenario import Scenario, load_scenario
from simulator.sensing import Truth
from simulator.telemetry import report
from simulator.world import Memory, World

VALLEY = load_scenario("demo-valley")
UNITS = VALLEY.units
FLEET = Fleet(
    {site.id: Site(site.id, site.name, site.timezone) for site in VALLEY.sites},
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


def scenario(begin_ns: int, *, faults: Sequence[Fault] = (), seed: int = 1) -> Scenario:
    """The valley from a whole minute on, for as long as any test looks."""
    return replace(VALLEY, from_ns=begin_ns, to_ns=begin_ns + 400 * DAY_NS, seed=seed, faults=tuple(faults))


def plant(seed: int = 1) -> Plant:
    """What the units are really like."""
    return plant_of(scenario(0, seed=seed))


@dataclass
class _Sound:
    """Days of the sound valley, as far as they were asked for, and what the world remembers after each."""

    world: World
    days: list[Truth] = field(default_factory=list)
    memories: list[Memory] = field(default_factory=list)

    def until(self, days: int) -> None:
        while len(self.days) < days:
            self.days.append(self.world.day(self.world.at_ns, self.world.at_ns + DAY_NS).truth)
            self.memories.append(self.world.memory)


@cache
def _sound(begin_ns: int, seed: int) -> _Sound:
    return _Sound(World(scenario(begin_ns, seed=seed)))


def truths(begin_ns: int, until_ns: int, *, faults: Sequence[Fault] = (), seed: int = 1) -> list[Truth]:
    """What perfect sensors would read in the valley, day by day; until_ns on a whole minute."""
    wanted = (until_ns - begin_ns) // DAY_NS
    first_ns = min((fault.from_ns for fault in faults), default=until_ns)
    sound_days = min(wanted, (first_ns - begin_ns) // DAY_NS)
    sound = _sound(begin_ns, seed)
    sound.until(sound_days)
    memory = sound.memories[sound_days - 1] if sound_days else None
    world, days = World(scenario(begin_ns, faults=faults, seed=seed), memory), sound.days[:sound_days]
    while world.at_ns < until_ns:
        days.append(world.day(world.at_ns, min(world.at_ns + DAY_NS, until_ns)).truth)
    return days


def batch_of(from_ns: int, to_ns: int, *, faults: Sequence[Fault] = (), every_s: int = 120, seed: int = 1) -> Batch:
    """What all units report, as it arrives; times on whole minutes."""
    whole = scenario(from_ns, faults=faults, seed=seed)
    how, state, parts = in_rhythm(reporting_of(whole), every_s), None, []
    for truth in truths(from_ns, to_ns, faults=faults, seed=seed):
        reported = replace(truth, values={signal: truth.values[signal] for signal in whole.signals})
        readings, state = report(how, faults, reported, state)
        parts.append(readings)
    time_ns, unit, signal, value, received_ns = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("time_ns", "unit", "signal", "value", "received_ns")
    )
    return from_columns(FLEET.unit_names, FLEET.signal_names, time_ns, unit, SIGNAL[signal], value, received_ns)
