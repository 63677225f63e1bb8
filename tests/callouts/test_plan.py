"""Who is told of what: the rules of the contract, one by one, on changes that the life-cycle made."""

import json
from dataclasses import replace
from datetime import time

import pytest

from monitor.alarms import lifecycle
from monitor.alarms.changes import EventType
from monitor.alarms.lifecycle import Answer, Kind, NotReady, State, Urgency
from monitor.callouts.plan import QuietHours, planner, quiet_end_ns
from monitor.fleet import Unit
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, from_rfc3339

NOW, BEFORE, AT_VISIT = Urgency.NOW, Urgency.BEFORE_VISIT, Urgency.AT_VISIT
RAISED, CHANGED, CLEARED = Kind.RAISED, Kind.CHANGED, Kind.CLEARED
URL = "https://ready.example.org"


@pytest.fixture
def plan(fleet, build, advice, visit):
    return planner(fleet, build.settings(), URL, lambda site, at_ns: visit, advice)


@pytest.fixture
def story(build):
    return build.Story()


def events(call_outs):
    return [one.event for one in call_outs]


def units_named(call_out):
    return [unit["unit"] for unit in json.loads(call_out.body)["data"]["units"]]


@pytest.mark.parametrize("urgency", [NOW, BEFORE])
def test_what_is_urgent_calls_everybody_over_every_channel(fleet, build, advice, story, urgency):
    receivers = build.settings(emails=["mia@example.org", "ben@example.org"], webhooks=["https://hook.example.org/a"])
    plan = planner(fleet, receivers, URL, lambda site, at_ns: None, advice)
    call_outs = plan(story.batch(build.finding(RAISED, build.T0, urgency)), {})
    assert [(one.event, one.channel, one.recipient) for one in call_outs] == [
        ("raised", "email", "mia@example.org"),
        ("raised", "email", "ben@example.org"),
        ("raised", "webhook", "https://hook.example.org/a"),
    ]
    assert {one.not_before_ns for one in call_outs} == {build.T0 + 1_000_000_000}


def test_what_keeps_until_the_visit_calls_nobody(plan, build, story):
    assert plan(story.batch(build.finding(RAISED, build.T0, AT_VISIT)), {}) == []


def test_the_same_address_twice_is_called_once(fleet, build, advice, story):
    receivers = build.settings(emails=["mia@example.org", "mia@example.org"])
    plan = planner(fleet, receivers, URL, lambda site, at_ns: None, advice)
    assert len(plan(story.batch(build.finding(RAISED, build.T0)), {})) == 1


def test_without_a_mail_server_no_mail_is_planned(fleet, build, advice, story):
    receivers = build.settings().model_copy(update={"smtp": None})
    plan = planner(fleet, receivers, URL, lambda site, at_ns: None, advice)
    assert plan(story.batch(build.finding(RAISED, build.T0)), {}) == []


def test_the_first_call_of_an_alarm_that_has_risen_says_raised(plan, build, story):
    story.batch(build.finding(RAISED, build.T0, AT_VISIT))
    changes = story.batch(build.finding(CHANGED, build.T0 + MINUTE_NS, NOW))
    assert events(plan(changes, {story.alarm().id: ""})) == ["raised"]


@pytest.mark.parametrize(
    ("before", "after", "told", "expected"),
    [
        (BEFORE, NOW, BEFORE, ["urgency_changed"]),
        (NOW, AT_VISIT, NOW, ["urgency_changed"]),
        (BEFORE, AT_VISIT, BEFORE, ["urgency_changed"]),
        (NOW, BEFORE, NOW, []),  # somebody is still needed: no new message for less
        (AT_VISIT, BEFORE, NOW, ["urgency_changed"]),  # told higher once, told of the fall since: a rise is news
        (BEFORE, NOW, NOW, ["urgency_changed"]),
        (AT_VISIT, AT_VISIT, NOW, []),  # told of its fall when it fell
        (AT_VISIT, NOW, None, ["raised"]),
        (BEFORE, AT_VISIT, None, []),
    ],
)
def test_a_change_of_urgency_is_told_to_whoever_was_called(plan, build, story, before, after, told, expected):
    story.batch(build.finding(RAISED, build.T0, before))
    changes = story.batch(build.finding(CHANGED, build.T0 + MINUTE_NS, after))
    assert events(plan(changes, {story.alarm().id: told.value if told else ""})) == expected


def test_new_evidence_alone_is_not_told_again(plan, build, story):
    story.batch(build.finding(RAISED, build.T0, NOW))
    changes = story.batch(build.finding(CHANGED, build.T0 + MINUTE_NS, NOW, causes=[("heater_failed", 0.9)]))
    assert len(changes) == 1
    assert plan(changes, {story.alarm().id: "now"}) == []


def test_the_return_is_told_to_whoever_was_called_and_to_nobody_else(plan, build, story):
    story.batch(build.finding(RAISED, build.T0, NOW))
    alarm_id = story.alarm().id
    changes = story.batch(build.finding(CLEARED, build.T0 + HOUR_NS))
    assert events(plan(changes, {alarm_id: "now"})) == ["returned"]
    assert plan(changes, {alarm_id: ""}) == []
    assert plan(changes, {}) == []


def test_what_came_and_went_within_one_batch_calls_nobody(plan, build, story):
    changes = story.batch(build.finding(RAISED, build.T0, NOW), build.finding(CLEARED, build.T0 + HOUR_NS))
    assert len(changes) == 2
    assert plan(changes, {}) == []


def test_catching_up_calls_only_for_what_still_stands_and_as_it_now_is(plan, build, story):
    hour = HOUR_NS
    changes = story.batch(
        build.finding(RAISED, build.T0, NOW),
        build.finding(CLEARED, build.T0 + hour),
        build.finding(RAISED, build.T0 + 2 * hour, AT_VISIT),
        build.finding(CHANGED, build.T0 + 3 * hour, BEFORE),
        build.finding(CHANGED, build.T0 + 4 * hour, NOW),
        build.finding(RAISED, build.T0, NOW, unit="school-1"),
        build.finding(CHANGED, build.T0 + hour, AT_VISIT, unit="school-1"),
    )
    call_outs = plan(changes, {})
    assert [(one.event, one.alarm_id) for one in call_outs] == [("raised", story.alarm().id)]
    assert json.loads(call_outs[0].body)["data"]["urgency"] == "now"


def test_an_acknowledgement_is_told_to_whoever_was_called(plan, build, story):
    story.batch(build.finding(RAISED, build.T0, NOW))
    before = story.alarm()
    after = lifecycle.after_answer(before, Answer.ACKNOWLEDGE, by="Mia", note="on my way", at_ns=build.T0 + MINUTE_NS)
    change = build.answered(before, after, EventType.ACKNOWLEDGED, build.T0 + MINUTE_NS)
    call_outs = plan([change], {before.id: "now"})
    assert events(call_outs) == ["acknowledged"]
    text = json.loads(call_outs[0].body)["data"]["text"]
    assert "Mia has seen it and answered." in text
    assert 'Their note: "on my way"' in text
    assert plan([change], {before.id: ""}) == []


@pytest.mark.parametrize("state", [State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE])
def test_what_does_not_speak_pushes_nothing(plan, build, story, state):
    [change] = story.batch(build.finding(RAISED, build.T0, NOW))
    silent = replace(change, after=replace(change.after, state=state))
    assert plan([silent], {}) == []
    later = replace(
        change, before=replace(change.after, state=State.UNACKNOWLEDGED), after=silent.after, event=EventType.RAISED
    )
    assert plan([later], {change.after.id: "now"}) == []


def shelved(build, story, urgency):
    story.batch(build.finding(RAISED, build.T0, urgency))
    key = ("pump-house-1", "heater_failed")
    story.standing[key] = lifecycle.after_answer(
        story.alarm(), Answer.SHELVE, by="Mia", note="", at_ns=build.T0 + 1, shelve_until_ns=build.T0 + DAY_NS
    )
    return story.alarm()


def test_a_shelved_alarm_that_rises_to_now_is_pushed_past_its_shelf(plan, build, story):
    alarm = shelved(build, story, BEFORE)
    changes = story.batch(build.finding(CHANGED, build.T0 + HOUR_NS, NOW))
    assert events(plan(changes, {alarm.id: "before_visit"})) == ["urgency_changed"]


def test_a_shelved_alarm_that_rises_to_before_visit_stays_silent(plan, build, story):
    alarm = shelved(build, story, AT_VISIT)
    changes = story.batch(build.finding(CHANGED, build.T0 + HOUR_NS, BEFORE))
    assert len(changes) == 1
    assert plan(changes, {alarm.id: ""}) == []


def test_at_the_end_of_its_shelf_what_still_stands_asks_anew(plan, build, story):
    alarm = shelved(build, story, NOW)
    change = build.answered(alarm, lifecycle.off_shelf(alarm), None, build.T0 + DAY_NS)
    assert events(plan([change], {alarm.id: "now"})) == ["raised"]


def test_a_return_under_a_shelf_is_told_to_whoever_was_called(plan, build, story):
    alarm = shelved(build, story, NOW)
    changes = story.batch(build.finding(CLEARED, build.T0 + HOUR_NS))
    assert events(plan(changes, {alarm.id: "now"})) == ["returned"]


def silent_unit(build, unit, kind=RAISED, at=0, urgency=BEFORE):
    return build.finding(kind, build.T0 + at, urgency, unit=unit, condition="readings_missing")


def test_a_lost_gateway_is_one_call_that_names_all_its_units(plan, build, story):
    changes = story.batch(
        silent_unit(build, "school-1"), silent_unit(build, "pump-house-2"), silent_unit(build, "pump-house-1")
    )
    call_outs = plan(changes, {})
    assert sorted(map(units_named, call_outs)) == [["pump-house-1", "pump-house-2"], ["school-1"]]
    pump_house = next(one for one in call_outs if len(units_named(one)) == 2)
    data = json.loads(pump_house.body)["data"]
    assert pump_house.alarm_id == story.alarm("pump-house-1", "readings_missing").id
    assert "Pump house 1 and 1 more" in data["summary"]
    assert "2 units at Pump house" in data["text"]
    assert "Units: Pump house 1, Pump house 2" in data["text"]


def test_a_lost_gateway_and_its_return_are_each_one_call_for_all_its_units(plan, build, story):
    first = plan(story.batch(silent_unit(build, "pump-house-1"), silent_unit(build, "pump-house-2")), {})
    told = dict.fromkeys(first[0].alarm_ids, "before_visit")
    repeated = story.batch(silent_unit(build, "pump-house-2", CHANGED, MINUTE_NS))
    assert plan(repeated, told) == []
    back = story.batch(
        silent_unit(build, "pump-house-2", CLEARED, HOUR_NS), silent_unit(build, "pump-house-1", CLEARED, HOUR_NS)
    )
    [call_out] = plan(back, told)
    assert (call_out.event, call_out.alarm_ids) == ("returned", first[0].alarm_ids)
    assert units_named(call_out) == ["pump-house-1", "pump-house-2"]


def test_a_unit_that_was_called_for_beside_another_is_said_to_be_back(plan, build, story):
    first = plan(story.batch(silent_unit(build, "pump-house-1"), silent_unit(build, "pump-house-2")), {})
    back = story.batch(silent_unit(build, "pump-house-2", CLEARED, HOUR_NS))
    [call_out] = plan(back, dict.fromkeys(first[0].alarm_ids, "before_visit"))
    assert (call_out.event, units_named(call_out)) == ("returned", ["pump-house-2"])


def test_of_a_lost_gateway_a_unit_that_kept_until_the_visit_is_raised_and_the_other_has_changed(plan, build, story):
    story.batch(silent_unit(build, "pump-house-1", urgency=AT_VISIT), silent_unit(build, "pump-house-2"))
    one = story.alarm("pump-house-1", "readings_missing").id
    told = story.alarm("pump-house-2", "readings_missing").id
    back = story.batch(
        silent_unit(build, "pump-house-1", CHANGED, HOUR_NS, NOW),
        silent_unit(build, "pump-house-2", CHANGED, HOUR_NS, NOW),
    )
    call_outs = plan(back, {told: "before_visit"})
    assert sorted((one.event, units_named(one)) for one in call_outs) == [
        ("raised", ["pump-house-1"]),
        ("urgency_changed", ["pump-house-2"]),
    ]
    again = story.batch(
        silent_unit(build, "pump-house-1", CLEARED, 2 * HOUR_NS),
        silent_unit(build, "pump-house-2", CLEARED, 2 * HOUR_NS),
    )
    [call_out] = plan(again, {one: "now", told: "now"})
    assert (call_out.event, call_out.alarm_ids) == ("returned", (one, told))
    assert units_named(call_out) == ["pump-house-1", "pump-house-2"]


def test_a_unit_alone_behind_its_gateway_whom_nobody_heard_of_is_called_for_again(plan, build, story):
    story.batch(silent_unit(build, "school-1"))
    changes = story.batch(silent_unit(build, "school-1", CHANGED, HOUR_NS))
    assert events(plan(changes, {story.alarm("school-1", "readings_missing").id: ""})) == ["raised"]


def test_a_silent_unit_that_comes_off_its_shelf_was_told_by_nobody(plan, build, story):
    story.batch(silent_unit(build, "pump-house-2", urgency=AT_VISIT))
    alarm = replace(story.alarm("pump-house-2", "readings_missing"), state=State.SHELVED)
    alarm = replace(alarm, said=replace(alarm.said, urgency=BEFORE))
    change = build.answered(alarm, lifecycle.off_shelf(alarm), EventType.RAISED, build.T0 + DAY_NS)
    assert events(plan([change], {})) == ["raised"]
    gone = replace(alarm, state=State.NORMAL, cleared_at_ns=build.T0 + DAY_NS)
    assert plan([build.answered(alarm, gone, EventType.RETURNED, build.T0 + DAY_NS)], {}) == []


def test_other_conditions_of_one_gateway_are_calls_of_their_own(plan, build, story):
    changes = story.batch(
        build.finding(RAISED, build.T0, unit="pump-house-1"), build.finding(RAISED, build.T0, unit="pump-house-2")
    )
    assert [units_named(one) for one in plan(changes, {})] in (
        [["pump-house-1"], ["pump-house-2"]],
        [["pump-house-2"], ["pump-house-1"]],
    )


def test_the_same_changes_planned_twice_give_the_same_call_outs(plan, build, story):
    changes = story.batch(build.finding(RAISED, build.T0, NOW), build.finding(RAISED, build.T0, unit="school-1"))
    first, again = plan(changes, {}), plan(changes, {})
    assert first == again
    assert len({one.key for one in first}) == 2


def test_every_occasion_and_receiver_has_a_key_of_its_own(fleet, build, advice, story):
    receivers = build.settings(emails=["mia@example.org", "ben@example.org"], webhooks=["https://hook.example.org/a"])
    plan = planner(fleet, receivers, URL, lambda site, at_ns: None, advice)
    keys = []
    told = {}
    for minute, urgency in enumerate([BEFORE, NOW, AT_VISIT, NOW, AT_VISIT]):
        kind = CHANGED if minute else RAISED
        for one in plan(story.batch(build.finding(kind, build.T0 + minute * MINUTE_NS, urgency)), told):
            keys.append(one.key)
            told[one.alarm_id] = "now" if minute else "before_visit"
    assert len(keys) == 5 * 3
    assert len(set(keys)) == len(keys)


def test_a_unit_that_left_the_fleet_still_calls_by_its_identifier(plan, build, story):
    [call_out] = plan(story.batch(build.finding(RAISED, build.T0, unit="sold-7")), {})
    assert json.loads(call_out.body)["data"]["unit_name"] == "sold-7"


def test_nothing_that_is_for_signed_in_eyes_stands_in_a_push(plan, build, story):
    everything = [
        build.finding(RAISED, build.T0, NOW, condition=condition, causes=[("heater_failed/element_open", 0.7)])
        for condition in ("heater_failed", "battery_weak", "readings_missing", "vent_blocked")
    ]
    bodies = "".join(one.body for one in plan(story.batch(*everything), {}))
    assert bodies.count('"specversion"') == 4
    for secret in ("Hidden Lane", "4711", "gate code", "Quiet Nights", "555", "1.5 kW", "group 31"):
        assert secret not in bodies


# Quiet hours


NIGHT = QuietHours(time(22), time(6, 30))


def at(text):
    return from_rfc3339(text)


@pytest.mark.parametrize(
    ("moment", "end"),
    [
        ("2026-11-25T03:12:00-07:00", "2026-11-25T06:30:00-07:00"),
        ("2026-11-24T22:00:00-07:00", "2026-11-25T06:30:00-07:00"),
        ("2026-11-24T23:59:59-07:00", "2026-11-25T06:30:00-07:00"),
        ("2026-11-25T06:30:00-07:00", None),
        ("2026-11-25T21:59:59-07:00", None),
        ("2026-03-07T23:00:00-07:00", "2026-03-08T06:30:00-06:00"),  # summer time begins in that night
    ],
)
def test_quiet_hours_end_on_the_sites_clock(moment, end):
    assert quiet_end_ns(at(moment), "America/Denver", NIGHT) == (at(end) if end else None)


def test_quiet_hours_within_one_day():
    noon_break = QuietHours(time(12), time(14))
    assert quiet_end_ns(at("2026-11-25T13:00:00Z"), "UTC", noon_break) == at("2026-11-25T14:00:00Z")
    assert quiet_end_ns(at("2026-11-25T14:00:00Z"), "UTC", noon_break) is None


@pytest.mark.parametrize(
    ("urgency", "p10_after_quiet_h", "waits"),
    [
        (BEFORE, 12.5, True),
        (BEFORE, 12.0, False),  # the contract says more than 12 h
        (BEFORE, -1.0, False),
        (BEFORE, None, False),  # without a forecast nothing is known, so nothing waits
        (NOW, 48.0, False),
    ],
)
def test_before_visit_waits_for_the_morning_only_where_it_keeps(
    fleet, build, advice, story, urgency, p10_after_quiet_h, waits
):
    morning_ns = at("2026-11-25T06:30:00-07:00")
    forecast = None
    if p10_after_quiet_h is not None:
        p10_ns = morning_ns + int(p10_after_quiet_h * HOUR_NS)
        forecast = NotReady(p10_ns, p10_ns + HOUR_NS, p10_ns + 2 * HOUR_NS)
    plan = planner(fleet, build.settings(), URL, lambda site, at_ns: None, advice, quiet_hours=NIGHT)
    noticed_ns = build.T0 + 1_000_000_000
    [call_out] = plan(story.batch(build.finding(RAISED, build.T0, urgency, not_ready_at=forecast)), {})
    assert call_out.not_before_ns == (morning_ns if waits else noticed_ns)


def test_a_rise_to_now_does_not_wait_for_the_morning(fleet, build, advice, story):
    late = build.T0 + 5 * DAY_NS
    plan = planner(fleet, build.settings(), URL, lambda site, at_ns: None, advice, quiet_hours=NIGHT)
    forecast = NotReady(late, late, late)
    story.batch(build.finding(RAISED, build.T0, BEFORE, not_ready_at=forecast))
    changes = story.batch(build.finding(CHANGED, build.T0 + MINUTE_NS, NOW))
    [call_out] = plan(changes, {story.alarm().id: "before_visit"})
    assert call_out.not_before_ns == call_out.created_ns


def test_a_gateway_shared_by_many_units_is_bounded_in_what_it_names(fleet, build, advice, story):
    many = {f"u{n:03d}": Unit(f"u{n:03d}", "school", f"U {n:03d}", gateway="box") for n in range(200)}
    fleet = replace(fleet, units=many)
    plan = planner(fleet, build.settings(), URL, lambda site, at_ns: None, advice)
    [call_out] = plan(story.batch(*(silent_unit(build, unit) for unit in many)), {})
    data = json.loads(call_out.body)["data"]
    assert (len(data["units"]), data["units_count"]) == (30, 200)
    assert "200 units at School" in data["text"]
    assert "and 170 more" in data["text"]
