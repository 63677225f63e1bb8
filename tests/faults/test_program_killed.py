"""Kill -9 under a stream of messages: nothing that the broker took is lost, nothing is there twice, no alarm either.

Gateways publish packs of QoS 1 through Mosquitto without a pause while the program is killed and started again on the
same data. It is killed at random moments after it is ready, during its start, and right before and after its n-th
commit. At the end each reading is kept exactly once, and the alarms are those that a replay of what was kept gives,
byte for byte.
"""

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random

import pytest

from tests.brokers import Mosquitto, mosquitto
from tests.line import justice
from tests.line.gateways import LIMITS, Valley, fleet_text, valley
from tests.line.program import Program, program
from tests.line.receivers import SECRET, SECRET_VARIABLE, Hooks, hook_receiver, settings_for
from tests.waiting import wait_until

SEED = 20_261_125
GATEWAYS = 4
MOMENT_S_LEAST, MOMENT_S_GREATEST = 0.02, 2.0  # from ready to the kill
START_MOMENT_S = (0.2, 2.5)  # from the begin of the process to a kill during its start
COMMITS = (1, 40)  # the n-th commit of a life that is its last; the first three or so are those of its start
QUIET_S_MAX = 120.0  # until all is stored, judged and told after the last start


@dataclass
class Line:
    """Broker, gateways, program, receiver."""

    broker: Mosquitto
    gateways: Valley
    serve: Program
    hooks: Hooks


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    """The line, subscribed once, so that the broker keeps what comes from then on."""
    with (
        mosquitto(tmp_path, durable=False) as broker,
        hook_receiver() as hooks,
        program(
            tmp_path,
            broker.url,
            fleet=fleet_text(GATEWAYS),
            limits=LIMITS,
            settings=settings_for(hooks),
            secrets={SECRET_VARIABLE: SECRET},
        ) as serve,
    ):
        serve.start()
        gateways = valley(broker.port, gateways=GATEWAYS, a_second=50, seed=SEED)
        gateways.start()
        yield Line(broker, gateways, serve, hooks)


def killed(line: Line, number: int, chance: Random) -> str:
    """Start the program and kill it at a moment of chance; which, in words. It runs when the first kill comes."""
    if number % 5 == 3:
        when, count = chance.choice(("before", "after")), chance.randint(*COMMITS)
        line.serve.exec(("-m", "tests.faults.killed_at_commit", when, str(count), "serve"))
        code = line.serve.ended()
        assert code == -9, f"it ended with {code}: {line.serve.last_words()}"
        return f"{when} commit {count}"
    if number % 5 == 4:
        moment_s = chance.uniform(*START_MOMENT_S)
        line.serve.exec()
        until_s = time.monotonic() + moment_s
        wait_until(lambda: time.monotonic() >= until_s, "the moment")
        line.serve.kill()
        return f"{moment_s:.2f} s after exec"
    moment_s = MOMENT_S_LEAST * (MOMENT_S_GREATEST / MOMENT_S_LEAST) ** chance.random()
    line.serve.start()
    until_s = time.monotonic() + moment_s
    wait_until(lambda: time.monotonic() >= until_s, "the moment")
    line.serve.kill()
    return f"{moment_s:.3f} s after ready"


def settled(line: Line) -> None:
    """Start once more, let the gateways end, wait until all is stored, judged and told, end."""
    line.serve.start()
    line.gateways.stop()
    confirmed = line.gateways.confirmed
    newest_s = max(time_ns for _, _, time_ns in confirmed) / 1e9

    def is_done() -> bool:
        line.serve.assert_alive()
        ready = line.serve.get("/health/ready")
        return (
            ready["call_outs_waiting"] == 0
            and line.serve.metric("stillready_assessment_lag_seconds") < time.time() - newest_s - 2.0
        )

    def is_stored() -> bool:
        return len(justice.rows_of(line.serve)) >= len(confirmed) and is_done()

    wait_until(is_stored, f"all that was sent; {line.serve.last_words()}", deadline_s=QUIET_S_MAX)
    line.serve.stop()


def killed_again_and_again(line: Line, kills: int, seed: int) -> None:
    """The proof, and its figures."""
    chance = Random(seed)
    begun_s = time.monotonic()
    line.serve.kill()
    moments = ["0 s after ready", *(killed(line, number, chance) for number in range(1, kills))]
    settled(line)
    kept = justice.kept_by(line.serve)
    print(f"\nseed {seed}; {kills} kills in {time.monotonic() - begun_s:.0f} s: {', '.join(moments)}")
    confirmed = line.gateways.confirmed
    justice.assert_nothing_is_lost_or_invented(kept, confirmed)
    alarms = justice.assert_alarms_are_justified(line.serve, kept)
    told = justice.assert_told(kept, line.hooks.came)
    keys = {hook.key for hook in line.hooks.came}
    print(
        f"{line.gateways.messages} messages confirmed, {len(confirmed)} readings kept exactly once; {alarms} alarms as "
        f"the replay has them; {told} of them told by {len(keys)} pushes, {len(line.hooks.came) - len(keys)} of these "
        f"came again under the same key; {kept.quarantined} set aside"
    )
    assert alarms > kills / 4, "the proof needs alarms that come and go"
    assert told > 0
    assert line.hooks.refused == []


def test_killed_program_loses_nothing_and_raises_nothing_twice(line: Line):
    killed_again_and_again(line, kills=6, seed=SEED)


@pytest.mark.long
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("seed", [SEED + 1])
def test_program_killed_fifty_times_loses_nothing_and_raises_nothing_twice(line: Line, seed: int):
    killed_again_and_again(line, kills=50, seed=seed)
