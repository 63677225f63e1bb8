"""The demo's MQTT broker: a child process that ends with the demo, whatever ends it.

In: a folder for its configuration. Out: the URL to reach it at. May import: iotcore, which only the demo extra brings;
another broker would replace this one function. Touches one file, one port on loopback, one child process.

It keeps its queue in memory and is young: for trying out only, deploy/ says what to run for good.
"""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.commands.demo_ports import free_port

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
def demo_broker(directory: Path) -> Iterator[str]:
    """A broker that speaks MQTT 5 on loopback, as long as the block lasts; its URL."""
    from iotcore import Broker  # lazily: the program without its demo does not need it

    path = directory / "broker.toml"
    for attempt in range(1, TRIES + 1):
        port = free_port()
        path.write_text(CONFIGURATION.format(port=port), encoding="utf-8")
        broker = Broker(config_path=str(path))
        try:
            with _spared_ctrl_c():
                broker.start()
            break
        except OSError:
            if attempt == TRIES:
                raise
    try:
        yield f"mqtt://127.0.0.1:{port}"
    finally:
        broker.stop()


@contextmanager
def _spared_ctrl_c() -> Iterator[None]:
    """Children started within ignore Ctrl-C: a terminal sends it to all, and the broker must outlive who uses it."""
    if threading.current_thread() is not threading.main_thread():  # signals belong to the main thread
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
