"""Telemetry of one unit: whether anything comes from it, whether its gateway is linked, whether its clock is right.

In: arrivals, the rows that the program itself wrote, the unit's state. Out: turns. May import: monitor.assessment,
monitor.alarms, monitor.batch, monitor.signals, monitor.times.
"""

from dataclasses import dataclass

import numpy as np

from monitor.alarms.lifecycle import Evidence, Urgency
from monitor.assessment import silence
from monitor.assessment.ground import CLOCK, LINK, Ground
from monitor.assessment.state import Turned, UnitState
from monitor.assessment.tracks import NEEDED_INDEX, NO_TIME, Tracks
from monitor.batch import Batch
from monitor.signals import NAMES
from monitor.times import DAY_NS

VISIT_NEAR_NS = DAY_NS  # a visit within a day: readings missing can wait for it (contract)


@dataclass(frozen=True, slots=True)
class TelemetryJudge:
    """Judges silence and clocks of units on common ground."""

    ground: Ground
    tracks: Tracks

    def judge(self, unit: int, state: UnitState, news: Batch, own: Batch, until_ns: int) -> list[Turned]:
        """One unit. news: readings that bring news; own: rows that the program wrote beside them."""
        return [*self._judge_silence(unit, state, news, own, until_ns), *self._judge_clock(unit, state, own, until_ns)]

    def _judge_silence(self, unit: int, state: UnitState, news: Batch, own: Batch, until_ns: int) -> list[Turned]:
        standing = state.reasons.get("readings_missing", {})
        arrivals = np.unique(news.received_ns).tolist()
        heard = int(self.tracks.unit_heard_ns[unit])
        learned_ns = int(self.tracks.unit_learned_ns[unit])
        turned = [
            self._silent(unit, "unit", begins, moment, "nothing comes from this unit")
            for begins, moment in silence.silences(
                heard,
                arrivals,
                int(self.tracks.unit_silence_ns[unit]),
                state.deaf,
                until_ns,
                "unit" in standing,
                earliest_ns=learned_ns,
            )
        ]
        for signal in NEEDED_INDEX:
            track = unit * self.ground.signals + signal
            newest = int(self.tracks.newest_received_ns[track])
            source = NAMES[signal]
            turned += [
                self._silent(unit, source, begins, moment, f"no {source}")
                for begins, moment in silence.silences(
                    self.tracks.signal_heard_ns(unit, newest),
                    np.unique(news.received_ns[news.signal == signal]).tolist(),
                    int(self.tracks.silence_ns[track]) + silence.SIGNAL_LATER_NS,
                    state.deaf,
                    until_ns,
                    source in standing,
                    earliest_ns=learned_ns,
                    anew_ns=arrivals[0] if arrivals and int(self.tracks.unit_first_ns[unit]) == NO_TIME else None,
                )
            ]
        return turned + self._judge_link(unit, state, arrivals, own, until_ns, "link" in standing)

    def _judge_link(
        self, unit: int, state: UnitState, arrivals: list[int], own: Batch, until_ns: int, down: bool
    ) -> list[Turned]:
        """A gateway's 'offline' begins silence after its delay; only readings end it, 'online' alone proves nothing."""
        links = own.where(own.signal == LINK)
        events = sorted(
            [(arrival, 1, True) for arrival in arrivals]
            + [
                (received, 0, up > 0)
                for received, up in zip(links.received_ns.tolist(), links.value.tolist(), strict=True)
            ]
        )
        turned: list[Turned] = []
        delay = int(self.ground.link_offline_ns[unit])
        for moment, is_reading, up in [*events, (until_ns + 1, 2, True)]:
            if state.offline_ns is not None and not down:
                deadline = silence.postponed(state.deaf, state.offline_ns + delay)
                if deadline < moment:
                    turned.append(self._silent(unit, "link", True, deadline, "the gateway's link is down"))
                    down = True
            if is_reading == 1:
                state.offline_ns = None
                if down:
                    turned.append(self._silent(unit, "link", False, moment, "the gateway's link is down"))
                    down = False
            elif is_reading == 0 and not up and state.offline_ns is None:
                state.offline_ns = moment
        return turned

    def _silent(self, unit: int, source: str, begins: bool, moment_ns: int, text: str) -> Turned:
        urgency = Urgency.AT_VISIT
        if source in ("unit", "link"):
            deadline, _ = self.ground.deadline(self.ground.units[unit].site, moment_ns)
            urgency = Urgency.BEFORE_VISIT if deadline - moment_ns > VISIT_NEAR_NS else Urgency.AT_VISIT
        evidence = Evidence(signal="" if source in ("unit", "link") else source, text=text)
        return Turned(moment_ns, moment_ns, "readings_missing", source, begins, urgency, evidence)

    def _judge_clock(self, unit: int, state: UnitState, own: Batch, until_ns: int) -> list[Turned]:
        rows = own.where(own.signal == CLOCK)
        turned: list[Turned] = []
        off = int(self.ground.clock_off_ns[unit])
        for moment, ahead in [*zip(rows.received_ns.tolist(), rows.value.tolist(), strict=True), (until_ns + 1, None)]:
            last = state.clock_ahead_ns
            if last is not None and last + off < moment:
                turned.append(self._clock(False, last + off, Evidence(text="its stamps are right again")))
                state.clock_ahead_ns = None
            if ahead is not None:
                if state.clock_ahead_ns is None:
                    text = "stamps from the future were set aside"
                    turned.append(self._clock(True, moment, Evidence("", "s", ahead, 0.0, text=text)))
                state.clock_ahead_ns = moment
        return turned

    def _clock(self, begins: bool, moment_ns: int, evidence: Evidence) -> Turned:
        return Turned(moment_ns, moment_ns, "clock_wrong", "clock", begins, Urgency.AT_VISIT, evidence)
