"""The way back to float after a crank, in steady volts of which a test lowers some cells."""

from dataclasses import replace

import numpy as np
import pytest

from models.battery import judge
from models.battery.evidence import PRIOR
from models.battery.hours import hours_of
from models.battery.normal import BatteryNormal
from models.battery.recharge import learned, slow_return_log_odds, usual_h, ways_back
from models.seen import Crank
from models.windows import CELL_NS
from tests.models.battery_traces import Plant, build, seen_at

KNOWN = BatteryNormal(float_voltage=13.5, float_slope=0.0, back_h=(1 / 6,) * 5)
TRACE = build(Plant(days=15))


def lives(*cranks, charged=13.5, unseen=0, slow=()):
    """14 days at 13.5 V with cranks at cells, each followed by so many cells at 13.0 V; unseen: cells after each."""
    seen = seen_at(TRACE, 14.9)
    window = seen.battery
    mean, count = np.full_like(window.mean, charged), np.full_like(window.count, 10)
    out = []
    for cell, back in cranks:
        mean[0, cell : cell + back] = 13.0
        count[0, cell + 1 : cell + 1 + unseen] = 0
        out.append(Crank((window.begin_cell + cell) * CELL_NS + 1, 10.5, charged, 20.0, 40.0, 1.0))
    for begin, end in slow:
        mean[0, begin:end] = 13.0
    battery = replace(window, mean=mean, least=mean, greatest=mean, count=count)
    return replace(seen, battery=battery, cranks=(tuple(out),), running=np.zeros_like(seen.running))


def ways(seen, normal=KNOWN):
    return [(round(hours, 3), back) for _, hours, back in ways_back(seen, 0, hours_of(seen, 0), normal)]


def test_a_way_back_lasts_from_the_crank_to_the_first_cell_at_float():
    assert ways(lives((300, 1), (1300, 7))) == [(0.167, True), (1.167, True)]


def test_what_cannot_be_told_is_left_out():
    assert ways(lives((300, 3), charged=13.1)) == []  # the battery was not full
    assert ways(lives((300, 9), unseen=6)) == []  # nobody saw when it came back
    assert ways(lives((300, 3)), BatteryNormal()) == []  # no float is known
    assert ways(lives((300, 12), (310, 3))) == []  # cranked again before it was back, and not full then
    assert ways(lives(*((cell, 2) for cell in range(100, 1900, 30)))) == []  # no engine starts each five hours


def test_two_cranks_of_one_start_are_one():
    assert ways(lives((300, 2), (302, 2))) == [(0.333, True)]


def test_a_run_that_slow_readings_show_counts_without_its_dip():
    seen = lives(slow=((500, 506),))
    seen.running[0, 500:503] = True
    assert ways(seen) == [(1.0, True)]


def test_it_is_slow_once_two_cranks_took_some_times_what_is_usual():
    def said(*cranks, normal=KNOWN):
        seen = lives(*cranks)
        return slow_return_log_odds(ways_back(seen, 0, hours_of(seen, 0), normal), normal)[0]

    assert said((300, 1), (1300, 1)) == PRIOR
    assert said((300, 1), (1300, 7)) < -1.0
    assert said((300, 7), (1300, 9)) > 2.5
    assert said((300, 2), (1300, 2)) == PRIOR  # minutes are nobody's trouble
    assert said((300, 7), (1300, 9), normal=replace(KNOWN, back_h=(1.0,) * 5)) == PRIOR  # it always took so long
    assert said((300, 7), (1300, 9), normal=replace(KNOWN, back_h=(1 / 6,) * 3)) == PRIOR  # too few are known


def test_the_charger_is_called_weak_and_its_current_limit_first():
    seen = lives((300, 7), (1300, 9))
    normal = replace(KNOWN, days=(), spread=0.02, day_sd=0.02)
    (weak,) = [one for one in judge(seen, [normal])[0] if one.condition == "charger_weak"]
    assert weak.probability[0] > 0.9
    assert max(weak.causes, key=lambda name: weak.causes[name][0]) == "charger_weak/current_limit_falling"
    assert "from a crank back to float" in weak.text[0]


def test_what_is_usual_is_learned_and_what_is_far_longer_is_not():
    told = [(10, 0.2, True), (20, 0.3, True), (30, 3.0, True), (40, 0.2, False)]
    past, since = learned(told, KNOWN)
    assert past == (*KNOWN.back_h, 0.2, 0.3)
    assert since == 30
    assert learned(told, replace(KNOWN, back_h=past, back_ns=since)) == (past, since)
    assert usual_h(past) == pytest.approx(0.2, abs=0.05)
    assert np.isnan(usual_h(past[:3]))
