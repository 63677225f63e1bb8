"""Cranks are found in what readings show of them, judged by their least, and kept."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.battery import BatteryNormal
from monitor.assessment import cranks
from monitor.assessment.cranks import Found
from monitor.times import SECOND_NS
from tests.assessment.bench import Bench

DIP = [12.9, 9.8, 9.6, 10.2, 10.4, 12.4, 12.6]


def found(volts, times_s=None, cuts=()):
    """Cranks in readings a second apart, handed in by pieces."""
    times = np.arange(len(volts)) if times_s is None else np.array(times_s)
    times_ns, volts = (times * SECOND_NS).astype(np.int64), np.array(volts)
    out, previous, dip = [], None, None
    for begin, end in zip([0, *cuts], [*cuts, len(volts)], strict=True):
        some, dip = cranks.found_in(times_ns[begin:end], times_ns[begin:end] + 5, volts[begin:end], previous, dip)
        out += some
        if end > begin:
            previous = (int(times_ns[end - 1]), float(volts[end - 1]))
    return out


def test_a_dip_that_recovers_is_a_crank():
    assert found(DIP) == [Found(SECOND_NS, 5 * SECOND_NS + 5, 9.6, 12.9, 1.0)]


def test_three_attempts_are_three_cranks():
    assert [one.least for one in found([12.9, 9.8, 9.7, 12.3, 12.3, 9.5, 12.1, 9.3, 12.0])] == [9.7, 9.5, 9.3]


def test_readings_a_minute_apart_give_an_upper_bound():
    assert found([13.5, 10.5, 13.8], [0, 60, 120]) == [Found(60 * SECOND_NS, 120 * SECOND_NS + 5, 10.5, 13.5, 60.0)]


@pytest.mark.parametrize(
    ("volts", "times_s"),
    [
        ([13.5, 12.9, 12.8, 12.8], None),  # a charger that stops
        ([13.5, 12.2, 12.0, 11.9, 11.8, 13.0], [0, 60, 120, 180, 240, 300]),  # a battery that goes flat
        ([13.5, 10.5, 13.8], [0, 600, 1200]),  # who knows what was between
        ([13.5, 0.0, 13.5], None),  # a wire that let go
        ([13.5, 10.0], None),  # not over yet
    ],
)
def test_what_is_no_crank(volts, times_s):
    assert found(volts, times_s) == []


@given(
    volts=st.lists(st.sampled_from([8.5, 9.5, 10.5, 11.9, 12.5, 13.0, 13.5]), min_size=2, max_size=40),
    step=st.sampled_from([1, 20, 60, 200]),
    cuts=st.lists(st.integers(0, 40), max_size=5),
)
@settings(max_examples=300, deadline=None)
def test_pieces_change_nothing(volts, step, cuts):
    """Law: what is found does not depend on the pieces in which readings come."""
    times = [place * step for place in range(len(volts))]
    assert found(volts, times, sorted(cut for cut in cuts if cut <= len(volts))) == found(volts, times)


def cranked(*leasts, step_s=1.0, blocks=1):
    """A unit that is cranked each ten minutes, with the least of each."""
    bench = Bench(blocks=blocks, minutes=120.0).stands()
    for place, least in enumerate(leasts):
        minute = 10.5 + 10 * place
        for second in np.arange(0, 8, step_s):
            bench.says("battery_voltage", minute + second / 60, (least + 0.1 * abs(second - 3)) * blocks)
        bench.says("battery_voltage", minute + 9 / 60, 12.8 * blocks)
    return bench


def low(bench):
    return [(kind, urgency) for condition, kind, urgency, _ in bench.said() if condition == "low_cranking_voltage"]


@pytest.mark.parametrize("blocks", [1, 2])
@pytest.mark.parametrize(
    ("leasts", "said"),
    [
        ([10.4], []),
        ([9.4], [("raised", "at_visit")]),
        ([7.8], [("raised", "now")]),
        ([9.4, 7.8], [("raised", "at_visit"), ("changed", "now")]),
        ([9.4, 9.3, 9.2], [("raised", "at_visit")]),
        ([7.8, 9.4, 10.4], [("raised", "now"), ("changed", "at_visit"), ("cleared", "at_visit")]),
    ],
)
def test_the_least_of_a_crank_is_judged_and_the_next_sound_one_clears_it(leasts, said, blocks):
    assert low(cranked(*leasts, blocks=blocks)) == said


@pytest.mark.parametrize(("past", "inside", "beyond"), [(10.2, 9.65, 9.55), (11.2, 10.6, 10.3), (9.4, 8.9, 8.6)])
def test_the_plain_value_holds_but_where_the_own_sound_cranks_lie_below_it(past, inside, beyond):
    """0.7 V under the own past is 9.5, 10.5, 8.7; 9.6 is nearer for the first, and no bound for the last."""
    ratio = float(np.log((12.68 - past) / past))
    for least, said in ((inside, []), (beyond, [("raised", "at_visit")])):
        bench = cranked(least)
        own = tuple((19_000.0 + 7 * week, ratio, 25.0, 0.12) for week in range(20))
        bench.assessor.states[0].learned["battery"] = BatteryNormal(cranks=own)
        assert low(bench) == said, least


def test_a_crank_seen_by_slow_readings_may_raise_but_never_clears():
    bench = cranked(9.2)
    bench.says("battery_voltage", 40.5, 10.4)
    assert low(bench) == [("raised", "at_visit")]
    slow = Bench(minutes=120.0).stands()
    slow.says("battery_voltage", 40.5, 7.0)
    assert low(slow) == [("raised", "now")]
    [crank] = slow.assessor.states[0].cranks
    assert crank.seen_s > 2.0


def test_a_crank_is_kept_with_what_was_round_it_for_90_days():
    bench = cranked(9.9)
    bench.findings()
    [crank] = bench.assessor.states[0].cranks
    assert (crank.least, crank.before, crank.air, crank.water, crank.seen_s) == (9.9, 13.5, 25.0, 45.0, 2.0)
    state = bench.assessor.states[0]
    state.forget(crank.at_ns + 89 * 24 * 3600 * SECOND_NS)
    assert state.cranks == [crank]
    state.forget(crank.at_ns + 91 * 24 * 3600 * SECOND_NS)
    assert state.cranks == []
