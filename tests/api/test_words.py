"""Values, times and sentences as people read them."""

from dataclasses import replace

import pytest

from models.readiness import UNFORESEEN
from monitor.alarms.lifecycle import Cause, NotReady, Said, State, Urgency, raised
from monitor.api import wording
from monitor.api.moments import clock_text, midnights, span_text, zone_name
from monitor.api.readiness import Readiness, judged
from monitor.measures import plain, shown
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, SECOND_NS, from_rfc3339
from tests.builders import NOW_NS, creep, heater_failed, overdue
from tests.builders import raised as finding_raised

DENVER = "America/Denver"


@pytest.mark.parametrize(
    ("signal", "symbol", "value", "si", "us"),
    [
        ("jacket_water_temperature", "Cel", 40.0, "40.0 °C", "104 °F"),
        ("enclosure_temperature", "Cel", -0.04, "0.0 °C", "32 °F"),
        ("ambient_temperature", "Cel", -20.0, "−20.0 °C", "−4 °F"),
        ("gas_pressure", "Pa", 2_490.8891, "2.49 kPa", "10.0 in. water"),
        ("gas_supply_pressure", "Pa", 13_789.514, "13.79 kPa", "2.00 psi"),
        ("atmospheric_pressure", "Pa", 101_325.0, "101.3 kPa", "29.92 in. mercury"),
        ("battery_voltage", "V", 27.154, "27.15 V", "27.15 V"),
        ("engine_speed", "1/min", 1_800.4, "1800 rpm", "1800 rpm"),
        ("generator_power", "W", 45_200.0, "45.2 kW", "45.2 kW"),
        ("gas_pressure", "Pa", 34_473.8, "34.47 kPa", "5.00 psi"),
        ("", "s", 5_400.0, "90 min", "90 min"),
        ("vibration", "m/s2", 1.5, "1.50 m/s2", "1.50 m/s2"),
        ("control_in_auto", "/", 0.0, "not in automatic", "not in automatic"),
        ("battery_voltage", "V", float("nan"), "unknown", "unknown"),
    ],
)
def test_values_are_shown_in_the_measures_asked_for(signal, symbol, value, si, us):
    """Conversions: 104 F, 10 inH2O, 2 psi, 29.92 inHg are the usual round figures of the trade."""
    assert shown(signal, symbol, value, "si").replace("\u00a0", " ") == si
    assert shown(signal, symbol, value, "us").replace("\u00a0", " ") == us


def test_plain_text_has_no_characters_that_a_pager_lacks():
    assert plain(shown("ambient_temperature", "Cel", -20.0, "si")) == "-20.0 °C"


@pytest.mark.parametrize(
    ("time", "text"),
    [
        ("2026-01-13T21:20:00Z", "today 14:20 MST"),
        ("2026-01-13T06:59:00Z", "yesterday 23:59 MST"),
        ("2026-01-14T07:00:00Z", "tomorrow 00:00 MST"),
        ("2026-01-15T16:00:00Z", "Thu 15 Jan 09:00 MST"),
        ("2026-07-01T15:00:00Z", "Wed 1 Jul 09:00 MDT"),
        ("2025-12-31T16:00:00Z", "Wed 31 Dec 2025 09:00 MST"),
    ],
)
def test_times_are_on_the_sites_clock_with_its_zone(time, text):
    assert clock_text(from_rfc3339(time), DENVER, NOW_NS) == text


def test_a_zone_without_letters_is_named_by_its_offset():
    assert zone_name(NOW_NS, "America/Sao_Paulo") == "UTC-03:00"


@pytest.mark.parametrize(
    ("span_ns", "text"),
    [
        (45 * SECOND_NS, "45 s"),
        (12 * MINUTE_NS, "12 min"),
        (3 * HOUR_NS, "3 h"),
        (3 * HOUR_NS + 20 * MINUTE_NS, "3 h 20 min"),
        (2 * DAY_NS + 4 * HOUR_NS, "2 d 4 h"),
        (16 * DAY_NS + 4 * HOUR_NS, "16 d"),
        (-5, "0 s"),
    ],
)
def test_spans_come_in_at_most_two_measures(span_ns, text):
    assert span_text(span_ns) == text


def test_midnights_follow_the_change_of_summer_time():
    """8 March 2026 has 23 hours in Denver."""
    found = midnights(from_rfc3339("2026-03-08T06:00:00Z"), from_rfc3339("2026-03-10T12:00:00Z"), DENVER)
    assert found[1] - found[0] == 23 * HOUR_NS
    assert found[2] - found[1] == 24 * HOUR_NS


def verdict(*alarms, silent=None):
    """The readiness of a unit with these alarms."""
    return judged(
        [raised(alarm) if not hasattr(alarm, "state") else alarm for alarm in alarms],
        silent=silent or {},
        titles={"high_gas_pressure": "Gas pressure is high", "heater_failed": "Heater gives no heat"},
        until="the visit Thu 09:00 MST",
        until_ns=NOW_NS + 2 * DAY_NS,
        timezone=DENVER,
        now_ns=NOW_NS,
    )


def test_the_most_urgent_decides():
    found = verdict(overdue(), heater_failed(), creep())
    assert (found.readiness, found.sentence) == (Readiness.NOT_READY, "Not ready now: gas pressure is high.")


def test_the_chance_to_start_falls_with_the_forecast_and_is_unknown_where_nothing_is_seen():
    quiet, failing, creeping = verdict(), verdict(heater_failed()), verdict(creep())
    assert quiet.starts_now == quiet.starts_until_visit == 1 - UNFORESEEN
    assert failing.starts_now == pytest.approx(1 - UNFORESEEN)
    assert failing.starts_until_visit < failing.starts_now
    assert creeping.starts_now < 0.2
    blind = verdict(heater_failed(), silent={"gas_pressure": None})
    assert (blind.starts_now, blind.starts_until_visit) == (None, None)


@pytest.mark.parametrize(
    ("now", "later", "text"),
    [
        (0.995, 0.083, "Chance that it starts and carries load: over 99 % now, 8 % at the next visit."),
        (0.04, 0.002, "Chance that it starts and carries load: 4 % now, under 1 % at the next visit."),
        (None, None, ""),
    ],
)
def test_a_chance_is_said_in_whole_percents_and_never_as_certain(now, later, text):
    assert wording.starts_text(now, later) == text


def test_a_shelved_alarm_still_says_what_it_says():
    """Nobody is called for it, yet the unit is no readier for that."""
    shelved = replace(raised(heater_failed()), state=State.SHELVED)
    assert verdict(shelved).readiness is Readiness.NOT_UNTIL_VISIT


@pytest.mark.parametrize("state", [State.SUPPRESSED, State.OUT_OF_SERVICE])
def test_what_another_alarm_explains_or_is_out_of_service_does_not_count(state):
    assert verdict(replace(raised(creep()), state=state)).readiness is Readiness.UNTIL_VISIT


def test_what_has_cleared_does_not_count_though_nobody_answered():
    assert verdict(replace(raised(creep()), cleared_at_ns=NOW_NS, state=State.RETURNED)).readiness is (
        Readiness.UNTIL_VISIT
    )


def test_missing_readings_are_unknown_never_ready_nor_not_ready():
    blind = finding_raised("mill-1", "readings_missing", NOW_NS, Said(Urgency.BEFORE_VISIT))
    found = verdict(blind)
    assert found.readiness is Readiness.UNKNOWN
    assert found.sentence == "Not known whether it is ready: readings missing."


def test_silence_is_said_with_its_beginning():
    found = verdict(silent={"battery_voltage": NOW_NS - HOUR_NS, "gas_pressure": None})
    assert found.sentence == "Not known whether it is ready: no battery voltage, gas pressure since today 09:30 MST."


def test_what_keeps_until_the_visit_is_named_and_nothing_more():
    assert (
        verdict(overdue()).sentence
        == "Should stay ready until the visit Thu 09:00 MST. To see to then: exercise overdue."
    )


def test_a_limit_without_causes_says_that_none_was_worked_out():
    assert wording.certainty(raised(creep()), {}) == ("A limit was passed; no cause was worked out.", ())


def test_causes_are_ranked_with_chances_never_certain():
    alarm = raised(finding_raised("u", "heater_failed", 0, Said(Urgency.NOW, (Cause("a", 0.999), Cause("b", 0.001)))))
    assert wording.certainty(alarm, {"a": "Element open"})[1] == (("Element open", "over 99 %"), ("b", "under 1 %"))


def test_what_was_measured_is_held_against_limit_and_normal():
    assert wording.measured(raised(heater_failed()), "us").replace("\u00a0", " ") == (
        "Jacket water temperature was 92 °F, under the limit of 97 °F; normal for this unit is 106 °F."
    )


def test_where_nothing_was_measured_nothing_is_said_to_have_been():
    assert wording.measured(raised(overdue()), "si") == ""


@pytest.mark.parametrize(
    ("quantiles", "words"),
    [
        (None, "There is no forecast of when the unit stops being ready."),
        (NotReady(None, None, None), "It is not expected to stop being ready within 30 days."),
        (NotReady(NOW_NS - HOUR_NS, NOW_NS - HOUR_NS, NOW_NS - HOUR_NS), "Not ready since today 09:30 MST."),
        (
            NotReady(NOW_NS + HOUR_NS, None, None),
            "The water falls below 21.0\u00a0°C from today 11:30 MST on (one chance in ten by then); it may also "
            "hold for more than 30 days.",
        ),
        (
            NotReady(NOW_NS + HOUR_NS, NOW_NS + 2 * HOUR_NS, NOW_NS + 4 * HOUR_NS),
            "The water falls below 21.0\u00a0°C between today 11:30 MST and today 14:30 MST (eight chances in ten), "
            "most likely about today 12:30 MST.",
        ),
    ],
)
def test_a_forecast_says_what_is_known_and_no_more(quantiles, words):
    alarm = raised(finding_raised("u", "heater_failed", NOW_NS, Said(Urgency.NOW, (), quantiles)))
    assert wording.forecast(alarm, DENVER, NOW_NS) == words


def test_a_limit_without_a_forecast_says_what_decides():
    words = "There is no forecast: the limit alone decides how soon somebody is needed."
    assert wording.forecast(raised(creep()), DENVER, NOW_NS) == words


def test_urgencies_in_the_history_are_words():
    assert wording.note_words("at_visit to now") == "keeps until the visit → needed now"
    assert wording.note_words("went to the site") == "went to the site"
