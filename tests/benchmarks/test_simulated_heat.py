"""How long weather, enclosures, jacket water and batteries take for 100 units, a minute of theirs at a time.

Goal: 0.15 ms each, so that a year of 100 units keeps within ten minutes. The figures are printed (pytest -s) as the
median and the least of nine rounds; only ten times the goal fails.
"""

from collections.abc import Callable
from statistics import median
from time import perf_counter

import numpy as np

from simulator import battery, enclosure, water
from simulator.chance import SECOND_NS
from simulator.climate import CLIMATES, weather

GOAL_MS = 0.15
UNITS = 100
STEPS = 300
ROUNDS = 9
IDS = [f"unit-{row}" for row in range(UNITS)]
SIZES = [("small", "medium", "large")[row % 3] for row in range(UNITS)]
DAY_NS = 86_400 * SECOND_NS


def flat(number: float):
    return np.full(UNITS, number)


def milliseconds(what: str, work: Callable[[], object], steps: int) -> float:
    took = []
    for _ in range(ROUNDS):
        begun = perf_counter()
        work()
        took.append((perf_counter() - begun) * 1000.0 / steps)
    print(f"{what}: {median(took):.4f} ms a step of {UNITS} units, least {min(took):.4f}")
    return median(took)


def test_steps_are_timed():
    climates = [list(CLIMATES.values())[row % len(CLIMATES)] for row in range(UNITS)]
    builds = [battery.Build(("flooded", "agm")[row % 2], 1 + row % 2, 100.0, 340.0) for row in range(UNITS)]
    charged = battery.draw(IDS, builds, seed=1)
    p, q = water.draw(IDS, SIZES, seed=1), enclosure.draw(IDS, SIZES, seed=1)

    def warm(running: float) -> None:
        s = water.begin(p, flat(5.0))
        inputs = {
            "air": flat(5.0), "ambient": flat(0.0), "wind": flat(3.0), "line_voltage": flat(1.0),
            "running": flat(running), "load": flat(0.4), "element_share": flat(1.0), "stuck_on": flat(0.0),
            "chatter": flat(0.0), "flow_share": flat(1.0), "coolant_share": flat(1.0), "set_point_shift": flat(0.0),
            "noise": flat(0.0),
        }  # fmt: skip
        for _ in range(STEPS):
            s, _ = water.step(p, s, **inputs, dt_s=60.0)

    def house() -> None:
        s = enclosure.begin(q, flat(5.0))
        inputs = {
            "ambient": flat(0.0), "sun": flat(400.0), "wind": flat(3.0), "heat_w": flat(300.0), "running": flat(0.0),
            "louver_open": flat(1.0), "grille_open": flat(1.0), "door_open": flat(0.0), "line_voltage": flat(1.0),
        }  # fmt: skip
        for _ in range(STEPS):
            s = enclosure.step(q, s, **inputs, dt_s=60.0)

    def charge(air: float) -> None:
        s = battery.begin(charged, flat(air))
        inputs = {
            "air": flat(air), "line_on": flat(1.0), "running": flat(0.0), "draw_a": flat(0.0),
            "output_share": flat(1.0), "current_share": flat(1.0), "interrupted": flat(0.0), "shorted": flat(0.0),
            "resistance_factor": flat(1.0), "left_load": flat(0.0), "over_volts": flat(0.0), "equalise": flat(0.0),
        }  # fmt: skip
        for _ in range(STEPS):
            s, _, _ = battery.step(charged, s, **inputs, dt_s=60.0)

    took = [
        milliseconds("weather", lambda: weather(climates, IDS, seed=1, from_ns=0, to_ns=DAY_NS), 1440),
        milliseconds("enclosure", house, STEPS),
        milliseconds("water, stopped", lambda: warm(0.0), STEPS),
        milliseconds("water, running", lambda: warm(1.0), STEPS),
        milliseconds("battery", lambda: charge(15.0), STEPS),
        milliseconds("battery, in frost", lambda: charge(-20.0), STEPS),
    ]
    assert max(took) < 10.0 * GOAL_MS, "ten times the goal is no slow machine but a loop over units"
