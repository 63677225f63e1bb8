"""A limit that an open cause explains is suppressed by design and lends it its urgency: one fault, one call-out."""

from dataclasses import replace

import pytest

from monitor.advice import load_advice
from monitor.alarms.changes import EventType, changes_of
from monitor.alarms.explaining import EXPLAINED_BY, TELLING
from monitor.alarms.lifecycle import Cause, Evidence, Kind, NotReady, State, Urgency
from monitor.assessment.state import MODEL, Turned, UnitState
from monitor.callouts.plan import planner
from monitor.conditions import CONDITIONS
from monitor.fleet import Fleet, Site, Unit
from monitor.replaying import alarms_of
from monitor.settings import CallOuts
from monitor.stores.operations import SqlOperations
from monitor.stores.protocols import AlarmQuery
from monitor.times import HOUR_NS

T0 = 1_770_000_000 * 10**9
FLEET = Fleet({"mill": Site("mill", "Mill")}, {"mill-1": Unit("mill-1", "mill", "Mill 1", gateway="mill-1")})
TOLD = CallOuts.model_validate({"webhooks": [{"url": "https://example.org/hook", "secret": "whsec_" + "A" * 32}]})
BEFORE, NOW, AT_VISIT = Urgency.BEFORE_VISIT, Urgency.NOW, Urgency.AT_VISIT
LOW, FAILED = "low_water_temperature", "heater_failed"


def limit(hour, active=True, level="limit", condition=LOW):
    urgency = {"warning": AT_VISIT, "limit": BEFORE, "not_ready": NOW}[level]
    at = T0 + hour * HOUR_NS
    return Turned(at, at, condition, level, active, urgency, Evidence("water", "Cel", 30.0, 41.0, 32.0, level))


def model(hour, active=True, urgency=AT_VISIT, condition=FAILED, forecast_h=None, cause=""):
    at = T0 + hour * HOUR_NS
    forecast = None if forecast_h is None else NotReady(*(at + h * HOUR_NS for h in forecast_h))
    causes = (Cause(cause or condition, 0.95),)
    return Turned(at, at, condition, MODEL, active, urgency, Evidence("water"), causes=causes, not_ready_at=forecast)


def findings(*turns):
    state = UnitState()
    return [finding for turn in turns for finding in state.apply("mill-1", [turn])]


def said(found):
    return [(f.condition, f.kind.value, f.said.urgency.value, f.suppressed) for f in found]


def states(found):
    """The state of each alarm after each finding that changed it."""
    _, changes = changes_of({}, found)
    return [(c.after.condition, c.after.state.value, c.event) for c in changes]


def test_the_table_names_conditions_of_the_contract():
    assert {*EXPLAINED_BY, *TELLING} <= set(CONDITIONS)


def test_a_limit_under_an_open_cause_begins_suppressed():
    found = findings(model(0, urgency=BEFORE, forecast_h=(9, 12, 15)), limit(1))
    assert said(found) == [(FAILED, "raised", "before_visit", False), (LOW, "raised", "before_visit", True)]
    assert states(found)[-1] == (LOW, State.SUPPRESSED.value, None)


def test_a_limit_goes_by_the_forecast_and_not_ready_by_itself():
    found = findings(
        model(0, forecast_h=(200, 300, 400)), limit(1), limit(2, level="not_ready"), limit(3, False, "not_ready")
    )
    assert [f.said.urgency.value for f in found if f.condition == FAILED] == ["at_visit", "now", "at_visit"]
    urgent = next(f for f in found if f.condition == FAILED and f.said.urgency is NOW)
    assert urgent.said.not_ready_at == NotReady(*(T0 + 2 * HOUR_NS,) * 3)
    assert urgent.said.causes == (Cause(FAILED, 0.95),)


def test_without_a_forecast_a_limit_lends_its_urgency():
    found = findings(model(0), limit(1), limit(2, False))
    assert said(found) == [
        (FAILED, "raised", "at_visit", False),
        (LOW, "raised", "before_visit", True),
        (FAILED, "changed", "before_visit", False),
        (LOW, "cleared", "before_visit", True),
        (FAILED, "changed", "at_visit", False),
    ]


def test_a_limit_that_came_first_is_suppressed_once_its_cause_is_known():
    found = findings(limit(0), model(1, urgency=BEFORE))
    assert states(found) == [
        (LOW, "unacknowledged", EventType.RAISED),
        (FAILED, "unacknowledged", EventType.RAISED),
        (LOW, "suppressed_by_design", None),
    ]


def test_when_the_cause_clears_and_the_limit_stands_it_asks_anew():
    found = findings(limit(0), model(1, urgency=BEFORE), model(2, active=False))
    assert states(found)[-1] == (LOW, "unacknowledged", EventType.RAISED)
    assert said(found)[-2:] == [(FAILED, "cleared", "before_visit", False), (LOW, "changed", "before_visit", False)]


def test_the_second_cause_takes_over():
    weak = "heater_weak"
    found = findings(limit(0), model(1, condition=weak), model(2), model(3, active=False))
    assert [f.suppressed for f in found if f.condition == LOW] == [False, True]
    assert said(found)[-2:] == [
        (FAILED, "cleared", "before_visit", False),
        (weak, "changed", "before_visit", False),
    ]


def test_what_stands_says_so_after_a_restart_too():
    state = UnitState()
    for turn in (limit(0), model(1, urgency=BEFORE)):
        state.apply("mill-1", [turn])
    assert [(f.condition, f.suppressed) for f in state.standing("mill-1")] == [(FAILED, False), (LOW, True)]


def test_a_replay_leaves_out_what_never_spoke_and_ends_what_was_explained():
    never = alarms_of(findings(model(0), limit(1), limit(2, False), model(3, active=False)))
    assert [alarm.condition for alarm in never] == [FAILED]
    assert [(at - T0) // HOUR_NS for at, _ in never[0].urgency_history] == [0, 1, 2]
    first = alarms_of(findings(limit(0), model(1), limit(2, False), model(3, active=False)))
    ends = {alarm.condition: (alarm.cleared_at_ns - T0) // HOUR_NS for alarm in first}
    assert ends == {LOW: 1, FAILED: 3}
    again = alarms_of(findings(limit(0), model(1), model(2, active=False), limit(3, False)))
    assert {alarm.condition: (alarm.cleared_at_ns - T0) // HOUR_NS for alarm in again} == {LOW: 3, FAILED: 2}


# --- call-outs -------------------------------------------------------------------------------------------------------


@pytest.fixture
def pushed(tmp_path):
    """Applies batches of turns to a store and gives what each pushes: event and conditions."""
    store = SqlOperations(tmp_path / "operations.sqlite")
    plan = planner(FLEET, TOLD, "http://testserver", lambda _site, _at: None, load_advice())
    state, until = UnitState(), [T0 - 1]

    def apply(*turns):
        found = [finding for turn in turns for finding in state.apply("mill-1", [turn])]
        known = {call_out.key for call_out in store.call_outs()}
        until[0] = max(finding.noticed_ns for finding in found)
        store.record_assessment(found, until[0], plan)
        new = [call_out for call_out in store.call_outs() if call_out.key not in known]
        names = {alarm.id: alarm.condition for alarm in store.alarms(AlarmQuery()).alarms}
        return sorted((call_out.event, *(names[each] for each in call_out.alarm_ids)) for call_out in new)

    yield apply
    store.close()


def test_one_fault_makes_one_call_out(pushed):
    assert pushed(limit(0)) == [("raised", LOW)]
    assert pushed(model(1, urgency=BEFORE, forecast_h=(9, 12, 15))) == []
    assert pushed(limit(5, level="not_ready")) == [("urgency_changed", FAILED)]
    assert pushed(limit(7, False, "not_ready"), limit(7, False)) == []
    assert pushed(model(9, active=False)) == [("returned", FAILED)]


def test_a_cause_that_keeps_until_the_visit_tells_those_who_were_called_for_the_limit(pushed):
    assert pushed(limit(0)) == [("raised", LOW)]
    assert pushed(model(1, forecast_h=(300, 400, 500))) == [("urgency_changed", FAILED)]


def test_of_a_limit_that_ends_while_its_cause_stands_nobody_is_told(pushed):
    assert pushed(limit(0)) == [("raised", LOW)]
    assert pushed(model(1, urgency=BEFORE)) == []
    assert pushed(limit(2, False)) == []
    assert pushed(model(3, active=False)) == [("returned", FAILED)]


def test_a_limit_that_stands_alone_again_calls_anew(pushed):
    assert pushed(model(0, urgency=BEFORE)) == [("raised", FAILED)]
    assert pushed(limit(1)) == []
    assert pushed(model(2, active=False)) == [("raised", LOW), ("returned", FAILED)]


def no_supply(hour, condition, urgency=BEFORE):
    return model(hour, urgency=urgency, condition=condition, cause=f"{condition}/no_ac_supply")


def test_heater_and_charger_without_supply_are_one_call_out(pushed):
    assert pushed(no_supply(0, "charger_failed"), no_supply(0, FAILED, NOW)) == [("raised", FAILED, "charger_failed")]


def test_the_second_of_them_calls_nobody_at_the_same_urgency(pushed):
    assert pushed(no_supply(0, "charger_failed")) == [("raised", "charger_failed")]
    assert pushed(no_supply(1, FAILED)) == []
    later = replace(no_supply(2, FAILED), urgency=NOW)
    assert pushed(later) == [("urgency_changed", FAILED)]


def test_two_faults_of_their_own_are_two_call_outs(pushed):
    assert pushed(model(0, urgency=BEFORE, condition="charger_failed")) == [("raised", "charger_failed")]
    assert pushed(model(1, urgency=BEFORE)) == [("raised", FAILED)]


def test_kinds_are_what_the_alarm_system_knows():
    assert {f.kind for f in findings(limit(0), model(1), model(2, active=False))} == set(Kind)
