"""Silence of a unit, a signal, a gateway; a clock that is wrong. Five usual gaps, at least an
hour, here set to a quarter of it; a link offline for a quarter of an hour and urgency by the visit (contract)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.assessment.silence import Deaf, deadline_ns, postponed, silences
from monitor.times import HOUR_NS, MINUTE_NS, SECOND_NS
from tests.assessment.bench import BEGIN_NS, STEADY, Bench

MISSING = "readings_missing"
QUARTER = """
[fleet.conditions.readings_missing]
least = "15 min"
"""


def steady(every_min=1.0, *, to_min=300.0, minutes=700.0, lost=(), **kwargs):
    """The four signals on one rhythm, but for spans (from, to) in which nothing comes."""
    one = Bench(minutes=minutes, every_s=every_min * 60.0, **{"limits": QUARTER, **kwargs})
    edges = [0.0, *[edge for span in lost for edge in span], to_min]
    for signal in STEADY:
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            one.reports(signal, from_min=begin, to_min=end)
    return one


def missing(one: Bench):
    return [row[1:] for row in one.said() if row[0] == MISSING]


@pytest.mark.parametrize(
    ("every_min", "silent_min"), [(1.0, 15.0), (3.0, 15.0), (4.0, 20.0), (10.0, 50.0), (30.0, 150.0)]
)
def test_a_unit_is_missing_after_five_usual_gaps_and_never_sooner_than_a_quarter_of_an_hour(every_min, silent_min):
    last = 300.0 - every_min
    ((kind, urgency, at),) = missing(steady(every_min))
    assert (kind, urgency) == ("raised", "before_visit")
    assert last + silent_min <= at <= last + silent_min + 1.0  # on the next full minute


def test_by_default_a_link_has_an_hour_to_come_back():
    assert missing(steady(1.0, lost=[(100.0, 158.0)], to_min=300.0, minutes=310.0, limits="")) == []
    assert len(missing(steady(1.0, lost=[(100.0, 162.0)], to_min=300.0, minutes=310.0, limits=""))) == 2


def test_a_pause_that_is_shorter_is_nothing():
    assert missing(steady(1.0, lost=[(100.0, 114.0)], to_min=300.0, minutes=310.0)) == []
    assert len(missing(steady(1.0, lost=[(100.0, 117.0)], to_min=300.0, minutes=310.0))) == 2


def test_the_first_reading_ends_it():
    assert missing(steady(1.0, lost=[(100.0, 180.0)], minutes=310.0))[1] == ("cleared", "before_visit", 180.0)


def test_where_somebody_comes_within_a_day_it_waits_for_them():
    assert missing(steady(visit_in_h=24.0))[0][:2] == ("raised", "at_visit")
    assert missing(steady(visit_in_h=24.1))[0][:2] == ("raised", "before_visit")


def test_one_signal_that_is_missing_goes_on_the_visit_sheet():
    one = steady(1.0, to_min=400.0, minutes=400.0)
    one.rows = [rows for rows in one.rows if rows.signal[0] != 2]  # the gas transmitter
    one.reports("gas_pressure", to_min=200.0)
    (finding,) = one.findings()
    assert (finding.condition, finding.said.urgency.value, finding.evidence.signal) == (
        MISSING,
        "at_visit",
        "gas_pressure",
    )
    assert 199.0 + 16.0 <= (finding.at_ns - one.at(0)) / MINUTE_NS <= 199.0 + 17.0


def test_a_signal_that_never_came_is_missing_too():
    one = steady(1.0, to_min=300.0, minutes=300.0)
    one.rows = [rows for rows in one.rows if rows.signal[0] != 2]
    (finding,) = one.findings()
    assert finding.evidence.signal == "gas_pressure"
    assert one.assessor.view(0).never_heard == ("gas_pressure",)


def test_a_silent_unit_is_one_alarm_and_not_five():
    one = steady(1.0, to_min=300.0, minutes=700.0)
    assert len(missing(one)) == 1
    assert set(one.assessor.view(0).silent) == set(STEADY)


def test_batches_each_hour_are_no_silence():
    one = Bench(minutes=1440.0)
    for hour in range(23):
        for minute in range(0, 60, 5):
            for signal, value in STEADY.items():
                one.says(signal, hour * 60.0 + minute, value, received_min=hour * 60.0 + 60.0)
    assert one.said(until_min=23 * 60.0) == []


def test_a_unit_of_hourly_batches_is_missing_after_five_hours():
    one = Bench(minutes=3000.0)
    for hour in range(23):
        for minute in range(0, 60, 5):
            for signal, value in STEADY.items():
                one.says(signal, hour * 60.0 + minute, value, received_min=hour * 60.0 + 60.0)
    assert [row[3] for row in one.said()] == [pytest.approx(23 * 60.0 + 300.0, abs=1.0)]


def test_reports_on_change_with_pauses_of_hours_are_no_silence():
    """Gaps of one to forty minutes by day, some of two hours: what was usual is not missing."""
    one = Bench(minutes=2 * 1440.0)
    gaps = [1, 3, 7, 20, 40, 2, 120, 5, 15, 30, 60, 1, 90, 4]
    minute, place = 0.0, 0
    while minute < 2 * 1440.0:
        for signal, value in STEADY.items():
            one.says(signal, minute, value + 0.01 * (place % 2))
        minute += gaps[place % len(gaps)]
        place += 1
    assert missing(one) == []


def test_a_unit_just_admitted_has_two_hours_to_show_its_rhythm():
    one = Bench(minutes=400.0)
    for signal, value in STEADY.items():
        one.says(signal, 0.0, value)
    assert [row[3] for row in one.said()] == [pytest.approx(120.0, abs=1.0)]


def test_a_unit_that_is_never_heard_is_missing_from_when_somebody_listens():
    one = Bench(minutes=400.0).says("listening_again", 0.0, 0.0)
    assert [row[:3] for row in one.said()] == [(MISSING, "raised", "before_visit")]
    assert one.assessor.view(0).heard_ns is None


# --- restarts of the program ---


def test_a_restart_of_the_program_is_nobodys_silence():
    """It did not listen for two hours; the unit was there all the time, what it sent meanwhile is lost."""
    one = steady(1.0, lost=[(100.0, 220.2)], to_min=400.0, minutes=400.0)
    assert missing(one.says("listening_again", 220.0, 120.0 * 60.0)) == []


def test_after_a_restart_silence_is_counted_on():
    """Ten minutes before it and five after it make a quarter of an hour."""
    one = steady(1.0, to_min=91.0, minutes=400.0).says("listening_again", 220.0, 120.0 * 60.0)
    assert [row[2] for row in missing(one)] == [pytest.approx(225.0, abs=1.0)]


def test_restarts_of_days_ago_are_not_forgotten():
    """A replay sees all restarts of the history at once: the first still explains the first gap."""
    one = steady(1.0, lost=[(100.0, 220.2)], to_min=5000.0, minutes=5000.0)
    one.says("listening_again", 220.0, 120.0 * 60.0).says("listening_again", 4900.0, 0.5)
    assert missing(one) == []


# --- the gateway's link ---


def test_a_link_that_is_offline_for_a_quarter_of_an_hour_is_missing_readings():
    one = steady(10.0, to_min=300.0, minutes=340.0).says("link_online", 301.0, 0.0)
    assert missing(one) == [("raised", "before_visit", 316.0)]


def test_readings_within_the_quarter_of_an_hour_prove_that_the_link_is_there():
    one = steady(1.0, minutes=310.0, lost=[(100.0, 113.0)]).says("link_online", 100.0, 0.0)
    assert missing(one) == []


def test_online_alone_proves_nothing():
    one = steady(10.0, to_min=300.0, minutes=340.0).says("link_online", 301.0, 0.0).says("link_online", 305.0, 1.0)
    assert missing(one) == [("raised", "before_visit", 316.0)]
    late = steady(10.0, to_min=300.0, minutes=330.0).says("link_online", 301.0, 0.0).says("link_online", 320.0, 1.0)
    assert missing(late) == [("raised", "before_visit", 316.0)]


def test_only_readings_end_what_the_link_began():
    one = steady(10.0, lost=[(100.0, 140.0)], minutes=310.0).says("link_online", 101.0, 0.0)
    assert missing(one) == [("raised", "before_visit", 116.0), ("cleared", "before_visit", 140.0)]


def test_a_repeated_offline_counts_from_the_first():
    one = steady(10.0, to_min=300.0, minutes=340.0).says("link_online", 301.0, 0.0).says("link_online", 310.0, 0.0)
    assert missing(one) == [("raised", "before_visit", 316.0)]


# --- clocks ---


def test_stamps_from_the_future_are_a_wrong_clock_until_an_hour_without():
    one = steady(1.0, to_min=300.0, minutes=300.0).says("clock_ahead", 100.0, 7200.0).says("clock_ahead", 130.0, 7200.0)
    assert one.said() == [
        ("clock_wrong", "raised", "at_visit", 100.0),
        ("clock_wrong", "cleared", "at_visit", 190.0),
    ]


def test_a_stuck_clock_brings_no_news_and_is_silence():
    """A unit that stamps everything alike: repeats of one reading tell nothing new."""
    one = steady(1.0, to_min=200.0, minutes=240.0)
    for minute in range(200, 240):
        one.says("jacket_water_temperature", 199.0, 45.0, received_min=float(minute))
    assert [row[:2] for row in missing(one)] == [("raised", "before_visit")]


# --- the plain functions ---


def test_a_deadline_moves_by_the_time_in_which_nobody_listened():
    deaf = [Deaf(5 * MINUTE_NS, 65 * MINUTE_NS)]
    assert deadline_ns(0, 15 * MINUTE_NS, deaf) == 75 * MINUTE_NS
    assert deadline_ns(0, 4 * MINUTE_NS, deaf) == 4 * MINUTE_NS
    assert deadline_ns(70 * MINUTE_NS, 15 * MINUTE_NS, deaf) == 85 * MINUTE_NS


def test_the_present_speaks_again_once_the_program_has_listened_for_five_seconds():
    deaf = [Deaf(5 * MINUTE_NS, 65 * MINUTE_NS)]
    assert postponed(deaf, 5 * MINUTE_NS) == 5 * MINUTE_NS
    assert postponed(deaf, 6 * MINUTE_NS) == 65 * MINUTE_NS + 5 * SECOND_NS
    assert postponed(deaf, 66 * MINUTE_NS) == 66 * MINUTE_NS


@given(
    gaps=st.lists(st.integers(1, 40), max_size=12),
    silence=st.integers(2, 20),
    rest=st.integers(0, 40),
    silent=st.booleans(),
)
def test_silence_begins_and_ends_by_turns(gaps, silence, rest, silent):
    """Law: begins and ends alternate, ends are arrivals, and it is silent at the end where the rest is too long."""
    arrivals, now = [], 0
    for gap in gaps:
        now += gap * MINUTE_NS
        arrivals.append(now)
    until = now + rest * MINUTE_NS
    turns = silences(0, arrivals, silence * MINUTE_NS, [], until, silent, earliest_ns=0)
    assert [begins for begins, _ in turns] == [(index % 2 == 0) != silent for index in range(len(turns))]
    assert all(moment in arrivals for begins, moment in turns if not begins)
    assert [moment for _, moment in turns] == sorted(moment for _, moment in turns)
    at_end = silent != (len(turns) % 2 == 1)
    assert at_end == (rest >= silence or (silent and not arrivals))


# --- what is learned later speaks from then on ---


def test_a_silence_that_shows_only_when_the_rhythm_is_learned_is_noticed_then_and_not_before():
    """Silent since the 20th minute of its first hour, when two hours were still allowed: live running has recorded
    that nothing was found up to the full hour, and takes no finding of before it."""
    one = steady(1.0, to_min=20.0, minutes=119.0)
    assert one.findings(until_min=59.0) == []
    (finding,) = one.findings(until_min=119.0)
    assert finding.noticed_ns == BEGIN_NS - 10 * SECOND_NS + HOUR_NS


def test_a_delay_that_a_learned_hold_lets_end_is_noticed_then_and_not_before():
    """On a rhythm of 10 min a reading holds for 30 min until that is learned, then for 50."""
    limits = '[fleet.jacket_water_temperature.stopped]\nlow_warning = { on_delay = "35 min" }'
    one = Bench(minutes=125.0, every_s=600.0, limits=limits).stands("jacket_water_temperature")
    one.reports("jacket_water_temperature", (80.0, 90.0, 33.0), to_min=90.0)
    assert one.findings(until_min=119.0) == []
    (finding,) = one.findings(until_min=125.0)
    assert (finding.at_ns, finding.noticed_ns) == (one.at(115.0), BEGIN_NS - 10 * SECOND_NS + 2 * HOUR_NS)


def test_a_signal_that_comes_later_than_its_unit_is_awaited_from_the_units_first_word_on():
    for each_min in (None, 10.0):
        one = steady(1.0, to_min=300.0, minutes=300.0).says("listening_again", 0.0, 0.0)
        for place, rows in enumerate(one.rows[:-1]):
            begins = 180.0 if rows.signal[0] == 2 else 120.5  # two hours are allowed until a rhythm is learned
            one.rows[place] = rows.where(rows.time_ns >= one.at(begins))
        one.says("jacket_water_temperature", 120.5, 45.0)
        assert one.findings(each_min=each_min) == []
