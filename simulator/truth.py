"""When a unit is not ready, by the contract's one definition, and what each fault did: the truth for scoring.

In: what the physics would do if the unit were to start now. Out: reasons a minute, intervals, lines of truth.jsonl. May
import: numpy, simulator. Touches nothing.

The contract: jacket water below 21 Cel; least cranking voltage below 8.0 V a 12 V block; gas under load below 0.6 or
above 1.5 of the set point; coolant or enclosure beyond its trip at full load; coolant low; not in automatic. And as no
start is tried then: a control that locked itself out after its attempts, until somebody comes. A unit that runs is
ready. The water that counts is that in the engine: where hoses are shut the sensor at the heater reads another. Water,
coolant level and switch are judged each minute; what needs a start imagined, every TRIED_EACH minutes; what needs an
hour of full load imagined, every LOADED_EACH minutes.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import IntFlag

import numpy as np
from numpy.typing import NDArray

from simulator.chance import SECOND_NS, Bool, Float64, Int64
from simulator.faults import MEANING, Fault, FaultKind

Reasons = NDArray[np.uint16]

TRIED_EACH = 10  # minutes between imagined starts
LOADED_EACH = 60  # minutes between imagined hours at full load


class Reason(IntFlag):
    """Why a unit is not ready; each a bit, named in NAMES as the contract's condition."""

    WATER_COLD = 1
    CRANKING = 2
    GAS_LOW = 4
    GAS_HIGH = 8
    COOLANT_HOT = 16
    ENCLOSURE_HOT = 32
    COOLANT_LOW = 64
    NOT_IN_AUTO = 128
    LOCKED_OUT = 256


NAMES: Mapping[Reason, str] = {
    Reason.WATER_COLD: "low_water_temperature",
    Reason.CRANKING: "low_cranking_voltage",
    Reason.GAS_LOW: "low_gas_pressure",
    Reason.GAS_HIGH: "high_gas_pressure",
    Reason.COOLANT_HOT: "high_water_temperature",
    Reason.ENCLOSURE_HOT: "high_enclosure_temperature",
    Reason.COOLANT_LOW: "low_coolant_level",
    Reason.NOT_IN_AUTO: "control_not_in_auto",
    Reason.LOCKED_OUT: "failed_to_start",
}


@dataclass(frozen=True, slots=True)
class Definition:
    """The contract's numbers for 'not ready'. coolant_trip, enclosure_trip: at full load, Cel.

    coolant_low: share of the coolant at which the level switch says low (our choice).
    """

    water: float = 21.0
    cranking_volts: float = 8.0
    gas_least: float = 0.6
    gas_most: float = 1.5
    coolant_trip: float = 107.0
    enclosure_trip: float = 70.0
    coolant_low: float = 0.88


DEFINITION = Definition()

K, R = FaultKind, Reason
CAN_CAUSE: Mapping[FaultKind, Reason] = {
    K.HEATER_ELEMENT_OPEN: R.WATER_COLD | R.CRANKING,
    K.HEATER_HALF_LOST: R.WATER_COLD | R.CRANKING,
    K.HEATER_STUCK_ON: R.COOLANT_HOT,
    K.HEATER_CHATTER: R.WATER_COLD | R.CRANKING,
    K.HEATER_HOSE_RESTRICTING: R.WATER_COLD | R.CRANKING,
    K.COOLANT_AIR_LOCK: R.WATER_COLD | R.COOLANT_HOT | R.COOLANT_LOW | R.CRANKING,
    K.HEATER_SET_POINT_DRIFT: R.WATER_COLD | R.CRANKING,
    K.CHARGER_NO_AC: R.CRANKING,
    K.CHARGER_OUTPUT_SAG: R.CRANKING,
    K.CHARGER_CURRENT_FALLING: R.CRANKING,
    K.CHARGER_INTERMITTENT: R.CRANKING,
    K.BATTERY_SHORTED_CELL: R.CRANKING,
    K.BATTERY_SULPHATED: R.CRANKING,
    K.BATTERY_OVERCHARGED: R.CRANKING,
    K.LOAD_LEFT_ON: R.CRANKING,
    K.BREAKER_TRIPPED: R.WATER_COLD | R.CRANKING,
    K.VENT_BLOCKED: R.GAS_LOW | R.GAS_HIGH,
    K.SEAT_LEAK: R.GAS_HIGH,
    K.GAS_SUPPLY_LOW: R.GAS_LOW,
    K.SPRING_DRIFT: R.GAS_LOW,
    K.LOUVER_STUCK: R.ENCLOSURE_HOT | R.COOLANT_HOT,
    K.GRILLE_BLOCKING: R.ENCLOSURE_HOT | R.COOLANT_HOT,
    K.CONTROL_LEFT_OFF: R.NOT_IN_AUTO,
}
"""Which reasons a kind of fault explains; what is not here never keeps a unit from starting."""
FAILS_STARTS = R.WATER_COLD | R.CRANKING | R.GAS_LOW | R.GAS_HIGH
"""For these an engine may crank without firing, so that its control locks itself out."""


def explained(kind: FaultKind) -> Reason:
    """Which reasons a kind of fault explains, with the lock-out that follows from failed starts; none: Reason(0)."""
    reasons = CAN_CAUSE.get(kind, Reason(0))
    return reasons | Reason.LOCKED_OUT if reasons & FAILS_STARTS else reasons


def each_minute(
    *,
    water: Float64,
    coolant_share: Float64,
    in_auto: Float64,
    running: Float64,
    heated: Bool,
    definition: Definition = DEFINITION,
) -> Reasons:
    """Reasons that need no start imagined, [unit, t].

    Args:
        water: in the engine's jacket, Cel. coolant_share, in_auto, running: 0..1, all [unit, t].
        heated: units that have a jacket heater, [unit, 1]; the water of others is as cold as their makers allow.
    """
    standing = running < 0.5
    reasons = np.zeros(water.shape, np.uint16)
    reasons |= np.where(standing & heated & (water < definition.water), np.uint16(Reason.WATER_COLD), np.uint16(0))
    reasons |= np.where(coolant_share < definition.coolant_low, np.uint16(Reason.COOLANT_LOW), np.uint16(0))
    reasons |= np.where(standing & (in_auto < 0.5), np.uint16(Reason.NOT_IN_AUTO), np.uint16(0))
    return reasons


def of_a_start(
    *, least_block_volts: Float64, gas_share: Float64, standing: Bool, definition: Definition = DEFINITION
) -> Reasons:
    """Reasons of an imagined start, [unit].

    Args:
        least_block_volts: of the crank, a 12 V block, [unit]. gas_share: of the set point, under full load, [unit].
        standing: units that do not run, [unit].
    """
    reasons = np.zeros(len(standing), np.uint16)
    reasons[standing & (least_block_volts < definition.cranking_volts)] |= np.uint16(Reason.CRANKING)
    reasons[standing & (gas_share < definition.gas_least)] |= np.uint16(Reason.GAS_LOW)
    reasons[standing & (gas_share > definition.gas_most)] |= np.uint16(Reason.GAS_HIGH)
    return reasons


def of_full_load(*, hottest_coolant: Float64, hottest_air: Float64, definition: Definition = DEFINITION) -> Reasons:
    """Reasons of an imagined hour at full load, [unit]; temperatures Cel, [unit]."""
    reasons = np.zeros(len(hottest_coolant), np.uint16)
    reasons[hottest_coolant > definition.coolant_trip] |= np.uint16(Reason.COOLANT_HOT)
    reasons[hottest_air > definition.enclosure_trip] |= np.uint16(Reason.ENCLOSURE_HOT)
    return reasons


@dataclass(frozen=True, slots=True)
class NotReady:
    """A span in which a unit was not ready for one reason; to_ns None: still so at the end."""

    unit: int
    reason: Reason
    from_ns: int
    to_ns: int | None


@dataclass
class Ledger:
    """Reasons of successive days joined into spans. open: since when, by unit and reason."""

    spans: list[NotReady] = field(default_factory=list)
    open: dict[tuple[int, Reason], int] = field(default_factory=dict)
    last: Reasons | None = None

    def add(self, time_ns: Int64, reasons: Reasons) -> None:
        """Take in the next minutes.

        Args:
            time_ns: [t]. reasons: [unit, t].
        """
        before = np.zeros(len(reasons), np.uint16) if self.last is None else self.last
        changed = np.column_stack([before, reasons[:, :-1]]) ^ reasons
        for unit, minute in np.argwhere(changed).tolist():
            at_ns = int(time_ns[minute])
            for reason in NAMES:
                if not changed[unit, minute] & reason:
                    continue
                if reasons[unit, minute] & reason:
                    self.open[unit, reason] = at_ns
                else:
                    self.spans.append(NotReady(unit, reason, self.open.pop((unit, reason)), at_ns))
        self.last = reasons[:, -1].copy()

    def closed(self) -> list[NotReady]:
        """All spans, also those that are still open, by beginning, unit and reason."""
        still = [NotReady(unit, reason, from_ns, None) for (unit, reason), from_ns in self.open.items()]
        return sorted((*self.spans, *still), key=lambda span: (span.from_ns, span.unit, span.reason))


def not_ready_moment(fault: Fault, unit: int, spans: Sequence[NotReady]) -> NotReady | None:
    """The span with which a fault made its unit not ready; None where it did not.

    The first one of a reason that the fault explains and that stands at or begins after its onset, before its repair.

    Args:
        unit: the fault's unit, as its row. spans: by beginning.
    """
    explains = explained(fault.kind)
    for span in spans:
        over = span.to_ns is not None and span.to_ns <= fault.from_ns
        if span.unit != unit or not span.reason & explains or over:
            continue
        if fault.to_ns is not None and span.from_ns >= fault.to_ns:
            return None
        return span
    return None


def joined(spans: Sequence[NotReady]) -> list[tuple[int, int, int | None, Reason]]:
    """Spans of whatever reason as (unit, from, to, reasons), where they touch or overlap as one; by beginning."""
    found: list[tuple[int, int, int | None, Reason]] = []
    newest: dict[int, int] = {}
    for span in spans:
        place = newest.get(span.unit)
        if place is not None:
            unit, from_ns, to_ns, reasons = found[place]
            if to_ns is None or span.from_ns <= to_ns:
                end = None if to_ns is None or span.to_ns is None else max(to_ns, span.to_ns)
                found[place] = (unit, from_ns, end, reasons | span.reason)
                continue
        newest[span.unit] = len(found)
        found.append((span.unit, span.from_ns, span.to_ns, span.reason))
    return found


def names(reasons: Reason) -> list[str]:
    """The contract's conditions of some reasons."""
    return [name for reason, name in NAMES.items() if reason & reasons]


def rfc3339(time_ns: int | None) -> str | None:
    """A time as the contract's files have it; None stays None."""
    if time_ns is None:
        return None
    seconds, rest_ns = divmod(time_ns, SECOND_NS)
    text = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{text}.{rest_ns:09d}Z" if rest_ns else f"{text}Z"


def fault_lines(
    faults: Sequence[Fault], unit_ids: Sequence[str], spans: Sequence[NotReady]
) -> Iterator[tuple[int, dict[str, object]]]:
    """One line a fault, with its time: what it is in the contract's words, and when its unit stopped being ready."""
    row_of = {unit: row for row, unit in enumerate(unit_ids)}
    for fault in faults:
        span = not_ready_moment(fault, row_of[fault.unit], spans)
        yield (
            fault.from_ns,
            {
                "record": "fault",
                "unit": fault.unit,
                "kind": fault.kind.value,
                "condition": MEANING[fault.kind][0].partition("/")[0],
                "causes": list(MEANING[fault.kind]),
                "signal": fault.signal or None,
                "from": rfc3339(fault.from_ns),
                "to": rfc3339(fault.to_ns),
                "severity": fault.severity,
                "growth_s": fault.growth_s,
                "not_ready_at": None if span is None else rfc3339(max(span.from_ns, fault.from_ns)),
                "not_ready_reason": None if span is None else names(span.reason)[0],
            },
        )


def not_ready_lines(
    unit_ids: Sequence[str], spans: Sequence[NotReady], in_visits: Mapping[int, Sequence[tuple[int, int]]]
) -> Iterator[tuple[int, dict[str, object]]]:
    """One line a span in which a unit was not ready, with its time.

    Args:
        in_visits: by unit, from and to of the visits to it; a span within one is a person at work.
    """
    for unit, from_ns, to_ns, reasons in joined(spans):
        attended = to_ns is not None and any(
            begin <= from_ns and to_ns <= end + 60 * SECOND_NS for begin, end in in_visits.get(unit, ())
        )
        yield (
            from_ns,
            {
                "record": "not_ready",
                "unit": unit_ids[unit],
                "from": rfc3339(from_ns),
                "to": rfc3339(to_ns),
                "reasons": names(reasons),
                "attended": attended,
            },
        )
