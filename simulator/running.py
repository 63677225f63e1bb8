"""When units run: exercise by the clock, outages of their site, and what becomes of an attempt to start.

In: recurrence rules, outages, what the physics says of a crank. Out: wanted runs; started or not, and why. May import:
numpy, dateutil, simulator.chance. Touches nothing.

Nothing here decides that a start fails: an engine is turned fast enough or not, its control stays alive or not, gas
comes to the mixer or not, and a cold engine takes longer to fire than its control cranks.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import islice
from zoneinfo import ZoneInfo

import numpy as np
from dateutil.rrule import rrule, rrulestr

from simulator.chance import SECOND_NS, Bool, Float64, Int64, even, keys

BEGIN = datetime(2024, 1, 1)  # noqa: DTZ001  rules count from here in site time, as the contract says
FREQUENCIES = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")
RULE_EXAMPLE = "FREQ=WEEKLY;BYDAY=TU;BYHOUR=10"
MOMENTS_MAX = 20_000  # of one rule in one span: daily for fifty years
SKIPPED = timedelta(hours=3)  # where clocks skip an hour, wall clock order holds but for this much
CRANK_S = 15  # NFPA 110 Table 5.6.4.2 (2002): crank 15 s, rest 15 s
REST_S = 15
ATTEMPTS = 3
RETRANSFER_S = (300.0, 900.0)  # the supply must be back so long before the load goes back to it (common practice)
COOL_DOWN_S = 300.0  # without load, after it
EXERCISE_S = 1800.0  # NFPA 110: 30 minutes


def rule_fault(rule: str) -> str | None:
    """What is wrong with a recurrence rule, in words that go on a sentence; None where nothing is."""
    parts = dict(part.partition("=")[::2] for part in rule.upper().removeprefix("RRULE:").split(";"))
    if parts.get("FREQ") not in FREQUENCIES:
        return f'which must begin with FREQ= and one of {", ".join(FREQUENCIES)}. Write it like "{RULE_EXAMPLE}".'
    try:
        first = next(iter(_parsed(rule, ZoneInfo("UTC"), BEGIN)), None)
    except (ValueError, TypeError, AttributeError, KeyError, IndexError) as error:  # whatever dateutil meets in it
        return f'which cannot be read as a rule of RFC 5545 ({error}). Write it like "{RULE_EXAMPLE}".'
    return "which never comes about. Correct its days or its UNTIL." if first is None else None


def rule_times(rule: str, timezone: str, *, from_ns: int, to_ns: int, counted_from: datetime = BEGIN) -> Int64:
    """Moments of a rule with from_ns <= moment < to_ns, sorted, ns UTC.

    Absent parts are those of counted_from. A time that clocks skip is meant in the offset before, one that comes twice
    is the first of the two (RFC 5545 section 3.3.5).

    Args:
        timezone: of the wall clock. counted_from: where the rule begins, by that clock.
    """
    zone = ZoneInfo(timezone)
    begin = datetime.fromtimestamp(from_ns // SECOND_NS, zone).replace(tzinfo=None) - SKIPPED
    found: list[int] = []
    for moment in islice(_parsed(rule, zone, counted_from).xafter(begin, inc=True), MOMENTS_MAX):
        moment_ns = round(moment.replace(tzinfo=zone).timestamp()) * SECOND_NS
        if moment_ns >= to_ns + int(SKIPPED.total_seconds()) * SECOND_NS:
            break
        if from_ns <= moment_ns < to_ns:
            found.append(moment_ns)
    return np.array(sorted(found), np.int64)


def _parsed(rule: str, zone: ZoneInfo, counted_from: datetime) -> rrule:
    text = rule.upper().removeprefix("RRULE:")
    head, found, tail = text.partition("UNTIL=")
    if found and tail[8:9] == "T" and tail[15:16] == "Z":  # UTC in the rule, wall clock inside
        until = datetime.strptime(tail[:16], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC).astimezone(zone)
        text = f"{head}UNTIL={until:%Y%m%dT%H%M%S}{tail[16:]}"
    parsed = rrulestr(text, dtstart=counted_from)
    assert isinstance(parsed, rrule), "one rule in, one rule out"
    return parsed


@dataclass(frozen=True, slots=True)
class Wanted:
    """An exercise run that is asked for. unit: its row. load: share of full load.

    start_ns: the control's first crank. end_ns: when the engine stops.
    """

    unit: int
    start_ns: int
    end_ns: int
    load: float


def exercise_runs(
    rule: str, timezone: str, *, unit: int, unit_id: str, load: float, seed: int, from_ns: int, to_ns: int
) -> list[Wanted]:
    """The exercise runs of one unit: each begins some seconds after the rule's moment, by its own clock.

    Args:
        unit: its row. from_ns, to_ns: within which they begin.
    """
    due = rule_times(rule, timezone, from_ns=from_ns - 60 * SECOND_NS, to_ns=to_ns)
    late_s = np.floor(20.0 + 20.0 * even(keys(seed, [unit_id], "start"), due)[0]).astype(np.int64)
    starts = (due + late_s * SECOND_NS).tolist()
    lasts_ns = int(EXERCISE_S) * SECOND_NS
    return [Wanted(unit, at, at + lasts_ns, load) for at in starts if from_ns <= at < to_ns]


def outage_delay_s(unit_id: str, at_ns: int, *, seed: int) -> int:
    """How long a unit's transfer switch waits before it asks for a start: 2 to 5 s, so that no flicker starts it."""
    return round(3.5 + 1.5 * float(even(keys(seed, [unit_id], "delay"), np.array([at_ns]))[0, 0]))


def retransfer_s(unit_id: str, at_ns: int, *, seed: int) -> int:
    """How long the mains must be back before the load returns to them, s."""
    part = 0.5 + 0.5 * float(even(keys(seed, [unit_id], "retransfer"), np.array([at_ns]))[0, 0])
    return round(RETRANSFER_S[0] + part * (RETRANSFER_S[1] - RETRANSFER_S[0]))


@dataclass(frozen=True, slots=True)
class Engine:
    """What an engine and its control need to start, each [unit].

    fire_s: cranking until it fires with its water at 40 Cel, s. control_volts: a 12 V block, below which the control
    drops out. gas_least, gas_most: of the set point at the mixer, between which the mixture burns.
    """

    fire_s: Float64
    control_volts: Float64
    gas_least: Float64
    gas_most: Float64


def drawn_engines(unit_ids: Sequence[str], *, seed: int) -> Engine:
    """Engines, each a little different."""

    def spread(what: str, middle: float, half: float) -> Float64:
        return middle + half * even(keys(seed, unit_ids, what), np.array([0]))[:, 0]

    return Engine(
        fire_s=spread("fire", 2.2, 0.6),
        control_volts=spread("control", 7.6, 0.4),
        gas_least=spread("lean", 0.45, 0.1),
        gas_most=spread("rich", 2.2, 0.5),
    )


def fire_after_s(fire_s: Float64, water: Float64) -> Float64:
    """Cranking until a sound engine fires, s: e-fold in 20 K of colder water.

    t = t40 * exp((40 - T) / 20), so that an engine that fires in 2 s at 40 Cel takes 5 s at 21 Cel, 15 s at 0 Cel.

    Args:
        fire_s: t40 of the engine, s, [unit]. water: T of the jacket water, Cel, [unit].
    Source: gas engines on spark ignition start badly below freezing without jacket heat (common practice); the curve
        is our own.
    """
    waiting: Float64 = fire_s * np.exp((40.0 - water) / 20.0)
    return waiting


NO_FAILURE = ""
NOT_IN_AUTO = "control_not_in_auto"
LOCKED_OUT = "locked_out"
CONTROL_DROPPED_OUT = "control_dropped_out"
TURNED_TOO_SLOWLY = "turned_too_slowly"
NO_GAS = "too_little_gas"
TOO_MUCH_GAS = "too_much_gas"
TOO_COLD = "too_cold_to_fire"


def fired_after_s(
    engine: Engine, *, row: int, water: float, block_volts: Float64, turns: Bool, gas_share: Float64
) -> tuple[int, str]:
    """After how many seconds of one crank an engine fires, and why it does not.

    The seconds count in which the crank turns the engine, the control is alive and the mixture burns.

    Args:
        row: of the unit in engine. water: Cel. block_volts: a 12 V block, each second of the crank, [second].
        turns: fast enough, [second]. gas_share: of the set point, at the mixer, [second].
    Returns: seconds, and ''; or -1 and the reason that took most of the crank.
    """
    if float(block_volts.min(initial=99.0)) < engine.control_volts[row]:
        return -1, CONTROL_DROPPED_OUT
    lean, rich = gas_share < engine.gas_least[row], gas_share > engine.gas_most[row]
    fine = turns & ~lean & ~rich
    needed_s = float(fire_after_s(engine.fire_s[row : row + 1], np.array([water]))[0])
    done = np.flatnonzero(np.cumsum(fine) >= needed_s)
    if len(done):
        return int(done[0]) + 1, NO_FAILURE
    missed = {
        TURNED_TOO_SLOWLY: int(np.count_nonzero(~turns)),
        NO_GAS: int(np.count_nonzero(lean)),
        TOO_MUCH_GAS: int(np.count_nonzero(rich)),
    }
    worst = max(missed, key=missed.__getitem__)
    return -1, worst if missed[worst] else TOO_COLD
