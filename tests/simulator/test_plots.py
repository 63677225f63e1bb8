"""Pages of plots: one a kind of fault, each with the four signals, the onset, and when the unit was not ready."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from simulator import plots, showcase
from simulator.faults import SENSOR_KINDS, FaultKind
from simulator.showcase import NEEDED, SHOWN, Pair, pairs

DAY_S = showcase.DAY_S
SHORT = {
    FaultKind.HEATER_ELEMENT_OPEN: showcase.Shown(before_s=0.5 * DAY_S, after_s=1.5 * DAY_S),
    FaultKind.SENSOR_STUCK: showcase.Shown(signal=NEEDED[0], before_s=0.5 * DAY_S, after_s=1.5 * DAY_S),
}


def test_every_kind_of_fault_is_shown_in_a_season():
    assert set(SHOWN) == set(FaultKind)
    assert {shown.climate for shown in SHOWN.values()} == set(showcase.SEASON_FROM_NS)
    for kind, shown in SHOWN.items():
        assert shown.growth_s < shown.after_s, f"{kind} would not be seen grown"
        assert (kind in SENSOR_KINDS) == bool(shown.signal)


@pytest.fixture(scope="module")
def short() -> Iterator[list[Pair]]:
    """Two faults, soon after the beginning of a world."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(showcase, "SHOWN", SHORT)
        patch.setattr(plots, "SHOWN", SHORT)
        patch.setattr(showcase, "ONSET_AFTER_NS", showcase.DAY_NS // 2)
        yield pairs(list(SHORT))


def test_a_unit_and_its_twin_are_the_same_until_the_onset_and_differ_after(short: list[Pair]):
    open_, stuck = short
    for pair in (open_, stuck):
        time_ns, onset_ns = pair.sound.time_ns, pair.fault.from_ns
        for signal in NEEDED:
            before = time_ns <= onset_ns
            assert np.array_equal(pair.sound.values[signal][before], pair.unwell.values[signal][before])
    water = open_.unwell.values[NEEDED[0]], open_.sound.values[NEEDED[0]]
    assert water[0].min() < 21.0 < 35.0 < water[1].min()
    assert open_.not_ready is not None
    assert np.array_equal(stuck.unwell.values[NEEDED[0]], stuck.sound.values[NEEDED[0]])
    stamps, value, _ = stuck.unwell.reported[NEEDED[0]]
    assert len(np.unique(value[stamps > stuck.fault.from_ns])) == 1
    assert stuck.not_ready is None


def test_a_page_is_drawn_for_each_kind_and_the_same_page_is_the_same_bytes(short: list[Pair], tmp_path: Path):
    told: list[str] = []
    files = plots.draw(tmp_path / "a", kinds=list(SHORT), told=told.append)
    assert [file.name for file in files] == ["heater_element_open.png", "sensor_stuck.png"]
    assert str(files[0]) in told
    assert all(file.read_bytes().startswith(b"\x89PNG") for file in files)
    (again,) = plots.draw(tmp_path / "b", kinds=[FaultKind.HEATER_ELEMENT_OPEN])
    assert again.read_bytes() == files[0].read_bytes()
    figure = plots.page(short[0])
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert titles[:4] == list(plots.LABELS)
    assert "heater_failed/element_open" in figure.get_suptitle()
    notes = figure.axes[-1].texts[0].get_text()
    assert "low_water_temperature" in notes


def test_without_matplotlib_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    monkeypatch.setattr(plots, "find_spec", lambda _: None)
    with pytest.raises(ModuleNotFoundError, match=r"pip install 'stillready\[plots\]'"):
        plots.draw(tmp_path)
