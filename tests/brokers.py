"""Real brokers for tests: mosquitto as it is recommended to users, and the demo's.

Each listens on a free loopback port, never on 1883, and ends with its test.
"""

import os
import shutil
import signal
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Event, Thread

import pytest
from paho.mqtt.client import Client, MQTTMessage, MQTTMessageInfo, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

READY_S = 20.0
UNCONFIRMED_MAX = 10_000  # paho queues no more than there are message ids

MOSQUITTO_CONF = """
listener {port} 127.0.0.1
{door}
user root
persistence true
persistence_location {folder}/
autosave_on_changes {autosave}
autosave_interval 1
max_queued_messages 0
max_inflight_messages 0
log_dest stderr
"""


# MQTT 5 exists in this broker only by a file.
IOTCORE_TOML = """
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


def free_port() -> int:
    """A loopback port that nobody listens on just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """One mosquitto. kill() is SIGKILL; start() after it takes up what was on disk.

    durable: queue and session are saved at each change, so that a kill loses nothing, at some cost in speed.
    """

    def __init__(self, folder: Path, *, durable: bool = True, door: str = "allow_anonymous true", scheme: str = "mqtt"):
        binary = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
        if binary is None:
            pytest.skip("mosquitto is not installed")
        self._binary = binary
        folder.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self.url = f"{scheme}://127.0.0.1:{self.port}"
        self._config = folder / "mosquitto.conf"
        autosave = "true" if durable else "false"
        self._config.write_text(MOSQUITTO_CONF.format(port=self.port, door=door, folder=folder, autosave=autosave))
        self._process: subprocess.Popen[str] | None = None
        self._drain: Thread | None = None

    def start(self) -> None:
        """Start and wait until it listens."""
        assert self._process is None, "it runs"
        process = subprocess.Popen(
            [self._binary, "-c", str(self._config)], stderr=subprocess.PIPE, text=True, errors="replace"
        )
        is_running = Event()
        said: list[str] = []

        def drain() -> None:
            assert process.stderr is not None
            for line in process.stderr:
                said.append(line)
                if " running" in line:
                    is_running.set()
            is_running.set()  # ended: do not wait any longer

        self._drain = Thread(target=drain, daemon=True)
        self._drain.start()
        is_running.wait(READY_S)
        self._process = process
        assert process.poll() is None, "mosquitto did not start: " + "".join(said)
        # It says so before its loop turns, and a SIGTERM in between is lost: wait until it throws out a bad packet.
        with socket.create_connection(("127.0.0.1", self.port), READY_S) as probe, suppress(ConnectionError):
            probe.sendall(bytes(8))
            probe.recv(1)

    def kill(self) -> None:
        """As a power cut would end it."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """As an operator would end it."""
        self._end(signal.SIGTERM)

    def _end(self, how: signal.Signals) -> None:
        if self._process is None:
            return
        os.kill(self._process.pid, how)
        self._process.wait(READY_S)
        assert self._drain is not None
        self._drain.join(READY_S)
        assert self._process.stderr is not None
        self._process.stderr.close()
        self._process = None


@contextmanager
def mosquitto(
    folder: Path, *, durable: bool = True, door: str = "allow_anonymous true", scheme: str = "mqtt"
) -> Iterator[Mosquitto]:
    """A running mosquitto, ended at the end."""
    broker = Mosquitto(folder / "mosquitto", durable=durable, door=door, scheme=scheme)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


@contextmanager
def iotcore_broker(folder: Path) -> Iterator[str]:
    """A broker with habits of its own: it keeps no Receive Maximum and never says DUP. Gives its URL."""
    iotcore = pytest.importorskip("iotcore")
    port = free_port()
    config = folder / "iotcore.toml"
    config.write_text(IOTCORE_TOML.format(port=port))
    with iotcore.Broker(config_path=str(config)):
        yield f"mqtt://127.0.0.1:{port}"


@contextmanager
def publisher(port: int, client_id: str = "") -> Iterator["Publisher"]:
    """A gateway that publishes, connected."""
    one = Publisher(port, client_id)
    try:
        yield one
    finally:
        one.close()


class Publisher:
    """A plain MQTT 5 publisher; each publish of QoS 1 can be waited for."""

    def __init__(self, port: int, client_id: str = "") -> None:
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTv5)
        self._unconfirmed: list[MQTTMessageInfo] = []
        self._client.max_inflight_messages_set(200)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def send(
        self,
        topic: str,
        payload: bytes | str,
        *,
        qos: int = 1,
        is_retained: bool = False,
        content_type: str = "",
        wait: bool = True,
    ) -> None:
        """Publish; with wait, return once the broker has it."""
        properties = None
        if content_type:
            properties = Properties(PacketTypes.PUBLISH)
            properties.ContentType = content_type
        info = self._client.publish(topic, payload, qos, is_retained, properties)
        self._unconfirmed.append(info)
        if wait or len(self._unconfirmed) >= UNCONFIRMED_MAX:
            self.wait_all()

    def wait_all(self) -> None:
        """Return once the broker has confirmed everything that was sent without waiting."""
        for info in self._unconfirmed:
            info.wait_for_publish(READY_S)
            assert info.is_published(), "the broker did not confirm"
        self._unconfirmed.clear()

    def close(self) -> None:
        """Disconnect, once everything is confirmed."""
        self.wait_all()
        self._client.disconnect()
        self._client.loop_stop()


def received_by(port: int, topic: str, count: int) -> list[MQTTMessage]:
    """The first messages that a new subscriber of a topic gets, waited for."""
    got: list[MQTTMessage] = []
    is_enough = Event()
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)

    def on_message(_client: Client, _userdata: object, message: MQTTMessage) -> None:
        got.append(message)
        if len(got) >= count:
            is_enough.set()

    client.on_message = on_message
    client.on_connect = lambda one, *_: one.subscribe(topic, 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert is_enough.wait(READY_S), f"{len(got)} of {count} messages came"
    finally:
        client.disconnect()
        client.loop_stop()
    return got
