"""The whole line under load: broker, gateways that never pause, the program, a receiver; and the proof at the end.

In: a folder, how durable the broker is, how many messages a second, a seed. Out: the line, up and subscribed; after
whatever was done to it, what must hold, and its figures in words.
"""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.brokers import Mosquitto, mosquitto
from tests.line import justice
from tests.line.gateways import LIMITS, Valley, fleet_text, valley
from tests.line.program import Program, program
from tests.line.receivers import SECRET, SECRET_VARIABLE, Hooks, hook_receiver, settings_for
from tests.waiting import wait_until

GATEWAYS = 4
QUIET_S_MAX = 240.0  # until all is stored, judged and told after the last start
JUDGED_S = 2.0  # the present is judged this far beyond the newest reading: all delays of LIMITS are over then


@dataclass
class Line:
    """Broker, gateways, program, receiver."""

    broker: Mosquitto
    gateways: Valley
    serve: Program
    hooks: Hooks


@contextmanager
def under_load(folder: Path, *, durable: bool, a_second: float, seed: int) -> Iterator[Line]:
    """The line; the program has subscribed once, so the broker keeps what comes from then on.

    Args:
        durable: whether the broker saves each change. a_second: messages of each gateway.
    """
    with mosquitto(folder, durable=durable) as broker, hook_receiver() as hooks:
        texts = {"fleet": fleet_text(GATEWAYS), "limits": LIMITS, "settings": settings_for(hooks)}
        with program(folder, broker.url, **texts, secrets={SECRET_VARIABLE: SECRET}) as serve:
            serve.start()
            gateways = valley(broker.port, gateways=GATEWAYS, a_second=a_second, seed=seed)
            gateways.start()
            yield Line(broker, gateways, serve, hooks)


def wait_until_moment(moment_s: float) -> None:
    """A moment of chance, s from now: the one thing that is waited for is the clock."""
    until_s = time.monotonic() + moment_s
    wait_until(lambda: time.monotonic() >= until_s, "the moment")


def settle(line: Line) -> None:
    """Let the gateways end, wait until all is stored, judged and told, end the program."""
    line.gateways.stop()
    wait_until(line.serve.is_ready, f"a program that is ready; {line.serve.last_words()}", deadline_s=QUIET_S_MAX)
    confirmed = line.gateways.confirmed
    newest_s = max(time_ns for _, _, time_ns in confirmed) / 1e9

    def is_judged() -> bool:
        return line.serve.metric("stillready_assessment_lag_seconds") < time.time() - newest_s - JUDGED_S

    wait_until(is_judged, f"a judgement of all; {line.serve.last_words()}", deadline_s=QUIET_S_MAX)
    wait_until(
        lambda: justice.count_of(line.serve) >= len(confirmed),
        f"{len(confirmed)} readings in the store",
        deadline_s=QUIET_S_MAX,
    )
    wait_until(is_judged, f"a judgement of all; {line.serve.last_words()}", deadline_s=QUIET_S_MAX)
    wait_until(lambda: line.serve.get("/health/ready")["call_outs_waiting"] == 0, "all pushes", deadline_s=QUIET_S_MAX)
    line.serve.stop()


def proven(line: Line) -> str:
    """What must hold once all is settled, and the figures in words."""
    kept = justice.kept_by(line.serve)
    confirmed = line.gateways.confirmed
    justice.assert_nothing_is_lost_or_invented(kept, confirmed)
    alarms = justice.assert_alarms_are_justified(line.serve, kept)
    told = justice.assert_told(kept, line.hooks.came)
    assert line.hooks.refused == [], "every signature holds"
    assert alarms > 10, "the proof needs alarms that come and go"
    assert told > 0, "and some that call"
    keys = {hook.key for hook in line.hooks.came}
    again = sum(gateway.sent_again for gateway in line.gateways.gateways)
    return (
        f"{line.gateways.messages} messages confirmed ({again} sent again by the gateways), {len(confirmed)} readings "
        f"kept exactly once; {alarms} alarms, byte for byte those of a replay; {told} told by {len(keys)} pushes, "
        f"{len(line.hooks.came) - len(keys)} of which came again under the same key; set aside: {kept.quarantined}"
    )
