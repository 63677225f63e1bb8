"""The week strip as geometry: what is drawn, and that nothing is drawn that is not known."""

from dataclasses import replace

from monitor.alarms.lifecycle import Alarm, NotReady, Said, State, Urgency, raised
from monitor.api.strips import LANES_MAX, Strip, strip
from monitor.api.views import Stretch
from monitor.fleet import Visit
from monitor.times import DAY_NS, HOUR_NS, from_rfc3339
from tests.builders import creep, heater_failed, overdue

# Thursday 00:00 to Thursday 00:00, now on Monday noon: 4.5 of 7 days.
LAST_NS = from_rfc3339("2026-01-08T07:00:00Z")
NOW_NS = LAST_NS + 4 * DAY_NS + 12 * HOUR_NS
NEXT = Visit(LAST_NS + 7 * DAY_NS - 2 * HOUR_NS, LAST_NS + 7 * DAY_NS)
WEEK = Stretch(LAST_NS, True, NEXT, False)


def drawn(*alarms: Alarm, stretch: Stretch = WEEK, runs: tuple = ()) -> Strip:
    """The strip of some alarms."""
    return strip(
        stretch, [(alarm, alarm.condition) for alarm in alarms], runs, timezone="America/Denver", now_ns=NOW_NS
    )


def developing(*, begun_ns: int = NOW_NS - 12 * HOUR_NS, not_ready_at: NotReady | None = None) -> Alarm:
    """A heater that failed, with the forecast given."""
    alarm = raised(heater_failed(at_ns=begun_ns))
    return replace(alarm, said=replace(alarm.said, not_ready_at=not_ready_at))


def test_now_stands_where_it_is_between_the_visits():
    assert drawn().now == 64.286  # 4.5 of 7 days


def test_a_bar_begins_when_it_was_raised_and_reaches_to_now():
    bar = drawn(developing()).bars[0]
    assert (bar.left, bar.kind, bar.clipped) == (57.143, "before_visit", False)
    assert round(bar.left + bar.width, 2) == 64.29


def test_the_band_spans_the_quantiles():
    band = (
        drawn(developing(not_ready_at=NotReady(NOW_NS + 12 * HOUR_NS, NOW_NS + 24 * HOUR_NS, NOW_NS + 36 * HOUR_NS)))
        .bars[0]
        .band
    )
    assert (band.left, band.middle, round(band.left + band.width, 2)) == (71.429, 78.571, 85.71)


def test_without_a_forecast_there_is_no_band():
    assert drawn(developing(not_ready_at=None)).bars[0].band is None


def test_a_forecast_beyond_the_visit_draws_no_band():
    later = NotReady(NEXT.end_ns + DAY_NS, None, None)
    assert drawn(developing(not_ready_at=later)).bars[0].band is None


def test_a_band_without_its_latest_end_reaches_to_the_visit():
    band = drawn(developing(not_ready_at=NotReady(NOW_NS + 12 * HOUR_NS, None, None))).bars[0].band
    assert (band.middle, round(band.left + band.width, 2)) == (None, 100.0)


def test_what_is_over_is_grey_and_has_no_band():
    gone = replace(
        developing(not_ready_at=NotReady(NOW_NS, NOW_NS, NOW_NS)),
        cleared_at_ns=NOW_NS - 6 * HOUR_NS,
        state=State.RETURNED,
    )
    bar = drawn(gone).bars[0]
    assert (bar.kind, bar.width, bar.band) == ("gone", 3.571, None)


def test_what_was_over_before_the_last_visit_is_not_drawn():
    old = replace(developing(begun_ns=LAST_NS - DAY_NS), cleared_at_ns=LAST_NS - HOUR_NS)
    assert drawn(old).bars == ()


def test_what_began_before_the_last_visit_is_cut_there_and_says_so():
    bar = drawn(developing(begun_ns=LAST_NS - DAY_NS)).bars[0]
    assert (bar.left, bar.clipped) == (0.0, True)


def test_alarms_at_one_time_lie_in_lanes_of_their_own():
    both = drawn(developing(), raised(overdue(at_ns=NOW_NS - DAY_NS)))
    assert sorted(bar.lane for bar in both.bars) == [0, 1]
    assert both.lanes == 2


def test_a_suppressed_alarm_is_not_drawn():
    assert drawn(replace(developing(), state=State.SUPPRESSED)).bars == ()


def test_more_alarms_than_lanes_leave_the_most_urgent():
    urgent = raised(creep(at_ns=NOW_NS - HOUR_NS))
    many = [replace(developing(begun_ns=NOW_NS - n * HOUR_NS), id=str(n)) for n in range(2, 9)]
    strip_of_many = drawn(urgent, *many)
    assert len(strip_of_many.bars) == LANES_MAX
    assert strip_of_many.bars[0].kind == "now"


def test_without_a_visit_seven_days_are_drawn_each_way_and_that_is_said():
    assumed = drawn(stretch=Stretch(None, False, Visit(NOW_NS + 7 * DAY_NS, NOW_NS + 7 * DAY_NS), True))
    assert assumed.now == 50.0
    assert assumed.begin == "seven days ago; no visit is on record"
    assert assumed.end == "seven days assumed; no visit is known"


def test_days_are_marked_at_local_midnights():
    ticks = drawn().ticks
    assert [tick.day for tick in ticks[:3]] == ["Fri", "Sat", "Sun"]
    assert ticks[0].at == 14.286


def test_a_run_is_drawn_where_it_was_and_one_under_way_reaches_to_now():
    runs = drawn(runs=((LAST_NS + DAY_NS, LAST_NS + DAY_NS + 12 * HOUR_NS), (NOW_NS - 12 * HOUR_NS, None))).runs
    assert runs == ((14.286, 7.143), (57.143, 7.143))


def test_the_strip_is_told_in_words_for_whoever_does_not_see_it():
    alarm = replace(developing(), said=Said(Urgency.NOW))
    assert drawn(alarm).summary == "Time strip: heater_failed since today 00:00 MST; next visit Wed 14 Jan 22:00 MST."
