"""The way from gateways to the monitor: links with gaps, what is kept for later, what takes long or comes twice.

In: samples with the stamps their gateways gave them, faults. Out: what has arrived, what is under way. May import:
numpy, simulator. Touches nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from simulator.chance import SECOND_NS, Bool, Float64, Int64, Keys, even
from simulator.faults import Fault, FaultKind, severity_at
from simulator.gateways import GAP_S_MAX, Gateway
from simulator.samples import Samples

MINUTE_NS = 60 * SECOND_NS
SLOT_NS = 6 * 3600 * SECOND_NS  # in each of which a gap can begin
WAITING = -1  # received_ns of what has not been sent
REPEATED_AFTER_S = 30.0  # at most


@dataclass(frozen=True, slots=True)
class Links:
    """The links of some units. gateway_keys, message_keys: chance of the boxes and of messages, [unit, 1].

    batch_phase: when in its batches each unit sends, -1..1, [unit].
    """

    profiles: tuple[Gateway, ...]
    gateway_keys: Keys
    message_keys: Keys
    batch_phase: Float64

    def of(self, what: str) -> Float64:
        """One number of each unit's gateway, [unit]."""
        return np.array([getattr(profile, what) for profile in self.profiles], np.float64)


@dataclass(frozen=True, slots=True)
class Packets:
    """Readings under way, [row]: when taken, true and as stamped, and when received, or WAITING; all ns."""

    time_ns: Int64
    stamped_ns: Int64
    unit: Int64
    signal: Int64
    value: Float64
    received_ns: Int64

    @classmethod
    def of(cls, samples: Samples, stamped_ns: Int64) -> "Packets":
        """Samples that nothing has happened to yet."""
        waiting = np.full(len(stamped_ns), WAITING, np.int64)
        return cls(samples.time_ns, stamped_ns, samples.unit, samples.signal, samples.value, waiting)

    def where(self, rows: Bool | Int64) -> "Packets":
        """Some of the rows."""
        return Packets(
            self.time_ns[rows],
            self.stamped_ns[rows],
            self.unit[rows],
            self.signal[rows],
            self.value[rows],
            self.received_ns[rows],
        )

    def and_these(self, other: "Packets") -> "Packets":
        """These rows, then the others."""
        return Packets(
            np.concatenate([self.time_ns, other.time_ns]),
            np.concatenate([self.stamped_ns, other.stamped_ns]),
            np.concatenate([self.unit, other.unit]),
            np.concatenate([self.signal, other.signal]),
            np.concatenate([self.value, other.value]),
            np.concatenate([self.received_ns, other.received_ns]),
        )


def begin_links() -> Packets:
    """Nothing under way."""
    none = np.empty(0, np.int64)
    return Packets(none, none, none, none, np.empty(0), none)


def links_up(links: Links, unit_ids: Sequence[str], faults: Sequence[Fault], time_ns: Int64) -> Bool:
    """Whether each unit's link is up, [unit, minute].

    Args:
        faults: those of the kind link_down count. time_ns: whole minutes, one after the other, [minute].
    """
    up = np.ones((len(unit_ids), len(time_ns)), np.bool_)
    row_of = {unit: row for row, unit in enumerate(unit_ids)}
    for fault in faults:
        if fault.kind is FaultKind.LINK_DOWN and fault.unit in row_of and fault.from_ns <= time_ns[-1]:
            up[row_of[fault.unit]] &= severity_at(fault, time_ns) <= 0.0
    slots = np.arange((int(time_ns[0]) - int(GAP_S_MAX) * SECOND_NS) // SLOT_NS, int(time_ns[-1]) // SLOT_NS + 1)
    chance, when, long = (0.5 + 0.5 * even(links.gateway_keys, 3 * slots + turn) for turn in range(3))
    begins = chance < links.of("gaps_a_day")[:, None] * SLOT_NS / (86_400.0 * SECOND_NS)
    lasts_s = np.minimum(-np.log(np.maximum(long, 1e-12)) * links.of("gap_s")[:, None], GAP_S_MAX)
    for row, slot in zip(*np.nonzero(begins), strict=True):
        begin_ns = int(slots[slot]) * SLOT_NS + int(when[row, slot] * SLOT_NS)
        end_ns = begin_ns + max(int(lasts_s[row, slot]), 60) * SECOND_NS
        up[row, (time_ns >= begin_ns) & (time_ns < end_ns)] = False
    return up


def arrivals(
    links: Links,
    unit_ids: Sequence[str],
    faults: Sequence[Fault],
    new: Packets,
    before: Packets,
    *,
    grid_ns: Int64,
) -> tuple[Packets, Packets]:
    """What has arrived by the last minute of a grid, in that order, and what is still under way.

    Args:
        new: taken after the first minute of the grid. before: under way by then. grid_ns: whole minutes.
    """
    up = links_up(links, unit_ids, faults, grid_ns)
    lost = links.of("lost_share")[new.unit]
    if np.any(lost > 0.0):
        new = new.where(_chance(links, new.unit, new.time_ns, 1) >= lost)
    waiting = before.received_ns == WAITING
    sent, left = _sent(links, up, before.where(waiting).and_these(new), grid_ns)
    on_way = before.where(~waiting).and_these(sent)
    there = on_way.received_ns <= grid_ns[-1]
    arrived = on_way.where(there)
    order = np.lexsort((arrived.signal, arrived.time_ns, arrived.unit, arrived.received_ns))
    return arrived.where(order), left.and_these(on_way.where(~there))


def _chance(links: Links, unit: Int64, time_ns: Int64, turn: int) -> Float64:
    """A number in [0, 1) for each message: what is sent at one time by one unit is one message. [row]."""
    chance: Float64 = 0.5 + 0.5 * even(links.message_keys[unit, 0], time_ns + turn)
    return chance


def _sent(links: Links, up: Bool, packets: Packets, grid_ns: Int64) -> tuple[Packets, Packets]:
    """Packets that can be sent, with their arrival, and those that have to wait on."""
    unit = packets.unit
    ready_ns = _ready_ns(links, packets)
    column = np.maximum((ready_ns - grid_ns[0]) // MINUTE_NS, 0)
    later = column >= len(grid_ns)
    column = np.minimum(column, len(grid_ns) - 1)
    never = len(grid_ns)
    next_up = np.minimum.accumulate(np.where(up, np.arange(never), never)[:, ::-1], axis=1)[:, ::-1]
    sent_at = next_up[unit, column]
    held = (sent_at != column) & ~later  # by a link that was down
    held |= ready_ns < grid_ns[0]
    waits = later | (sent_at == never)
    forgets = np.array([profile.back_fill == "none" for profile in links.profiles])[unit]
    up_ns = grid_ns[np.minimum(sent_at, never - 1)]
    too_old = up_ns - ready_ns > links.of("keep_s")[unit] * SECOND_NS
    lost = held & (forgets | (too_old & ~waits))
    left = packets.where(waits & ~lost)
    goes = ~waits & ~lost
    packets, ready_ns, held, up_ns = packets.where(goes), ready_ns[goes], held[goes], up_ns[goes]
    queue_s = _queue_s(links, packets.unit, ready_ns, held, up_ns)
    begins_ns = np.where(held, up_ns, ready_ns)
    taken_s = _taken_s(links, packets.unit, ready_ns) + queue_s
    received_ns = begins_ns + np.round(taken_s * SECOND_NS).astype(np.int64)
    once = replace(packets, received_ns=received_ns)
    again = _chance(links, once.unit, ready_ns, 4) < links.of("repeat_share")[once.unit]
    if not np.any(again):
        return once, left
    after_s = 1.0 + (REPEATED_AFTER_S - 1.0) * _chance(links, once.unit, ready_ns, 5)
    twice = replace(once, received_ns=received_ns + np.round(after_s * SECOND_NS).astype(np.int64)).where(again)
    return once.and_these(twice), left


def _ready_ns(links: Links, packets: Packets) -> Int64:
    """When a gateway wants to send each packet, ns, [row]: at once, or with its batch."""
    batch_ns = (links.of("batch_s") * SECOND_NS).astype(np.int64)
    if not np.any(batch_ns):
        return packets.time_ns
    step_ns = np.maximum(batch_ns, 1)
    phase_ns = ((0.5 + 0.5 * links.batch_phase) * (batch_ns // SECOND_NS)).astype(np.int64) * SECOND_NS
    step_ns, phase_ns = step_ns[packets.unit], phase_ns[packets.unit]
    ready: Int64 = -(-(packets.time_ns - phase_ns) // step_ns) * step_ns + phase_ns
    return ready


def _taken_s(links: Links, unit: Int64, ready_ns: Int64) -> Float64:
    """How long each message takes, s, [row]: exponential about its mean, some much longer."""
    taken = -np.log(np.maximum(1.0 - _chance(links, unit, ready_ns, 2), 1e-12)) * links.of("latency_s")[unit]
    late = links.of("late_share")[unit]
    if np.any(late > 0.0):
        chance = _chance(links, unit, ready_ns, 3)
        taken = taken + np.where(chance < late, chance / np.maximum(late, 1e-12) * links.of("late_s")[unit], 0.0)
    return taken


def _queue_s(links: Links, unit: Int64, ready_ns: Int64, held: Bool, up_ns: Int64) -> Float64:
    """How long each held message waits for those before it once its link is up, s, [row]."""
    queue_s = np.zeros(len(unit))
    rows = np.flatnonzero(held)
    if not len(rows):
        return queue_s
    newest_first = np.array([profile.back_fill == "newest_first" for profile in links.profiles])[unit[rows]]
    turn = np.where(newest_first, -ready_ns[rows], ready_ns[rows])
    order = np.lexsort((turn, up_ns[rows], unit[rows]))
    of_unit, of_up, of_turn = unit[rows][order], up_ns[rows][order], turn[order]
    new_link = np.ones(len(rows), np.bool_)
    new_link[1:] = (of_unit[1:] != of_unit[:-1]) | (of_up[1:] != of_up[:-1])
    new_message = new_link.copy()
    new_message[1:] |= of_turn[1:] != of_turn[:-1]
    number = np.cumsum(new_message)
    first = np.maximum.accumulate(np.where(new_link, number, 0))
    queue_s[rows[order]] = (number - first) / links.of("back_fill_a_s")[of_unit]
    return queue_s
