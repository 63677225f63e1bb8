"""What live running raised is what a replay of its stored history raises, whenever the program was killed or stopped.

Real stores, an injected clock, the very class that runs live; only its thread is left out.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms.lifecycle import Alarm
from monitor.assessing import LiveAssessment
from monitor.assessment.assessor import Assessor
from monitor.fleet import load_fleet
from monitor.history import export_history
from monitor.limits_file import load_limits
from monitor.replaying import alarm_line, in_order, replay_files
from monitor.signals import NAMES
from monitor.stores.embedded import EmbeddedReadings
from monitor.stores.operations import SqlOperations
from monitor.stores.protocols import AlarmQuery
from monitor.times import MINUTE_NS
from monitor.visits import load_visits
from tests.assessment.histories import BEGIN_NS, Story, allowed
from tests.assessment.test_grouping import law, stories
from tests.builders import nobody

FLEET_TEXT = """
[sites.mill]
name = "Mill"
timezone = "America/Denver"
visit_rule = "FREQ=WEEKLY;BYDAY=TH;BYHOUR=9;BYMINUTE=0"
[sites.weir]
name = "Weir"
[units.mill-1]
site = "mill"
battery_nominal_voltage = 24
[units.mill-2]
site = "mill"
[units.weir-1]
site = "weir"
battery_type = "agm"
"""


class House:
    """The stores of one data folder, and the program that is started, stopped and killed on them."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.now_ns = BEGIN_NS
        (place / "fleet.toml").write_text(FLEET_TEXT)
        self.fleet = load_fleet(place / "fleet.toml")
        self.limits = load_limits(None, self.fleet)
        self.readings = EmbeddedReadings(place)
        self.operations = SqlOperations(place / "operations.sqlite")
        self.live: LiveAssessment | None = None

    def start(self) -> None:
        """A new process on what is there."""
        self.live = LiveAssessment(
            assessor=Assessor(self.fleet, self.limits, load_visits(self.fleet).deadline),
            readings=self.readings,
            operations=self.operations,
            plan=nobody,
            clock=lambda: self.now_ns,
            checkpoint_path=self.place / "checkpoint.npz",
        )
        self.live.catch_up()
        self.live._floor = lambda: self.now_ns + 1  # what start() is handed, without its thread

    def arrives(self, rows) -> None:
        """A batch is made durable, then handed on, as the collector does."""
        fresh = self.readings.append(rows).fresh
        if self.live is not None:
            self.live.committed(rows.where(fresh))

    def spoken(self, alarm: Alarm) -> Alarm | None:
        """An alarm while it spoke for itself: it ended when it was suppressed; None: it never spoke."""
        suppressed_ns, spoke = None, False
        for event in self.operations.alarm_events(alarm.id):
            if event.what == "raised":
                suppressed_ns, spoke = None, True
            elif event.what == "suppressed":
                suppressed_ns = event.at_ns
        if suppressed_ns is None:
            return alarm
        return replace(alarm, cleared_at_ns=suppressed_ns) if spoke else None

    def alarms(self) -> str:
        """Every alarm that live running keeps, as replay would write it."""
        found, cursor = [], None
        while True:
            page = self.operations.alarms(AlarmQuery(cursor=cursor, limit=100))
            found += page.alarms
            cursor = page.next_cursor
            if cursor is None:
                spoken = (self.spoken(alarm) for alarm in found)
                return "".join(f"{alarm_line(alarm)}\n" for alarm in in_order(one for one in spoken if one))

    def replayed(self) -> str:
        """The lines of a replay of all that is stored, through files."""
        export_history(self.readings, self.place / "out")
        out = self.place / "alarms.jsonl"
        replay_files(self.place / "fleet.toml", [self.place / "out"], out, to_ns=self.now_ns + 1)
        return out.read_text()

    def close(self) -> None:
        self.readings.close()
        self.operations.close()


def lived(house: House, story: Story, moments: list[int], endings: list[str]) -> None:
    """The whole story through the live program: steps at some moments, a restart after each deaf time."""
    rows = story.batch()
    rows = rows.where(rows.signal != NAMES.index("listening_again"))  # the program writes its own
    row = 0
    house.start()
    restarts = dict(zip([to_ns for _, to_ns in story.deaf_ns], endings, strict=False))
    steps = allowed([*moments, *[from_ns for from_ns, _ in story.deaf_ns]], story)
    for moment in sorted({*steps, *restarts}):
        edge = int(np.searchsorted(rows.received_ns, moment, side="right"))
        for begin in range(row, edge, 500):
            house.arrives(rows.where(np.arange(begin, min(begin + 500, edge))))
        row = edge
        ending = restarts.get(moment)
        if ending is not None:
            if ending == "stopped":
                house.live.stop()
            if ending == "killed, checkpoint lost":
                (house.place / "checkpoint.npz").unlink()
            house.now_ns = moment
            house.start()
        house.now_ns = max(moment, house.now_ns)
        dies_before_judging = any(from_ns == moment for from_ns, _ in story.deaf_ns) and moment // MINUTE_NS % 2
        if not dies_before_judging:
            house.live.step()


ENDINGS = ("stopped", "killed", "killed, checkpoint lost")


@given(
    story=stories(days=2.0),
    moments=st.lists(st.integers(BEGIN_NS + 1, BEGIN_NS + 2 * 1440 * MINUTE_NS), min_size=1, max_size=25),
    endings=st.lists(st.sampled_from(ENDINGS), min_size=3, max_size=3),
)
@law(7)
def test_a_replay_of_what_live_running_stored_gives_its_alarms(tmp_path_factory, story, moments, endings):
    check(tmp_path_factory.mktemp("house"), story, moments, endings)


def check(place: Path, story: Story, moments: list[int], endings: list[str]) -> str:
    house = House(place)
    try:
        lived(house, story, moments, endings)
        alarms = house.alarms()
        assert house.replayed() == alarms
    finally:
        house.close()
    return alarms
