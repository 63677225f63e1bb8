"""Cranks of one unit: those that its battery readings show, and what the least of each says by the limits.

In: readings that bring news, the unit's state. Out: cranks, turns of low_cranking_voltage; the open dip in the state.
May import: models, monitor.assessment, monitor.alarms, monitor.batch, monitor.limits_file, monitor.times.
"""

from collections.abc import Mapping

import numpy as np

from models.battery import BatteryNormal, expected_crank
from models.seen import Crank
from monitor.alarms.lifecycle import Evidence, Urgency
from monitor.assessment import cranks
from monitor.assessment.ground import BATTERY, ENCLOSURE, WATER, Ground
from monitor.assessment.state import Turned, UnitState
from monitor.assessment.tracks import NO_TIME, Tracks
from monitor.batch import Batch, Int64
from monitor.limits_file import Limits
from monitor.signals import SIGNALS
from monitor.times import HOUR_NS

CONDITION = "low_cranking_voltage"
LEVELS = {"warning": Urgency.AT_VISIT, "not_ready": Urgency.NOW}
OWN_V = 0.7  # V a block under the own past at like temperature (shared trade facts, section 2)
OWN_SDS = 2.0  # and no nearer than what the own past lets expect
BESIDE_NS_MAX = 2 * HOUR_NS  # a temperature read longer ago is not that of the crank


class CrankJudge:
    """Finds and judges cranks of units on common ground."""

    def __init__(self, ground: Ground, tracks: Tracks, limits: Limits) -> None:
        self._ground = ground
        self._tracks = tracks
        self._least = [
            {level: float(limits.condition(unit.id, CONDITION)[level]) for level in LEVELS} for unit in ground.units
        ]

    def judged_by(self, unit: int) -> str:
        """What its turns depend on beside readings, as text to compare."""
        return repr(self._least[unit])

    def may_crank(self, news: Batch) -> Int64:
        """Units of which a reading of news may begin a dip, index; never leaves one out."""
        own = news.signal == BATTERY
        unit: Int64 = news.unit[own].astype(np.int64)
        value = news.value[own]
        if not len(unit):
            return unit
        before = np.append(np.nan, value[:-1])
        first = np.append(True, unit[1:] != unit[:-1])
        before[first] = self._tracks.newest_value[unit[first] * self._ground.signals + BATTERY]
        found: Int64 = unit[cranks.may_dip(value / self._ground.blocks[unit], before / self._ground.blocks[unit])]
        return found

    def judge(self, unit: int, state: UnitState, news: Batch) -> tuple[list[tuple[int, Crank]], list[Turned]]:
        """Cranks that end in the news, each with its arrival, and the turns that they make."""
        rows = news.where(news.signal == BATTERY)
        if not len(rows):
            return [], []
        blocks = float(self._ground.blocks[unit])
        track = unit * self._ground.signals + BATTERY
        newest = int(self._tracks.newest_ns[track])
        previous = None if newest == NO_TIME else (newest, float(self._tracks.newest_value[track]) / blocks)
        found, state.dip = cranks.found_in(rows.time_ns, rows.received_ns, rows.value / blocks, previous, state.dip)
        standing = set(state.reasons.get(CONDITION, {}))
        out: list[tuple[int, Crank]] = []
        turned: list[Turned] = []
        for one in found:
            air, water = (self._beside(unit, signal, news, one) for signal in (ENCLOSURE, WATER))
            crank = Crank(one.at_ns, one.least, one.before, air, water, one.seen_s)
            out.append((one.received_ns, crank))
            least = self._bounds(unit, state, crank)
            turned += self._turned(unit, crank, one.received_ns, standing, least)
        return out, turned

    def _bounds(self, unit: int, state: UnitState, crank: Crank) -> dict[str, float]:
        """Least volts of each level: the warning's against the unit's own past at like temperature, once it has one.

        The plain value stays the outermost bound, but for a unit whose own sound cranks lie below it.
        """
        plain = self._least[unit]
        normal = next((one for one in state.learned.values() if isinstance(one, BatteryNormal)), None)
        if normal is None:
            return plain
        usual, sd = expected_crank(normal.cranks, self._ground.units[unit].battery_type, crank.before, crank.air)
        if np.isnan(usual):
            return plain
        least = usual - max(OWN_V, OWN_SDS * sd)
        outermost = plain["warning"] if plain["warning"] < usual - OWN_SDS * sd else plain["not_ready"]
        return plain | {"warning": max(least, outermost)}

    def _turned(
        self, unit: int, crank: Crank, received_ns: int, standing: set[str], bounds: Mapping[str, float]
    ) -> list[Turned]:
        """Levels that a crank falls below, and those that it clears: only one that was seen whole can."""
        turned = []
        for level, least in bounds.items():
            below = crank.least < least
            if below == (level in standing) or not (below or crank.seen_s <= cranks.SEEN_S):
                continue
            (standing.add if below else standing.discard)(level)
            evidence = self._evidence(unit, crank, level, least)
            turned.append(Turned(received_ns, crank.at_ns, CONDITION, level, below, LEVELS[level], evidence))
        return turned

    def _evidence(self, unit: int, crank: Crank, level: str, least: float) -> Evidence:
        blocks = float(self._ground.blocks[unit])
        seen = crank.seen_s <= cranks.SEEN_S
        text = "Least voltage of a crank." if seen else "A crank between slow readings: its true least may be lower."
        return Evidence(
            signal=SIGNALS[BATTERY].name,
            symbol=SIGNALS[BATTERY].symbol,
            measured=round(crank.least * blocks, 6),
            limit=round(least * blocks, 6),
            level=level,
            limits_version=self._ground.limits_version,
            text=text,
        )

    def _beside(self, unit: int, signal: int, news: Batch, one: cranks.Found) -> float:
        """Another signal's newest value as known when a crank was found, NaN where it is old."""
        track = unit * self._ground.signals + signal
        rows = np.flatnonzero((news.signal == signal) & (news.received_ns <= one.received_ns))
        at, value = int(self._tracks.newest_ns[track]), float(self._tracks.newest_value[track])
        if len(rows):
            at, value = int(news.time_ns[rows[-1]]), float(news.value[rows[-1]])
        return value if at != NO_TIME and abs(one.at_ns - at) <= BESIDE_NS_MAX else np.nan
