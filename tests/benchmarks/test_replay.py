"""How many readings a second a replay judges: the assessment alone, of a history that lies in memory.

Two weeks a minute of four signals for some units, of the shape that tests.line.long_history gives: heater cycles, sun,
exercise runs, noise, one failed charger. The ratio is against pandas, which groups the same rows into cells of ten
minutes with mean, least and greatest: what anybody would do first. Nothing here fails for being slow.
"""

import time
from pathlib import Path
from statistics import median

import pandas as pd
import pytest

from models.windows import CELL_NS
from monitor.fleet import load_fleet
from monitor.limits_file import load_limits
from monitor.replaying import replay_unit
from monitor.visits import load_visits
from tests.line.long_history import FLAT_UNIT, fleet_text, history

UNITS = 8
DAYS = 14
REPEATS = 5


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_readings_a_second_through_a_replay(tmp_path: Path):
    (tmp_path / "fleet.toml").write_text(fleet_text(UNITS))
    fleet = load_fleet(tmp_path / "fleet.toml")
    limits, deadline = load_limits(None, fleet), load_visits(fleet).deadline
    until_ns = time.time_ns()
    batches = list(history(UNITS, DAYS, until_ns))
    readings = sum(len(batch) for batch in batches)
    frames = [
        pd.DataFrame({"signal": batch.signal, "cell": batch.time_ns // CELL_NS, "value": batch.value})
        for batch in batches
    ]
    rates, grouped = [], []
    for _ in range(REPEATS):
        begun_s = time.perf_counter()
        for frame in frames:
            frame.groupby(["signal", "cell"])["value"].agg(["mean", "min", "max"])
        grouped.append(readings / (time.perf_counter() - begun_s))
        begun_s = time.perf_counter()
        alarms = [
            alarm
            for number, batch in enumerate(batches)
            for alarm in replay_unit(fleet, limits, deadline, f"unit-{number}", batch, until_ns)
        ]
        rates.append(readings / (time.perf_counter() - begun_s))
    print(f"\n{readings:,} readings of {UNITS} units, {DAYS} days; readings a second, {REPEATS} runs:")
    print(f"  replay  median {median(rates):12,.0f}   {' '.join(f'{rate:,.0f}' for rate in rates)}")
    print(f"  pandas  median {median(grouped):12,.0f}; ratio {median(rates) / median(grouped):.2f}")
    assert f"unit-{FLAT_UNIT}" in {alarm.unit for alarm in alarms}, "the failed charger is found"
