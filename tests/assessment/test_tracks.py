"""The fleet's memory, against slow plain ways to say the same."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.assessment.long_gaps import LongGaps
from monitor.assessment.tracks import Ring, Tracks
from monitor.batch import from_columns
from monitor.signals import NAMES, SIGNALS
from monitor.times import DAY_NS, MINUTE_NS, SECOND_NS

BIN_S = 100


@given(
    steps=st.lists(st.integers(1, 900), min_size=1, max_size=40),
    values=st.lists(st.integers(-20, 20), min_size=40, max_size=40),
    cuts=st.lists(st.integers(1, 40), max_size=4),
    kept=st.sampled_from((1, 5, 24)),
)
@settings(max_examples=150, deadline=None)
def test_the_least_of_the_last_bins_is_that_of_the_plain_way(steps, values, cuts, kept):
    """In any pieces: for each reading the least so far of its own bin and all of those before it, and how many; what
    lies some bins back may count for more."""
    forgiven = np.arange(kept) * 1.5
    times = np.cumsum(steps).astype(np.int64)
    value = np.array(values[: len(times)], np.float64)
    ring = Ring.empty(2, BIN_S, kept)
    least, count = [], []
    edges = sorted({0, len(times), *(cut for cut in cuts if cut < len(times))})
    for begin, end in pairwise(edges):
        some, bins = ring.trailing_least(1, times[begin:end], value[begin:end], forgiven=forgiven)
        least += some.tolist()
        count += bins.tolist()
        ring.add(np.full(end - begin, 1), times[begin:end], value[begin:end])
    for row, now in enumerate(times.tolist()):
        inside = [at for at in range(row + 1) if times[at] // BIN_S > now // BIN_S - kept]
        ago = {at: int(now // BIN_S - times[at] // BIN_S) for at in inside}
        assert least[row] == min(value[at] + forgiven[ago[at]] for at in inside)
        assert count[row] == len({times[at] // BIN_S for at in inside})


def tracks() -> Tracks:
    switches = np.array([signal.is_switch for signal in SIGNALS])
    return Tracks.empty(2, len(NAMES), switches, Ring.empty(2, MINUTE_NS, 5), Ring.empty(2, MINUTE_NS, 5))


def rows(*readings):
    """(unit, signal, time, received), seconds."""
    columns = list(zip(*readings, strict=True))
    count = len(readings)
    return from_columns(
        ("a", "b"),
        NAMES,
        [second * SECOND_NS for second in columns[2]],
        columns[0],
        columns[1],
        [float(place) for place in range(count)],
        [second * SECOND_NS for second in columns[3]],
    )


def test_only_what_is_later_than_all_before_it_brings_news():
    one = tracks()
    first = one.news(rows((0, 1, 10, 10), (0, 1, 10, 11), (0, 1, 8, 12), (0, 1, 12, 13), (0, 2, 8, 12), (1, 1, 3, 14)))
    assert (first.time_ns // SECOND_NS).tolist() == [10, 12, 8, 3]
    one.remember(first)
    again = one.news(rows((0, 1, 12, 20), (0, 1, 11, 21), (0, 1, 13, 22), (0, 2, 9, 20)))
    assert (again.time_ns // SECOND_NS).tolist() == [13, 9]


@given(
    readings=st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)), min_size=1, max_size=30),
    cut=st.integers(0, 30),
)
@settings(max_examples=150, deadline=None)
def test_news_in_two_pieces_is_news_in_one(readings, cut):
    every = [(0, 1, time, received) for time, received in sorted(readings, key=lambda row: row[1])]
    whole = tracks().news(rows(*every)).time_ns.tolist()
    one, found = tracks(), []
    for piece in ([row for row in every if row[3] <= cut], [row for row in every if row[3] > cut]):
        if piece:
            news = one.news(rows(*piece))
            found += news.time_ns.tolist()
            one.remember(news)
    assert found == whole
    assert found == sorted(set(found))


def rhythm(gaps_s, *, young=False):
    """What is learned from the gaps of one signal, s: hold, silence of the signal and of the unit, minutes."""
    one = tracks()
    times = np.cumsum([0, *gaps_s]).tolist()
    one.remember(one.news(rows(*[(0, 1, time, time) for time in times])))
    least = np.array([15 * MINUTE_NS])
    switches = np.array([signal.is_switch for signal in SIGNALS])
    now_ns = times[-1] * SECOND_NS
    one.learn_rhythm(np.array([0]), switches, least, np.array([5.0]), now_ns=now_ns, young=np.array([young]))
    return one.hold_ns[1] / MINUTE_NS, one.silence_ns[1] / MINUTE_NS, one.unit_silence_ns[0] / MINUTE_NS


@pytest.mark.parametrize(
    ("gaps_s", "minutes"),
    [
        ([60] * 7, 120.0),  # too few to know
        ([60] * 8, 15.0),  # never less than a quarter of an hour
        ([600] * 20, 50.0),
        ([600] * 19 + [7200], 50.0),  # one outage is not usual
        ([60] * 30 + [1800] * 10, 150.0),  # on change: pauses of half an hour belong to it
        ([1] * 200 + [600] * 20, 50.0),  # the quick reports round a crank do not hide the rhythm
    ],
)
def test_silence_is_five_usual_gaps(gaps_s, minutes):
    assert rhythm(gaps_s)[1:] == (minutes, minutes)


def test_a_heartbeat_is_no_silence_after_a_lively_evening():
    """A battery on charge reports each minute, at rest once in three quarters of an hour."""
    lively, quiet = [60] * 120, [2700] * 6
    assert rhythm([*quiet, *lively])[:2] == (67.5, 67.5)
    assert rhythm([60] * 120)[1] == 15.0


def test_two_outages_a_day_are_no_rhythm():
    assert rhythm([*[60] * 120, 10_000, *[60] * 120, 10_000, *[60] * 120])[1] == 15.0
    assert rhythm([*[60] * 120, 10_000, *[60] * 120, 10_000, *[60] * 120, 5000, *[60] * 70])[1] == 125.0


def test_a_long_gap_is_forgotten_after_a_week():
    quiet_days = [3600] * 24 * 8
    assert rhythm([*[10_800] * 7, *quiet_days[: 24 * 6]])[1] == 300.0  # five usual gaps
    assert rhythm([*[36_000] * 7, *quiet_days])[1] == 300.0


def test_batches_in_bursts_are_not_known_in_the_first_hours():
    """Each hour sixty readings at once: most gaps are of a second, and they are no rhythm."""
    burst = [1] * 60
    assert rhythm([*burst, 3600, *burst, 3600, *burst], young=True)[1] == 120.0
    assert rhythm([*burst, 7200, *burst], young=True)[1] == 180.0
    assert rhythm([*burst, *[3600, *burst] * 20])[1] == 90.0


@given(
    gaps=st.lists(st.integers(1, 200_000), min_size=1, max_size=60),
    cuts=st.lists(st.integers(0, 60), max_size=3),
)
@settings(max_examples=100, deadline=None)
def test_long_gaps_in_pieces_are_those_of_all_at_once(gaps, cuts):
    ended = np.cumsum(gaps).astype(np.int64) * SECOND_NS
    lengths = np.array(gaps, np.int64) * SECOND_NS
    whole, pieces = LongGaps.empty(2), LongGaps.empty(2)
    whole.add(np.ones(len(gaps), np.int64), ended, lengths)
    edges = [0, *sorted(min(cut, len(gaps)) for cut in cuts), len(gaps)]
    for begin, end in pairwise(edges):
        pieces.add(np.ones(end - begin, np.int64), ended[begin:end], lengths[begin:end])
    now_ns = int(ended[-1])
    assert whole.usual(np.array([0, 1]), now_ns).tolist() == pieces.usual(np.array([0, 1]), now_ns).tolist()
    by_day = {}  # the plain version
    for end, length in zip(ended.tolist(), lengths.tolist(), strict=True):
        by_day.setdefault(end // DAY_NS, []).append(length)
    third = [sorted(of_day)[-3] for day, of_day in by_day.items() if len(of_day) > 2 and day > now_ns // DAY_NS - 7]
    assert whole.usual(np.array([1]), now_ns).tolist() == [max(third, default=0)]


def test_switches_hold_for_a_day():
    one = tracks()
    switches = np.array([signal.is_switch for signal in SIGNALS])
    one.learn_rhythm(np.array([0, 1]), switches, np.array([15 * MINUTE_NS] * 2), np.array([5.0] * 2), now_ns=0,
                     young=np.array([False] * 2))  # fmt: skip
    assert set((one.hold_ns.reshape(2, -1)[:, switches] / MINUTE_NS).ravel().tolist()) == {1440.0}
    assert set((one.hold_ns.reshape(2, -1)[:, ~switches] / MINUTE_NS).ravel().tolist()) == {30.0}
