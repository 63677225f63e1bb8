"""Kill -9 under a stream of messages: nothing that the broker took is lost, nothing is there twice, no alarm either.

Gateways publish packs of QoS 1 through Mosquitto without a pause while the program is killed and started again on the
same data. It is killed at random moments after it is ready, during its start, and right before and after its n-th
commit. At the end each reading is kept exactly once, and the alarms are those that a replay of what was kept gives,
byte for byte.
"""

import time
from pathlib import Path
from random import Random

import pytest

from tests.line.under_load import Line, proven, settle, under_load, wait_until_moment

SEED = 20_261_125
MOMENT_S_LEAST, MOMENT_S_GREATEST = 0.02, 2.0  # from ready to the kill
START_MOMENT_S = (0.2, 2.5)  # from the begin of the process to a kill during its start
COMMITS = (1, 40)  # the n-th commit of a life that is its last; the first three or so are those of its start


def killed(line: Line, number: int, chance: Random) -> str:
    """Start the program and kill it at a moment of chance; which, in words."""
    if number % 5 == 3:
        when, count = chance.choice(("before", "after")), chance.randint(*COMMITS)
        line.serve.exec(("-m", "tests.faults.killed_at_commit", when, str(count), "serve"))
        code = line.serve.ended()
        assert code == -9, f"it ended with {code}: {line.serve.last_words()}"
        return f"{when} commit {count}"
    if number % 5 == 4:
        moment_s = chance.uniform(*START_MOMENT_S)
        line.serve.exec()
        wait_until_moment(moment_s)
        line.serve.kill()
        return f"{moment_s:.2f} s after exec"
    moment_s = MOMENT_S_LEAST * (MOMENT_S_GREATEST / MOMENT_S_LEAST) ** chance.random()
    line.serve.start()
    wait_until_moment(moment_s)
    line.serve.kill()
    return f"{moment_s:.3f} s after ready"


def killed_again_and_again(folder: Path, *, kills: int, seed: int) -> None:
    """The proof, and its figures."""
    chance = Random(seed)
    with under_load(folder, durable=False, a_second=50, seed=seed) as line:
        begun_s = time.monotonic()
        line.serve.kill()
        moments = ["0 s after ready", *(killed(line, number, chance) for number in range(1, kills))]
        took_s = time.monotonic() - begun_s
        line.serve.start()
        settle(line)
        print(f"\nseed {seed}; {kills} kills in {took_s:.0f} s: {', '.join(moments)}")
        print(proven(line))


def test_killed_program_loses_nothing_and_raises_nothing_twice(tmp_path: Path):
    killed_again_and_again(tmp_path, kills=5, seed=SEED)


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_program_killed_fifty_times_loses_nothing_and_raises_nothing_twice(tmp_path: Path):
    killed_again_and_again(tmp_path, kills=50, seed=SEED + 1)
