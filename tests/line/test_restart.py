"""A start goes on from the checkpoint: it judges what came since, not the whole history once more.

The long form keeps 500 units and two weeks, 40 million readings, and prints how long a start takes with a checkpoint
(goal: judging again within 10 s of the process's begin, after a stop and after a kill) and how long without one.
"""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from monitor.stores.embedded import EmbeddedReadings
from monitor.times import from_rfc3339
from tests.brokers import mosquitto
from tests.line.long_history import FLAT_UNIT, fleet_text, history
from tests.line.program import Program, program
from tests.waiting import wait_until

GOAL_S = 10.0
ANEW = "The whole history is judged again"


@contextmanager
def with_history(folder: Path, *, units: int, days: int) -> Iterator[Program]:
    """A program whose store holds a history up to now, and that never ran."""
    with (
        mosquitto(folder, durable=False) as broker,
        program(folder, broker.url, fleet=fleet_text(units), limits="") as serve,
    ):
        store = EmbeddedReadings(serve.data)
        begun_s = time.monotonic()
        rows = 0
        for batch in history(units, days, time.time_ns()):
            store.append(batch)
            rows += len(batch)
        store.close()
        size = sum(file.stat().st_size for file in serve.data.iterdir())
        print(
            f"\n{units} units, {days} days: {rows:,} readings in {size / 1e9:.2f} GB, kept in "
            f"{time.monotonic() - begun_s:.0f} s"
        )
        yield serve


def started(serve: Program, deadline_s: float) -> tuple[float, float]:
    """Start; seconds from the process's begin until it is ready, and until it has judged a moment after that begin."""
    begun_s, begun_ns = time.monotonic(), time.time_ns()
    serve.exec()
    wait_until(serve.is_ready, f"a program that is ready; {serve.last_words()}", deadline_s=deadline_s)
    ready_s = time.monotonic() - begun_s

    def is_judging() -> bool:
        until = serve.get("/health/ready")["assessed_until"]
        return until is not None and from_rfc3339(str(until)) > begun_ns

    wait_until(is_judging, "a moment judged after the start", deadline_s=deadline_s)
    return ready_s, time.monotonic() - begun_s


def standing(serve: Program) -> list[tuple[object, ...]]:
    """What the API says that stands."""
    alarms = serve.get("/api/v1/alarms")["alarms"]
    assert isinstance(alarms, list)
    return sorted((alarm["unit"], alarm["condition"], alarm["raised_at"], alarm["id"]) for alarm in alarms)


def test_restart_judges_only_what_came_since(tmp_path: Path):
    with with_history(tmp_path, units=20, days=2) as serve:
        started(serve, 60.0)
        before = standing(serve)
        assert (f"unit-{FLAT_UNIT}", "low_battery_voltage") in {alarm[:2] for alarm in before}
        assert serve.last_words().count(ANEW) == 1
        serve.kill()
        ready_s, judging_s = started(serve, 60.0)
        print(f"ready {ready_s:.1f} s, judging {judging_s:.1f} s after the process's begin")
        assert serve.last_words().count(ANEW) == 1, "the second start took the checkpoint"
        assert standing(serve) == before
        serve.stop()


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_forty_million_readings_are_gone_on_from_within_ten_seconds(tmp_path: Path):
    with with_history(tmp_path, units=500, days=14) as serve:
        ready_s, _ = started(serve, 1800.0)
        print(f"without a checkpoint: ready {ready_s:.1f} s after the process's begin")
        before = standing(serve)
        assert before, "one charger has failed"
        figures = []
        for how in ("stopped", "killed", "stopped", "killed", "killed"):
            if how == "stopped":
                serve.stop()
            else:
                serve.kill()
            figures.append((how, *started(serve, 120.0)))
            print(f"{how}, with the checkpoint: ready {figures[-1][1]:.1f} s, judging {figures[-1][2]:.1f} s")
            assert standing(serve) == before
        assert serve.last_words().count(ANEW) <= 1
        serve.stop()
        assert max(judging_s for _, _, judging_s in figures) <= GOAL_S
