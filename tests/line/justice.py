"""What must hold after whatever was done to the program: nothing lost, nothing twice, every alarm justified, told.

In: the data folder of a program that has ended, what the broker had confirmed, what the receivers got. Raises
AssertionError with the differences. Reads the folder through the stores, as a restart would.
"""

from collections import Counter
from dataclasses import dataclass

import numpy as np

from monitor.alarms.lifecycle import Alarm, State
from monitor.batch import Batch
from monitor.replaying import alarm_line, in_order, replay_unit
from monitor.signals import INTERNAL
from monitor.stores.embedded import EmbeddedReadings
from monitor.stores.operations import FILE_NAME, SqlOperations
from monitor.stores.protocols import AlarmQuery, CallOut
from monitor.times import SECOND_NS
from tests.line.gateways import Key
from tests.line.program import Program
from tests.line.receivers import Hook

SHOWN = 5  # differences shown of each kind
UNTOLD_NS_MAX = 5 * SECOND_NS  # what stood no longer than this while the program ran may have come and gone in one look


@dataclass(frozen=True)
class Kept:
    """What the stores of a data folder hold."""

    rows: Batch
    alarms: tuple[Alarm, ...]
    call_outs: tuple[CallOut, ...]
    quarantined: dict[str, int]
    until_ns: int

    @property
    def readings(self) -> dict[Key, float]:
        """Readings that gateways sent; what the program wrote itself is left out."""
        own = np.array([signal in INTERNAL for signal in self.rows.signals])
        rows = self.rows.where(~own[self.rows.signal])
        keys = zip(rows.unit.tolist(), rows.signal.tolist(), rows.time_ns.tolist(), strict=True)
        return {
            (rows.units[unit], rows.signals[signal], time_ns): value
            for (unit, signal, time_ns), value in zip(keys, rows.value.tolist(), strict=True)
        }

    @property
    def deaf(self) -> dict[str, list[tuple[int, int]]]:
        """Per unit the times in which the program did not run, as it wrote them down itself."""
        listening = self.rows.where(self.rows.signal == self.rows.signals.index("listening_again"))
        spans: dict[str, list[tuple[int, int]]] = {}
        for unit, value, time_ns in zip(
            listening.unit.tolist(), listening.value.tolist(), listening.time_ns.tolist(), strict=True
        ):
            spans.setdefault(listening.units[unit], []).append((time_ns - round(value * SECOND_NS), time_ns))
        return spans


def rows_of(program: Program) -> Batch:
    """All rows of the reading store, also while the program runs."""
    store = EmbeddedReadings(program.data)
    try:
        fleet = program.fleet
        return store.read(units=fleet.unit_names, signals=fleet.signal_names, from_ns=0, to_ns=2**62)
    finally:
        store.close()


def count_of(program: Program) -> int:
    """How many readings of gateways are stored, also while the program runs."""
    rows = rows_of(program)
    own = np.array([signal in INTERNAL for signal in rows.signals])
    return int(np.count_nonzero(~own[rows.signal]))


def kept_by(program: Program) -> Kept:
    """What the stores hold of a program that has ended."""
    operations = SqlOperations(program.data / FILE_NAME)
    try:
        alarms: list[Alarm] = []
        cursor: str | None = ""
        while cursor is not None:
            page = operations.alarms(AlarmQuery(limit=1_000, cursor=cursor or None))
            alarms += page.alarms
            cursor = page.next_cursor
        until_ns = operations.assessed_until_ns()
        assert until_ns is not None, "something was assessed"
        call_outs = tuple(operations.call_outs(limit=1_000_000))
        return Kept(rows_of(program), tuple(alarms), call_outs, operations.quarantine_counts(), until_ns)
    finally:
        operations.close()


def assert_nothing_is_lost_or_invented(kept: Kept, confirmed: dict[Key, float]) -> None:
    """Every reading that the broker had confirmed is kept with its value, and no other. The key makes it once."""
    there = kept.readings
    missing = [key for key in confirmed if key not in there]
    invented = [key for key in there if key not in confirmed]
    changed = [key for key in confirmed if there.get(key, confirmed[key]) != confirmed[key]]
    assert not missing, f"{len(missing)} of {len(confirmed)} readings are lost: {missing[:SHOWN]}"
    assert not invented, f"{len(invented)} readings that nobody sent: {invented[:SHOWN]}"
    assert not changed, f"{len(changed)} readings have another value: {changed[:SHOWN]}"
    assert len(there) == len(confirmed)


def justified(program: Program, kept: Kept) -> list[str]:
    """The alarms that the kept history justifies, by a replay, as the contract's lines."""
    fleet, limits, deadline = program.fleet, program.limits, program.deadline
    alarms: list[Alarm] = []
    for place, unit in enumerate(fleet.unit_names):
        rows = kept.rows.where((kept.rows.unit == place) & (kept.rows.received_ns <= kept.until_ns))
        alarms += replay_unit(fleet, limits, deadline, unit, rows, kept.until_ns)
    return [alarm_line(alarm) for alarm in in_order(alarms)]


def assert_alarms_are_justified(program: Program, kept: Kept) -> int:
    """Live running and a replay of what it kept say the same, byte for byte; how many alarms there were."""
    said = [alarm_line(alarm) for alarm in in_order(kept.alarms) if alarm.state is not State.SUPPRESSED]
    should = justified(program, kept)
    twice = [line for line, count in Counter(said).items() if count > 1]
    assert not twice, f"raised twice: {twice[:SHOWN]}"
    unjustified, missing = sorted(set(said) - set(should)), sorted(set(should) - set(said))
    differences = [f"missing     {line}" for line in missing[:SHOWN]]
    differences += [f"unjustified {line}" for line in unjustified[:SHOWN]]
    assert not differences, "\n".join(
        [f"of {len(should)} alarms {len(missing)} are missing and {len(unjustified)} not justified", *differences]
    )
    assert said == should
    return len(said)


def assert_told(kept: Kept, hooks: list[Hook]) -> int:
    """Every push arrived, none under two keys, and whoever had to be called was; how many alarms were told."""
    delivered = {call_out.key for call_out in kept.call_outs if call_out.outcome == "delivered"}
    undone = [call_out for call_out in kept.call_outs if call_out.outcome in ("waiting", "failed")]
    assert not undone, f"{len(undone)} pushes never went out: {undone[:SHOWN]}"
    came = {hook.key for hook in hooks}
    assert came >= delivered, f"{len(delivered - came)} pushes are said to be delivered and never came"
    assert came <= {call_out.key for call_out in kept.call_outs}, "a push came that nobody wrote down"
    said: dict[tuple[str, ...], set[str]] = {}
    for hook in hooks:
        data = hook.event["data"]
        what = (data["alarm"], hook.event["type"], data["urgency"], hook.event["time"])
        if data["event"] in ("raised", "returned"):  # once in the life of an alarm that nobody answers
            what = what[:2]
        said.setdefault(what, set()).add(hook.key)
    twice = {what: keys for what, keys in said.items() if len(keys) > 1}
    assert not twice, f"pushed under several keys: {list(twice.items())[:SHOWN]}"
    told = {alarm_id for call_out in kept.call_outs if call_out.key in came for alarm_id in call_out.alarm_ids}
    untold = [
        alarm
        for alarm in kept.alarms
        if alarm.id not in told and alarm.state is not State.SUPPRESSED and _called_for_ns(alarm, kept) > UNTOLD_NS_MAX
    ]
    assert not untold, f"{len(untold)} alarms stood and nobody was called: {untold[:SHOWN]}"
    return len(told)


def _called_for_ns(alarm: Alarm, kept: Kept) -> int:
    """How long an alarm stood that calls, while the program ran."""
    if not any(urgency.calls for _, urgency in alarm.urgency_history):
        return 0
    if len(alarm.urgency_history) > 1 and not all(urgency.calls for _, urgency in alarm.urgency_history):
        return 0  # it called for a part of its life only: how long the program knew that is not kept
    end = alarm.cleared_noticed_ns if alarm.cleared_noticed_ns is not None else kept.until_ns
    stood = end - alarm.noticed_at_ns
    for begin_ns, end_ns in kept.deaf.get(alarm.unit, []):
        stood -= max(0, min(end, end_ns) - max(alarm.noticed_at_ns, begin_ns))
    return stood
