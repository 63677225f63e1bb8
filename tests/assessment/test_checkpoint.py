"""A checkpoint saves time and changes nothing: restored anywhere, the history goes on as if nothing had happened."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.assessment import checkpoint
from monitor.fleet import Fleet
from monitor.limits_file import parse_limits
from tests.assessment.histories import BEGIN_NS, FLEET, Episode, Knobs, Run, Story, allowed, assessor
from tests.assessment.test_grouping import law, stories

BUSY = Story(
    days=1.15,  # 1656 min
    units=(
        Knobs(episodes=(Episode("jacket_water_temperature", 1000, 700, 20.5),)),
        Knobs(links=((1430, False),), outages=((1430, 1900, 0),)),
        Knobs(ahead_min=(1650,), runs=(Run(1500, 200),), cranks=((1500, 8.6, 1),)),
    ),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("checkpoints")


@given(story=stories(days=2.0), places=st.lists(st.floats(0, 1), min_size=1, max_size=4))
@law(8)
def test_restored_at_any_moment_it_goes_on_as_if_nothing_had_happened(folder, story, places):
    rows = story.batch()
    moments = [BEGIN_NS + int(place * (story.until_ns - BEGIN_NS)) for place in places]
    path = folder / "kept.npz"
    findings, one, row = [], assessor(), 0
    for end in allowed(moments, story):
        edge = int(np.searchsorted(rows.received_ns, end, side="right"))
        findings += one.advance(rows.where(np.arange(row, edge)), end)
        row = edge
        checkpoint.save(one, path)
        one = assessor()
        assert checkpoint.restore(one, path) == [0, 1, 2]
    assert findings == assessor().advance(rows, story.until_ns)


def saved(path):
    """A checkpoint in the thick of things: a limit and its cause, a silence, a link down, a clock wrong, a crank."""
    one = assessor()
    assert one.advance(BUSY.batch(), BUSY.until_ns)
    assert set(one.standing()) == {
        ("mill-1", "heater_failed"),
        ("mill-1", "low_water_temperature"),
        ("mill-2", "readings_missing"),
        ("weir-1", "battery_weak"),
        ("weir-1", "clock_wrong"),
        ("weir-1", "low_cranking_voltage"),
    }
    assert one.standing()["mill-1", "low_water_temperature"].suppressed
    assert [crank.least for crank in one.states[2].cranks] == [8.6]
    assert one.states[0].learned["fake"].days == 2
    assert one.states[2].runs[-1].under_way
    checkpoint.save(one, path)
    return one


def test_what_stands_is_kept(tmp_path):
    before = saved(tmp_path / "kept.npz")
    after = assessor()
    checkpoint.restore(after, tmp_path / "kept.npz")
    assert after.standing() == before.standing()
    assert repr(after.states) == repr(before.states)  # NaN differs from itself
    for name, column in before.tracks.columns().items():
        np.testing.assert_array_equal(after.tracks.columns()[name], column, err_msg=name)
    assert [repr(after.view(unit)) for unit in range(3)] == [repr(before.view(unit)) for unit in range(3)]


@pytest.mark.parametrize(
    ("text", "known"),
    [
        ("", [0, 1, 2]),
        ('[units.mill-2.conditions.readings_missing]\nleast = "20 min"', [0, 2]),
        ('[units.mill-2.conditions.clock_wrong]\noff_delay = "2 h"', [0, 2]),
        ("[sites.weir.gas_pressure.stopped]\nlow_limit = { at = 900 }", [0, 1]),
    ],
)
def test_units_under_other_limits_are_judged_from_their_begin(tmp_path, text, known):
    saved(tmp_path / "kept.npz")
    assert checkpoint.restore(assessor(limits=parse_limits(text, FLEET)), tmp_path / "kept.npz") == known


def test_a_unit_with_another_battery_is_judged_from_its_begin(tmp_path):
    saved(tmp_path / "kept.npz")
    units = {**FLEET.units, "mill-1": replace(FLEET.units["mill-1"], battery_nominal_voltage=12)}
    fleet = Fleet(FLEET.sites, units)
    assert checkpoint.restore(assessor(fleet, parse_limits("", fleet)), tmp_path / "kept.npz") == [1, 2]


def test_units_may_come_and_go_between(tmp_path):
    before = saved(tmp_path / "kept.npz")
    units = {"new": replace(FLEET.units["mill-1"], id="new"), **FLEET.units}
    del units["mill-1"]
    fleet = Fleet(FLEET.sites, units)
    after = assessor(fleet, parse_limits("", fleet))
    assert checkpoint.restore(after, tmp_path / "kept.npz") == [1, 2]
    assert repr(after.states[1:]) == repr(before.states[1:])
    assert after.states[0].reasons == {}


def test_without_a_file_the_history_is_judged_again(tmp_path):
    with pytest.raises(checkpoint.Unusable, match="no checkpoint yet"):
        checkpoint.restore(assessor(), tmp_path / "kept.npz")


def test_a_damaged_file_is_refused_in_words_or_harmless(tmp_path):
    """Each thousandth byte turned, and cut short at many places: never another error, never another memory."""
    path = tmp_path / "kept.npz"
    before = saved(path)
    whole = path.read_bytes()
    rng = np.random.default_rng(1)
    spoilt = [whole[: int(length)] for length in rng.integers(0, len(whole), 20)]
    tail = rng.integers(len(whole) - 4000, len(whole), 150)  # the directory of the archive lies there
    for place in [*rng.integers(0, len(whole), 60).tolist(), *range(40), *tail.tolist()]:
        turned = bytearray(whole)
        turned[place] ^= 1 << int(rng.integers(8))
        spoilt.append(bytes(turned))
    refusals = []
    for content in spoilt:
        path.write_bytes(content)
        after = assessor()
        try:
            checkpoint.restore(after, path)
        except checkpoint.Unusable as reason:
            refusals.append(str(reason))
        else:
            assert repr(after.states) == repr(before.states)
    assert len(refusals) > 60
    assert all("kept.npz is damaged" in refusal or "does not fit" in refusal for refusal in refusals)
