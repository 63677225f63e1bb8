"""Bad input never stops anything: hostile messages by the thousand, and every good reading among them is kept."""

from collections import Counter

import pytest

from monitor.acquisition.decoder import Decoder
from monitor.settings import Settings
from monitor.times import SECOND_NS
from tests.acquisition.builders import ARRIVAL_NS, message
from tests.acquisition.hostile import GOOD_UNIT, SIGNALS, hostile_fleet, hostile_messages
from tests.acquisition.running import running
from tests.brokers import mosquitto, publisher

SEEDS = (20_261_125, 8_428, 8_798)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_good_reading_among_hostile_messages_is_kept_and_no_other_of_that_unit(seed):
    decoder = Decoder(hostile_fleet(), Settings())
    sent = list(hostile_messages(seed, 2_000))
    decoded = decoder.decode(
        message(
            one.payload,
            topic=one.topic,
            content_type=one.content_type,
            is_retained=one.is_retained,
            received_ns=ARRIVAL_NS + number,
        )
        for number, one in enumerate(sent)
    )
    assert good_rows(decoded.batch) == expected_rows(sent)
    assert not [item.text for item in decoded.set_aside if "a mistake of this program" in item.text]
    assert len({item.received_ns for item in decoded.set_aside}) > 500


def test_the_same_seed_gives_the_same_messages():
    assert list(hostile_messages(1, 200)) == list(hostile_messages(1, 200))


def good_rows(batch):
    """Readings of the good unit as counted (signal, s, value); the program's own row of a wrong clock left out."""
    good = batch.units.index(GOOD_UNIT)
    return Counter(
        (batch.signals[signal], time_ns // SECOND_NS, value)
        for unit, signal, time_ns, value in zip(
            batch.unit.tolist(), batch.signal.tolist(), batch.time_ns.tolist(), batch.value.tolist(), strict=True
        )
        if unit == good and batch.signals[signal] != "clock_ahead"
    )


def expected_rows(sent):
    """What must be kept of some messages."""
    return Counter(reading for one in sent for reading in one.readings)


def push_hostile(folder, *, seed, count):
    """Push hostile messages through a real broker and real stores; the status at the end, and how many were good.

    The short proof in this suite and the long one call it alike.
    """
    sent = list(hostile_messages(seed, count))
    with mosquitto(folder, durable=False) as broker, running(folder, broker.url, fleet=hostile_fleet()) as one:
        one.wait_connected()
        with publisher(broker.port) as gateway:
            for message_ in sent:
                gateway.send(
                    message_.topic,
                    message_.payload,
                    is_retained=message_.is_retained,
                    content_type=message_.content_type,
                    wait=False,
                )
            gateway.wait_all()
        one.wait_idle_after(count)
        kept = one.readings.read(units=(GOOD_UNIT,), signals=tuple(SIGNALS), from_ns=0, to_ns=2**62)
        assert good_rows(kept) == expected_rows(sent)
        assert one.status.qos0_dropped == 0
        assert one.status.last_error == ""
        assert sum(one.operations.quarantine_counts().values()) > 0
        return one.status, sum(expected_rows(sent).values())


def test_hostile_messages_through_a_real_broker_stop_nothing(tmp_path):
    status, good = push_hostile(tmp_path, seed=SEEDS[0], count=2_000)
    assert status.messages_received == 2_000
    assert good > 400


@pytest.mark.long
@pytest.mark.timeout(1_800)
def test_a_hundred_thousand_hostile_messages_through_a_real_broker_stop_nothing(tmp_path):
    status, good = push_hostile(tmp_path, seed=SEEDS[1], count=100_000)
    print(f"100 000 messages, {good} good readings all kept, {status.set_aside} things set aside")
    assert status.messages_received == 100_000
