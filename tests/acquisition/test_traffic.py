"""What a broker's bytes become: the quick way takes from a socket what paho's own way takes, whatever the packets.

A broker of a few lines sends bytes as they stand here; two clients read them, ours and plain paho's.
"""

import socket
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from threading import Thread

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.acquisition.traffic import ACKS_A_SEND_MAX, Came, QuickClient, Traffic, _came

CONNACK = bytes([0x20, 3, 0, 0, 0])
TOPIC = "stillready/mill/mill-1/readings"


def publish(topic: bytes, payload: bytes, *, mid: int = 1, qos: int = 1, retain: bool = False, kind: str = "") -> bytes:
    """A PUBLISH as MQTT 5.0 section 3.3 has it."""
    properties = Properties(PacketTypes.PUBLISH)
    if kind:
        properties.ContentType = kind
    body = len(topic).to_bytes(2) + topic + (mid.to_bytes(2) if qos else b"") + properties.pack() + payload
    length, left = b"", len(body)
    while True:
        left, digit = divmod(left, 128) if left >= 128 else (0, left)
        length += bytes([digit | (0x80 if left else 0)])
        if not left:
            return bytes([0x30 | qos << 1 | retain]) + length + body


@contextmanager
def broker(sends: Sequence[bytes], got: bytearray | None = None, waits_for: int = 0) -> Iterator[int]:
    """Answers one CONNECT, sends bytes in these pieces, reads so many bytes more, hangs up; its port."""
    with socket.create_server(("127.0.0.1", 0)) as door:

        def serve() -> None:
            connection, _ = door.accept()
            with connection:
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                connection.recv(4_096)
                connection.sendall(CONNACK)
                for piece in sends:
                    connection.sendall(piece)
                while got is not None and len(got) < waits_for:
                    got.extend(connection.recv(65_536))

        thread = Thread(target=serve)
        thread.start()
        yield door.getsockname()[1]
        thread.join(20)
        assert not thread.is_alive(), "the broker has said all it had to say"


def taken_quickly(port: int, *, acknowledges: bool = False) -> list[Came]:
    """What ours takes until the broker hangs up."""
    came: list[Came] = []

    def take(one: Came) -> None:
        traffic.delivered += 1
        came.append(one)
        if acknowledges:
            traffic.acknowledge(one.mid)

    client = QuickClient("quick", take)
    client.on_socket_register_write = lambda *_: None
    traffic = Traffic(client)
    client.connect("127.0.0.1", port)
    try:
        traffic.serve(lambda: None)
    finally:
        traffic.close()
    return came


def taken_plainly(port: int) -> list[Came]:
    """What paho takes."""
    came: list[Came] = []
    client = Client(CallbackAPIVersion.VERSION2, client_id="plain", protocol=MQTTv5, manual_ack=True)
    client.on_message = lambda _client, _userdata, message: came.append(_came(message))
    client.connect("127.0.0.1", port)
    while client.loop(1.0) == MQTTErrorCode.MQTT_ERR_SUCCESS:
        pass
    return came


PACKETS = st.builds(
    publish,
    st.one_of(st.just(TOPIC.encode()), st.binary(min_size=1, max_size=20), st.just("ключ".encode())),
    st.one_of(st.binary(max_size=300), st.just(b"\0" * 70_000)),
    mid=st.integers(1, 65_535),
    qos=st.sampled_from((0, 1, 1, 1)),
    retain=st.booleans(),
    kind=st.sampled_from(("", "", "application/senml+cbor")),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(PACKETS, max_size=8), st.integers(1, 5_000))
def test_quick_way_takes_what_paho_takes(packets: list[bytes], cut: int):
    sent = b"".join(packets)
    pieces = [sent[:cut], sent[cut:]]
    with broker(pieces) as port:
        quick = taken_quickly(port)
    with broker(pieces) as port:
        plain = taken_plainly(port)
    assert quick == plain
    assert len(quick) == len(packets)


@pytest.mark.parametrize(
    "damaged", [b"\x32\x02\x00\x00", b"\x32\x03\x00\x50a", b"\x32\x00", b"\x32\x06\x00\x01a\x00\x01\x7f", b"\xff\x00"]
)
def test_damaged_packet_ends_the_connection_as_it_does_for_paho(damaged: bytes):
    sends = [publish(TOPIC.encode(), b"before"), damaged, publish(TOPIC.encode(), b"behind")]
    with broker(sends) as port:
        assert [came.payload for came in taken_quickly(port)] == [b"before"]
    with broker(sends) as port:
        assert [came.payload for came in taken_plainly(port)] == [b"before"]


def test_acknowledgements_leave_in_order_however_many_there_are():
    count = 3 * ACKS_A_SEND_MAX
    got = bytearray()
    sends = [publish(TOPIC.encode(), b"x", mid=mid) for mid in range(1, count + 1)]
    with broker([b"".join(sends)], got, waits_for=4 * count) as port:
        assert len(taken_quickly(port, acknowledges=True)) == count
    assert got == b"".join(b"\x40\x02" + mid.to_bytes(2) for mid in range(1, count + 1))


def test_what_a_broker_sent_before_it_died_is_taken_all_the_same():
    """It hangs up with our acknowledgements unread, which resets the connection: writing fails, reading must go on."""
    count = 400  # what the kernel has handed over by then: the rest of a longer queue dies with the broker
    got = bytearray()
    sends = [publish(TOPIC.encode(), b"x" * 100, mid=mid) for mid in range(1, count + 1)]
    with broker([b"".join(sends)], got, waits_for=1) as port:
        assert len(taken_quickly(port, acknowledges=True)) == count
