"""What a push says: the event as machines read it, the line and the text as people do."""

import json
from dataclasses import replace

import pytest
from cloudevents.core.bindings.http import HTTPMessage, from_structured_event
from cloudevents.core.formats.json import JSONFormat
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.advice import LINES_MAX, TEXT_MAX, Advice, CauseEntry, Entry
from monitor.alarms.lifecycle import Cause, Evidence, Kind, NotReady, Said, Urgency
from monitor.callouts import wording
from monitor.callouts.message import BODY_BYTES_MAX, CONTENT_TYPE
from monitor.callouts.plan import planner
from monitor.callouts.push import NAME_MAX, line
from monitor.conditions import CONDITIONS
from monitor.fleet import Fleet, Site, Unit
from monitor.times import HOUR_NS, from_rfc3339

URL = "https://ready.example.org/"
COLD = Evidence(
    signal="jacket_water_temperature",
    symbol="Cel",
    measured=28.44,
    expected=43.0,
    limit=32.0,
    level="low_limit",
    limits_version=3,
    text="It cools as an unheated engine does.",
)


@pytest.fixture
def pushed(build, fleet, advice, visit):
    """The event of one alarm, as a receiver gets it, and how it was planned."""

    def push(*, kind=Kind.RAISED, measures="si", fleet=fleet, told=None, next_visit=visit, **said):
        story = build.Story()
        if kind is not Kind.RAISED:
            story.batch(build.finding(Kind.RAISED, build.T0, **said))
        later_ns = build.T0 if kind is Kind.RAISED else build.T0 + HOUR_NS
        changes = story.batch(build.finding(kind, later_ns, **said))
        plan = planner(fleet, build.settings(), URL, lambda site, at_ns: next_visit, advice, measures=measures)
        [call_out] = plan(changes, {changes[0].after.id: "now"} if kind is not Kind.RAISED else {})
        return json.loads(call_out.body)

    return push


def forecast(build, *, earliest_h=6, likeliest_h=9, latest_h=14):
    hours = [None if h is None else build.T0 + h * HOUR_NS for h in (earliest_h, likeliest_h, latest_h)]
    return NotReady(*hours)


def test_the_event_is_what_the_cloudevents_package_reads(pushed, build):
    event = pushed(urgency=Urgency.NOW, evidence=COLD, causes=[("heater_failed/element_open", 0.72)])
    body = json.dumps(event).encode()
    read = from_structured_event(HTTPMessage({"content-type": CONTENT_TYPE}, body), JSONFormat())
    assert read.get_type() == "stillready.alarm.raised"
    assert read.get_source() == "https://ready.example.org"
    assert read.get_subject() == "pump-house-1"
    assert read.get_specversion() == "1.0"
    assert read.get_time().isoformat() == "2026-11-25T10:12:00+00:00"
    assert read.get_datacontenttype() == "application/json"
    assert read.get_data()["condition"] == "heater_failed"


def test_the_data_holds_what_the_alarm_holds(pushed, build):
    data = pushed(
        urgency=Urgency.BEFORE_VISIT,
        evidence=COLD,
        causes=[("heater_failed/element_open", 0.72), ("none_of_these", 0.1)],
        not_ready_at=forecast(build, latest_h=None),
    )["data"]
    assert data["event"] == "raised"
    assert (data["unit"], data["unit_name"], data["site_name"]) == ("pump-house-1", "Pump house 1", "Pump house")
    assert (data["urgency"], data["state"]) == ("before_visit", "unacknowledged")
    assert data["raised_at"] == "2026-11-25T10:12:00Z"
    assert (data["acknowledged_at"], data["returned_at"]) == (None, None)
    assert data["evidence"] == {
        "signal": "jacket_water_temperature",
        "symbol": "Cel",
        "measured": 28.44,
        "expected": 43.0,
        "limit": 32.0,
        "level": "low_limit",
        "limits_version": 3,
        "text": "It cools as an unheated engine does.",
    }
    assert data["causes"][0] == {
        "cause": "heater_failed/element_open",
        "title": "heater element open",
        "probability": 0.72,
    }
    assert data["causes"][1]["title"] == "none of these"
    assert data["not_ready_at"] == {"p10": "2026-11-25T16:12:00Z", "p50": "2026-11-25T19:12:00Z", "p90": None}
    assert data["next_visit"] == {"start": "2026-11-26T16:00:00Z", "end": "2026-11-26T18:00:00Z"}
    assert data["link"] == f"https://ready.example.org/alarms/{data['alarm']}"


def test_what_is_not_a_number_is_null_in_json(pushed):
    unknown = Evidence(signal="gas_pressure", symbol="Pa", measured=float("nan"), expected=float("inf"))
    event = pushed(evidence=unknown)
    assert event["data"]["evidence"]["measured"] is None
    assert event["data"]["evidence"]["expected"] is None
    assert "nan" not in event["data"]["text"]
    assert "Measured" not in event["data"]["text"]


def test_a_technician_woken_at_night_reads_it_in_this_order(pushed, build):
    text = pushed(
        urgency=Urgency.BEFORE_VISIT,
        evidence=COLD,
        causes=[("heater_failed/element_open", 0.72), ("heater_failed/no_ac_supply", 0.2)],
        not_ready_at=forecast(build),
    )["data"]["text"]
    lines = text.splitlines()
    assert lines[0] == "Pump house 1 at Pump house: Jacket-water heater gives no heat."
    assert lines[1] == "Somebody is needed before the next visit: it may not keep until then."
    assert "Since: Wed 25 Nov 2026 03:12 MST (America/Denver)" in lines
    assert (
        "Measured: jacket water temperature 28.4 °C, expected 43.0 °C, limit 32.0 °C. "
        "It cools as an unheated engine does." in lines
    )
    assert "How sure: heater element open 72 %; no AC supply to the heater 20 %" in lines
    assert (
        "Until when: one chance in ten that it stops being ready before Wed 25 Nov 2026 09:12 MST (America/Denver); "
        "as likely before as after Wed 25 Nov 2026 12:12 MST (America/Denver); "
        "one chance in ten that it lasts beyond Wed 25 Nov 2026 17:12 MST (America/Denver)." in lines
    )
    assert "Next visit: Thu 26 Nov 2026 09:00 MST (America/Denver)" in lines
    order = [lines.index(heading) for heading in ("Check, in this order:", "Bring:", "Cautions:")]
    assert order == sorted(order)
    # The likely cause's own check comes first, then the condition's.
    assert lines[order[0] + 1].startswith("1. Voltage at the heater's terminals (qualified person)")
    assert lines[order[0] + 2].startswith("2. AC supply of the heater")
    assert lines[order[2] + 1].startswith("- The unit can start without warning.")
    assert "Stillready only watches." in text


def test_us_readers_get_us_measures(pushed):
    assert "28.4" not in pushed(evidence=COLD, measures="us")["data"]["text"]
    assert "83 °F, expected 109 °F, limit 90 °F" in pushed(evidence=COLD, measures="us")["data"]["text"]
    assert pushed(evidence=COLD, measures="us")["data"]["evidence"]["measured"] == 28.44, "machines read the symbol"


@pytest.mark.parametrize(
    ("time", "zone", "text"),
    [
        ("2026-07-01T12:00:00Z", "America/Denver", "Wed 1 Jul 2026 06:00 MDT (America/Denver)"),
        ("2026-01-04T23:30:00Z", "Europe/Berlin", "Mon 5 Jan 2026 00:30 CET (Europe/Berlin)"),
        ("2026-01-04T12:00:00Z", "America/Sao_Paulo", "Sun 4 Jan 2026 09:00 (America/Sao_Paulo)"),
        ("2026-01-04T12:00:00Z", "UTC", "Sun 4 Jan 2026 12:00 (UTC)"),
    ],
)
def test_times_are_the_sites_with_the_zone_named(time, zone, text):
    assert wording.moment(from_rfc3339(time), zone) == text


def test_a_limit_alone_is_said_to_be_no_diagnosis(pushed):
    text = pushed(condition="low_water_temperature", evidence=COLD)["data"]["text"]
    assert "How sure: not diagnosed: a limit was passed." in text


def test_silence_is_said_to_be_seen_and_not_explained(pushed):
    text = pushed(condition="readings_missing", urgency=Urgency.BEFORE_VISIT)["data"]["text"]
    assert "How sure: seen directly; what is behind it is not known." in text
    assert "Until when: no forecast." in text


@pytest.mark.parametrize(
    ("probability", "said"), [(1.0, "over 99 %"), (0.0, "under 1 %"), (0.555, "56 %"), (0.994, "99 %")]
)
def test_nothing_is_said_to_be_certain(pushed, probability, said):
    text = pushed(causes=[("heater_failed", probability)])["data"]["text"]
    assert f"How sure: Jacket-water heater gives no heat {said}" in text


def test_what_may_last_is_said_to_last(pushed, build):
    text = pushed(urgency=Urgency.BEFORE_VISIT, not_ready_at=forecast(build, likeliest_h=None, latest_h=None))
    assert "; more likely to last 30 days." in text["data"]["text"]


def test_a_site_without_a_known_visit_says_so(pushed):
    event = pushed(next_visit=None)
    assert event["data"]["next_visit"] is None
    assert "Next visit: none known; seven days are assumed" in event["data"]["text"]


def test_a_return_calls_off_and_asks_for_nothing(pushed):
    event = pushed(kind=Kind.CLEARED, urgency=Urgency.NOW, evidence=COLD)
    assert event["type"] == "stillready.alarm.returned"
    assert event["data"]["summary"] == "Back to normal: Pump house 1, Jacket-water heater gives no heat"
    text = event["data"]["text"]
    assert "nobody needs to go out for it any more" in text
    assert "Normal since: Wed 25 Nov 2026 04:12 MST (America/Denver)" in text
    assert "Check, in this order" not in text
    assert "The unit can start without warning." in text, "whoever is on the way still reaches into a machine"


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_condition_says_in_one_line_what_where_and_how_urgent(pushed, condition):
    data = pushed(condition=condition)["data"]
    assert len(data["summary"]) < 80
    assert data["summary"] == f"NOW: Pump house 1, {data['title']}"
    assert "The unit can start without warning." in data["text"]
    assert data["cautions"][0].startswith("The unit can start without warning.")


@settings(deadline=None)  # a busy machine is no fault of a name
@given(name=st.text(min_size=1, max_size=200))
def test_whatever_a_unit_is_called_the_line_stays_one_short_line(build, advice, name):
    fleet = Fleet(sites={"s": Site("s", name)}, units={"u": Unit("u", "s", name)})
    [call_out] = planner(fleet, build.settings(), URL, lambda site, at_ns: None, advice)(
        build.Story().batch(build.finding(Kind.RAISED, build.T0, unit="u")), {}
    )
    data = json.loads(call_out.body)["data"]
    assert data["summary"].isprintable()
    assert data["summary"].startswith("NOW: ")
    assert len(data["summary"]) < 80
    assert len(data["text"].splitlines()[0]) < 3 * NAME_MAX


def test_names_and_notes_cannot_begin_a_line_of_their_own():
    assert line("Pump\r\nBcc: all@example.org\x00\u2028x", 80) == "Pump Bcc: all@example.org x"
    assert line("a" * 81, 80) == "a" * 79 + "…"


def test_the_worst_case_of_all_bounds_is_bounded(build):
    wide = "\U0001f525"  # four bytes in UTF-8
    entry = Entry(
        title=wide * NAME_MAX,
        means=wide * TEXT_MAX,
        check=tuple(f"{n:02d}{wide * (TEXT_MAX - 2)}" for n in range(LINES_MAX)),
        bring=tuple(f"{n:02d}{wide * (TEXT_MAX - 2)}" for n in range(LINES_MAX)),
        cautions=tuple("abcdefghijkl"),
    )
    cautions = {key: f"{key}{wide * (TEXT_MAX - 1)}" for key in "abcdefghijkl"}
    cause = CauseEntry(wide * NAME_MAX, ("x",))
    advice = Advice({"readings_missing": entry}, {"readings_missing/x": cause}, cautions, ("a",))
    units = {f"u{n}": Unit(f"u{n}", "s", wide * 500, gateway="box") for n in range(50)}
    fleet = Fleet(sites={"s": Site("s", wide * 500)}, units=units)
    evidence = Evidence("x" * 500, "y" * 500, 1e300, 1e300, 1e300, "low_limit", 1, wide * 5_000)
    said = Said(Urgency.NOW, tuple(Cause("readings_missing/x", 0.5) for _ in range(500)))
    findings = [
        replace(
            build.finding(Kind.RAISED, build.T0, unit=unit, condition="readings_missing", evidence=evidence), said=said
        )
        for unit in units
    ]
    plan = planner(fleet, build.settings(), URL, lambda site, at_ns: None, advice)
    [call_out] = plan(build.Story().batch(*findings), {})
    assert BODY_BYTES_MAX / 2 < len(call_out.body.encode()) <= BODY_BYTES_MAX


def test_a_usual_event_is_small_enough_for_any_receiver(pushed, build):
    event = pushed(evidence=COLD, causes=[("heater_failed/element_open", 0.72)], not_ready_at=forecast(build))
    assert len(json.dumps(event, ensure_ascii=False).encode()) < 20_000, "Standard Webhooks asks for less than 20 kB"
