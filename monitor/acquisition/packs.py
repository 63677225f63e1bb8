"""Packs of one unit: SenML records turned into readings of its signals.

In: the payload of a readings topic, what the unit takes, the moment of arrival. Out: columns of readings, and a fault
for each record that was left out. May import: orjson, monitor.acquisition (faults, senml, symbols), monitor.signals.
Pure: touches nothing.

Two ways lead to the same result. `read_plainly` is RFC 8428 in full and tells what is wrong. `read_quickly` takes the
plain case alone, flat JSON records of one unit with nothing to object to, and gives None for all else. Sketch: a fleet
of 10 000 units, a pack of 6 records each 5 s, is 2 000 packs a second; at 10 us a pack that is 2 % of a core, on the
plain way it would be 20 %.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import isfinite

import orjson

from monitor.acquisition.faults import MESSAGE, Fault, FaultsTold, FromTheFuture, Unreadable, did_you_mean, quoted
from monitor.acquisition.quarantine import Reason
from monitor.acquisition.senml import ABSOLUTE_FROM_S, Resolved, check_pack, nanoseconds, parse, resolve
from monitor.acquisition.symbols import SAME, Conversion, Door, conversions
from monitor.signals import Signal
from monitor.times import SECOND_NS, from_rfc3339

STAMP_LEAST_NS = from_rfc3339("2020-01-01T00:00:00Z")  # before it no unit was watched: a clock that was never set

Entry = tuple[int, float, float, bool, Conversion | None]  # signal index, least, greatest, is a switch, None: as it is


@dataclass(frozen=True, slots=True)
class Taken:
    """A signal as one unit gives it.

    index: what the batch's signal column says. least, greatest: plausible for this unit, in the signal's symbol.
    conversions: every symbol that may stand at the door.
    """

    index: int
    signal: Signal
    least: float
    greatest: float
    conversions: Mapping[str, Conversion]


@dataclass(frozen=True, slots=True)
class UnitDoor:
    """What one unit's topic takes. quick: per signal name and symbol (None: not given) what the quick way needs."""

    unit: str
    unit_index: int
    taken: Mapping[str, Taken]
    quick: Mapping[str, Mapping[str | None, Entry]]

    @property
    def prefix(self) -> str:
        """What every resolved name of this unit begins with."""
        return f"{self.unit}/"


@dataclass(frozen=True, slots=True)
class PackReadings:
    """Readings of one pack, as columns of one length, and what was left out.

    time_ns, signal, value: as in a batch. ahead_s: how far ahead the most future stamp was that was set aside, s; 0 for
    none.
    """

    time_ns: list[int] = field(default_factory=list)
    signal: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    ahead_s: float = 0.0


def taken_signals(signals: Sequence[Signal], *, blocks: int, door: Door) -> dict[str, Taken]:
    """What a unit with so many 12 V blocks takes at a door; the program's own signals are refused there."""
    return {
        signal.name: Taken(
            index,
            signal,
            signal.plausible_least * (blocks if signal.per_block else 1),
            signal.plausible_greatest * (blocks if signal.per_block else 1),
            conversions(signal.symbol, door),
        )
        for index, signal in enumerate(signals)
        if not signal.internal
    }


def quick_entries(taken: Mapping[str, Taken]) -> dict[str, dict[str | None, Entry]]:
    """The quick way's table. It is the same for all units of as many blocks: share it."""
    entries: dict[str, dict[str | None, Entry]] = {}
    for name, one in taken.items():
        plain = (one.index, one.least, one.greatest, one.signal.is_switch, None)
        entries[name] = {None: plain}
        for symbol, conversion in one.conversions.items():
            entries[name][symbol] = (*plain[:4], None if conversion == SAME else conversion)
    return entries


def read_quickly(payload: bytes, *, received_ns: int, latest_ns: int, door: UnitDoor) -> PackReadings | None:
    """Readings of a plain pack; None where anything is unusual, for read_plainly to judge.

    Longer than most functions, because calls would cost a third of its time: no object a record, no call but to
    convert. `left` counts the fields of a record not yet understood; one too many leaves it to the other way.
    """
    times: list[int] = []
    signals: list[int] = []
    values: list[float] = []
    base_s: int | float = 0
    named = False
    quick = door.quick
    try:
        for record in orjson.loads(payload):
            left = len(record) - 2  # beyond n and v, or vb
            symbol = None
            own_s: int | float = 0
            if left:
                if "bn" in record:
                    if record["bn"] != door.prefix:
                        return None
                    named = True
                    left -= 1
                if "bt" in record:
                    base_s = record["bt"]
                    if type(base_s) is not int and type(base_s) is not float:
                        return None
                    left -= 1
                if "u" in record:
                    symbol = record["u"]
                    if symbol is None:
                        return None
                    left -= 1
                if "t" in record:
                    own_s = record["t"]
                    if type(own_s) is not int and type(own_s) is not float:
                        return None
                    left -= 1
                if left:
                    return None
            if not named:
                return None
            index, least, greatest, is_switch, conversion = quick[record["n"]][symbol]
            value = record.get("v")
            if type(value) is not float:
                if type(value) is int:
                    value = float(value)
                elif value is None and is_switch and type(record["vb"]) is bool:
                    value = 1.0 if record["vb"] else 0.0
                else:
                    return None
            if conversion is not None:
                value = conversion(value)
            if not least <= value <= greatest or (is_switch and value != 0 and value != 1):
                return None
            time_s = base_s + own_s
            time_ns = time_s * SECOND_NS if type(time_s) is int else round(time_s * 1e6) * 1000
            if time_s < ABSOLUTE_FROM_S:
                time_ns += received_ns
            if not STAMP_LEAST_NS <= time_ns <= latest_ns:
                return None
            times.append(time_ns)
            signals.append(index)
            values.append(value)
    except (orjson.JSONDecodeError, KeyError, TypeError, AttributeError, OverflowError):
        return None
    return PackReadings(times, signals, values) if times else None


def read_plainly(
    payload: bytes, *, content_type: str, is_retained: bool, received_ns: int, latest_ns: int, door: UnitDoor
) -> PackReadings:
    """Readings of any pack, and a fault for each record that gives none.

    Args:
        is_retained: the broker kept the message; it may be days old, so it counts only where all its times stand by
            themselves.
        latest_ns: stamps after it are of the future.
    """
    found = PackReadings()
    try:
        records = parse(payload, content_type)
        if not records:
            raise Unreadable("The pack is empty. Send at least one record.")
        check_pack(records)
        resolved = list(resolve(records))
        if is_retained and not all(one.is_absolute for one in resolved if isinstance(one, Resolved)):
            raise Unreadable(
                "The broker retained this message, and its times count from arrival: it would look fresh at each "
                "reconnect. Publish readings without the retain flag, or with absolute times.",
                Reason.RETAINED,
            )
    except Unreadable as fault:
        found.faults.append(Fault(MESSAGE, fault.reason, str(fault)))
        return found
    return _accept(resolved, received_ns=received_ns, latest_ns=latest_ns, door=door)


def _accept(resolved: Iterable[Resolved | Fault], *, received_ns: int, latest_ns: int, door: UnitDoor) -> PackReadings:
    found = PackReadings()
    told = FaultsTold()
    ahead_ns = 0
    for one in resolved:
        if isinstance(one, Fault):
            told.add(one)
            continue
        try:
            taken = _taken(one.name, door, with_suggestion=not told.is_full)
            time_ns = nanoseconds(one.time_s) + (0 if one.is_absolute else received_ns)
            _check_stamp(time_ns, received_ns=received_ns, latest_ns=latest_ns)
            value = _value_of(one, taken)
        except FromTheFuture as error:
            ahead_ns = max(ahead_ns, error.ahead_ns)
            told.add(Fault(f"record {one.position}", error.reason, str(error)))
        except Unreadable as error:
            told.add(Fault(f"record {one.position}", error.reason, str(error)))
        else:
            found.time_ns.append(time_ns)
            found.signal.append(taken.index)
            found.value.append(value)
    return replace(found, faults=told.faults(), ahead_s=ahead_ns / SECOND_NS)


def _taken(name: str, door: UnitDoor, *, with_suggestion: bool) -> Taken:
    if not name.startswith(door.prefix):
        raise Unreadable(
            f"The name is {quoted(name)}, the topic is that of {quoted(door.unit)}. Let bn be {quoted(door.prefix)}."
        )
    signal = name[len(door.prefix) :]
    taken = door.taken.get(signal)
    if taken is None:
        suggestion = did_you_mean(signal, door.taken) if with_suggestion else ""
        raise Unreadable(f"There is no signal {quoted(signal)}.{suggestion}", Reason.UNKNOWN_SIGNAL)
    return taken


def _check_stamp(time_ns: int, *, received_ns: int, latest_ns: int) -> None:
    if time_ns < STAMP_LEAST_NS:
        raise Unreadable(
            f"The stamp lies {(received_ns - time_ns) / SECOND_NS:.6g} s before arrival, and before 2020. Set the "
            "gateway's clock; bt and t are seconds since 1970, or below 2**28 seconds from now."
        )
    if time_ns > latest_ns:
        ahead_ns = time_ns - received_ns
        in_ms = STAMP_LEAST_NS <= time_ns // 1000 <= latest_ns
        hint = "Is it in milliseconds? Send seconds." if in_ms else "Set the gateway's clock."
        raise FromTheFuture(f"The stamp lies {ahead_ns / SECOND_NS:.6g} s after arrival. {hint}", ahead_ns=ahead_ns)


def _value_of(one: Resolved, taken: Taken) -> float:
    if isinstance(one.value, bool):
        if not taken.signal.is_switch:
            raise Unreadable(f"vb stands for {taken.signal.name}, which is no switch. Send v in {taken.signal.symbol}.")
        return float(one.value)
    if one.value is None:
        raise Unreadable("The record carries a sum and no value; sums are not kept. Send v.")
    if not isinstance(one.value, float):
        raise Unreadable(f"The value is text or data. Send v in {taken.signal.symbol}, or vb for a switch.")
    conversion = SAME
    if one.symbol is not None:
        try:
            conversion = taken.conversions[one.symbol]
        except KeyError:
            raise Unreadable(
                f"The symbol is {quoted(one.symbol)}; {taken.signal.name} takes {', '.join(taken.conversions)}."
            ) from None
    return plausible(conversion(one.value), taken)


def plausible(value: float, taken: Taken) -> float:
    """The value, if this signal of this unit can have it.

    Raises:
        Unreadable: no 0 or 1 for a switch, or outside the plausible range.
    """
    name, symbol = taken.signal.name, taken.signal.symbol
    if taken.signal.is_switch and value not in (0.0, 1.0):
        raise Unreadable(f"{name} is a switch; {value:g} is neither 0 nor 1.", Reason.IMPLAUSIBLE)
    if not isfinite(value) or not taken.least <= value <= taken.greatest:
        raise Unreadable(
            f"{value:g} {symbol} is outside what {name} can be here, {taken.least:g} to {taken.greatest:g} {symbol}. "
            "Check the sensor, its wiring and the symbol.",
            Reason.IMPLAUSIBLE,
        )
    return value
