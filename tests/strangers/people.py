"""People and mains: visits, exercise runs, outages, failed starts, and what hands leave changed.

In: a design, a span, the unit's faults. Out: minutes in which things are so (Calendar), starts, and the events that may
confuse a judge. May import: numpy, dateutil, tests.strangers. Touches nothing.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from dateutil.rrule import rrulestr

from tests.strangers.channels import Channels
from tests.strangers.design import Design
from tests.strangers.draws import Array, Rng, between, chance, log_between, stream
from tests.strangers.faults import Fault
from tests.strangers.span import MINUTES_A_DAY, STRETCH_MINUTES, Span

RULE_FROM = datetime(2024, 1, 1)  # noqa: DTZ001  contract: a rule counts from 2024-01-01T00:00:00 site time
SEASON_OFF_DAYS = (130, 265)  # of the year, north: heaters off in summer, from memory


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to a unit and is no fault: minutes of the run, and what."""

    unit: int
    name: str
    begin: int
    end: int
    detail: str = ""


@dataclass(slots=True)
class Start:
    """One start. minute: of the run, with its fraction. crank_s: of each try. tries: how many. runs_until: minute.

    outcome: ran, failed (did not fire), no_crank (battery), no_gas. least_volts: of a block, filled in by the world.
    """

    unit: int
    minute: float
    reason: str
    crank_s: float
    tries: int
    runs_until: int
    outcome: str = "ran"
    least_volts: float = float("nan")


@dataclass(slots=True)
class Calendar:
    """What is so in each minute of one unit, uint8 [minute]; load 0..1, float32 [minute]; starts, events, visits."""

    running: Array
    mains: Array
    doors: Array
    charger_off: Array
    auto: Array
    breaker: Array
    load: Array
    lights: Array
    starts: list[Start] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    visits: list[int] = field(default_factory=list)


def calendar(seed: int, unit: Design, column: int, *, span: Span, faults: list[Fault], channels: Channels) -> Calendar:
    """All that people and mains do to one unit; lasting changes go into the channels.

    Args:
        seed: of the run.
        unit: as built.
        column: its place in the arrays.
        faults: of this unit.
        channels: of the run; changed.
    """
    rng = stream(seed, unit.number, "people")
    ones, zeros = np.ones(span.minutes, np.uint8), np.zeros(span.minutes, np.uint8)
    plan = Calendar(
        running=zeros.copy(),
        mains=ones.copy(),
        doors=zeros.copy(),
        charger_off=zeros.copy(),
        auto=ones.copy(),
        breaker=ones.copy(),
        load=np.zeros(span.minutes, np.float32),
        lights=np.zeros(span.minutes, np.float32),
    )
    for fault in faults:
        if fault.kind.condition == "control_not_in_auto":
            plan.auto[fault.begin : fault.end] = 0
    _visit(rng, plan, unit, column, span)
    _exercise(rng, plan, unit, column, span)
    _outages(rng, plan, unit, column, span)
    _failed_start(rng, plan, unit, column, span)
    _lasting(rng, plan, unit, column, span, channels, faults)
    _season(plan, unit, column, span)
    plan.starts.sort(key=lambda start: start.minute)
    return plan


def moments(rule: str, *, span: Span, zone: str | float) -> list[int]:
    """Minutes of the run at which a rule's events begin.

    Args:
        rule: RFC 5545.
        zone: a name, with its summer time; or h after UTC, as a controller's clock has it that knows no summer time.
    """
    first = span.start.replace(tzinfo=None) - timedelta(days=1)
    last = first + timedelta(days=span.days + 2)
    found = []
    for local in rrulestr(rule, dtstart=RULE_FROM).between(first, last, inc=True):
        if isinstance(zone, str):
            minute = span.minute_of(local.replace(tzinfo=ZoneInfo(zone)))
        else:
            minute = span.minute_of(local.replace(tzinfo=span.start.tzinfo) - timedelta(hours=zone))
        if 0 <= minute < span.minutes:
            found.append(minute)
    return found


def _run(plan: Calendar, start: Start, load: float) -> None:
    """Let the engine run from a start on."""
    begin = int(start.minute)
    plan.running[begin : start.runs_until] = 1
    plan.load[begin : start.runs_until] = load
    plan.starts.append(start)


def _free(plan: Calendar, begin: int, end: int, gap: int = 90) -> bool:
    """Whether nothing runs about this time and the switch is in automatic."""
    low, high = max(begin - gap, 0), end + gap
    return not plan.running[low:high].any() and bool(plan.auto[begin])


def _visit(rng: Rng, plan: Calendar, unit: Design, column: int, span: Span) -> None:
    for told in moments(unit.rules["visit"], span=span, zone=unit.zone):
        if chance(rng, 0.08):
            continue  # nobody came
        begin = told + int(rng.normal(20, 45)) + (MINUTES_A_DAY if chance(rng, 0.06) else 0)
        end = begin + int(log_between(rng, 15.0, 150.0))
        if begin < 0 or end >= span.minutes:
            continue
        plan.visits.append(begin)
        did = ["doors"]
        plan.doors[begin:end] = 1
        if chance(rng, 0.6):
            plan.lights[begin:end] = log_between(rng, 0.5, 8.0)
            did.append("lights")
        if chance(rng, 0.3):
            plan.auto[begin:end] = 0
            did.append("switch off")
        if chance(rng, 0.15):
            plan.charger_off[begin : begin + (end - begin) // 2] = 1
            did.append("charger off")
        if chance(rng, 0.06):  # the heater is isolated for work on it, and put back
            plan.breaker[begin:end] = 0
            did.append("heater isolated")
        if chance(rng, 0.12) and _free(plan, end, end + 20, 5):
            length = int(rng.integers(5, 25))
            _run(plan, _start(rng, unit, column, end, "hand", end + length, span), 0.0)
            did.append("run by hand")
        plan.events.append(Event(column, "visit", begin, end, ", ".join(did)))


def _start(rng: Rng, unit: Design, column: int, minute: int, reason: str, until: int, span: Span) -> Start:
    crank = unit.battery["crank_s"] * float(np.exp(rng.normal(0, 0.25)))
    tries = 2 if chance(rng, 0.04) else 1
    at = minute + float(rng.uniform(0.02, 0.5))
    return Start(column, at, reason, min(crank, 14.0), tries, min(until, span.minutes))


def _exercise(rng: Rng, plan: Calendar, unit: Design, column: int, span: Span) -> None:
    if not unit.rules["exercise"]:
        return
    pause = int(rng.integers(span.minutes)) if chance(rng, 0.15) else span.minutes
    back = pause + int(between(rng, 30, 100) * MINUTES_A_DAY)
    if pause < span.minutes:
        plan.events.append(Event(column, "exercise_timer_off", pause, min(back, span.minutes)))
    for begin in moments(unit.rules["exercise"], span=span, zone=unit.utc_offset_h):
        length = max(int(unit.habits["exercise_minutes"]), 3)
        if pause <= begin < back or begin + length + 10 > span.minutes or not _free(plan, begin, begin + length, 20):
            continue
        start = _start(rng, unit, column, begin, "exercise", begin + length, span)
        _run(plan, start, unit.habits["exercise_load"] * between(rng, 0.8, 1.2))
        plan.events.append(Event(column, "exercise", begin, start.runs_until))


def _outages(rng: Rng, plan: Calendar, unit: Design, column: int, span: Span) -> None:
    for _ in range(rng.poisson(unit.habits["outages_a_year"] * span.days / 365.0)):
        begin = int(rng.integers(10, span.minutes))
        spell = 1 if chance(rng, 0.8) else int(rng.integers(3, 9))  # storms bring many short ones
        for _ in range(spell):
            length = int(log_between(rng, 60, 1800) if chance(rng, 0.12) else log_between(rng, 1, 60))
            end = min(begin + length, span.minutes)
            if end - begin < 1 or plan.running[max(begin - 10, 0) : end + 60].any():
                break
            plan.mains[begin:end] = 0
            plan.events.append(Event(column, "outage", begin, end))
            if plan.auto[begin]:
                until = min(end + int(rng.integers(5, 31)), span.minutes)
                _run(plan, _start(rng, unit, column, begin, "outage", until, span), between(rng, 0.25, 0.95))
            begin = end + int(rng.integers(60, 400))


def _failed_start(rng: Rng, plan: Calendar, unit: Design, column: int, span: Span) -> None:
    for _ in range(rng.poisson(0.5 * span.days / 365.0)):
        begin = int(rng.integers(10, span.minutes))
        if not _free(plan, begin, begin + 10):
            continue
        start = Start(column, begin + 0.2, "test", 15.0, 3, begin, outcome="failed")
        plan.starts.append(start)
        plan.events.append(Event(column, "failed_start", begin, min(begin + 2, span.minutes), "no spark, put right"))


def _lasting(
    rng: Rng, plan: Calendar, unit: Design, column: int, span: Span, channels: Channels, faults: list[Fault]
) -> None:
    """What somebody changes for good, or for a day: each at a visit where there is one."""
    year = span.days / 365.0

    def bend(name: str, begin: int, end: int, target: float) -> None:
        length = (end - begin) // STRETCH_MINUTES
        channels.bend(name, column, begin=begin // STRETCH_MINUTES, share=np.ones(max(length, 1)), target=target)

    def when() -> int:
        """At a visit, but not while a fault stands: a truth must not be hidden under another change."""
        for _ in range(8):
            at = plan.visits[int(rng.integers(len(plan.visits)))] if plan.visits else int(rng.integers(span.minutes))
            if not any(fault.begin - 2 * MINUTES_A_DAY <= at <= fault.end for fault in faults):
                return at
        return -1

    def happens(a_year: float) -> int:
        return when() if chance(rng, 1 - float(np.exp(-a_year * year))) else -1

    end = span.minutes
    if (at := happens(0.25)) >= 0:
        shift = between(rng, 3.0, 7.0) * float(rng.choice([-1.0, 1.0]))
        shift = max(shift, 31.0 - unit.water["set_at"])  # nobody sets it so low that the unit is not ready
        bend("heater_set", at, end, shift)
        plan.events.append(Event(column, "heater_set_point_changed", at, end, f"{shift:+.1f} K"))
    if (at := happens(0.2)) >= 0:
        factor = between(rng, 0.88, 1.12)
        bend("spring", at, end, factor)
        plan.events.append(Event(column, "gas_set_point_changed", at, end, f"x {factor:.2f}"))
    if (at := happens(0.3)) >= 0:
        bend("resistance", 0, at, between(rng, 1.1, 1.4))  # the old one
        bend("capacity", 0, at, between(rng, 0.75, 0.95))
        plan.charger_off[at : at + 40] = 1
        plan.events.append(Event(column, "battery_replaced", at, at + 40))
    if unit.words["battery"] == "flooded" and (at := happens(0.5)) >= 0:
        hours = between(rng, 3.0, 10.0)
        bend("charger_shift", at, min(at + int(hours * 60), end), between(rng, 1.2, 1.8))
        plan.events.append(Event(column, "equalise", at, min(at + int(hours * 60), end)))
    if (at := happens(0.12)) >= 0:
        factor = log_between(rng, 0.5, 2.0)
        bend("louvers", at, end, factor)
        plan.events.append(Event(column, "moved_to_new_setting", at, end, f"draught x {factor:.2f}"))
    if (at := happens(0.3)) >= 0:
        plan.events.append(Event(column, "sensor_replaced", at, at + 30))
    if (at := happens(0.3)) >= 0:
        until = min(at + int(between(rng, 0.5, 4.0) * MINUTES_A_DAY), end)
        bend("supply", at, until, between(rng, 0.85, 0.95))
        plan.events.append(Event(column, "gas_company_works", at, until))


def _season(plan: Calendar, unit: Design, column: int, span: Span) -> None:
    """Heater switched off for the summer, where people do so."""
    if not unit.habits["seasonal"]:
        return
    day = (span.start.timetuple().tm_yday + np.arange(span.days) + (182 if unit.climate.south else 0)) % 365
    off = (day > SEASON_OFF_DAYS[0]) & (day < SEASON_OFF_DAYS[1])
    plan.breaker[np.repeat(off, MINUTES_A_DAY)] = 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], off.astype(int), [0]])))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        last = min(int(end) * MINUTES_A_DAY, span.minutes)
        plan.events.append(Event(column, "heater_off_for_summer", int(begin) * MINUTES_A_DAY, last))
