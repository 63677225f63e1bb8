"""How many messages a second the program takes in, keeps and judges, against a subscriber that only acknowledges.

Both drain a session that Mosquitto filled before, one after the other, several times; the ratio of the medians counts.
Goal: 0.7. Packs of 6 records, QoS 1, 500 units. Nothing here fails for being slow.
"""

import json
import subprocess
import sys
from pathlib import Path
from statistics import median

import pytest

from tests.brokers import mosquitto
from tests.line.program import ROOT

MESSAGES = 20_000
REPEATS = 5
GOAL = 0.7


def child(*words: object) -> float:
    """Run a drain; its time, s."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.drain", *map(str, words)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    took_s: float = json.loads(done.stdout.splitlines()[-1])["took_s"]
    return took_s


def drained(folder: Path, what: str, messages: int) -> float:
    """Messages a second of one drain, with a broker and a folder of its own."""
    with mosquitto(folder, durable=False) as broker:
        child("subscribe", broker.port, 0)
        child("fill", broker.port, messages)
        return messages / child(what, broker.port, messages, folder / "data")


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_messages_a_second_from_the_broker_to_kept_and_judged(tmp_path: Path):
    rates: dict[str, list[float]] = {"bare": [], "stillready": []}
    for repeat in range(REPEATS):
        for what, found in rates.items():
            found.append(drained(tmp_path / f"{what}-{repeat}", what, MESSAGES))
    print(f"\n{MESSAGES} messages of 6 records, QoS 1, 500 units; messages a second:")
    for what, found in rates.items():
        print(f"  {what:<12} median {median(found):8,.0f}   {' '.join(f'{rate:,.0f}' for rate in found)}")
    ratios = [ours / theirs for ours, theirs in zip(rates["stillready"], rates["bare"], strict=True)]
    print(f"  ratio {median(rates['stillready']) / median(rates['bare']):.2f}, goal {GOAL}; a pair each: ", end="")
    print(" ".join(f"{ratio:.2f}" for ratio in ratios))
    assert all(len(found) == REPEATS for found in rates.values())
