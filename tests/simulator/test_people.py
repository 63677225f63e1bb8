"""People at simulated units: how long they are there, and what they leave open and off."""

import numpy as np

from simulator.faults import Fault, FaultKind
from simulator.fleet import Unit
from simulator.people import Visit, called_out, door_open, switched_off, visits, work, works
from simulator.truth import Reason

SECOND_NS = 1_000_000_000
MINUTE_NS = 60 * SECOND_NS
DAY_NS = 1440 * MINUTE_NS
BEGIN_NS = 1_767_571_200 * SECOND_NS  # Monday, 2026-01-05


def year() -> list[Visit]:
    return visits(
        "FREQ=WEEKLY;BYDAY=TH;BYHOUR=9",
        "America/Denver",
        site="school",
        units=[(4, "a"), (7, "b")],
        seed=3,
        from_ns=BEGIN_NS,
        to_ns=BEGIN_NS + 364 * DAY_NS,
    )


def test_each_week_each_unit_is_visited_one_after_the_other():
    found = year()
    assert len(found) == 104
    for first, second in zip(found[::2], found[1::2], strict=True):
        assert (first.unit, second.unit) == (4, 7)
        assert first.to_ns < second.from_ns < first.to_ns + 10 * MINUTE_NS
        assert (first.from_ns // SECOND_NS) % 60 == 0, "on whole minutes, as the world steps"


def test_people_come_late_but_on_their_day():
    due_ns = BEGIN_NS + 3 * DAY_NS + 16 * 3600 * SECOND_NS  # Thursday 9:00 at UTC-7
    first = year()[0]
    assert 0 <= first.from_ns - due_ns <= 40 * MINUTE_NS


def test_the_switch_stands_off_for_minutes_at_some_visits_and_only_while_somebody_is_there():
    found = year()
    worked = [visit for visit in found if visit.off_to_ns > visit.off_from_ns]
    assert 0.2 < len(worked) / len(found) < 0.6
    for visit in worked:
        assert visit.from_ns < visit.off_from_ns < visit.off_to_ns < visit.to_ns
        assert 3 * MINUTE_NS <= visit.off_to_ns - visit.off_from_ns <= 11 * MINUTE_NS


def test_doors_and_switch_are_seen_minute_by_minute_at_the_right_unit():
    visit = Visit("s", 1, 10 * MINUTE_NS, 15 * MINUTE_NS, 12 * MINUTE_NS, 14 * MINUTE_NS)
    time_ns = MINUTE_NS * np.arange(20, dtype=np.int64)
    doors, off = door_open([visit], 3, time_ns), switched_off([visit], 3, time_ns)
    assert np.flatnonzero(doors[1]).tolist() == [10, 11, 12, 13, 14]
    assert np.flatnonzero(off[1]).tolist() == [12, 13]
    assert not doors[[0, 2]].any()
    assert not off[[0, 2]].any()


UNITS = (Unit("a", "a", "school"), Unit("b", "b", "school"))


def test_who_mends_something_has_doors_open_and_the_switch_off_until_it_is_done():
    visit = work("school", 1, 100 * MINUTE_NS)
    assert (visit.site, visit.unit) == ("school", 1)
    assert visit.from_ns == 60 * MINUTE_NS
    assert visit.off_from_ns == 62 * MINUTE_NS
    assert visit.off_to_ns == 100 * MINUTE_NS < visit.to_ns


def test_repairs_at_visits_and_exchanges_are_work_and_repairs_that_a_file_sets_are_not():
    by_chance = Fault("b", FaultKind.SEAT_LEAK, 0, to_ns=300 * MINUTE_NS, at_visit=True)
    of_a_file = Fault("a", FaultKind.SEAT_LEAK, 0, to_ns=500 * MINUTE_NS)
    never = Fault("a", FaultKind.CHARGER_NO_AC, 0, at_visit=True)
    found = works(UNITS, (by_chance, of_a_file, never), [("a", 200 * MINUTE_NS)])
    assert [(visit.unit, visit.off_to_ns) for visit in found] == [(0, 200 * MINUTE_NS), (1, 300 * MINUTE_NS)]


def day_of(fault: Fault, *, minute: int, reason: Reason = Reason.CRANKING) -> tuple[Fault, list[Visit]]:
    """A day on which unit b is not ready from a minute on: its fault afterwards, and who was called."""
    time_ns = MINUTE_NS * np.arange(1441, dtype=np.int64)
    reasons = np.zeros((2, 1441), np.uint16)
    reasons[1, minute:] = reason
    (after,), came = called_out([fault], UNITS, time_ns, reasons, seed=3, begin_ns=0)
    return after, came


def test_somebody_who_is_called_comes_within_a_day_of_the_moment_and_mends_it():
    fault = Fault("b", FaultKind.CHARGER_NO_AC, 0, at_visit=True, called_out=True)
    after, (visit,) = day_of(fault, minute=1200)
    assert after.to_ns == visit.off_to_ns
    assert visit.unit == 1
    assert DAY_NS < visit.from_ns <= 1200 * MINUTE_NS + DAY_NS
    assert not after.called_out, "only once"


def test_nobody_is_called_without_need():
    fault = Fault("b", FaultKind.CHARGER_NO_AC, 0, to_ns=40 * DAY_NS, at_visit=True, called_out=True)
    assert day_of(fault, minute=1441) == (fault, []), "it is still ready"
    assert day_of(fault, minute=1200, reason=Reason.GAS_LOW) == (fault, []), "for something else"
    silent = Fault("b", FaultKind.CHARGER_NO_AC, 0, at_visit=True)
    assert day_of(silent, minute=1200) == (silent, []), "nobody notices"
    soon = Fault("b", FaultKind.CHARGER_NO_AC, 0, to_ns=DAY_NS + 30 * MINUTE_NS, at_visit=True, called_out=True)
    assert day_of(soon, minute=1200) == (soon, []), "somebody comes anyway"


def test_into_which_parts_a_day_is_cut_changes_nothing():
    fault = Fault("b", FaultKind.CHARGER_NO_AC, 0, at_visit=True, called_out=True)
    time_ns = MINUTE_NS * np.arange(1441, dtype=np.int64)
    reasons = np.zeros((2, 1441), np.uint16)
    reasons[1, 100:] = Reason.CRANKING
    whole = called_out([fault], UNITS, time_ns, reasons, seed=3, begin_ns=0)
    faults, came = called_out([fault], UNITS, time_ns[:200], reasons[:, :200], seed=3, begin_ns=0)
    assert (faults, came) == whole
    assert called_out(faults, UNITS, time_ns[200:], reasons[:, 200:], seed=3, begin_ns=0) == (faults, [])
