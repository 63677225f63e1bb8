"""One connection's packets: many are read before anything else is looked at, acknowledgements leave together.

In: a socket of paho's client, whose packets only the network thread writes; acknowledgements of any thread. Out:
messages, on the thread that serves. May import: paho. Touches the client's socket.

The plain way of paho costs a look at the socket and some five reads for each packet, and two writes for each
acknowledgement; each of these gives up Python's lock to whoever computes, and has to wait to get it back. Here it is
paho's way for programs with a loop of their own (loop_read, loop_write, loop_misc); what that reads comes from a
buffer, a PUBLISH without properties is taken apart here, a PUBACK, four bytes, is written directly. Of the network
thread's 34 us of CPU a message 12 are left; a bare subscriber of paho's takes 25.
"""

import select
import socket
import ssl
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import NamedTuple

from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

READS_MAX = 64  # packets before acknowledgements and pings get their turn: some 2 ms
READ_BYTES = 65_536
LOOK_S = 1.0  # how long is waited before pings are looked after
ACKS_A_SEND_MAX = 4_096  # 16 KB: what a socket takes at once
NOT_NOW = (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError)


class Came(NamedTuple):
    """A message as it came. A tuple: thousands a second are made of these. mid names it for its acknowledgement."""

    topic: str
    payload: bytes
    content_type: str
    is_retained: bool
    qos: int
    mid: int


class QuickClient(Client):
    """paho's client, MQTT 5, of one connection only: it takes from its socket as much as there is.

    Two of its methods stand for paho's own of the same name, which are not documented: the tests against real brokers
    fail if those change their meaning.
    """

    def __init__(self, client_id: str, take: Callable[[Came], None]) -> None:
        """take: called with each message, on the thread that serves; it must not raise."""
        super().__init__(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTv5, manual_ack=True)
        self._take = take
        self._taken = b""
        self._at = 0
        self.on_message = lambda _client, _userdata, message: take(_came(message))

    @property
    def has_buffered(self) -> bool:
        """Whether something was taken from the socket that loop_read has not seen yet."""
        return self._at < len(self._taken)

    def _sock_recv(self, bufsize: int) -> bytes:
        at = self._at
        if at >= len(self._taken):
            self._taken, at = super()._sock_recv(READ_BYTES), 0
        self._at = at + bufsize
        return self._taken[at : at + bufsize]

    def _handle_publish(self) -> MQTTErrorCode:
        """The usual PUBLISH, of QoS 1 and without properties; paho's own way for all else, damaged ones too.

        Source: MQTT 5.0 section 3.3: topic with its length, message id, length of the properties, payload.
        """
        command, packet = self._in_packet["command"], self._in_packet["packet"]
        topic_end = 2 + int.from_bytes(packet[:2])
        id_end = topic_end + 2
        if command & 0b0110 != 0b0010 or id_end >= len(packet) or packet[id_end] != 0:
            return super()._handle_publish()
        try:
            topic = packet[2:topic_end].decode()
        except UnicodeDecodeError:
            return super()._handle_publish()
        mid = int.from_bytes(packet[topic_end:id_end])
        self._take(Came(topic, bytes(packet[id_end + 1 :]), "", bool(command & 1), 1, mid))
        return MQTTErrorCode.MQTT_ERR_SUCCESS


def _came(message: MQTTMessage) -> Came:
    """A message that paho took apart."""
    try:
        topic = message.topic
    except UnicodeDecodeError:
        topic = "(a topic that is no UTF-8)"
    content_type = getattr(message.properties, "ContentType", "") if message.properties is not None else ""
    return Came(topic, bytes(message.payload), content_type, message.retain, message.qos, message.mid)


class Traffic:
    """Serves one client until its connection ends. A new connection gets a new one."""

    def __init__(self, client: QuickClient) -> None:
        self._client = client
        self._acks: deque[int] = deque()  # message ids to acknowledge, in the order of arrival
        self._unsent = b""
        self._may_write = True
        self._is_woken = False
        self.delivered = 0  # messages that came; whoever takes them counts
        self._wake, self._waker = socket.socketpair()
        self._wake.setblocking(False)
        self._waker.setblocking(False)

    def acknowledge(self, mid: int) -> None:
        """Tell the broker that a message of this connection is durable; from any thread, never waits."""
        self._acks.append(mid)
        if not self._is_woken:  # else the other thread has yet to look, and will find it
            self._is_woken = True
            self.wake()

    def wake(self) -> None:
        """Let the serving thread look at once; from any thread."""
        with suppress(OSError):  # full: it is awake already; closed: it has ended
            self._waker.send(b"\0")

    def serve(self, check: Callable[[], None]) -> None:
        """Read, acknowledge, keep alive, until the connection is lost or closed.

        Args:
            check: called after each look; it may tell the client to disconnect.
        """
        while self._look() == MQTTErrorCode.MQTT_ERR_SUCCESS:
            check()

    def close(self) -> None:
        """Let go of what `wake` needs."""
        self._wake.close()
        self._waker.close()

    def _look(self) -> MQTTErrorCode:
        wire = self._client.socket()
        if wire is None:
            return MQTTErrorCode.MQTT_ERR_NO_CONN
        assert isinstance(wire, socket.socket), "no WebSocket here"
        waits = self._may_write and (self._unsent or self._acks or self._client.want_write())
        # TLS may hold more than it gave, of which the socket knows nothing.
        at_hand = self._client.has_buffered or (isinstance(wire, ssl.SSLSocket) and wire.pending() > 0)
        readable, writable, _ = select.select(
            [wire, self._wake], [wire] if waits else [], [], 0.0 if at_hand else LOOK_S
        )
        if self._wake in readable:
            self._wake.recv(4_096)
            self._is_woken = False  # before the acknowledgements are taken: a later one wakes anew
        if at_hand or wire in readable:
            code = self._read()
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return code
        if wire in writable or not waits:
            code = self._write(wire)
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return code
        return self._client.loop_misc()

    def _read(self) -> MQTTErrorCode:
        for _ in range(READS_MAX):
            before = self.delivered
            code = self._client.loop_read()
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS or self.delivered == before:
                return code
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _write(self, wire: socket.socket) -> MQTTErrorCode:
        """What the client has to say, then acknowledgements: never one within the other's packet."""
        if not self._may_write:
            return MQTTErrorCode.MQTT_ERR_SUCCESS
        if not self._unsent and self._client.want_write():
            code = self._client.loop_write()
            if code != MQTTErrorCode.MQTT_ERR_SUCCESS or self._client.want_write():
                return code
        if not self._unsent:
            acks = [self._acks.popleft() for _ in range(min(len(self._acks), ACKS_A_SEND_MAX))]
            # MQTT 5.0 section 3.4: PUBACK, two more bytes: the message id; without a reason it means success.
            self._unsent = b"".join(b"\x40\x02" + mid.to_bytes(2) for mid in acks)
        if self._unsent:
            try:
                self._unsent = self._unsent[wire.send(self._unsent) :]
            except NOT_NOW:
                pass
            except OSError:
                # The broker is gone. What it sent before is still to be read, and the end of that tells the rest.
                self._may_write = False
        return MQTTErrorCode.MQTT_ERR_SUCCESS
