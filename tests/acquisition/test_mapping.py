"""Mappings: plain numbers become readings; a faulty rule is told at the start, all faults in one go."""

import pytest

from monitor.acquisition.decoder import Decoder
from monitor.acquisition.quarantine import Reason
from monitor.fleet import parse_fleet
from monitor.settings import MappingRule, Settings
from tests.acquisition.builders import ARRIVAL_NS, decode, decoder_of, rows

BATTERY = {"topic": "plant/{unit}/batt", "signal": "battery_voltage", "from": "V"}


def of(rule, payload, topic="plant/pump-1/batt", **how):
    """What one payload gives under one rule."""
    return decode(payload, topic=topic, decoder=decoder_of(mappings=[rule]), **how)


@pytest.mark.parametrize("payload", ["13.4", "13.4 ", "\t13.4\r\n", "+13.4", "1.34e1", "013.4"])
def test_a_plain_number_is_a_reading_at_its_arrival(payload):
    decoded = of(BATTERY, payload)
    assert rows(decoded) == [("pump-1", "battery_voltage", 0, 13.4)]
    assert decoded.batch.received_ns.tolist() == [ARRIVAL_NS]


@pytest.mark.parametrize(
    ("rule", "payload", "value"),
    [
        ({"signal": "jacket_water_temperature", "from": "degF"}, "104", 40.0),
        ({"signal": "gas_pressure", "from": "inH2O"}, "11", 2739.97801),
        ({"signal": "gas_pressure", "from": "psi"}, "0.5", 3447.3786465841805),
        ({"signal": "atmospheric_pressure", "from": "inHg"}, "29.92", 101320.74812),
        ({"signal": "battery_voltage", "from": "mV", "factor": 2.0, "offset": 100.0}, "6650", 13.4),
        ({"signal": "battery_voltage", "factor": 0.1}, "134", 13.4),
    ],
)
def test_value_is_factor_times_number_plus_offset_then_converted(rule, payload, value):
    decoded = of({"topic": "plant/{unit}/batt", **rule}, payload)
    assert rows(decoded)[0][3] == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(
    ("payload", "value"),
    [("1", 1.0), ("0", 0.0), ("true", 1.0), ("FALSE", 0.0), ("On", 1.0), ("off", 0.0), ("1.0", 1.0)],
)
def test_switches_come_as_numbers_or_words(payload, value):
    assert rows(of({"topic": "plant/{unit}/batt", "signal": "engine_running"}, payload))[0][3] == value


def test_a_switch_that_is_closed_when_off_can_be_turned_round():
    rule = {"topic": "plant/{unit}/batt", "signal": "coolant_level_low", "factor": -1, "offset": 1}
    assert rows(of(rule, "on"))[0][3] == 0.0


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        ("", Reason.UNREADABLE), ("27,1", Reason.UNREADABLE), ("13.4 V", Reason.UNREADABLE), ("nan", Reason.UNREADABLE),
        ("inf", Reason.UNREADABLE), ("1_3", Reason.UNREADABLE), ("０", Reason.UNREADABLE), (b"\xff", Reason.UNREADABLE),
        ("true", Reason.UNREADABLE), ("9" * 5000, Reason.UNREADABLE), ("1e999", Reason.IMPLAUSIBLE),
        ("99", Reason.IMPLAUSIBLE), ('{"v":13.4}', Reason.UNREADABLE),
    ],
)  # fmt: skip
def test_what_is_no_plain_number_is_set_aside(payload, reason):
    decoded = of(BATTERY, payload)
    assert rows(decoded) == []
    (item,) = decoded.set_aside
    assert (item.reason, item.unit, item.source) == (reason, "pump-1", "plant/pump-1/batt")


def test_a_retained_number_is_set_aside():
    assert [item.reason for item in of(BATTERY, "13.4", is_retained=True).set_aside] == [Reason.RETAINED]


def test_topic_may_name_the_signal():
    rule = {"topic": "{signal}/at/{unit}"}
    assert rows(of(rule, "2740", topic="gas_pressure/at/pump-1")) == [("pump-1", "gas_pressure", 0, 2740.0)]
    (item,) = of(rule, "1", topic="gas_presure/at/pump-1").set_aside
    assert item.reason is Reason.UNKNOWN_SIGNAL
    (item,) = of(rule, "1", topic="link_online/at/pump-1").set_aside
    assert item.reason is Reason.UNKNOWN_SIGNAL


def test_a_symbol_that_does_not_fit_the_topics_signal_is_set_aside():
    rule = {"topic": "{signal}/at/{unit}", "from": "degF"}
    (item,) = of(rule, "1", topic="gas_pressure/at/pump-1").set_aside
    assert 'from = "degF"' in item.text


def test_an_unknown_unit_in_the_topic_is_kept_for_later():
    (item,) = of(BATTERY, "13.4", topic="plant/new-9/batt").set_aside
    assert (item.reason, item.unit, item.payload) == (Reason.UNKNOWN_UNIT, "new-9", b"13.4")


def test_the_first_rule_that_matches_takes_the_topic():
    rules = [{"topic": "a/{unit}/x", "signal": "gas_pressure"}, {"topic": "a/{unit}/{signal}"}]
    decoder = decoder_of(mappings=rules)
    assert rows(decode("12", topic="a/pump-1/x", decoder=decoder))[0][1] == "gas_pressure"
    assert rows(decode("12", topic="a/pump-1/battery_voltage", decoder=decoder))[0][1] == "battery_voltage"


def test_subscriptions_have_a_wildcard_for_each_name_in_braces():
    rules = [
        BATTERY,
        {"topic": "x/gen-{unit}-y/{signal}"},
        {"topic": "a.b/c", "unit": "pump-1", "signal": "gas_pressure"},
    ]
    assert decoder_of(mappings=rules).subscriptions == ("stillready/+/+/readings", "plant/+/batt", "x/+/+", "a.b/c")


def test_a_dot_in_a_topic_is_a_dot():
    rule = {"topic": "a.b/{unit}", "signal": "battery_voltage"}
    assert "none that is known" in of(rule, "13", topic="axb/pump-1").set_aside[0].text


def test_names_within_a_level_are_found():
    rule = {"topic": "x/gen-{unit}-y", "signal": "battery_voltage"}
    assert rows(of(rule, "13", topic="x/gen-pump-1-y"))[0][0] == "pump-1"


def test_faulty_rules_are_told_at_the_start_all_in_one_go():
    faulty = [
        ({"topic": "a/{unit}", "signal": "battery_volts"}, 'Did you mean "battery_voltage"?'),
        ({"topic": "b/{unit}", "signal": "battery_voltage", "from": "degF"}, "Known: V, mV."),
        ({"topic": "c/{unit}/{thing}", "signal": "gas_pressure"}, "only {unit} and {signal} may stand in braces"),
        ({"topic": "d/+/{unit}", "signal": "gas_pressure"}, "it holds a wildcard"),
        ({"topic": "e", "unit": "pump-9", "signal": "gas_pressure"}, 'Did you mean "pump-1"?'),
        ({"topic": "f/{unit}", "signal": "link_online"}, '"link_online", which does not exist'),
        ({"topic": "g/{unit}/{signal}", "from": "furlong"}, 'from is "furlong", which no signal takes'),
    ]
    with pytest.raises(ValueError, match="mappings") as error:
        decoder_of(mappings=[rule for rule, _ in faulty])
    told = str(error.value).splitlines()
    for line, (rule, words) in zip(told, faulty, strict=True):
        assert line.startswith(f'[[mappings]] of topic "{rule["topic"]}": ')
        assert words in line


def test_mappings_of_the_fleet_file_and_of_the_settings_both_count():
    fleet = parse_fleet(
        '[sites.s]\n[units.u]\nsite = "s"\n[[mappings]]\ntopic = "b/{unit}"\nsignal = "battery_voltage"\n'
    )
    settings = Settings(mappings=(MappingRule(topic="a/{unit}", signal="gas_pressure"),))
    assert {"a/+", "b/+"} <= set(Decoder(fleet, settings).subscriptions)
