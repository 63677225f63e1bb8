"""The broker goes away under load and comes back: by an operator, by a power cut, together with the program.

Mosquitto as PACKAGES.md and deploy/ recommend it: its session and queue are on the disk with each change. At the end
each reading that it had confirmed is kept exactly once, and the alarms are those that a replay gives.
"""

import time
from pathlib import Path
from random import Random

import pytest

from tests.line.under_load import Line, proven, settle, under_load, wait_until_moment

SEED = 20_261_126
UP_S, AWAY_S = (0.3, 2.5), (0.0, 1.5)
WAYS = ("SIGTERM", "SIGKILL", "SIGKILL of both")


def restarted(line: Line, how: str, chance: Random) -> str:
    """Let it run for a while, end it, start it again; in words."""
    up_s, away_s = chance.uniform(*UP_S), chance.uniform(*AWAY_S)
    wait_until_moment(up_s)
    if how == "SIGTERM":
        line.broker.stop()
    else:
        line.broker.kill()
    if how == "SIGKILL of both":
        line.serve.kill()
        line.serve.exec()
    wait_until_moment(away_s)
    line.broker.start()
    return f"{how} after {up_s:.2f} s, away {away_s:.2f} s"


def broker_restarted(folder: Path, *, times: int, seed: int) -> None:
    """The proof, and its figures."""
    chance = Random(seed)
    with under_load(folder, durable=True, a_second=25, seed=seed) as line:
        begun_s = time.monotonic()
        done = [restarted(line, WAYS[number % len(WAYS)], chance) for number in range(times)]
        took_s = time.monotonic() - begun_s
        settle(line)
        print(f"\nseed {seed}; broker restarted {times} times in {took_s:.0f} s: {'; '.join(done)}")
        print(proven(line))


def test_restarted_broker_costs_no_reading_and_no_alarm(tmp_path: Path):
    broker_restarted(tmp_path, times=3, seed=SEED)


@pytest.mark.long
@pytest.mark.timeout(1200)
def test_broker_restarted_ten_times_costs_no_reading_and_no_alarm(tmp_path: Path):
    broker_restarted(tmp_path, times=10, seed=SEED + 1)
