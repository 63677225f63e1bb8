"""A long history of many units, made quickly: days that repeat, with a heater's cycles, a sun, exercise runs, noise.

In: how many units and days, up to which moment. Out: batches as a store takes them, unit by unit, and the fleet file.
"""

from collections.abc import Iterator

import numpy as np

from monitor.batch import Batch, Float64, Int64
from monitor.signals import NAMES, NEEDED
from monitor.times import MINUTE_NS

STEP_NS = MINUTE_NS
STEPS_A_DAY = 1_440
RUN_EVERY_DAYS = 7
RUN_STEPS = 30
FLAT_BATTERY_STEPS = 360  # the last hours of the one unit whose charger has failed
FLAT_UNIT = 3


def fleet_text(units: int) -> str:
    """A fleet of so many units."""
    text = "".join(f'[units.unit-{number}]\nsite = "valley"\n' for number in range(units))
    return f'[sites.valley]\nname = "Valley"\ntimezone = "America/Denver"\n{text}'


def history(units: int, days: int, until_ns: int) -> Iterator[Batch]:
    """One batch a unit: the four needed signals each minute."""
    steps = days * STEPS_A_DAY
    last_ns = until_ns - until_ns % STEP_NS
    time_ns = last_ns - STEP_NS * np.arange(steps - 1, -1, -1, dtype=np.int64)
    names = tuple(f"unit-{number}" for number in range(units))
    for number in range(units):
        chance = np.random.default_rng(number)
        value = np.concatenate(_signals(time_ns, number, chance))
        signal = np.repeat(np.array([NAMES.index(name) for name in NEEDED], np.int32), steps)
        times = np.tile(time_ns, len(NEEDED))
        yield Batch(names, NAMES, times, np.full(len(times), number, np.int32), signal, value, times + 40_000_000)


def _signals(time_ns: Int64, number: int, chance: np.random.Generator) -> tuple[Float64, ...]:
    """Jacket water, battery, gas, enclosure of one unit."""
    step = time_ns // STEP_NS + 97 * number
    sun = np.sin(2 * np.pi * step / STEPS_A_DAY)
    enclosure = 12.0 + 9.0 * sun + chance.normal(0.0, 0.1, len(step))
    cycle = (step % 110) / 110
    water = np.where(cycle < 0.4, 41.0 + 20.0 * cycle, 49.0 - 13.3 * (cycle - 0.4)) + chance.normal(
        0.0, 0.05, len(step)
    )
    since_run = step % (RUN_EVERY_DAYS * STEPS_A_DAY)
    running = since_run < RUN_STEPS
    water = np.where(running, np.minimum(85.0, 45.0 + 3.0 * since_run), water)
    cooling = 85.0 * np.exp(-(since_run - RUN_STEPS) / 700.0) + 12.0 * (1 - np.exp(-(since_run - RUN_STEPS) / 700.0))
    water = np.where(~running & (cooling > water), cooling, water)
    battery = np.where(running, 13.9, 13.5 - 0.024 * (enclosure - 25.0)) + chance.normal(0.0, 0.01, len(step))
    if number == FLAT_UNIT:
        battery[-FLAT_BATTERY_STEPS:] = 12.0
    gas = np.where(running, 2_600.0, 2_740.0 + 120.0 * np.maximum(sun, 0.0)) + chance.normal(0.0, 5.0, len(step))
    return tuple(np.round(column, 2) for column in (water, battery, gas, enclosure))
