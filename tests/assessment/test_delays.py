"""Delays and deadband, against a slow plain oracle that knows no segments: reading after reading, second by second.

The oracle's meaning is the module's first paragraph: a reading holds until the next of its track, at most for the hold;
the on-delay counts the time beyond, the off-delay the time back; unknown raises nothing and clears nothing.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.limits import ABSENT, BETWEEN, PRESENT, UNKNOWN
from monitor.assessment.delays import QUIET, Rhythm, Standing, Turn, walk

A, B, P, U = ABSENT, BETWEEN, PRESENT, UNKNOWN


def walked(
    readings,
    *,
    on=10,
    off=20,
    hold=60,
    wait=0,
    until=None,
    before=QUIET,
    previous=None,
    deaf=lambda moment: moment,
):
    """Turns as (active, at, noticed), times in seconds. readings: (time, verdict) or (time, verdict, received)."""
    rows = [(*row, row[0])[:3] for row in readings]
    standing, turns = walk(
        before,
        np.array([row[1] for row in rows], np.int8),
        np.array([row[0] for row in rows], np.int64),
        np.array([row[2] for row in rows], np.int64),
        previous=previous,
        rhythm=Rhythm(hold, wait),
        on_delay_ns=on,
        off_delay_ns=off,
        until_ns=max([row[2] for row in rows], default=0) if until is None else until,
        postponed=deaf,
    )
    return standing, [(turn.active, turn.at_ns, turn.noticed_ns) for turn in turns]


def turns_of(*args, **kwargs):
    return walked(*args, **kwargs)[1]


def test_a_limit_stands_once_readings_were_beyond_it_for_the_on_delay():
    assert turns_of([(0, P), (5, P), (10, P)]) == [(True, 10, 10)]


def test_shorter_than_the_on_delay_is_nothing():
    assert turns_of([(0, P), (9, P), (9.5, A)]) == []


def test_back_and_beyond_again_the_delay_begins_anew():
    assert turns_of([(0, P), (6, A), (8, P), (17, P)]) == []
    assert turns_of([(0, P), (6, A), (8, P), (18, P)]) == [(True, 18, 18)]


def test_between_limit_and_deadband_counts_as_beyond_after_it_was_beyond():
    assert turns_of([(0, P), (5, B), (10, B)]) == [(True, 10, 10)]


def test_between_limit_and_deadband_counts_as_back_before_it_was_beyond():
    assert turns_of([(0, B), (50, B)]) == []


def test_it_ceases_once_readings_were_back_by_the_deadband_for_the_off_delay():
    assert turns_of([(0, P), (10, P), (12, A), (31, A), (32, A)]) == [(True, 10, 10), (False, 32, 32)]


def test_between_does_not_interrupt_the_way_back():
    assert turns_of([(0, P), (10, P), (12, A), (20, B), (32, A)]) == [(True, 10, 10), (False, 32, 32)]


def test_beyond_again_interrupts_the_way_back():
    assert turns_of([(0, P), (10, P), (12, A), (20, P), (21, A), (40, A)]) == [(True, 10, 10)]


def test_unknown_raises_nothing():
    assert turns_of([(0, P), (5, U), (15, U), (50, U)]) == []


def test_unknown_clears_nothing():
    assert turns_of([(0, P), (10, P), (12, U), (50, U), (90, U)]) == [(True, 10, 10)]


def test_after_unknown_the_delay_begins_anew():
    assert turns_of([(0, P), (5, U), (8, P), (17, P)]) == []


def test_one_reading_holds_until_the_next():
    assert turns_of([(0, P), (50, A)], until=60) == [(True, 10, 10)]


def test_a_reading_holds_no_longer_than_the_hold():
    assert turns_of([(0, P), (500, A)], on=61) == []
    assert turns_of([(0, P), (500, A)], on=60) == [(True, 60, 60)]


def test_after_a_gap_the_delay_begins_anew():
    assert turns_of([(0, P), (70, P)], on=65) == []


def test_a_gap_clears_nothing():
    assert turns_of([(0, P), (10, P), (500, A), (519, A)]) == [(True, 10, 10)]
    assert turns_of([(0, P), (10, P), (500, A), (520, A)]) == [(True, 10, 10), (False, 520, 520)]


def test_the_present_ends_a_delay_where_nothing_comes():
    assert turns_of([(0, P)], until=9) == []
    assert turns_of([(0, P)], until=10) == [(True, 10, 10)]


def test_the_present_speaks_as_much_later_as_readings_are_under_way():
    assert turns_of([(0, P, 3)], until=12) == []
    assert turns_of([(0, P, 3)], until=13) == [(True, 10, 13)]


def test_one_reading_of_a_clock_an_hour_slow_does_not_end_the_delay_on_arrival():
    assert turns_of([(0, P, 3600), (5, A, 3605)], until=3700) == []


def test_where_a_gateway_hands_in_batches_the_present_waits_for_the_next():
    assert turns_of([(0, P, 5), (8, A, 30)], wait=40, until=40) == []
    assert turns_of([(0, P, 5)], wait=40, until=45) == [(True, 10, 45)]


def test_the_present_says_nothing_while_nobody_listens():
    assert turns_of([(0, P)], until=200, deaf=lambda moment: 100 if moment < 100 else moment) == [(True, 10, 100)]


def test_a_late_reading_is_noticed_when_it_came():
    assert turns_of([(0, P, 0), (11, P, 50)], until=50, wait=60) == [(True, 10, 50)]


def test_no_delay_at_all_turns_with_the_reading():
    assert turns_of([(0, P), (3, A)], on=0, off=0) == [(True, 0, 0), (False, 3, 3)]


def test_a_turn_names_the_reading_that_spoke_last_before_it():
    rows = np.array([0, 4, 12], np.int64)
    _, turns = walk(
        QUIET, np.array([P, P, P], np.int8), rows, rows,
        previous=None, rhythm=Rhythm(60), on_delay_ns=10, off_delay_ns=20, until_ns=12, postponed=lambda moment: moment,
    )  # fmt: skip
    assert turns == [Turn(True, 10, 10, 1)]


def test_it_goes_on_from_where_it_stood():
    standing, turns = walked([(0, P)], until=5)
    assert turns == []
    assert turns_of([(12, P)], before=standing, previous=(0, 0)) == [(True, 10, 10)]


# --- the oracle ------------------------------------------------------------------------------------------------------


def slowly(readings, *, on, off, hold, wait):
    """Every whole second of the present, with what had arrived by then; and every reading as it comes.

    readings: (time, verdict, received), time and received rising. Turns as walked gives them.
    """
    turns, active, beyond, since, last = [], False, False, None, None
    end = readings[-1][2]
    queue = list(readings)

    def over(moment_of_speech):
        """End the running delay, if it is over while the last reading holds."""
        nonlocal active, since
        turns.append((not active, since + (off if active else on), moment_of_speech))
        active, since = not active, None

    for now in range(end + 1):
        while True:
            if queue and queue[0][2] == now:
                time, verdict, received = queue.pop(0)
                if since is not None:
                    expiry = since + (off if active else on)
                    if expiry <= min(time, last[0] + hold):
                        over(received)
                if last is not None and time - last[0] > hold:
                    since = None
                if verdict == U:
                    since, beyond = None, active
                else:
                    was = beyond
                    beyond = beyond if verdict == B else verdict == P
                    if beyond == active:
                        since = None
                    elif since is None or was != beyond:
                        since = time
                last = (time, received)
                if since is not None and since + (off if active else on) <= time:
                    over(received)
                continue
            if since is not None:
                expiry = since + (off if active else on)
                due = last[1] + max(expiry - last[0], wait)
                if expiry <= last[0] + hold and due == now and not (queue and queue[0][2] == now):
                    over(now)
                    continue
            break
    return turns, Standing(beyond, active, since, readings[-1][1])


@st.composite
def tracks(draw):
    count = draw(st.integers(1, 14))
    steps = draw(st.lists(st.sampled_from((1, 2, 3, 5, 9, 30)), min_size=count, max_size=count))
    late = draw(st.lists(st.sampled_from((0, 0, 1, 4, 25)), min_size=count, max_size=count))
    verdicts = draw(st.lists(st.sampled_from((A, B, P, P, U)), min_size=count, max_size=count))
    times = np.cumsum(steps)
    received = np.maximum.accumulate(times + late)
    return [(int(t), v, int(r)) for t, v, r in zip(times, verdicts, received, strict=True)]


@given(
    readings=tracks(),
    on=st.sampled_from((0, 1, 4, 10, 40)),
    off=st.sampled_from((0, 1, 6, 20)),
    hold=st.sampled_from((5, 12, 50)),
    wait=st.sampled_from((0, 0, 15)),
)
@settings(max_examples=400, deadline=None)
def test_it_gives_what_the_slow_plain_way_gives(readings, on, off, hold, wait):
    standing, turns = walked(readings, on=on, off=off, hold=hold, wait=wait)
    assert (turns, standing) == slowly(readings, on=on, off=off, hold=hold, wait=wait)


@given(readings=tracks(), cut=st.integers(0, 14), hold=st.sampled_from((5, 12, 50)), wait=st.sampled_from((0, 15)))
@settings(max_examples=200, deadline=None)
def test_in_two_pieces_it_gives_the_same(readings, cut, hold, wait):
    first = [row for row in readings if row[2] <= cut]
    rest = readings[len(first) :]
    standing, turns = walked(first, hold=hold, wait=wait, until=cut) if first else (QUIET, [])
    previous = (first[-1][0], first[-1][2]) if first else None
    if rest:
        standing, more = walked(rest, hold=hold, wait=wait, before=standing, previous=previous)
        turns = turns + more
        assert (standing, turns) == walked(readings, hold=hold, wait=wait)


@pytest.mark.parametrize("verdict", [A, B, P, U])
def test_nothing_ever_turns_twice_the_same_way(verdict):
    turns = turns_of([(0, P), (11, P), (20, verdict), (90, P), (140, A), (170, A), (180, P), (200, P)], until=300)
    assert [active for active, _, _ in turns] == [index % 2 == 0 for index in range(len(turns))]
