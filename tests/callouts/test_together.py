"""Call-outs that speak for several alarms, from the finding to the receiver: real store, real plan, real outbox."""

import json

import pytest

from monitor.alarms.changes import EventType
from monitor.alarms.lifecycle import Answer, Kind, Urgency
from monitor.callouts.channels import Ending, Tried
from monitor.callouts.outbox import OutboxWorker
from monitor.callouts.plan import GATEWAYS_APART_MAX, planner
from monitor.fleet import Fleet, Site, Unit
from monitor.settings import CallOuts
from monitor.stores.operations import SqlOperations

SECOND = 1_000_000_000
BEFORE = Urgency.BEFORE_VISIT
RETRIES = CallOuts(retry_first=10, retry_greatest=10, give_up_after=30)  # tries 10 s apart, four of them


class Line:
    """A channel that is down as often as it is told to be; keeps what it was given, as (event, units)."""

    def __init__(self):
        self.down = 0
        self.heard = []

    def send(self, call_out, at_ns):
        self.heard.append(said(call_out))
        self.down -= 1
        return Tried(Ending.LATER, "down") if self.down >= 0 else Tried(Ending.DELIVERED)


class Town:
    """Six gateways a to f with two units each, a to c in the north, d to f in the south; one receiver."""

    def __init__(self, build, advice, visit, path):
        names = {f"{box}{number}": box for box in "abcdef" for number in (1, 2)}
        self.fleet = Fleet(
            sites={name: Site(id=name, name=name.capitalize(), timezone="UTC") for name in ("north", "south")},
            units={
                unit: Unit(unit, "north" if box in "abc" else "south", unit.upper(), gateway=box)
                for unit, box in names.items()
            },
        )
        self.build = build
        self.operations = SqlOperations(path)
        self.line = Line()
        settings = build.settings(emails=[], webhooks=["http://one/"])
        self.plan = planner(self.fleet, settings, "https://ready.example.org", lambda site, at_ns: visit, advice)
        self.outbox = OutboxWorker(self.operations, {"webhook": self.line}, lambda: build.T0, RETRIES)
        self.now_ns = build.T0

    def batch(self, kind, *units, urgency=BEFORE):
        """Units fall silent or are heard again within one batch, a second after the last one."""
        self.now_ns += SECOND
        findings = [
            self.build.finding(
                kind,
                self.now_ns - SECOND,
                urgency[unit] if isinstance(urgency, dict) else urgency,
                unit=unit,
                condition="readings_missing",
            )
            for unit in units
        ]
        before = {one.key for one in self.operations.call_outs(limit=1_000)}
        self.operations.record_assessment(findings, self.now_ns, self.plan)
        return sorted(
            (one for one in self.operations.call_outs(limit=1_000) if one.key not in before), key=lambda one: said(one)
        )

    def silent(self, *units, **more):
        return self.batch(Kind.RAISED, *units, **more)

    def back(self, *units, **more):
        return self.batch(Kind.CLEARED, *units, **more)

    def wait(self, seconds):
        """Let the outbox work for some seconds, second by second."""
        for _ in range(seconds):
            self.now_ns += SECOND
            self.outbox.work_once(self.now_ns)

    def alarm(self, unit):
        return next(one for one in self.operations.standing() if one.unit == unit)


def said(call_out):
    return call_out.event, [unit["unit"] for unit in json.loads(call_out.body)["data"]["units"]]


def data(call_out):
    return json.loads(call_out.body)["data"]


def everywhere(*boxes):
    return [f"{box}{number}" for box in boxes for number in (1, 2)]


@pytest.fixture
def town(build, advice, visit, tmp_path):
    made = Town(build, advice, visit, tmp_path / "operations.sqlite")
    yield made
    made.operations.close()


# One gateway


def test_the_call_of_a_gateway_stands_under_every_alarm_that_it_speaks_for(town):
    [call_out] = town.silent("a2", "a1")
    assert call_out.alarm_ids == (town.alarm("a1").id, town.alarm("a2").id)
    for unit in ("a1", "a2"):
        assert town.operations.call_outs(town.alarm(unit).id) == [call_out]


def test_a_unit_that_fell_silent_later_behind_the_same_gateway_is_called_for(town):
    town.silent("a1")
    [call_out] = town.silent("a2")
    assert said(call_out) == ("raised", ["a2"])


def test_what_was_said_for_several_is_not_said_again_for_one(town):
    town.silent("a1", "a2")
    assert town.batch(Kind.CHANGED, "a2") == []


def test_the_return_of_some_names_who_is_back_and_nobody_else(town):
    town.silent("a1", "a2")
    [call_out] = town.back("a2")
    assert said(call_out) == ("returned", ["a2"])
    assert call_out.alarm_ids == tuple(unit["alarm"] for unit in data(call_out)["units"])
    assert data(call_out)["summary"] == "Back to normal: A2, No readings from the unit"
    assert "Only this unit is back: others that fell silent too are told of when they are." in data(call_out)["text"]
    assert "A1" not in data(call_out)["text"]


def test_the_return_of_all_says_how_many_are_back(town):
    town.silent("a1", "a2")
    [call_out] = town.back("a2", "a1")
    assert said(call_out) == ("returned", ["a1", "a2"])
    assert "Units back: A1, A2" in data(call_out)["text"]
    assert "Only these 2 units are back" in data(call_out)["text"]


def test_a_unit_nobody_was_told_of_returns_in_silence_beside_one_that_was(town):
    town.silent("a1", "a2", urgency={"a1": Urgency.AT_VISIT, "a2": BEFORE})
    [call_out] = town.back("a1", "a2", urgency={"a1": Urgency.AT_VISIT, "a2": BEFORE})
    assert said(call_out) == ("returned", ["a2"])


# Many gateways


def test_a_few_gateways_are_a_call_each(town):
    assert GATEWAYS_APART_MAX == 3
    assert [said(one) for one in town.silent(*everywhere("a", "b", "d"))] == [
        ("raised", ["a1", "a2"]),
        ("raised", ["b1", "b2"]),
        ("raised", ["d1", "d2"]),
    ]


def test_many_gateways_at_once_are_one_call_that_sends_to_broker_and_network_first(town):
    units = everywhere("a", "b", "d", "e")
    [call_out] = town.silent(*reversed(units))
    assert said(call_out) == ("raised", units)
    assert call_out.alarm_ids == tuple(town.alarm(unit).id for unit in units)
    assert (data(call_out)["units_count"], data(call_out)["gateways_count"]) == (8, 4)
    assert data(call_out)["summary"] == "Before the next visit: 8 units at 4 gateways, No readings from the unit"
    lines = data(call_out)["text"].splitlines()
    assert lines[0] == "8 units: No readings from the unit."
    assert lines[1] == "Units: A1, A2, B1, B2, D1, D2, E1, E2"
    assert lines[2] == (
        "4 gateways fell silent at once. Hardly ever are so many boxes broken together: "
        "look at the broker and the network first."
    )
    assert "Next visit" not in data(call_out)["text"], "two sites have two"


def test_many_gateways_of_one_site_are_said_with_it(town):
    town.fleet.units.update({f"g{n}": Unit(f"g{n}", "south", f"G{n}") for n in range(4)})
    [call_out] = town.silent("g0", "g1", "g2", "g3")
    assert data(call_out)["text"].startswith("4 units at South: No readings from the unit.")
    assert "Next visit: Thu 26 Nov 2026" in data(call_out)["text"]


def test_many_gateways_name_a_bounded_number_of_units_and_speak_for_all(town):
    town.fleet.units.update({f"u{n:03d}": Unit(f"u{n:03d}", "south", f"U{n:03d}") for n in range(700)})
    units = [f"u{n:03d}" for n in range(700)]
    [call_out] = town.silent(*units)
    assert (len(call_out.alarm_ids), len(said(call_out)[1])) == (700, 30)
    assert "and 670 more" in data(call_out)["text"]
    assert town.batch(Kind.CHANGED, *units) == [], "each of them was told of"


def test_many_gateways_that_return_at_once_are_one_call(town):
    units = everywhere("a", "b", "d", "e")
    town.silent(*units)
    town.batch(Kind.CHANGED, "a1", urgency=Urgency.AT_VISIT)
    [call_out] = town.back(*units, urgency=dict.fromkeys(units, BEFORE) | {"a1": Urgency.AT_VISIT})
    assert said(call_out) == ("returned", units)
    assert "4 gateways are heard again at once." in data(call_out)["text"]
    assert "broker" not in data(call_out)["text"]


def test_of_many_gateways_one_that_returns_alone_is_said_alone(town):
    town.silent(*everywhere("a", "b", "d", "e"))
    [call_out] = town.back("d1", "d2")
    assert said(call_out) == ("returned", ["d1", "d2"])
    assert data(call_out)["text"].startswith("2 units at South: No readings from the unit.\nUnits back: D1, D2")


def test_other_conditions_of_many_gateways_stay_calls_of_their_own(town, build):
    findings = [build.finding(Kind.RAISED, build.T0, unit=f"{box}1") for box in "abcdef"]
    town.operations.record_assessment(findings, build.T0 + SECOND, town.plan)
    assert len(town.operations.call_outs()) == 6


# Order in every lane


def test_a_return_of_some_waits_for_the_call_that_is_still_tried_and_still_needed(town):
    town.silent("a1", "a2")
    town.line.down = 2
    town.wait(1)
    town.back("a1")
    town.wait(30)
    assert town.line.heard == [("raised", ["a1", "a2"])] * 3 + [("returned", ["a1"])]


def test_a_return_of_all_ends_a_call_that_was_never_sent(town):
    town.silent("a1", "a2")
    town.back("a1", "a2")
    town.wait(30)
    assert town.line.heard == []


def test_returns_one_by_one_end_a_call_that_was_never_sent(town):
    town.silent("a1", "a2")
    town.back("a1")
    town.back("a2")
    town.wait(30)
    assert town.line.heard == []
    assert {one.outcome for one in town.operations.call_outs()} == {"given_up"}


def test_returns_one_by_one_are_said_where_a_try_may_have_arrived(town):
    town.silent("a1", "a2")
    town.line.down = 1
    town.wait(1)
    town.back("a2")
    town.back("a1")
    town.wait(30)
    assert town.line.heard[0] == ("raised", ["a1", "a2"])
    assert sorted(town.line.heard[1:]) == [("returned", ["a1"]), ("returned", ["a2"])]


def test_a_return_for_several_is_said_where_the_call_of_one_arrived(town):
    town.silent("a1")
    town.wait(1)
    town.silent("a2")
    town.back("a1", "a2")
    town.wait(30)
    assert town.line.heard == [("raised", ["a1"]), ("returned", ["a1", "a2"])]


def test_nobody_hears_of_the_return_of_some_where_the_call_never_arrived(town):
    town.silent("a1", "a2")
    town.line.down = 4
    town.wait(60)
    [call_out] = town.operations.call_outs()
    assert call_out.outcome == "given_up"
    assert town.back("a2") == []


def test_an_answer_to_one_of_several_waits_for_their_call(town):
    town.silent("a1", "a2")
    town.line.down = 1
    town.now_ns += SECOND
    alarm = town.alarm("a2")
    town.operations.record_answer(alarm.id, Answer.ACKNOWLEDGE, by="Mia", note="", at_ns=town.now_ns, plan=town.plan)
    town.wait(30)
    assert town.line.heard == [("raised", ["a1", "a2"])] * 2 + [("acknowledged", ["a2"])]


def test_in_every_lane_the_call_comes_before_the_return(town):
    town.silent("a1", "a2")
    town.silent("b1", "b2")
    town.back("a2")
    town.back("b2")
    town.line.down = 2
    town.wait(60)
    for box in "ab":
        heard = [event for event, units in town.line.heard if f"{box}2" in units]
        assert heard == sorted(heard), "raised, perhaps twice, then returned"
        assert heard[-1] == EventType.RETURNED
