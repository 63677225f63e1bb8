"""The collector against a real broker and real stores: durable first, acknowledged second, nothing lost, nothing twice.

The gateway is a plain MQTT 5 publisher. Values count up, so that the store's content says which messages arrived.
"""

import json
import subprocess
import sys

import pytest

from monitor.acquisition import inbox
from monitor.acquisition.connection import address, tls_context
from monitor.acquisition.quarantine import Reason
from monitor.settings import Settings
from tests.acquisition.builders import ARRIVAL_S, TOPIC
from tests.acquisition.running import running
from tests.brokers import iotcore_broker, mosquitto, publisher
from tests.waiting import wait_until

READING_S = ARRIVAL_S - 100_000


def numbered(number):
    """A pack whose one reading has this number as second and as value (1/100 V)."""
    return json.dumps([{"bn": "pump-1/", "bt": READING_S + number, "n": "battery_voltage", "v": number / 100}])


def values(count, begin=0):
    """What the store holds after these numbers."""
    return [number / 100 for number in range(begin, begin + count)]


def send(port, count, begin=0, **how):
    """A gateway that publishes so many readings."""
    with publisher(port) as gateway:
        for number in range(begin, begin + count):
            gateway.send(TOPIC, numbered(number), **how)


@pytest.fixture(scope="module")
def module_broker(tmp_path_factory):
    """One broker for tests that leave it as they found it: each has client ids and topics of its own."""
    with mosquitto(tmp_path_factory.mktemp("broker"), durable=False) as broker:
        yield broker


@pytest.fixture
def broker(tmp_path):
    """A broker that a test may kill."""
    with mosquitto(tmp_path) as broker:
        yield broker


def test_readings_become_durable_and_are_handed_on_in_the_order_of_arrival(tmp_path, broker):
    with running(tmp_path, broker.url) as one:
        one.wait_connected()
        send(broker.port, 50)
        one.wait_idle_after(50)
        assert one.kept() == values(50)
        assert [float(value) for batch in one.handed_on for value in batch.value] == values(50)
        assert (one.status.readings_stored, one.status.set_aside, one.status.last_error) == (50, 0, "")
        assert one.told == ["connected"]
    assert one.told == ["connected", "disconnected"]


def test_floor_stays_at_or_below_what_is_being_handed_on_and_passes_it_after(tmp_path, broker):
    with running(tmp_path, broker.url) as one:
        one.wait_connected()
        send(broker.port, 20)
        one.wait_idle_after(20)
        for floor_ns, batch in zip(one.floors_ns, one.handed_on, strict=True):
            assert floor_ns <= batch.received_ns.min()
        assert one.collector.received_floor_ns() > max(batch.received_ns.max() for batch in one.handed_on)


def test_nothing_is_acknowledged_before_it_is_durable(tmp_path, broker):
    """The broker may send 5 at once: with the store locked no more come, and after a stop all 20 come again."""
    with running(tmp_path, broker.url, receive_maximum=5) as one:
        one.wait_connected()
        with one.store_locked():
            send(broker.port, 20)
            wait_until(lambda: one.status.store_waiting_since_ns, "the store to be found locked")
            assert one.status.messages_received == 5
            assert "another program holds it locked" in one.status.last_error
            one.collector.stop()
        assert one.kept() == []
    with running(tmp_path, broker.url, receive_maximum=5) as another:
        another.wait_idle_after(20)
        assert another.kept() == values(20)


def test_work_resumes_by_itself_when_the_store_does(tmp_path, broker):
    with running(tmp_path, broker.url, receive_maximum=5) as one:
        one.wait_connected()
        with one.store_locked():
            send(broker.port, 20)
            wait_until(lambda: one.status.store_waiting_since_ns, "the store to be found locked")
            floor_ns = one.collector.received_floor_ns()
        one.wait_idle_after(20)
        assert one.kept() == values(20)
        assert one.status.store_waiting_since_ns is None
        assert one.collector.received_floor_ns() > floor_ns
        assert sorted(float(value) for batch in one.handed_on for value in batch.value) == values(20)


def test_a_killed_broker_comes_back_and_nothing_is_lost(tmp_path, broker):
    with running(tmp_path, broker.url) as one:
        one.wait_connected()
        send(broker.port, 10)
        one.wait_idle_after(10)
        broker.kill()
        wait_until(lambda: not one.status.is_connected, "the loss to be noticed")
        assert "No connection to the broker at 127.0.0.1" in one.status.last_error
        broker.start()
        one.wait_connected()
        send(broker.port, 10, begin=10)
        one.wait_idle_after(20)
        assert one.kept() == values(20)
        assert one.told == ["connected", "disconnected", "connected"]


def test_what_was_published_while_the_collector_was_away_comes_after_it(tmp_path, broker):
    """Across a restart of the broker too: the persistent session and its queue are on disk.

    A stop, no kill: mosquitto confirms a message up to a turn of its loop before it saves it.
    """
    with running(tmp_path, broker.url) as one:
        one.wait_connected()
    send(broker.port, 30)
    broker.stop()
    broker.start()
    with running(tmp_path, broker.url) as one:
        one.wait_idle_after(30)
        assert one.kept() == values(30)


def test_messages_under_way_when_the_connection_is_lost_are_stored_once(tmp_path, broker):
    """Un-acknowledged ones come again on the new connection, under ids that meant others on the old one."""
    with running(tmp_path, broker.url, receive_maximum=10) as one:
        one.wait_connected()
        with one.store_locked():
            send(broker.port, 30)
            wait_until(lambda: one.status.store_waiting_since_ns, "the store to be found locked")
            broker.stop()
            wait_until(lambda: not one.status.is_connected, "the loss to be noticed")
            broker.start()
            one.wait_connected()
        wait_until(lambda: len(one.kept()) == 30, "all of them")
        one.wait_idle_after(30)
        assert one.kept() == values(30)
        assert sorted(float(value) for batch in one.handed_on for value in batch.value) == values(30)


def test_a_broker_that_is_away_at_the_start_is_waited_for(tmp_path, broker):
    broker.stop()
    with running(tmp_path, broker.url) as one:
        wait_until(lambda: one.status.last_error, "the refusal")
        assert not one.status.is_connected
        broker.start()
        one.wait_connected()
        assert one.told == ["connected"]


def test_what_cannot_be_read_is_set_aside_durably_and_holds_up_nothing(tmp_path, broker):
    with running(tmp_path, broker.url, receive_maximum=2) as one:
        one.wait_connected()
        with publisher(broker.port) as gateway:
            for number in range(10):
                gateway.send(TOPIC, f"rubbish {number}")
                gateway.send(TOPIC, numbered(number))
        one.wait_idle_after(20)
        assert one.kept() == values(10)
        assert one.operations.quarantine_counts() == {"unreadable": 10}
        assert one.status.set_aside == 10


def test_a_second_value_for_a_reading_is_set_aside_with_its_topic(tmp_path, broker):
    with running(tmp_path, broker.url) as one:
        one.wait_connected()
        send(broker.port, 1)
        one.wait_idle_after(1)
        with publisher(broker.port) as gateway:
            gateway.send(TOPIC, numbered(0).replace('"v": 0.0', '"v": 7.5'))
            gateway.send(TOPIC, numbered(0))  # a repeat is no conflict
        one.wait_idle_after(3)
        assert one.kept() == [0.0]
        (item,) = one.operations.quarantined(limit=10)
        assert (item.reason, item.source, item.unit) == (Reason.CONFLICT, TOPIC, "pump-1")
        assert "7.5 came later" in item.text
        assert sum(len(batch) for batch in one.handed_on) == 1


def test_a_retained_link_state_is_known_from_the_start_and_a_change_follows(tmp_path, broker):
    with publisher(broker.port) as gateway:
        gateway.send("stillready/school/school-box/link", "online", is_retained=True)
        with running(tmp_path, broker.url) as one:
            one.wait_idle_after(1)
            gateway.send("stillready/school/school-box/link", "offline", is_retained=True)
            one.wait_idle_after(2)
            assert one.kept("link_online") == [1.0, 0.0]


def test_messages_of_qos_0_are_taken_too(tmp_path, module_broker):
    with running(tmp_path, module_broker.url, client_id="qos0", topic_prefix="qos0") as one:
        one.wait_connected()
        with publisher(module_broker.port) as gateway:
            gateway.send("qos0/works/pump-1/readings", numbered(3), qos=0)
        one.wait_idle_after(1)
        assert one.kept() == [0.03]


def test_content_type_tells_cbor_from_json(tmp_path, module_broker):
    pack = bytes.fromhex("81a3") + b"\x21\x67pump-1/" + b"\x00\x6fbattery_voltage" + b"\x02\x0d"
    with running(tmp_path, module_broker.url, client_id="cbor", topic_prefix="cbor") as one:
        one.wait_connected()
        with publisher(module_broker.port) as gateway:
            gateway.send("cbor/works/pump-1/readings", pack, content_type="application/senml+cbor")
        one.wait_idle_after(1)
        assert one.kept() == [13.0]


def test_collectors_of_one_group_divide_the_messages(tmp_path, module_broker):
    group = {"shared_group": "group", "topic_prefix": "shared"}
    with (
        running(tmp_path / "a", module_broker.url, client_id="group-a", **group) as first,
        running(tmp_path / "b", module_broker.url, client_id="group-b", **group) as second,
    ):
        first.wait_connected()
        second.wait_connected()
        with publisher(module_broker.port) as gateway:
            for number in range(40):
                gateway.send("shared/works/pump-1/readings", numbered(number))
            gateway.send("shared/school/school-box/link", "online")
        wait_until(
            lambda: first.status.readings_stored + second.status.readings_stored == 42,
            "every message, and two link states",
        )
        assert sorted(first.kept() + second.kept()) == values(40)
        assert min(len(first.kept()), len(second.kept())) > 0
        assert first.kept("link_online") == second.kept("link_online") == [1.0]


def test_mapped_topics_are_subscribed(tmp_path, module_broker):
    rule = {"topic": "plant/{unit}/batt", "signal": "battery_voltage"}
    with running(tmp_path, module_broker.url, client_id="mapped", topic_prefix="mapped", mappings=[rule]) as one:
        one.wait_connected()
        with publisher(module_broker.port) as gateway:
            gateway.send("plant/pump-1/batt", "13.4")
        one.wait_idle_after(1)
        assert one.kept() == [13.4]


def test_a_broker_that_ignores_receive_maximum_is_served_too(tmp_path):
    with iotcore_broker(tmp_path) as url, running(tmp_path / "data", url, receive_maximum=5) as one:
        one.wait_connected()
        send(address(url).port, 300, wait=False)
        one.wait_idle_after(300)
        assert one.kept() == values(300)


def test_more_than_can_be_held_is_left_with_the_broker_until_there_is_room(tmp_path, broker, monkeypatch):
    """The bound of the inbox is made small; the broker would send 500 at once."""
    monkeypatch.setattr(inbox, "QOS1_PENDING_MAX", 20)
    with running(tmp_path, broker.url, batch_messages=10) as one:
        one.wait_connected()
        with one.store_locked():
            send(broker.port, 100)
            wait_until(lambda: one.status.pending == 30, "10 under way and 20 queued")
            assert one.status.messages_received == 30
        one.wait_idle_after(100)
        assert one.kept() == values(100)


def test_who_is_handed_a_batch_may_fail_without_stopping_the_next(tmp_path, broker):
    with running(tmp_path, broker.url) as one:
        one.wait_connected()
        one.floors_ns = None  # makes the test's own callback fail
        send(broker.port, 3)
        one.wait_idle_after(3)
        one.floors_ns = []
        send(broker.port, 1, begin=3)
        one.wait_idle_after(4)
        assert one.kept() == values(4)
        assert [float(value) for batch in one.handed_on for value in batch.value] == [0.03]


def test_a_collector_killed_again_and_again_loses_nothing_and_keeps_nothing_twice(tmp_path, broker):
    """SIGKILL after its first commits, three times; the store then holds each reading once, whatever came again."""
    argument = [sys.executable, "-m", "tests.acquisition.running", str(tmp_path / "data"), broker.url]
    with running(tmp_path / "data", broker.url) as one:
        one.wait_connected()
    begin = 0
    for _ in range(3):
        with subprocess.Popen(argument, stdout=subprocess.PIPE, text=True) as killed:
            assert killed.stdout.readline() == "connected\n"
            send(broker.port, 200, begin=begin, wait=False)
            begin += 200
            assert killed.stdout.readline() == "committed\n"
            killed.kill()
    with running(tmp_path / "data", broker.url) as one:
        wait_until(lambda: len(one.kept()) >= begin, lambda: f"{begin} readings; {one.status}")
        one.wait_idle_after(0)
        assert one.kept() == values(begin)
        assert one.operations.quarantine_counts() == {}


def test_a_refusal_is_told_and_tried_again(tmp_path):
    with mosquitto(tmp_path, door="allow_anonymous false") as broker, running(tmp_path, broker.url) as one:
        wait_until(lambda: "refused" in one.status.last_error, "the refusal")
        assert "Check user name, password and client_id." in one.status.last_error
        assert not one.status.is_connected


# paho leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")
def test_tls_with_a_client_certificate(tmp_path):
    """An authority of our own signs both; the broker asks for a certificate, the collector checks the broker's name."""
    make_certificates(tmp_path)
    door = (
        f"allow_anonymous true\ncafile {tmp_path}/ca.pem\ncertfile {tmp_path}/broker.pem\n"
        f"keyfile {tmp_path}/broker.key\nrequire_certificate true"
    )
    with mosquitto(tmp_path, door=door, scheme="mqtts") as broker:
        files = {"ca_file": tmp_path / "ca.pem", "client_certificate_file": tmp_path / "client.pem"}
        with running(tmp_path / "a", broker.url, **files, client_key_file=tmp_path / "client.key") as one:
            one.wait_connected()
        with running(tmp_path / "b", broker.url, client_id="stranger") as stranger:
            wait_until(lambda: stranger.status.last_error, "the broker's unknown authority to be refused")
            assert "certificate verify failed" in stranger.status.last_error


def test_certificates_that_cannot_be_used_are_told_at_the_start(tmp_path):
    broker = Settings(broker={"url": "mqtts://127.0.0.1", "ca_file": tmp_path / "absent.pem"}).broker
    with pytest.raises(ValueError, match=r"certificates cannot be used .* Check the files .*absent\.pem"):
        tls_context(broker)


def make_certificates(folder):
    """ca.pem, broker.pem and client.pem with their keys, good for a day."""

    def openssl(*arguments):
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)

    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    openssl("req", "-x509", *key, "-keyout", "ca.key", "-out", "ca.pem", "-subj", "/CN=authority", "-days", "1")
    (folder / "names.ext").write_text("subjectAltName=IP:127.0.0.1")
    for name in ("broker", "client"):
        openssl("req", *key, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}")
        signed_by = ("-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "1")
        openssl("x509", "-req", "-in", f"{name}.csr", *signed_by, "-out", f"{name}.pem", "-extfile", "names.ext")
