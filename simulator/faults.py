"""What can be wrong with a unit: kinds of fault, how each grows over time, and what it does to the physics.

In: faults with their times, units, a span, when people come. Out: severities [unit, t], and the shares and currents
that the physics takes; faults that chance draws. May import: numpy, simulator.chance. Touches nothing.

A fault has a severity in 0..1, at which it arrives over its growth time: at once, or in a straight line over weeks.
What 1 stands for is said beside each kind. Where the physics reacts to decades (a hose, a vent, a supply line), equal
steps of severity are equal steps of what is seen, alike in all units. Kinds are the simulator's own; MEANING gives the
contract's words for them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from simulator.chance import SECOND_NS, Float64, Int64, even, keys

DAY_S = 86_400.0
LEFT_LOAD = 2.2  # times the charger's limit: from a severity of 0.6 on it empties the battery (our choice)
STEP_NS = 60 * SECOND_NS
BORE_POWER = 4.0  # laminar flow goes with the fourth power of a hose's bore (Hagen-Poiseuille)
VENT_DECADES = 4.5  # of a vent's area, lost to dirt as severity cubed goes to 1 (our choice)
LINE_LOSS = 0.03  # of the supply's pressure, in a sound line at full flow (common practice: a few per cent)
LINE_DECADES = 2.6  # by which a failing line loses more, 0.6 starving every regulator at full load (our choice)
SAGS_FROM = 0.7  # severity above which what stands before the regulator sinks too, not only what flows (our choice)


class FaultKind(StrEnum):
    """What can be wrong with a unit; the comment says what severity 1 is."""

    HEATER_ELEMENT_OPEN = "heater_element_open"  # no heat at all; less than 1: that share of the heat is gone
    HEATER_HALF_LOST = "heater_half_lost"  # one of two equal elements gives nothing
    HEATER_STUCK_ON = "heater_stuck_on"  # the thermostat never opens
    HEATER_CHATTER = "heater_chatter"  # the contactor falls off again and again, half of the time in all
    HEATER_HOSE_RESTRICTING = "heater_hose_restricting"  # shut; less than 1: that share of the hose's bore is gone
    COOLANT_AIR_LOCK = "coolant_air_lock"  # a quarter of the coolant lost: nothing circulates, the switch says low
    HEATER_SET_POINT_DRIFT = "heater_set_point_drift"  # the band lies 15 K lower
    CHARGER_NO_AC = "charger_no_ac"  # no supply at the charger
    CHARGER_OUTPUT_SAG = "charger_output_sag"  # the charger holds a tenth less voltage, which no longer charges
    CHARGER_CURRENT_FALLING = "charger_current_falling"  # its current limit has fallen to nothing
    CHARGER_INTERMITTENT = "charger_intermittent"  # it is off all the time; less than 1: that share of it, in spells
    BATTERY_SHORTED_CELL = "battery_shorted_cell"  # one cell of the set is shorted through
    BATTERY_SULPHATED = "battery_sulphated"  # inner resistance three times that of a sound battery
    BATTERY_OVERCHARGED = "battery_overcharged"  # the charger holds 1.5 V a block too much
    LOAD_LEFT_ON = "load_left_on"  # LEFT_LOAD, lamps and a pump, drawn day and night
    BREAKER_TRIPPED = "breaker_tripped"  # heater, charger and space heater are off together
    VENT_BLOCKED = "vent_blocked"  # the regulator's spring case is sealed; 0.8: it leaks off in some minutes
    SEAT_LEAK = "seat_leak"  # the regulator's seat leaks as badly as one does
    GAS_SUPPLY_LOW = "gas_supply_low"  # nothing left of the supply pressure; 0.6: too little at full load alone
    SPRING_DRIFT = "spring_drift"  # the regulator's spring gives 60 % less
    LOUVER_STUCK = "louver_stuck"  # the louver stays shut in a run
    GRILLE_BLOCKING = "grille_blocking"  # no air passes the grille
    SENSOR_STUCK = "sensor_stuck"  # one signal stays where it was
    SENSOR_DRIFT = "sensor_drift"  # one signal drifts away
    SENSOR_WRONG_SCALE = "sensor_wrong_scale"  # one signal is scaled wrongly, as after a wrong exchange
    CLOCK_WRONG = "clock_wrong"  # the gateway's clock is off
    LINK_DOWN = "link_down"  # nothing arrives; the gateway keeps it for later
    CONTROL_LEFT_OFF = "control_left_off"  # the control switch was not put back in automatic


K = FaultKind
MEANING: Mapping[FaultKind, tuple[str, ...]] = {
    K.HEATER_ELEMENT_OPEN: ("heater_failed/element_open",),
    K.HEATER_HALF_LOST: ("heater_weak/one_of_two_elements",),
    K.HEATER_STUCK_ON: ("heater_stuck_on/thermostat_closed",),
    K.HEATER_CHATTER: ("heater_weak/contactor_chatters",),
    K.HEATER_HOSE_RESTRICTING: ("coolant_circulation_restricted/hose",),
    K.COOLANT_AIR_LOCK: ("coolant_circulation_restricted/air_lock", "low_coolant_level"),
    K.HEATER_SET_POINT_DRIFT: ("heater_weak/set_point_low",),
    K.CHARGER_NO_AC: ("charger_failed/no_ac_supply",),
    K.CHARGER_OUTPUT_SAG: ("charger_weak/output_low",),
    K.CHARGER_CURRENT_FALLING: ("charger_weak/current_limit",),
    K.CHARGER_INTERMITTENT: ("charger_weak/intermittent",),
    K.BATTERY_SHORTED_CELL: ("battery_weak/shorted_cell",),
    K.BATTERY_SULPHATED: ("battery_weak/sulphated",),
    K.BATTERY_OVERCHARGED: ("battery_overcharged/charger_voltage_high",),
    K.LOAD_LEFT_ON: ("low_battery_voltage/load_left_on",),
    K.BREAKER_TRIPPED: ("heater_failed/no_ac_supply", "charger_failed/no_ac_supply"),
    K.VENT_BLOCKED: ("vent_blocked",),
    K.SEAT_LEAK: ("regulator_creep/seat_leak",),
    K.GAS_SUPPLY_LOW: ("gas_supply_low",),
    K.SPRING_DRIFT: ("low_gas_pressure/spring_drift",),
    K.LOUVER_STUCK: ("ventilation_restricted/louver_stuck",),
    K.GRILLE_BLOCKING: ("ventilation_restricted/grille_blocked",),
    K.SENSOR_STUCK: ("sensor_suspect/stuck",),
    K.SENSOR_DRIFT: ("sensor_suspect/drift",),
    K.SENSOR_WRONG_SCALE: ("sensor_suspect/wrong_scale",),
    K.CLOCK_WRONG: ("clock_wrong",),
    K.LINK_DOWN: ("readings_missing/link_down",),
    K.CONTROL_LEFT_OFF: ("control_not_in_auto",),
}
"""The contract's conditions, or causes under one (condition/cause), that a fault is; the first is the main one."""

GROWTH_S: Mapping[FaultKind, tuple[float, float]] = {
    K.HEATER_HOSE_RESTRICTING: (2 * DAY_S, 10 * DAY_S),
    K.COOLANT_AIR_LOCK: (0.2 * DAY_S, 4 * DAY_S),
    K.HEATER_SET_POINT_DRIFT: (5 * DAY_S, 40 * DAY_S),
    K.CHARGER_OUTPUT_SAG: (0.5 * DAY_S, 10 * DAY_S),
    K.CHARGER_CURRENT_FALLING: (2 * DAY_S, 30 * DAY_S),
    K.BATTERY_SULPHATED: (20 * DAY_S, 60 * DAY_S),
    K.VENT_BLOCKED: (0.2 * DAY_S, 20 * DAY_S),
    K.SEAT_LEAK: (1 * DAY_S, 20 * DAY_S),
    K.SPRING_DRIFT: (5 * DAY_S, 40 * DAY_S),
    K.GRILLE_BLOCKING: (10 * DAY_S, 40 * DAY_S),
    K.SENSOR_DRIFT: (3 * DAY_S, 30 * DAY_S),
}
"""How long a drawn fault takes to grow, least and most, s; what is not here is there at once."""

SENSOR_KINDS = frozenset((K.SENSOR_STUCK, K.SENSOR_DRIFT, K.SENSOR_WRONG_SCALE))
TELEMETRY_KINDS = SENSOR_KINDS | {K.CLOCK_WRONG, K.LINK_DOWN}
BATTERY_KINDS = frozenset((K.BATTERY_SHORTED_CELL, K.BATTERY_SULPHATED))
"""A repair of these is a new battery."""
MENDED_AFAR = frozenset((K.GAS_SUPPLY_LOW, K.CLOCK_WRONG, K.LINK_DOWN))
"""These may be put right with nobody at the unit, who would also reset a control that is locked out."""


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong with a unit.

    from_ns: when it begins. to_ns: when it was repaired, None: not within the span. severity: at the end of its growth,
    0..1. growth_s: from nothing to there, s. signal: which sensor, for the sensor kinds. at_visit: its repair is work
    of a visit. called_out: somebody is told once the unit is not ready for it, and comes within a day.
    """

    unit: str
    kind: FaultKind
    from_ns: int
    to_ns: int | None = None
    severity: float = 1.0
    growth_s: float = 0.0
    signal: str = ""
    at_visit: bool = False
    called_out: bool = False


def severity_at(fault: Fault, time_ns: Int64) -> Float64:
    """How severe one fault is, 0..1, [t]: 0 before its onset and from its repair on."""
    age_s = (time_ns - fault.from_ns) / SECOND_NS
    grown = np.clip(age_s / fault.growth_s, 0.0, 1.0) if fault.growth_s >= 1.0 else np.ones_like(age_s)
    present = age_s >= 0.0
    if fault.to_ns is not None:
        present &= time_ns < fault.to_ns
    severe: Float64 = np.where(present, grown * fault.severity, 0.0)
    return severe


def severities(faults: Sequence[Fault], unit_ids: Sequence[str], time_ns: Int64) -> dict[FaultKind, Float64]:
    """How severe each kind is, 0..1, [unit, t]; a kind that is nowhere in the span is left out.

    Args:
        time_ns: sorted, [t].
    """
    row_of = {unit: row for row, unit in enumerate(unit_ids)}
    found: dict[FaultKind, Float64] = {}
    for fault in faults:
        ended = fault.to_ns is not None and fault.to_ns <= time_ns[0]
        if fault.unit not in row_of or ended or fault.from_ns > time_ns[-1]:
            continue
        shown = found.setdefault(fault.kind, np.zeros((len(unit_ids), len(time_ns))))
        row = shown[row_of[fault.unit]]
        np.maximum(row, severity_at(fault, time_ns), out=row)
    return found


@dataclass(frozen=True, slots=True)
class Effects:
    """What faults do to the physics, each [t, unit] (one row a step, as the step takes it).

    element_share: of the heater's power that its elements still give. stuck_on, chatter: 0..1. flow_share: of the
    heater loop's flow. coolant_share: of the coolant. set_point_shift: of the heater's band, K. charger_supplied,
    breaker_closed: 0 or 1. output_share, current_share: of the charger's voltage and current limit. interrupted: 0 or
    1. shorted: cells of the set. resistance_factor: of the battery. over_volts: a block, V. left_load: of the charger's
    limit. vent_open: share of the vent's area. louver_open, grille_open: 0..1. seat_leak: 0..1. supply_share: of the
    gas supply's pressure, standing. supply_loss: share of it that is lost at full flow; may pass 1: less can flow then.
    spring_shift: of the set point, as a share. in_auto: 0 or 1.
    """

    element_share: Float64
    stuck_on: Float64
    chatter: Float64
    flow_share: Float64
    coolant_share: Float64
    set_point_shift: Float64
    charger_supplied: Float64
    breaker_closed: Float64
    output_share: Float64
    current_share: Float64
    interrupted: Float64
    shorted: Float64
    resistance_factor: Float64
    over_volts: Float64
    left_load: Float64
    vent_open: Float64
    louver_open: Float64
    grille_open: Float64
    seat_leak: Float64
    supply_share: Float64
    supply_loss: Float64
    spring_shift: Float64
    in_auto: Float64


def effects(severe: Mapping[FaultKind, Float64], unit_ids: Sequence[str], time_ns: Int64, *, seed: int) -> Effects:
    """What severities do to the physics.

    Args:
        severe: as severities gave them, [unit, t]. unit_ids, time_ns: those of its rows and columns.
    """
    nothing = np.zeros((len(time_ns), len(unit_ids)))
    one = np.ones_like(nothing)

    def of(kind: FaultKind) -> Float64:
        shown = severe.get(kind)
        return nothing if shown is None else np.ascontiguousarray(shown.T)

    def left(kind: FaultKind, most: float = 1.0) -> Float64:
        return one - most * of(kind) if kind in severe else one

    interrupted = nothing
    if K.CHARGER_INTERMITTENT in severe:
        interrupted = np.ascontiguousarray(_in_spells(severe[K.CHARGER_INTERMITTENT], unit_ids, time_ns, seed=seed).T)
    return Effects(
        element_share=left(K.HEATER_ELEMENT_OPEN) * left(K.HEATER_HALF_LOST, 0.5),
        stuck_on=of(K.HEATER_STUCK_ON),
        chatter=of(K.HEATER_CHATTER),
        flow_share=left(K.HEATER_HOSE_RESTRICTING) ** BORE_POWER,
        coolant_share=left(K.COOLANT_AIR_LOCK, 0.25),
        set_point_shift=-15.0 * of(K.HEATER_SET_POINT_DRIFT),
        charger_supplied=(of(K.CHARGER_NO_AC) < 0.5).astype(np.float64),
        breaker_closed=(of(K.BREAKER_TRIPPED) < 0.5).astype(np.float64),
        output_share=left(K.CHARGER_OUTPUT_SAG, 0.1),
        current_share=left(K.CHARGER_CURRENT_FALLING),
        interrupted=interrupted,
        shorted=of(K.BATTERY_SHORTED_CELL),
        resistance_factor=1.0 + 2.0 * of(K.BATTERY_SULPHATED),
        over_volts=1.5 * of(K.BATTERY_OVERCHARGED),
        left_load=LEFT_LOAD * of(K.LOAD_LEFT_ON),
        vent_open=vent_area(of(K.VENT_BLOCKED)) if K.VENT_BLOCKED in severe else one,
        louver_open=left(K.LOUVER_STUCK),
        grille_open=left(K.GRILLE_BLOCKING),
        seat_leak=of(K.SEAT_LEAK),
        supply_share=1.0 - np.maximum((of(K.GAS_SUPPLY_LOW) - SAGS_FROM) / (1.0 - SAGS_FROM), 0.0) ** 2,
        supply_loss=LINE_LOSS * (10.0 ** (LINE_DECADES * of(K.GAS_SUPPLY_LOW)) - 1.0),
        spring_shift=-0.6 * of(K.SPRING_DRIFT),
        in_auto=(of(K.CONTROL_LEFT_OFF) < 0.5).astype(np.float64),
    )


def vent_area(severity: Float64) -> Float64:
    """Share of a vent's area that dirt, ice or insects leave: 1 clean, 0 sealed.

    Half blocked leaves a fifth, through which a case still breathes within a second; 0.8 a thousandth, 0.9 five in a
    hundred thousand: a crack, a screen under ice.

    Args:
        severity: 0..1, any shape.
    """
    area: Float64 = (1.0 - severity) * 10.0 ** (-VENT_DECADES * severity**3)
    return area


def _in_spells(severe: Float64, unit_ids: Sequence[str], time_ns: Int64, *, seed: int) -> Float64:
    """1 in spells that take a share of the time, hours each, 0 between, [unit, t]."""
    spell = time_ns // (5 * 3600 * SECOND_NS)
    chance = 0.5 + 0.5 * even(keys(seed, unit_ids, "spell"), spell)
    return (chance < severe).astype(np.float64)


@dataclass(frozen=True, slots=True)
class People:
    """When somebody comes to units, and which units share a box, by unit: for faults that chance draws.

    comes_ns: beginnings of visits, sorted, ns. beside: all units at the gateway of one, itself too.
    """

    comes_ns: Mapping[str, Int64]
    beside: Mapping[str, tuple[str, ...]]

    def next_ns(self, unit: str, after_ns: int) -> int | None:
        """When the first visit to a unit at or after a time begins; None: none comes within the span."""
        comes = self.comes_ns.get(unit)
        if comes is None:
            return None
        place = int(np.searchsorted(comes, after_ns))
        return int(comes[place]) if place < len(comes) else None


def drawn_faults(
    counts: Mapping[FaultKind, int],
    unit_ids: Sequence[str],
    *,
    seed: int,
    from_ns: int,
    to_ns: int,
    lasting_s: tuple[float, float],
    signals: Sequence[str],
    people: People,
    taken: Sequence[Fault] = (),
) -> list[Fault]:
    """So many faults a kind, at units and times that chance draws; never two at a time at one unit.

    Each is repaired at the first visit after its time, or sooner where a unit that is not ready is noticed. What people
    leave behind begins at a visit. What is wrong with a gateway is wrong for all units at it.

    Args:
        counts: how many of each kind. from_ns, to_ns: within which they begin.
        lasting_s: from the end of its growth until it is due for repair, least and most, s.
        signals: whose sensors can fail. taken: faults that are there already.
    Returns: sorted by onset; fewer than asked where the units are too few for so many.
    """
    found = list(taken)
    for kind, count in counts.items():
        for number in range(count):
            found += _drawn(kind, number, unit_ids, found, seed, from_ns, to_ns, lasting_s, signals, people)
    return sorted(found[len(taken) :], key=_order)


DRAWS_MAX = 40  # tries to find a unit that nothing else is wrong with at that time
NUMBERS = 8  # of chance, a try
WORK_NS = 40 * STEP_NS  # from the arrival of somebody until a fault is repaired (our choice)
LEFT_NS = 10 * STEP_NS  # from the arrival of somebody until something is left wrong
CALLED_OUT_SHARE = (
    0.5  # of faults: somebody learns that the unit is not ready, the others wait for a visit (our choice)
)


def _drawn(
    kind: FaultKind,
    number: int,
    unit_ids: Sequence[str],
    found: Sequence[Fault],
    seed: int,
    from_ns: int,
    to_ns: int,
    lasting_s: tuple[float, float],
    signals: Sequence[str],
    people: People,
) -> list[Fault]:
    """One fault where nothing else is wrong, at each unit it concerns; none where chance finds no such place."""
    key = keys(seed, [f"{kind}/{number}"], "fault")
    for turn in range(DRAWS_MAX):
        draw = 0.5 + 0.5 * even(key, np.arange(NUMBERS * turn, NUMBERS * (turn + 1)))[0]
        unit = unit_ids[min(int(draw[0] * len(unit_ids)), len(unit_ids) - 1)]
        onset_ns = from_ns + int(draw[1] * (to_ns - from_ns)) // STEP_NS * STEP_NS
        if kind in LEFT_BEHIND:
            came_ns = people.next_ns(unit, onset_ns)
            if came_ns is None or came_ns + LEFT_NS >= to_ns:
                continue
            onset_ns = came_ns + LEFT_NS
        least, most = GROWTH_S.get(kind, (0.0, 0.0))
        growth_s = float(np.round(least + draw[2] * (most - least)))
        lasts_s = growth_s + lasting_s[0] + draw[3] * (lasting_s[1] - lasting_s[0])
        mended_ns = people.next_ns(unit, onset_ns + int(lasts_s) * SECOND_NS)
        mildest = SEVERITY_LEAST.get(kind, SEVERITY_USUAL_LEAST)
        first = Fault(
            unit=unit,
            kind=kind,
            from_ns=onset_ns,
            to_ns=None if mended_ns is None else mended_ns + WORK_NS,
            severity=round(float(mildest + (1.0 - mildest) * draw[4]) if kind in GRADED else 1.0, 3),
            growth_s=growth_s,
            signal=signals[min(int(draw[5] * len(signals)), len(signals) - 1)] if kind in SENSOR_KINDS else "",
            at_visit=True,
            called_out=bool(draw[6] < CALLED_OUT_SHARE),
        )
        drawn = at_gateways([first], people.beside)
        if not any(_overlap(fault, other) for fault in drawn for other in found):
            return drawn
    return []


def at_gateways(faults: Sequence[Fault], beside: Mapping[str, tuple[str, ...]]) -> list[Fault]:
    """Faults, and beside each of a gateway the same at all other units of that box.

    Args:
        beside: all units at the gateway of one, by unit. A unit that has the same fault at the same time keeps its own.
    """
    found = list(faults)
    for fault in faults:
        if fault.kind in GATEWAY_KINDS:
            others = [unit for unit in beside.get(fault.unit, ()) if unit != fault.unit]
            for copy in (replace(fault, unit=unit, at_visit=False) for unit in others):
                if not any(one.kind is copy.kind and one.unit == copy.unit and _meet(one, copy) for one in found):
                    found.append(copy)
    return found


GRADED = frozenset(
    (
        *(K.HEATER_CHATTER, K.HEATER_HOSE_RESTRICTING, K.COOLANT_AIR_LOCK, K.HEATER_SET_POINT_DRIFT),
        *(K.CHARGER_OUTPUT_SAG, K.CHARGER_CURRENT_FALLING, K.CHARGER_INTERMITTENT, K.BATTERY_SULPHATED),
        *(K.BATTERY_OVERCHARGED, K.LOAD_LEFT_ON, K.VENT_BLOCKED, K.SEAT_LEAK, K.GAS_SUPPLY_LOW, K.SPRING_DRIFT),
        *(K.LOUVER_STUCK, K.GRILLE_BLOCKING, K.SENSOR_DRIFT, K.SENSOR_WRONG_SCALE),
    )
)
"""Kinds that come in degrees; the others are there or not."""

SEVERITY_USUAL_LEAST = 0.6
SEVERITY_LEAST: Mapping[FaultKind, float] = {K.VENT_BLOCKED: 0.8}
"""The mildest that chance draws of a kind in degrees: a vent that breathes within seconds is no fault yet."""

LEFT_BEHIND = frozenset((K.CONTROL_LEFT_OFF, K.LOAD_LEFT_ON, K.SENSOR_WRONG_SCALE))
"""Kinds that somebody leaves behind at a visit (TRADE.md sections 4 and 7)."""

GATEWAY_KINDS = frozenset((K.CLOCK_WRONG, K.LINK_DOWN))
"""Kinds that are a gateway's: all its units have them."""

REST_NS = 3 * 86_400 * SECOND_NS  # after a repair, before chance breaks the same unit again


def _meet(fault: Fault, other: Fault, *, apart_ns: int = 0) -> bool:
    """Whether two faults stand at one time, or less than so far apart."""
    ends_before = fault.to_ns is not None and fault.to_ns + apart_ns <= other.from_ns
    begins_after = other.to_ns is not None and other.to_ns + apart_ns <= fault.from_ns
    return not (ends_before or begins_after)


def _overlap(fault: Fault, other: Fault) -> bool:
    return fault.unit == other.unit and _meet(fault, other, apart_ns=REST_NS)


def _order(fault: Fault) -> tuple[int, str, str, str]:
    return (fault.from_ns, fault.unit, fault.kind.value, fault.signal)
