"""SenML of one unit: what is kept, what is set aside and with which words. One bad record costs no other."""

from datetime import UTC, datetime
from decimal import Decimal

import cbor2
import pytest

from monitor.acquisition.faults import FAULTS_PER_MESSAGE_MAX
from monitor.acquisition.quarantine import PAYLOAD_KEPT_MAX, Reason
from monitor.acquisition.senml import nanoseconds
from monitor.signals import Signal
from monitor.times import SECOND_NS
from tests.acquisition.builders import ARRIVAL_NS, ARRIVAL_S, CBOR, decode, decoder_of, fleet_of, rows

BATTERY = {"n": "battery_voltage", "u": "V", "v": 13.4}
GAS = {"n": "gas_pressure", "u": "Pa", "v": 2740}
KEPT_GAS = ("pump-1", "gas_pressure", 0, 2740.0)


def pack(*records, **base):
    """A pack for pump-1, stamped at the arrival, with an unhurt record of gas pressure at the end."""
    return [{"bn": "pump-1/", "bt": ARRIVAL_S, **base}, *records, GAS]


def the_fault(decoded):
    """The one thing set aside."""
    assert len(decoded.set_aside) == 1, decoded.set_aside
    return decoded.set_aside[0]


def assert_only_the_second_record_is_set_aside(decoded, reason, words):
    """The gas reading is kept; the record under test is not, and the text has these words."""
    fault = the_fault(decoded)
    assert [row for row in rows(decoded) if row[1] != "clock_ahead"] == [KEPT_GAS]
    assert (fault.place, fault.reason) == ("record 2", reason)
    assert words in fault.text


def test_the_contracts_example_is_read():
    payload = (
        '[{"bn":"pump-1/","bt":1767225600,"n":"battery_voltage","u":"V","v":13.5},'
        '{"n":"gas_pressure","u":"Pa","v":4980,"t":-2}]'
    )
    decoded = decode(payload)
    assert decoded.set_aside == ()
    assert rows(decoded) == [
        ("pump-1", "battery_voltage", 0, 13.5),
        ("pump-1", "gas_pressure", -2 * SECOND_NS, 4980.0),
    ]
    assert decoded.batch.received_ns.tolist() == [ARRIVAL_NS, ARRIVAL_NS]


def test_a_missing_symbol_means_the_tables():
    assert rows(decode(pack({"n": "battery_voltage", "v": 13.4})))[0] == ("pump-1", "battery_voltage", 0, 13.4)


def test_a_secondary_symbol_is_converted():
    decoded = decode(pack({"n": "battery_voltage", "u": "mV", "v": 13400}, bu="hPa"))
    assert rows(decoded)[0] == ("pump-1", "battery_voltage", 0, 13.4)


def test_a_base_symbol_counts_where_a_record_has_none():
    decoded = decode([{"bn": "pump-1/", "bu": "hPa"}, {"n": "atmospheric_pressure", "v": 1013.25}])
    assert rows(decoded) == [("pump-1", "atmospheric_pressure", 0, 101_325.0)]


def test_a_base_value_is_added():
    decoded = decode([{"bn": "pump-1/", "bv": 2700}, {"n": "gas_pressure", "v": 40}, {"n": "gas_supply_pressure"}])
    assert [row[3] for row in rows(decoded)] == [2740.0, 2700.0]


@pytest.mark.parametrize(
    ("state", "value"), [({"vb": True}, 1.0), ({"vb": False}, 0.0), ({"v": 1}, 1.0), ({"v": 0.0}, 0.0)]
)
def test_switches_come_as_truth_or_number(state, value):
    assert rows(decode(pack({"n": "engine_running", **state})))[0] == ("pump-1", "engine_running", 0, value)


def test_a_base_symbol_does_not_concern_a_truth_value():
    decoded = decode(pack({"n": "engine_running", "vb": True}, bu="V"))
    assert rows(decoded)[0] == ("pump-1", "engine_running", 0, 1.0)


def test_battery_range_is_of_each_12_volt_block():
    """The fleet's pump-1 has one block, hall-2 has two."""
    of_one = decode([{"bn": "pump-1/", "n": "battery_voltage", "v": 27.1}])
    of_two = decode([{"bn": "hall-2/", "n": "battery_voltage", "v": 27.1}], topic="stillready/school/hall-2/readings")
    assert the_fault(of_one).reason is Reason.IMPLAUSIBLE
    assert "0 to 18 V" in the_fault(of_one).text
    assert rows(of_two) == [("hall-2", "battery_voltage", 0, 27.1)]


def test_a_signal_of_the_fleet_file_is_read_like_any_other():
    fleet = fleet_of(signals=[Signal("vibration", "m/s2", 0.0, 50.0)])
    decoded = decode(pack({"n": "vibration", "u": "m/s2", "v": 3.5}), decoder=decoder_of(fleet))
    assert rows(decoded)[0] == ("pump-1", "vibration", 0, 3.5)


# --- times ---


@pytest.mark.parametrize(
    ("fields", "after_arrival_ns"),
    [
        ({}, 0),
        ({"t": -5}, -5 * SECOND_NS),
        ({"t": -0.25}, -SECOND_NS // 4),
        ({"t": ARRIVAL_S - 60}, -60 * SECOND_NS),
        ({"bt": ARRIVAL_S - 3600, "t": 30}, -3570 * SECOND_NS),
        ({"bt": ARRIVAL_S - 0.877}, -877_000_000),
        ({"bt": -10, "t": 3}, -7 * SECOND_NS),
    ],
)
def test_times_are_absolute_from_two_to_the_28_and_else_count_from_arrival(fields, after_arrival_ns):
    decoded = decode([{"bn": "pump-1/", **BATTERY, **fields}])
    assert rows(decoded) == [("pump-1", "battery_voltage", after_arrival_ns, 13.4)]


def test_a_stamp_with_six_decimals_comes_out_as_written():
    """A double of seconds near 1.8e9 resolves some 240 ns; rounding to the microsecond undoes that."""
    for microseconds in range(0, 1_000_000, 997):
        text = f"1767225600.{microseconds:06d}"
        assert nanoseconds(float(text)) == ARRIVAL_NS + microseconds * 1000, text


def test_a_future_stamp_is_set_aside_and_told_as_a_row_of_the_clock():
    decoded = decode(pack({**BATTERY, "t": 900.5}, {**GAS, "t": 400}))
    assert [(fault.place, fault.reason) for fault in decoded.set_aside] == [
        ("record 2", Reason.FUTURE),
        ("record 3", Reason.FUTURE),
    ]
    assert "900.5 s after arrival" in decoded.set_aside[0].text
    assert rows(decoded) == [KEPT_GAS, ("pump-1", "clock_ahead", 0, 900.5)]


def test_a_stamp_within_the_clock_tolerance_is_kept():
    decoded = decode(pack({**BATTERY, "t": 300}))
    assert decoded.set_aside == ()
    assert rows(decoded)[0][2] == 300 * SECOND_NS


def test_milliseconds_for_seconds_are_suspected():
    decoded = decode([{"bn": "pump-1/", **BATTERY, "t": ARRIVAL_S * 1000}])
    assert "Is it in milliseconds?" in the_fault(decoded).text


def test_a_stamp_before_2020_is_no_reading():
    old_s = int(datetime(2019, 12, 31, tzinfo=UTC).timestamp())
    decoded = decode(pack({**BATTERY, "t": old_s - ARRIVAL_S}))
    assert_only_the_second_record_is_set_aside(decoded, Reason.UNREADABLE, "before 2020")


# --- one bad record ---


@pytest.mark.parametrize(
    ("record", "reason", "words"),
    [
        ({"n": "gas_presure", "v": 1}, Reason.UNKNOWN_SIGNAL, 'Did you mean "gas_pressure"?'),
        ({"n": "link_online", "v": 1}, Reason.UNKNOWN_SIGNAL, 'no signal "link_online"'),
        ({"n": "clock_ahead", "v": 1}, Reason.UNKNOWN_SIGNAL, 'no signal "clock_ahead"'),
        ({"n": "battery_voltage", "v": True}, Reason.UNREADABLE, "v is true. A number was expected."),
        ({"n": "battery_voltage", "v": "13.4"}, Reason.UNREADABLE, 'v is "13.4". A number was expected.'),
        ({"n": "battery_voltage", "v": None}, Reason.UNREADABLE, "v is null."),
        ({"n": "battery_voltage", "v": float("nan")}, Reason.UNREADABLE, "v is nan. A finite number was expected."),
        ({"n": "battery_voltage", "v": float("inf")}, Reason.UNREADABLE, "v is inf."),
        ({"n": "battery_voltage", "v": 10**400}, Reason.UNREADABLE, "v is inf."),
        ({"n": "battery_voltage", "v": [13.4]}, Reason.UNREADABLE, "v is an array."),
        ({"n": "battery_voltage"}, Reason.UNREADABLE, "has no value"),
        ({"n": "battery_voltage", "s": 5}, Reason.UNREADABLE, "a sum and no value"),
        ({"n": "battery_voltage", "v": 13, "vb": True}, Reason.UNREADABLE, "v and vb stand in one record"),
        ({"n": "battery_voltage", "vb": True}, Reason.UNREADABLE, "which is no switch"),
        ({"n": "battery_voltage", "vs": "13.4"}, Reason.UNREADABLE, "text or data"),
        ({"n": "battery_voltage", "vd": "aGk"}, Reason.UNREADABLE, "text or data"),
        ({"n": "battery_voltage", "v": 13, "u": "Cel"}, Reason.UNREADABLE, "battery_voltage takes V, mV."),
        ({"n": "jacket_water_temperature", "v": 90, "u": "degF"}, Reason.UNREADABLE, 'The symbol is "degF"'),
        ({"n": "battery_voltage", "v": 13, "u": 5}, Reason.UNREADABLE, "u is 5. Text was expected."),
        ({"n": "battery_voltage", "v": 13, "u": ""}, Reason.UNREADABLE, 'The symbol is ""'),
        ({"n": "battery_voltage", "v": 13, "t": "now"}, Reason.UNREADABLE, 't is "now". A number was expected.'),
        ({"n": "battery_voltage", "v": 13, "t": True}, Reason.UNREADABLE, "t is true."),
        ({"n": "battery_voltage", "v": 13, "t": float("-inf")}, Reason.UNREADABLE, "t is -inf."),
        ({"n": 7, "v": 13}, Reason.UNREADABLE, "n is 7. Text was expected."),
        ({"n": "battery voltage", "v": 13}, Reason.UNREADABLE, "Letters, digits and"),
        ({"n": "battery_voltage\ud800", "v": 13}, Reason.UNREADABLE, "\\ud800"),
        ({"n": "", "v": 13}, Reason.UNKNOWN_SIGNAL, 'no signal ""'),
        ({"n": "battery_voltage", "v": 99}, Reason.IMPLAUSIBLE, "99 V is outside"),
        ({"n": "engine_running", "v": 0.5}, Reason.IMPLAUSIBLE, "neither 0 nor 1"),
        ("battery_voltage", Reason.UNREADABLE, "stands where a record was expected"),
        (None, Reason.UNREADABLE, "null stands where a record was expected"),
        ([], Reason.UNREADABLE, "an array stands where a record was expected"),
    ],
)  # fmt: skip
def test_one_bad_record_is_set_aside_with_words_and_costs_no_other(record, reason, words):
    assert_only_the_second_record_is_set_aside(decode(pack(record)), reason, words)


def test_what_is_set_aside_carries_where_it_came_from():
    content = pack({"n": "battery_voltage", "v": 99})
    fault = the_fault(decode(content, content_type="application/senml+json"))
    assert (fault.source, fault.unit, fault.received_ns) == ("stillready/works/pump-1/readings", "pump-1", ARRIVAL_NS)
    assert fault.payload.startswith(b"[{")
    assert fault.content_type == "application/senml+json"


def test_sums_update_times_and_unknown_fields_change_nothing():
    decoded = decode(pack({**BATTERY, "s": "x", "ut": [], "x-note": {"deep": [1]}}, bs="x"))
    assert decoded.set_aside == ()
    assert len(rows(decoded)) == 2


# --- base fields ---


def test_a_bad_base_time_spoils_only_what_leans_on_it():
    decoded = decode([{"bn": "pump-1/", "bt": "soon", **BATTERY}, {**GAS, "bt": ARRIVAL_S}])
    assert rows(decoded) == [KEPT_GAS]
    assert "bt is" in the_fault(decoded).text


def test_a_bad_base_symbol_spoils_only_records_without_their_own():
    decoded = decode([{"bn": "pump-1/", "bu": 5, **BATTERY}, {"n": "gas_pressure", "v": 2740}])
    assert [row[1] for row in rows(decoded)] == ["battery_voltage"]
    assert the_fault(decoded).place == "record 2"


def test_a_bad_base_value_spoils_only_numbers():
    decoded = decode([{"bn": "pump-1/", "bv": "x"}, BATTERY, {"n": "engine_running", "vb": True}])
    assert [row[1] for row in rows(decoded)] == ["engine_running"]
    assert "bv is" in the_fault(decoded).text


def test_a_bad_base_name_spoils_all_until_a_good_one():
    decoded = decode([{"bn": None, **BATTERY}, BATTERY, {"bn": "pump-1/", **GAS}])
    assert rows(decoded) == [KEPT_GAS]
    assert len(decoded.set_aside) == 2


@pytest.mark.parametrize("base_name", ["hall-2/", "pump-1", "pump-10/", "urn:dev:ow:10e2073a01080063:", ""])
def test_a_base_name_that_is_not_the_topics_unit_is_refused(base_name):
    decoded = decode([{"bn": base_name, **BATTERY}])
    assert rows(decoded) == []
    assert 'Let bn be "pump-1/"' in the_fault(decoded).text


def test_names_resolve_by_concatenation_only():
    """RFC 8428 section 4.5.1: wherever the two parts are cut."""
    assert len(rows(decode([{"n": "pump-1/battery_voltage", "v": 13.4}]))) == 1
    assert len(rows(decode([{"bn": "pump-1/battery_", "n": "voltage", "v": 13.4}]))) == 1


# --- whole packs ---


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ("", "no JSON"),
        ("27.1", "The payload is 27.1. A SenML pack is an array"),
        ('{"n":"battery_voltage","v":13.4}', "put it into [ ]"),
        ("[]", "The pack is empty"),
        ('[{"bn":"pump-1/","n":"battery_voltage","v":13.4}', "no JSON"),
        (b"\xff\xfe", "no UTF-8"),
        ("[" * 100_000, "nested too deeply"),
        ('[{"x":' + "[" * 100_000 + "]" * 100_000 + "}]", "nested too deeply"),
    ],
)
def test_what_is_no_pack_is_set_aside_whole(payload, words):
    decoded = decode(payload)
    fault = the_fault(decoded)
    assert (len(decoded.batch), fault.place, fault.reason) == (0, "message", Reason.UNREADABLE)
    assert words in fault.text


def test_a_field_that_must_be_understood_refuses_the_pack():
    """RFC 8428 section 12.3.1: 'unless the key ends with the "_" character', then 'an error MUST be generated'."""
    decoded = decode(pack({**BATTERY, "scale_": 2}))
    assert rows(decoded) == []
    assert 'the field "scale_"' in the_fault(decoded).text


@pytest.mark.parametrize("version", [11, 16, 27, 0, -1, 5.5, "10", True, None, 2**70])
def test_versions_beyond_ours_refuse_the_pack(version):
    decoded = decode(pack(BATTERY, bver=version))
    assert rows(decoded) == []
    assert "bver" in the_fault(decoded).text


@pytest.mark.parametrize("version", [1, 5, 10, 10.0, 26])  # 26: RFC 9100, secondary units
def test_versions_up_to_ours_are_read(version):
    assert len(rows(decode(pack(BATTERY, bver=version)))) == 2


def test_a_payload_beyond_the_bound_is_set_aside_cut():
    decoded = decode(b" " * 300_000)
    assert the_fault(decoded).reason is Reason.TOO_LARGE
    assert len(the_fault(decoded).payload) == PAYLOAD_KEPT_MAX


def test_a_pack_of_nothing_but_faults_does_not_flood_the_quarantine():
    decoded = decode([{"bn": "pump-1/"}, *[{"n": f"x{number}", "v": 1} for number in range(5_000)]])
    assert len(decoded.set_aside) == FAULTS_PER_MESSAGE_MAX + 1
    assert f"{5_000 - FAULTS_PER_MESSAGE_MAX} more could not be read" in decoded.set_aside[-1].text
    assert sum(len(item.payload) for item in decoded.set_aside) < 100_000


# --- retained ---


def test_a_retained_pack_with_absolute_times_is_kept():
    assert len(rows(decode(pack(BATTERY), is_retained=True))) == 2


def test_a_retained_pack_with_one_relative_time_is_set_aside_whole():
    decoded = decode([{"bn": "pump-1/", **BATTERY, "t": ARRIVAL_S}, GAS], is_retained=True)
    assert rows(decoded) == []
    assert the_fault(decoded).reason is Reason.RETAINED


# --- CBOR ---


def test_cbor_is_read_where_the_content_type_says_so():
    records = [{-2: "pump-1/", -3: ARRIVAL_S, 0: "battery_voltage", 1: "V", 2: 13.4}, {0: "engine_running", 4: True}]
    decoded = decode(cbor2.dumps(records), content_type="application/senml+cbor; x=1")
    assert rows(decoded) == [("pump-1", "battery_voltage", 0, 13.4), ("pump-1", "engine_running", 0, 1.0)]


def test_cbor_decimal_fractions_are_numbers():
    """RFC 8428 section 6: tag 4 may stand for a number."""
    records = [{-2: "pump-1/", -3: Decimal("1767225600.5"), 0: "battery_voltage", 2: Decimal("13.4")}]
    decoded = decode(cbor2.dumps(records), content_type=CBOR)
    assert rows(decoded) == [("pump-1", "battery_voltage", SECOND_NS // 2, 13.4)]


@pytest.mark.parametrize(
    "value",
    [
        Decimal("1e999999"), Decimal("NaN"), cbor2.undefined, datetime(2026, 1, 1, tzinfo=UTC), b"13.4", 2**4000,
        cbor2.CBORTag(30, [27, 2]), cbor2.CBORTag(35, "a"), {1: 2},
    ],
    ids=repr,
)  # fmt: skip
def test_cbor_values_that_are_no_numbers_cost_their_record_alone(value):
    records = [{-2: "pump-1/", -3: ARRIVAL_S}, {0: "battery_voltage", 2: value}, {0: "gas_pressure", 2: 2740}]
    decoded = decode(cbor2.dumps(records), content_type=CBOR)
    assert rows(decoded) == [KEPT_GAS]
    assert the_fault(decoded).place == "record 2"


@pytest.mark.parametrize(
    "payload",
    [
        b"", b"\x9b\x7f\xff\xff\xff\xff\xff\xff\xff", b"\x81" * 5_000, b"\xc4\x81\x01", b"\xd8\x1c\x81\xd8\x1d\x00",
        cbor2.dumps([{0: "battery_voltage", 2: 13}]) + b"\x00", b"\xa1\xa1\x01\x02\x03",
        cbor2.dumps([{0: "gas_pressure", 2: cbor2.CBORTag(4, [2**60, 1])}]),  # an exponent that no decimal can have
    ],
)  # fmt: skip
def test_hostile_cbor_is_set_aside_whole(payload):
    decoded = decode(payload, content_type=CBOR)
    assert len(decoded.batch) == 0
    assert len(decoded.set_aside) == 1


def test_true_is_no_label_of_cbor():
    """To Python True is the key 1, which is the symbol's label."""
    decoded = decode(cbor2.dumps([{-2: "pump-1/", True: 5, 0: "gas_pressure", 2: 2740}]), content_type=CBOR)
    assert rows(decoded) == [KEPT_GAS]
