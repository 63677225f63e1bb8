"""The demo's MQTT broker: a child process that ends with the demo, whatever ends it.

In: a folder for its configuration. Out: the URL to reach it at. May import: iotcore, which only the demo extra brings;
another broker would replace this one function. Touches one file, one port on loopback, one child process.

It keeps its queue in memory and is young: for trying out only, deploy/ says what to run for good.
"""

import signal
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.demo_ports import free_port

if TYPE_CHECKING:
    from iotcore import Broker

TRIES = 5  # a port found free may be taken by somebody else before the broker has it

# MQTT 5 exists in this broker only by a file. The sizes are rumqttd's usual ones; a payload may be as large as ours.
CONFIGURATION = """\
id = 0

[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 200
max_segment_size = 10485760
max_segment_count = 10

[v5.1]
name = "mqtt5"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1

[v5.1.connections]
connection_timeout_ms = 10000
max_payload_size = 262144
max_inflight_count = 200
dynamic_filters = true
"""


@contextmanager
def demo_broker(directory: Path) -> Iterator[Callable[[], str]]:
    """A broker that speaks MQTT 5 on loopback, as long as the block lasts.

    It takes half a second to start, in which the program can go on: what is yielded waits until the broker listens,
    and gives its URL.
    """
    with ThreadPoolExecutor(1, thread_name_prefix="broker") as pool:
        starting = pool.submit(_started, directory)
        try:
            yield lambda: f"mqtt://127.0.0.1:{starting.result().port}"
        finally:
            if starting.exception() is None:
                starting.result().stop()


def _started(directory: Path) -> "Broker":
    """The broker once it listens."""
    from iotcore import Broker  # lazily: the program without its demo does not need it

    # Children inherit this thread's mask: Ctrl-C, which a terminal sends to all, does not reach the broker, so that
    # it outlives those who use it.
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    path = directory / "broker.toml"
    for attempt in range(1, TRIES + 1):
        path.write_text(CONFIGURATION.format(port=free_port()), encoding="utf-8")
        try:
            return Broker(config_path=str(path)).start()
        except (OSError, RuntimeError) as reason:
            if attempt == TRIES:
                raise SystemExit(f"The demo's MQTT broker does not start: {reason}") from None
    raise AssertionError("the last try returns or raises")
