"""Telemetry: what of the truth arrives at the monitor, when, and how far off.

In: what perfect sensors would read, minute by minute, second by second around cranks; faults of sensors, clocks and
links. Out: readings as columns, sorted by arrival. May import: numpy, simulator. Touches nothing.

A reading goes through its sensor (sensing), is taken by the gateway in its rhythm or on change and stamped by its clock
(here), and goes over the link (links). Noise hangs on the sensor and the time alone, so that the same seed gives the
same bytes however the time is cut into spans; a State carries the rest from one span to the next.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulator.chance import SECOND_NS, Bool, Float64, Int64, even, keys
from simulator.faults import Fault, FaultKind
from simulator.gateways import QUICK_SIGNALS, SIGNALS, Gateway
from simulator.links import Packets, arrivals, begin_links
from simulator.reporting import Reporting, reporting
from simulator.samples import Samples, concatenated, quick_samples, rhythm, still_watched
from simulator.sensing import Sensed, Truth

__all__ = ["Readings", "Reporting", "State", "Truth", "begin", "report", "reporting"]

Int32 = NDArray[np.int32]
MINUTE_NS = 60 * SECOND_NS
CLOCK_WRONG_S = 7_200.0  # off at severity 1: ahead at one gateway in two, else behind
NEVER_NS = -(2**62)


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings as columns of one length: unit counts into the units, signal into SIGNALS, [row]."""

    time_ns: Int64
    unit: Int32
    signal: Int32
    value: Float64
    received_ns: Int64


@dataclass(frozen=True, slots=True)
class State:
    """What goes on from one span to the next.

    at_ns: the last time that gateways have read. lagged: what the sensors' cases have reached, held: the same, but of a
    stuck one what it stuck at, by signal, [unit, 1]. sent, sent_ns: what was last reported on change and when,
    [unit, signal]. watched_ns: until when reports each ten seconds go on, [unit]. recent: the last quick rows, as a
    truth without minutes. under_way: what has not arrived.
    """

    at_ns: int
    lagged: Mapping[str, Float64]
    held: Mapping[str, Float64]
    sent: Float64
    sent_ns: Int64
    watched_ns: Int64
    recent: Truth
    under_way: Packets


def begin(how: Reporting, truth: Truth) -> State:
    """Sensors that have long been where they are, just before the first minute of a truth."""
    first = {signal: value[:, :1].copy() for signal, value in truth.values.items()}
    units, none = len(how.unit_ids), np.empty(0, np.int64)
    return State(
        at_ns=int(truth.time_ns[0]) - 1,
        lagged=first,
        held=first,
        sent=np.full((units, len(SIGNALS)), np.nan),
        sent_ns=np.full((units, len(SIGNALS)), NEVER_NS, np.int64),
        watched_ns=np.full(units, NEVER_NS, np.int64),
        recent=Truth(none, {}, none, none, none, np.empty(0)),
        under_way=begin_links(),
    )


def report(how: Reporting, faults: Sequence[Fault], truth: Truth, state: State | None = None) -> tuple[Readings, State]:
    """Readings that arrive up to the last minute of a truth, and the state from which the next span goes on.

    Args:
        faults: all of the scenario; only those of sensors, clocks and links count here.
        truth: begins with the minute after the state's last one.
        state: as the span before gave it; None: this is the first.
    Returns: readings by arrival; of one arrival by unit, time and signal. What has not arrived stays in the state.
    """
    state = begin(how, truth) if state is None else state
    assert 0 < truth.time_ns[0] - state.at_ns <= MINUTE_NS, "a span begins with the minute after the one before"
    known = _with_recent(truth, state.recent)
    sensed = Sensed(how, faults, known, state.lagged, state.held)
    last_ns = int(truth.time_ns[-1])
    can = how.of_gateways("quick") > 0.0
    watched_ns = still_watched(state.watched_ns, truth.quick_time_ns, truth.quick_unit, can)
    regular, sent, sent_ns = _regular(sensed, state, last_ns)
    quick = _quick(sensed, truth, watched_ns, can, after_ns=state.at_ns, last_ns=last_ns)
    samples = concatenated([*regular, *quick])
    packets = Packets.of(samples, _stamped_ns(sensed, samples))
    there, under_way = arrivals(how.links, how.unit_ids, faults, packets, state.under_way, grid_ns=sensed.grid_ns)
    recent = known.quick_time_ns > last_ns - MINUTE_NS
    after = State(
        at_ns=last_ns,
        lagged={signal: value[:, -1:].copy() for signal, value in sensed.lagged.items()},
        held={signal: value[:, -1:].copy() for signal, value in sensed.held.items()},
        sent=sent,
        sent_ns=sent_ns,
        watched_ns=watched_ns,
        recent=Truth(
            truth.time_ns[:0],
            {},
            known.quick_time_ns[recent],
            known.quick_unit[recent],
            known.quick_signal[recent],
            known.quick_value[recent],
        ),
        under_way=under_way,
    )
    unit, signal = there.unit.astype(np.int32), there.signal.astype(np.int32)
    return Readings(there.stamped_ns, unit, signal, there.value, there.received_ns), after


def _with_recent(truth: Truth, recent: Truth) -> Truth:
    """A truth that also knows the last quick rows of the span before: its rhythm may read among them."""
    return replace(
        truth,
        quick_time_ns=np.concatenate([recent.quick_time_ns, truth.quick_time_ns]),
        quick_unit=np.concatenate([recent.quick_unit, truth.quick_unit]),
        quick_signal=np.concatenate([recent.quick_signal, truth.quick_signal]),
        quick_value=np.concatenate([recent.quick_value, truth.quick_value]),
    )


def _regular(sensed: Sensed, state: State, last_ns: int) -> tuple[list[Samples], Float64, Int64]:
    """What the gateways read in their rhythm and do not leave out; what was last reported, and when."""
    how, sent, sent_ns = sensed.how, state.sent.copy(), state.sent_ns.copy()
    parts: list[Samples] = []
    for profile in dict.fromkeys(how.profiles):
        units = np.array([row for row, own in enumerate(how.profiles) if own == profile], np.int64)
        time_ns, valid = rhythm(profile.every_s, how.phase_ns[units], after_ns=state.at_ns, last_ns=last_ns)
        for signal in sensed.held:
            number = SIGNALS.index(signal)
            value = sensed.at(signal, units[:, None], time_ns)
            taken = valid & ~np.isnan(value)
            if profile.on_change:
                band = how.sensors[signal].dead_band[units, 0]
                before = sent[units, number], sent_ns[units, number]
                taken, *now = _changed(profile, band, time_ns, value, taken, *before)
                sent[units, number], sent_ns[units, number] = now
            row, column = np.nonzero(taken)
            parts.append(Samples(time_ns[row, column], units[row], np.full(len(row), number), value[row, column]))
    return parts, sent, sent_ns


def _changed(
    profile: Gateway, band: Float64, time_ns: Int64, value: Float64, taken: Bool, last: Float64, last_ns: Int64
) -> tuple[Bool, Float64, Int64]:
    """Which samples a gateway that reports on change reports, [unit, sample]; what was last reported, and when, [unit].

    Args:
        band: dead band, [unit]. time_ns, value, taken: of the samples and whether there is one, [unit, sample].
    """
    shown = np.zeros_like(taken)
    for column in range(taken.shape[1]):
        now, now_ns = value[:, column], time_ns[:, column]
        moved = ~(np.abs(now - last) <= band) | (now_ns - last_ns >= profile.heartbeat_s * SECOND_NS)
        moved &= taken[:, column]
        shown[:, column] = moved
        last, last_ns = np.where(moved, now, last), np.where(moved, now_ns, last_ns)
    return shown, last, last_ns


def _quick(sensed: Sensed, truth: Truth, watched_ns: Int64, can: Bool, *, after_ns: int, last_ns: int) -> list[Samples]:
    """Reports of battery and gas each second around cranks, and each ten seconds after them.

    Args:
        truth: of the span alone. watched_ns: until when each ten seconds. can: whether a gateway can, both [unit].
    """
    parts: list[Samples] = []
    ten_ns, ten_unit = quick_samples(watched_ns, after_ns=after_ns, last_ns=last_ns)
    for signal in QUICK_SIGNALS:
        if signal not in sensed.held:
            continue
        number = SIGNALS.index(signal)
        mine = (truth.quick_signal == number) & can[truth.quick_unit]
        time_ns, unit = truth.quick_time_ns[mine], truth.quick_unit[mine]
        value = sensed.sent(signal, unit, time_ns, truth.quick_value[mine])
        free = ~sensed.is_quick(signal, ten_unit, ten_ns)
        time_ns, unit = np.concatenate([time_ns, ten_ns[free]]), np.concatenate([unit, ten_unit[free]])
        value = np.concatenate([value, sensed.at(signal, ten_unit[free], ten_ns[free])])
        # What the rhythm reads anyway is not read twice.
        every_ns = (sensed.how.of_gateways("every_s").astype(np.int64) * SECOND_NS)[unit]
        on_change = (sensed.how.of_gateways("on_change") > 0.0)[unit]
        due = ((time_ns - sensed.how.phase_ns[unit]) % every_ns == 0) & ~on_change
        keep = ~due & ~np.isnan(value)
        parts.append(Samples(time_ns[keep], unit[keep], np.full(int(keep.sum()), number), value[keep]))
    return parts


def _stamped_ns(sensed: Sensed, samples: Samples) -> Int64:
    """The times that the gateways' clocks gave the samples, whole seconds, ns, [row]."""
    how, unit, time_ns = sensed.how, samples.unit, samples.time_ns
    chance = even(keys(how.seed, how.gateway_ids, "clock"), np.arange(3))
    set_ns = how.of_gateways("clock_set_s").astype(np.int64)[unit] * SECOND_NS
    off_s = (how.of_gateways("clock_offset_s") * chance[:, 0])[unit]
    off_s = off_s + (how.of_gateways("clock_drift_ppm") * chance[:, 1])[unit] * 1e-6 * (time_ns % set_ns) / SECOND_NS
    wrong = sensed.severity(FaultKind.CLOCK_WRONG)
    if wrong is not None:
        ahead = np.where(chance[:, 2] >= 0.0, 1.0, -1.0)
        off_s = off_s + CLOCK_WRONG_S * ahead[unit] * wrong[unit, sensed.column(time_ns)]
    stamped: Int64 = time_ns + np.round(off_s).astype(np.int64) * SECOND_NS
    return stamped
