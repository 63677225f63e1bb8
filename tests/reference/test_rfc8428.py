"""SenML against its standard: the examples of RFC 8428, resolved.

Source: RFC 8428, sections 5.1.1 to 5.1.7 and 6 (examples), 4.5 and 4.6 (resolution), from memory; the CBOR dump agrees
with the JSON example it stands for. Names are foreign to us, so this holds the resolver, not the door.
"""

import pytest

from monitor.acquisition.faults import Unreadable
from monitor.acquisition.senml import CBOR_CONTENT_TYPE, Resolved, check_pack, parse, resolve

DEVICE = "urn:dev:ow:10e2073a01080063"


def resolved(payload: str | bytes, content_type: str = "application/senml+json"):
    """Every record as (name, symbol, value, time), in order; a fault fails the test."""
    records = parse(payload.encode() if isinstance(payload, str) else payload, content_type)
    check_pack(records)
    all_of_them = list(resolve(records))
    assert all(isinstance(one, Resolved) for one in all_of_them), all_of_them
    return [(one.name, one.symbol, one.value, one.time_s) for one in all_of_them]


def test_section_5_1_1_single_datapoint():
    """Without a time it was measured roughly now: relative, zero."""
    assert resolved('[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]') == [(DEVICE, "Cel", 23.1, 0)]


def test_section_5_1_2_multiple_datapoints():
    pack = '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]'
    assert resolved(pack) == [(f"{DEVICE}:voltage", "V", 120.1, 0), (f"{DEVICE}:current", "A", 1.2, 0)]


SECTION_5_1_2_WITH_TIMES = """[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2},
  {"n":"current","t":-4,"v":1.3},
  {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5},
  {"n":"current","t":-1,"v":1.6},
  {"n":"current","v":1.7}
]"""
RESOLVED_5_1_2 = [
    ("urn:dev:ow:10e2073a0108006:voltage", "V", 120.1, 1276020076.001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.2, 1276020071.001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.3, 1276020072.001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.4, 1276020073.001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.5, 1276020074.001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.6, 1276020075.001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.7, 1276020076.001),
]


def test_section_5_1_2_each_second_for_the_previous_five():
    assert resolved(SECTION_5_1_2_WITH_TIMES) == RESOLVED_5_1_2


def test_section_5_1_3_and_5_1_4_multiple_measurements_resolve_to_the_resolved_form():
    pack = """[
      {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
      {"u":"lon","v":24.30621},
      {"u":"lat","v":60.07965},
      {"t":60,"v":20.3},
      {"u":"lon","t":60,"v":24.30622},
      {"u":"lat","t":60,"v":60.07965},
      {"t":120,"v":20.7},
      {"u":"lon","t":120,"v":24.30623},
      {"u":"lat","t":120,"v":60.07966},
      {"u":"%EL","t":150,"v":98},
      {"t":180,"v":21.2},
      {"u":"lon","t":180,"v":24.30628},
      {"u":"lat","t":180,"v":60.07967}
    ]"""
    resolved_form = """[
      {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
      {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
      {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
      {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
      {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
      {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
      {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
      {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
      {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
      {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
      {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
      {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
      {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}
    ]"""
    assert resolved(pack) == resolved(resolved_form)
    assert resolved(pack)[9] == (DEVICE, "%EL", 98.0, 1320067614.0)


def test_section_5_1_5_multiple_data_types():
    pack = """[
      {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
      {"n":"label","vs":"Machine Room"},
      {"n":"open","vb":false},
      {"n":"nfc-reader","vd":"aGkgCg"}
    ]"""
    assert [(name.removeprefix(DEVICE), value) for name, _, value, _ in resolved(pack)] == [
        (":temp", 23.1),
        (":label", "Machine Room"),
        (":open", False),
        (":nfc-reader", "aGkgCg"),
    ]


def test_section_5_1_6_collection_of_resources():
    """The last record uses the base name of the third record, but the base time of the first."""
    pack = """[
      {"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":27.2},
      {"n":"humidity","u":"%RH","v":80},
      {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
      {"n":"humidity","u":"%RH","v":67}
    ]"""
    assert resolved(pack) == [
        ("2001:db8::2/temperature", "Cel", 27.2, 1320078429.0),
        ("2001:db8::2/humidity", "%RH", 80.0, 1320078429.0),
        ("2001:db8::1/temperature", "Cel", 12.3, 1320078429.0),
        ("2001:db8::1/humidity", "%RH", 67.0, 1320078429.0),
    ]


def test_section_5_1_7_a_record_of_base_fields_alone_is_no_measurement():
    pack = """[
      {"bn":"urn:dev:ow:10e2073a01080063:"},
      {"n":"temp","u":"Cel","v":23.1},
      {"n":"heat","u":"/","v":1},
      {"n":"fan","u":"/","v":0}
    ]"""
    assert [value for _, _, value, _ in resolved(pack)] == [23.1, 1.0, 0.0]


SECTION_6_CBOR = bytes.fromhex(
    "87 a7 21 78 1b 75 72 6e 3a 64 65 76 3a 6f 77 3a 31 30 65 32 30 37 33 61 30 31 30 38 30 30 36 3a"
    "22 fb 41 d3 03 a1 5b 00 10 62 23 61 41 20 05 00 67 76 6f 6c 74 61 67 65 01 61 56 02 fb 40 5e 06"
    "66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 24 02 fb 3f f3 33 33 33 33 33 33 a3 00 67 63 75"
    "72 72 65 6e 74 06 23 02 fb 3f f4 cc cc cc cc cc cd a3 00 67 63 75 72 72 65 6e 74 06 22 02 fb 3f"
    "f6 66 66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 21 02 f9 3e 00 a3 00 67 63 75 72 72 65 6e"
    "74 06 20 02 fb 3f f9 99 99 99 99 99 9a a3 00 67 63 75 72 72 65 6e 74 06 00 02 fb 3f fb 33 33 33"
    "33 33 33"
)


def test_section_6_the_cbor_dump_is_the_json_example():
    assert resolved(SECTION_6_CBOR, CBOR_CONTENT_TYPE) == RESOLVED_5_1_2


@pytest.mark.parametrize(
    ("seconds", "is_absolute"), [(2**28, True), (2**28 - 1, False), (268435455.9, False), (0, False), (-1, False)]
)
def test_section_4_5_3_times_below_two_to_the_28_are_relative(seconds, is_absolute):
    (one,) = resolve([{"n": "x", "v": 1, "t": seconds}])
    assert isinstance(one, Resolved)
    assert one.is_absolute is is_absolute


def test_section_4_5_2_a_records_own_unit_wins_over_the_base_unit():
    assert [one[1] for one in resolved('[{"bn":"a","bu":"A","v":1},{"u":"V","v":2},{"v":3}]')] == ["A", "V", "A"]


def test_section_4_5_4_base_value_and_value_are_added_and_a_missing_one_is_zero():
    assert [one[2] for one in resolved('[{"bn":"a","bv":100.5,"v":1},{"n":"b","v":-2.5},{"n":"c"}]')] == [
        101.5,
        98,
        100.5,
    ]


def test_section_4_5_4_a_record_may_carry_a_sum_alone():
    assert [one[2] for one in resolved('[{"n":"a","s":5},{"bs":1,"n":"b"}]')] == [None, None]


@pytest.mark.parametrize("name", ["", "-a", "/a", "a b", "ä", "a\n", "a%"])
def test_section_4_5_1_names_have_a_restricted_alphabet(name):
    (fault,) = resolve([{"n": name, "v": 1}])
    assert not isinstance(fault, Resolved)


def test_section_12_3_1_unknown_fields_are_ignored_unless_they_end_with_an_underscore():
    assert len(resolved('[{"n":"a","v":1,"foo":{"bar":[1]},"_x":2}]')) == 1
    with pytest.raises(Unreadable, match='the field "foo_"'):
        check_pack([{"n": "a", "v": 1}, {"n": "b", "v": 1, "foo_": 2}])
