"""What is remembered of every track (one signal of one unit): its newest reading, its rhythm, its last days as cells.

In: batches in any order. Out: the readings that bring news, and the fleet's memory as arrays. Nothing is judged here.
May import: numpy, models.windows, monitor.assessment.long_gaps, monitor.batch, monitor.signals, monitor.times. Touches
nothing outside itself.

A reading brings news where its time is later than all before it on its track, in the order of arrival. Repeats,
disorder and what comes back-filled behind newer readings are kept in the store, but the present is not judged by them.
"""

from dataclasses import dataclass, fields

import numpy as np

from models.windows import CELL_NS, SUM_PER_SYMBOL, WINDOW_CELLS, Window
from monitor.assessment.long_gaps import LongGaps
from monitor.batch import Batch, Float64, Int64
from monitor.signals import NAMES, NEEDED
from monitor.times import HOUR_NS, MINUTE_NS

NEEDED_INDEX = tuple(NAMES.index(name) for name in NEEDED)
GAPS_KEPT = 64  # gaps a track remembers for its rhythm: an hour at one a minute, three days at one an hour
GAPS_LEAST = 8  # gaps before a rhythm counts as learned
GAPS_USUAL = 5.0  # silence: this many usual gaps (shared trade facts, section 2), a setting of readings_missing
NO_TIME = np.iinfo(np.int64).min
SILENCE_UNLEARNED_NS = 2 * HOUR_NS  # a unit just admitted may bring a batch an hour; nobody is called before that shows
HOLD_UNLEARNED_NS = 30 * MINUTE_NS
HOLD_SWITCH_NS = 24 * HOUR_NS  # switches report on change; they hold as long as the unit is heard at all
BATCHED_NS_LEAST = 30 * 1_000_000_000
LONG_GAPS = 1.5  # of the long gaps of the last days: from here on a gap means something (our choice)
UNEVEN = 3.0  # longest gap over the middle one, above which a young unit's rhythm is not known yet (our choice)


@dataclass(slots=True)
class Ring:
    """The newest `kept` bins of every track: number of the bin and the least value in it, [track, kept]."""

    bin_ns: int
    number: Int64
    least: Float64

    @classmethod
    def empty(cls, tracks: int, bin_ns: int, kept: int) -> "Ring":
        """A ring that has seen nothing."""
        return cls(bin_ns, np.full((tracks, kept), -1, np.int64), np.full((tracks, kept), np.inf))

    def add(self, track: Int64, time_ns: Int64, value: Float64) -> None:
        """Readings that bring news, sorted by track and time."""
        if not len(track):
            return
        kept = self.number.shape[1]
        number = time_ns // self.bin_ns
        first = group_starts(track, number)
        least = np.minimum.reduceat(value, first)
        track, number = track[first], number[first]
        fresh = number > last_of_group(track, number) - kept
        track, number, least = track[fresh], number[fresh], least[fresh]
        place = number % kept
        same = self.number[track, place] == number
        self.least[track, place] = np.where(same, np.minimum(self.least[track, place], least), least)
        self.number[track, place] = number

    def trailing_least(
        self, track: int, time_ns: Int64, value: Float64, *, forgiven: Float64 | None = None
    ) -> tuple[Float64, Int64]:
        """For new readings of one track, not added yet: the least of the bins that end with the reading's own.

        Args:
            time_ns, value: in order, [n]. forgiven: how much more a bin of that many bins ago counts for, in the
                symbol, [kept]; None: nothing.
        Returns: the least, in the symbol, [n], and how many of the bins had readings, [n].
        """
        kept = self.number.shape[1]
        number = time_ns // self.bin_ns
        known = self.number[track] >= 0
        old_number, old_least = self.number[track][known], self.least[track][known]
        order = np.argsort(old_number)
        old_number, old_least = old_number[order], old_least[order]
        first = group_starts(np.zeros_like(number), number)
        group = np.cumsum(np.isin(np.arange(len(number)), first)) - 1
        running = np.empty_like(value)
        for begin, end in zip(first.tolist(), [*first[1:].tolist(), len(number)], strict=True):
            running[begin:end] = np.minimum.accumulate(value[begin:end])
        own = number[first]
        numbers = np.concatenate((old_number, own))
        leasts = np.concatenate((old_least, np.minimum.reduceat(value, first)))
        bins = group_starts(numbers)  # the newest kept bin and the first new one may be the same
        numbers, leasts = numbers[bins], np.minimum.reduceat(leasts, bins)
        earlier = np.searchsorted(numbers, own)[:, None] - np.arange(1, kept)
        inside = earlier >= 0
        earlier = np.maximum(earlier, 0)
        inside &= numbers[earlier] > own[:, None] - kept
        more = 0.0 if forgiven is None else forgiven[np.clip(own[:, None] - numbers[earlier], 0, kept - 1)]
        least = np.where(inside, leasts[earlier] + more, np.inf).min(axis=1, initial=np.inf)
        same = np.flatnonzero(old_number == own[0])
        least[0] = min(least[0], old_least[same].min(initial=np.inf))
        count = inside.sum(axis=1) + 1
        return np.minimum(running, least[group]), count[group]


@dataclass(slots=True)
class Tracks:
    """The fleet's memory. track = unit * signals + signal.

    newest_ns, newest_received_ns: NO_TIME: never heard; newest_value; [track].
    event_gaps, arrival_gaps: the last GAPS_KEPT gaps between readings and between arrivals, ns, 0: none yet,
    [track, GAPS_KEPT]; event_gap_count, arrival_gap_count: how many ever, [track].
    unit_heard_ns, unit_first_ns: newest and first arrival of news, NO_TIME: never; [unit]. unit_gaps, unit_gap_count.
    unit_learned_ns: when rhythm or normals were learned last, and nothing is noticed by them earlier; [unit].
    cell_*: the last WINDOW_CELLS cells of the four needed signals, [unit, needed, cell]; a count of 0 with the cell's
    number: no reading in it, the one before still held.
    event_long, arrival_long [track], unit_long [unit]: the long gaps of the last days.
    hold_ns, wait_ns, silence_ns [track], unit_silence_ns [unit]: the rhythm as last learned.
    """

    signals: int
    newest_ns: Int64
    newest_received_ns: Int64
    newest_value: Float64
    event_gaps: Int64
    event_gap_count: Int64
    arrival_gaps: Int64
    arrival_gap_count: Int64
    unit_heard_ns: Int64
    unit_first_ns: Int64
    unit_gaps: Int64
    unit_gap_count: Int64
    unit_learned_ns: Int64
    cell_number: np.ndarray
    cell_sum: Int64
    cell_least: np.ndarray
    cell_greatest: np.ndarray
    cell_count: np.ndarray
    hold_ns: Int64
    wait_ns: Int64
    silence_ns: Int64
    unit_silence_ns: Int64
    water_bins: Ring
    gas_bins: Ring
    event_long: LongGaps
    arrival_long: LongGaps
    unit_long: LongGaps

    @classmethod
    def empty(cls, units: int, signals: int, switches: np.ndarray, water: Ring, gas: Ring) -> "Tracks":
        """A fleet of which nothing was heard. switches: bool [signals]."""
        tracks = units * signals
        shape = (units, len(NEEDED), WINDOW_CELLS)
        hold = np.where(np.tile(switches, units), HOLD_SWITCH_NS, HOLD_UNLEARNED_NS).astype(np.int64)
        return cls(
            signals=signals,
            newest_ns=np.full(tracks, NO_TIME),
            newest_received_ns=np.full(tracks, NO_TIME),
            newest_value=np.full(tracks, np.nan),
            event_gaps=np.zeros((tracks, GAPS_KEPT), np.int64),
            event_gap_count=np.zeros(tracks, np.int64),
            arrival_gaps=np.zeros((tracks, GAPS_KEPT), np.int64),
            arrival_gap_count=np.zeros(tracks, np.int64),
            unit_heard_ns=np.full(units, NO_TIME),
            unit_first_ns=np.full(units, NO_TIME),
            unit_gaps=np.zeros((units, GAPS_KEPT), np.int64),
            unit_gap_count=np.zeros(units, np.int64),
            unit_learned_ns=np.full(units, NO_TIME),
            cell_number=np.full(shape, -1, np.int32),
            cell_sum=np.zeros(shape, np.int64),
            cell_least=np.zeros(shape, np.float32),
            cell_greatest=np.zeros(shape, np.float32),
            cell_count=np.zeros(shape, np.uint16),
            hold_ns=hold,
            wait_ns=np.zeros(tracks, np.int64),
            silence_ns=np.full(tracks, SILENCE_UNLEARNED_NS),
            unit_silence_ns=np.full(units, SILENCE_UNLEARNED_NS),
            water_bins=water,
            gas_bins=gas,
            event_long=LongGaps.empty(tracks),
            arrival_long=LongGaps.empty(tracks),
            unit_long=LongGaps.empty(units),
        )

    def news(self, batch: Batch) -> Batch:
        """The readings of a batch that bring news, sorted by (track, received, time)."""
        track = batch.unit.astype(np.int64) * self.signals + batch.signal
        order = np.lexsort((batch.time_ns, batch.received_ns, track))
        batch, track = batch.where(order), track[order]
        if not len(batch):
            return batch
        first = group_starts(track)
        before = np.empty(len(track), np.int64)
        before[1:] = batch.time_ns[:-1]
        before[first] = self.newest_ns[track[first]]
        late = batch.time_ns <= before
        if not late.any():
            return batch
        keep = ~late
        ends = np.append(first[1:], len(track))
        for group in np.unique(np.searchsorted(first, np.flatnonzero(late), side="right") - 1).tolist():
            rows = slice(int(first[group]), int(ends[group]))
            times = batch.time_ns[rows]
            frontier = np.maximum.accumulate(np.append(self.newest_ns[track[first[group]]], times))[:-1]
            keep[rows] = times > frontier
        return batch.where(keep)

    def remember(self, news: Batch) -> None:
        """Take in readings that bring news, as `news` gave them; their cells are remembered apart (cells.py)."""
        if not len(news):
            return
        track = news.unit.astype(np.int64) * self.signals + news.signal
        first = group_starts(track)
        last = np.append(first[1:], len(track)) - 1
        self._remember_gaps(track, first, news)
        self._remember_units(news)
        for place, ring in ((NEEDED_INDEX[0], self.water_bins), (NEEDED_INDEX[2], self.gas_bins)):
            own = news.signal == place
            ring.add(news.unit[own].astype(np.int64), news.time_ns[own], news.value[own])
        self.newest_ns[track[last]] = news.time_ns[last]
        self.newest_received_ns[track[last]] = news.received_ns[last]
        self.newest_value[track[last]] = news.value[last]

    def _remember_gaps(self, track: Int64, first: Int64, news: Batch) -> None:
        before = np.empty(len(track), np.int64)
        before[1:] = news.time_ns[:-1]
        before[first] = self.newest_ns[track[first]]
        known = before != NO_TIME
        gap = (news.time_ns - before)[known]
        _push(self.event_gaps, self.event_gap_count, track[known], gap)
        self.event_long.add(track[known], news.time_ns[known], gap)
        arrived = np.empty(len(track), np.int64)
        arrived[1:] = news.received_ns[:-1]
        arrived[first] = self.newest_received_ns[track[first]]
        known = (arrived != NO_TIME) & (arrived != news.received_ns)
        gap = (news.received_ns - arrived)[known]
        _push(self.arrival_gaps, self.arrival_gap_count, track[known], gap)
        self.arrival_long.add(track[known], news.received_ns[known], gap)

    def _remember_units(self, news: Batch) -> None:
        order = np.lexsort((news.received_ns, news.unit))
        unit, received = news.unit[order].astype(np.int64), news.received_ns[order]
        first = group_starts(unit, received)
        unit, received = unit[first], received[first]
        begin = group_starts(unit)
        before = np.empty(len(unit), np.int64)
        before[1:] = received[:-1]
        before[begin] = np.where(self.unit_first_ns[unit[begin]] == NO_TIME, NO_TIME, self.unit_heard_ns[unit[begin]])
        known = before != NO_TIME
        gap = (received - before)[known]
        _push(self.unit_gaps, self.unit_gap_count, unit[known], gap)
        self.unit_long.add(unit[known], received[known], gap)
        new = unit[begin][self.unit_first_ns[unit[begin]] == NO_TIME]
        self.unit_first_ns[new] = received[begin][self.unit_first_ns[unit[begin]] == NO_TIME]
        last = np.append(begin[1:], len(unit)) - 1
        self.unit_heard_ns[unit[last]] = np.maximum(self.unit_heard_ns[unit[last]], received[last])

    def signal_heard_ns(self, unit: int, newest_received_ns: int) -> int:
        """A signal that never came is silent from the unit's first word on, or from when somebody listens."""
        if newest_received_ns != NO_TIME:
            return newest_received_ns
        first = int(self.unit_first_ns[unit])
        return first if first != NO_TIME else int(self.unit_heard_ns[unit])

    def window(self, units: Int64, place: int, end_ns: int) -> Window:
        """The last WINDOW_CELLS cells before end_ns of one needed signal of some units, [unit, cell]; none held."""
        begin = end_ns // CELL_NS - WINDOW_CELLS
        numbers = np.arange(begin, begin + WINDOW_CELLS)
        at = (units[:, None], place, (numbers % WINDOW_CELLS)[None, :])
        count = np.where(self.cell_number[at] == numbers, self.cell_count[at], 0).astype(np.int64)
        filled = count > 0
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = np.where(filled, self.cell_sum[at] / SUM_PER_SYMBOL / count, np.nan)
        return Window(
            begin,
            mean,
            np.where(filled, self.cell_least[at], np.nan).astype(np.float64),
            np.where(filled, self.cell_greatest[at], np.nan).astype(np.float64),
            count,
        )

    def learn_rhythm(
        self,
        units: Int64,
        switches: np.ndarray,
        silence_least_ns: Int64,
        gaps_usual: Float64,
        *,
        now_ns: int,
        young: np.ndarray,
    ) -> None:
        """Bring hold, wait and silence of some units up to what their last gaps say.

        Args:
            units: index, [n]. switches: bool [signals]. silence_least_ns, gaps_usual: settings a unit, [n].
            now_ns: the instant. young: units in their first day, bool [n].
        """
        tracks = (units[:, None] * self.signals + np.arange(self.signals)).ravel()
        event, event_known = _usual_gap(self.event_gaps[tracks], self.event_gap_count[tracks])
        arrival, arrival_known = _usual_gap(self.arrival_gaps[tracks], self.arrival_gap_count[tracks])
        usual = np.repeat(gaps_usual, self.signals)
        least = np.repeat(silence_least_ns, self.signals)
        is_switch = np.tile(switches, len(units))
        hold = np.maximum(usual * event, LONG_GAPS * self.event_long.usual(tracks, now_ns))
        hold = np.where(event_known, np.clip(hold, least, HOLD_SWITCH_NS), HOLD_UNLEARNED_NS)
        self.hold_ns[tracks] = np.where(is_switch, HOLD_SWITCH_NS, hold).astype(np.int64)
        batched = event_known & arrival_known & (arrival > 2 * event) & (arrival > BATCHED_NS_LEAST)
        self.wait_ns[tracks] = np.where(batched, 1.5 * arrival, 0).astype(np.int64)
        self.silence_ns[tracks] = _silence_of(
            np.where(arrival_known, np.maximum(usual * arrival, least), np.nan),
            self.arrival_gaps[tracks],
            self.arrival_long.usual(tracks, now_ns),
            np.repeat(young, self.signals),
        )
        gap, known = _usual_gap(self.unit_gaps[units], self.unit_gap_count[units])
        self.unit_silence_ns[units] = _silence_of(
            np.where(known, np.maximum(gaps_usual * gap, silence_least_ns), np.nan),
            self.unit_gaps[units],
            self.unit_long.usual(units, now_ns),
            young,
        )

    def columns(self) -> dict[str, np.ndarray]:
        """Every array by name, for keeping; `restore` takes them back."""
        out: dict[str, np.ndarray] = {}
        for field in fields(self):
            part = getattr(self, field.name)
            if isinstance(part, Ring):
                out[f"{field.name}.number"], out[f"{field.name}.least"] = part.number, part.least
            elif isinstance(part, LongGaps):
                out[f"{field.name}.number"], out[f"{field.name}.gaps"] = part.number, part.gaps
            elif isinstance(part, np.ndarray):
                out[field.name] = part
        return out

    def restore(self, columns: dict[str, np.ndarray], units: Int64, old_units: Int64, signals: int) -> None:
        """Take kept arrays back for the units that are still there.

        Args:
            units, old_units: index now and in the kept arrays, [n]. signals: how many signals the kept arrays have;
            those of the contract's table come first in both, extra ones are remembered only where none changed.
        """
        common = min(signals, self.signals)
        new = (units[:, None] * self.signals + np.arange(common)).ravel()
        old = (old_units[:, None] * signals + np.arange(common)).ravel()
        for name, mine in self.columns().items():
            by_unit = name.startswith(("unit_", "cell_", "water_bins", "gas_bins"))
            if by_unit:
                mine[units] = columns[name][old_units]
            else:
                mine[new] = columns[name][old]


def group_starts(*keys: np.ndarray) -> Int64:
    """Where a new group begins in sorted keys; index, at least [0]."""
    change = np.zeros(len(keys[0]) - 1, np.bool_)
    for key in keys:
        change |= key[1:] != key[:-1]
    return np.concatenate(([0], np.flatnonzero(change) + 1))


def last_of_group(key: Int64, number: Int64) -> Int64:
    """For each row the number of the last row of its group (sorted by key, number)."""
    first = group_starts(key)
    last = np.append(first[1:], len(key)) - 1
    return np.repeat(number[last], np.diff(np.append(first, len(key))))


def _push(ring: Int64, count: Int64, row: Int64, gap: Int64) -> None:
    """Append gaps to the rings of their rows (sorted by row, in order); only the newest that fit are written."""
    if not len(row):
        return
    kept = ring.shape[1]
    first = group_starts(row)
    size = np.diff(np.append(first, len(row)))
    place_in_group = np.arange(len(row)) - np.repeat(first, size)
    position = count[row] + place_in_group
    write = place_in_group >= np.repeat(size, size) - kept
    ring[row[write], position[write] % kept] = gap[write]
    count[row[first]] += size


def _usual_gap(gaps: Int64, count: Int64) -> tuple[Float64, np.ndarray]:
    """The gap that nine in ten do not pass, ns; an irregular rhythm (on change) answers for its longer gaps too.

    Returns: ns [row], and whether enough gaps are known, bool [row].
    """
    known = count >= GAPS_LEAST
    some = np.where(gaps > 0, gaps, np.nan).astype(np.float64)
    usual = np.full(len(gaps), np.nan)
    if known.any():
        rows = np.sort(some[known], axis=1)  # NaN last
        filled = np.minimum(count[known], gaps.shape[1])
        pick = np.arange(len(rows))
        q90 = rows[pick, np.ceil(0.9 * filled).astype(np.int64) - 1]
        middle = rows[pick, (filled - 1) // 2]
        second = rows[pick, np.maximum(filled - 2, 0)]
        usual[known] = np.where(q90 > 3 * middle, np.maximum(q90, second / 2), q90)
    return usual, known


def _silence_of(usual_ns: Float64, gaps: Int64, long_ns: Float64, young: np.ndarray) -> Int64:
    """How long silence may last, ns, [row].

    Args:
        usual_ns: by the newest gaps, NaN where they are too few. gaps: the newest, [row, GAPS_KEPT]. long_ns: the long
        gaps of the last days. young: in a unit's first day an uneven rhythm is not known yet; bool [row].
    """
    known = ~np.isnan(usual_ns)
    longest = gaps.max(axis=1)
    some = np.where(gaps > 0, gaps, np.nan).astype(np.float64)
    uneven = np.zeros(len(gaps), np.bool_)
    uneven[known] = longest[known] > UNEVEN * np.nanmedian(some[known], axis=1)
    silence = np.fmax(usual_ns, LONG_GAPS * long_ns)
    unsettled = np.maximum(SILENCE_UNLEARNED_NS, LONG_GAPS * longest)
    silence = np.where(known & ~(young & uneven), silence, np.fmax(silence, unsettled))
    out: Int64 = silence.astype(np.int64)
    return out
