"""The decoder: topics of ours and others, units known and unknown, link states, many messages at once."""

import cbor2
import pytest

from monitor.acquisition.quarantine import PAYLOAD_KEPT_MAX, Reason
from monitor.fleet import Unit
from monitor.times import SECOND_NS
from tests.acquisition.builders import ARRIVAL_NS, ARRIVAL_S, CBOR, decode, decoder_of, fleet_of, message, rows

READING = [{"bn": "pump-1/", "n": "battery_voltage", "v": 13.4}]


def new_unit_reading(value: float):
    """A pack of the unit new-9 with a time that counts from arrival."""
    return [{"bn": "new-9/", "n": "battery_voltage", "v": value, "t": -5}]


NEW_TOPIC = "stillready/works/new-9/readings"
NEW_FLEET = fleet_of(Unit("pump-1", "works", "Pump 1"), Unit("new-9", "works", "New 9"))


def test_batch_counts_into_the_fleets_names_in_the_order_of_arrival():
    fleet = fleet_of()
    decoded = decoder_of(fleet).decode(
        [
            message([{"bn": "hall-2/", "n": "gas_pressure", "v": 1}], topic="stillready/school/hall-2/readings"),
            message(b"rubbish", received_ns=ARRIVAL_NS + 1),
            message([*READING, {"n": "gas_pressure", "v": 2}], received_ns=ARRIVAL_NS + 2),
        ]
    )
    assert (decoded.batch.units, decoded.batch.signals) == (fleet.unit_names, fleet.signal_names)
    assert decoded.batch.received_ns.tolist() == [ARRIVAL_NS, ARRIVAL_NS + 2, ARRIVAL_NS + 2]
    assert [row[:2] for row in rows(decoded)] == [
        ("hall-2", "gas_pressure"),
        ("pump-1", "battery_voltage"),
        ("pump-1", "gas_pressure"),
    ]
    assert len(decoded.set_aside) == 1


def test_nothing_gives_an_empty_batch():
    decoded = decoder_of().decode([])
    assert (len(decoded.batch), decoded.set_aside) == (0, ())


def test_the_same_payload_gives_the_same_reading_however_often_and_late_it_comes():
    decoder = decoder_of()
    content = [{"bn": "pump-1/", "bt": ARRIVAL_S - 0.123457, "n": "battery_voltage", "v": 13.4}]
    first, again = (
        rows(decode(content, decoder=decoder, received_ns=ARRIVAL_NS + late)) for late in (0, 86_400 * SECOND_NS)
    )
    assert first == again == [("pump-1", "battery_voltage", -123_457_000, 13.4)]


@pytest.mark.parametrize("content_type", ["", "application/senml+json", "application/json", "text/plain"])
def test_json_is_read_whatever_else_the_content_type_says(content_type):
    assert len(rows(decode(READING, content_type=content_type))) == 1


def test_json_is_not_read_where_cbor_is_said():
    assert rows(decode(READING, content_type=CBOR)) == []
    assert len(rows(decode(cbor2.dumps([{-2: "pump-1/", 0: "battery_voltage", 2: 13}]), content_type=CBOR))) == 1


@pytest.mark.parametrize("topic", ["x", "", "stillready/works/pump-1", "stillready/works/pump-1/alarms", "$SYS/broker"])
def test_a_topic_of_nobody_is_set_aside(topic):
    (item,) = decode(READING, topic=topic).set_aside
    assert (item.source, item.reason) == (topic, Reason.UNREADABLE)


def test_a_topic_whose_site_is_not_the_units_is_set_aside_with_the_right_one():
    (item,) = decode(READING, topic="stillready/school/pump-1/readings").set_aside
    assert item.reason is Reason.WRONG_SITE
    assert "Publish to stillready/works/pump-1/readings." in item.text


@pytest.mark.parametrize("name", ["Pump-1", "pümp", "a" * 65, "-a"])
def test_a_topic_with_an_impossible_name_is_unreadable(name):
    (item,) = decode(READING, topic=f"stillready/works/{name}/readings").set_aside
    assert (item.reason, item.unit) == (Reason.UNREADABLE, "")


# --- units that are not known yet ---


def test_messages_of_an_unknown_unit_are_read_once_it_is_admitted_with_their_own_arrival():
    earlier, later = ARRIVAL_NS - 3600 * SECOND_NS, ARRIVAL_NS - 1800 * SECOND_NS
    before = decoder_of()
    items = [
        item
        for at_ns in (earlier, later)
        for item in decode(new_unit_reading(13.4), topic=NEW_TOPIC, decoder=before, received_ns=at_ns).set_aside
    ]
    assert {(item.reason, item.unit) for item in items} == {(Reason.UNKNOWN_UNIT, "new-9")}
    decoded = decoder_of(NEW_FLEET).redecode(items)
    assert decoded.set_aside == ()
    assert rows(decoded) == [
        ("new-9", "battery_voltage", -3605 * SECOND_NS, 13.4),
        ("new-9", "battery_voltage", -1805 * SECOND_NS, 13.4),
    ]
    assert decoded.batch.received_ns.tolist() == [earlier, later]


def test_equal_payloads_of_an_unknown_unit_are_kept_apart():
    """A steady value gives equal bytes each time; a store that counted them as one would lose all but one."""
    decoder = decoder_of()
    keys = {
        decode(new_unit_reading(13.4), topic=NEW_TOPIC, decoder=decoder, received_ns=ARRIVAL_NS + after)
        .set_aside[0]
        .key
        for after in range(5)
    }
    assert len(keys) == 5


def test_an_unknown_units_pack_is_kept_whole_with_its_content_type():
    pack = cbor2.dumps([{-2: "new-9/", -3: ARRIVAL_S, 0: "battery_voltage", 2: 13.4, "x": b"x" * 100_000}])
    (item,) = decode(pack, topic=NEW_TOPIC, content_type=CBOR).set_aside
    assert len(item.payload) > PAYLOAD_KEPT_MAX
    assert rows(decoder_of(NEW_FLEET).redecode([item])) == [("new-9", "battery_voltage", 0, 13.4)]


def test_a_retained_message_of_an_unknown_unit_is_still_retained_when_read_later():
    (item,) = decode(new_unit_reading(13.4), topic=NEW_TOPIC, is_retained=True).set_aside
    decoded = decoder_of(NEW_FLEET).redecode([item])
    assert [one.reason for one in decoded.set_aside] == [Reason.RETAINED]


# --- link states ---

BEHIND_ONE_BOX = fleet_of(
    Unit("pump-1", "works", "Pump 1", gateway="box"),
    Unit("pump-2", "works", "Pump 2", gateway="box"),
    Unit("hall-2", "school", "Hall 2", gateway="box"),
    Unit("alone", "works", "Alone"),
)


@pytest.mark.parametrize(("payload", "value"), [("online", 1.0), ("offline", 0.0), ("online\n", 1.0)])
def test_a_link_state_is_a_row_of_every_unit_behind_the_gateway_at_that_site(payload, value):
    decoded = decode(payload, topic="stillready/works/box/link", decoder=decoder_of(BEHIND_ONE_BOX), is_retained=True)
    assert rows(decoded) == [("pump-1", "link_online", 0, value), ("pump-2", "link_online", 0, value)]


def test_a_unit_without_a_gateway_is_its_own():
    decoded = decode("offline", topic="stillready/works/alone/link", decoder=decoder_of(BEHIND_ONE_BOX))
    assert rows(decoded) == [("alone", "link_online", 0, 0.0)]


@pytest.mark.parametrize(
    ("topic", "payload", "reason"),
    [
        ("stillready/works/other/link", "online", Reason.UNKNOWN_UNIT),
        ("stillready/works/pump-1/link", "online", Reason.UNKNOWN_UNIT),  # its gateway has another name
        ("stillready/nowhere/box/link", "online", Reason.WRONG_SITE),
        ("stillready/works/box/link", "up", Reason.UNREADABLE),
        ("stillready/works/box/link", "", Reason.UNREADABLE),
        ("stillready/works/box/link", b"\x00" * 200_000, Reason.UNREADABLE),
    ],
)
def test_other_link_states_are_set_aside(topic, payload, reason):
    decoded = decode(payload, topic=topic, decoder=decoder_of(BEHIND_ONE_BOX))
    assert rows(decoded) == []
    assert [item.reason for item in decoded.set_aside] == [reason]
