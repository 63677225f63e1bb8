"""One unit for each kind of fault, twice: with the fault and without, under the same weather, people and runs.

In: kinds. Out: what was true, reported and run around the onset, in both. May import: numpy, simulator. Touches
nothing.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from simulator.chance import SECOND_NS, Float64, Int64
from simulator.faults import DAY_S, SENSOR_KINDS, Fault, FaultKind
from simulator.fleet import Site, Unit
from simulator.gateways import SIGNALS
from simulator.scenario import Scenario
from simulator.telemetry import report, reporting
from simulator.truth import Ledger, NotReady, not_ready_moment
from simulator.world import Day, Run, days

DAY_NS = int(DAY_S) * SECOND_NS
HOUR_NS = 3600 * SECOND_NS
NEEDED = SIGNALS[:4]
AIR = SIGNALS[4]  # outdoors
ONSET_AFTER_NS = 10 * DAY_NS + 9 * HOUR_NS  # the tenth night, of a Wednesday in the places shown
SEASON_FROM_NS: Mapping[str, int] = {
    "high-plain": 1_767_571_200 * SECOND_NS,  # 2026-01-05, a Monday
    "desert-basin": 1_783_296_000 * SECOND_NS,  # 2026-07-06, a Monday
    "lakeside": 1_773_619_200 * SECOND_NS,  # 2026-03-16, a Monday
}
"""Where a fault is shown, and from when: in the season in which it shows."""


@dataclass(frozen=True, slots=True)
class Shown:
    """How a kind of fault is shown. before_s, after_s: of its onset, how much of the time."""

    climate: str = "high-plain"
    severity: float = 1.0
    growth_s: float = 0.0
    signal: str = ""
    before_s: float = 3 * DAY_S
    after_s: float = 7 * DAY_S


K = FaultKind
SHOWN: Mapping[FaultKind, Shown] = {
    K.HEATER_ELEMENT_OPEN: Shown(before_s=2 * DAY_S, after_s=4 * DAY_S),
    K.HEATER_HALF_LOST: Shown(),
    K.HEATER_STUCK_ON: Shown(before_s=2 * DAY_S, after_s=4 * DAY_S),
    K.HEATER_CHATTER: Shown(before_s=2 * DAY_S, after_s=4 * DAY_S),
    K.HEATER_HOSE_RESTRICTING: Shown(growth_s=5 * DAY_S, after_s=9 * DAY_S),
    K.COOLANT_AIR_LOCK: Shown(growth_s=1 * DAY_S, after_s=5 * DAY_S),
    K.HEATER_SET_POINT_DRIFT: Shown(growth_s=10 * DAY_S, after_s=14 * DAY_S),
    K.CHARGER_NO_AC: Shown(after_s=14 * DAY_S),
    K.CHARGER_OUTPUT_SAG: Shown(growth_s=3 * DAY_S, after_s=14 * DAY_S),
    K.CHARGER_CURRENT_FALLING: Shown(growth_s=6 * DAY_S, after_s=14 * DAY_S),
    K.CHARGER_INTERMITTENT: Shown(severity=0.5, after_s=10 * DAY_S),
    K.BATTERY_SHORTED_CELL: Shown(after_s=7 * DAY_S),
    K.BATTERY_SULPHATED: Shown(growth_s=12 * DAY_S, after_s=16 * DAY_S),
    K.BATTERY_OVERCHARGED: Shown("lakeside", after_s=10 * DAY_S),
    K.LOAD_LEFT_ON: Shown(after_s=7 * DAY_S),
    K.BREAKER_TRIPPED: Shown(before_s=2 * DAY_S, after_s=5 * DAY_S),
    K.VENT_BLOCKED: Shown("lakeside", growth_s=1 * DAY_S, after_s=9 * DAY_S),
    K.SEAT_LEAK: Shown("lakeside", growth_s=4 * DAY_S, after_s=9 * DAY_S),
    K.GAS_SUPPLY_LOW: Shown("lakeside", severity=0.8, after_s=7 * DAY_S),  # standing it looks right
    K.SPRING_DRIFT: Shown("lakeside", growth_s=10 * DAY_S, after_s=14 * DAY_S),
    K.LOUVER_STUCK: Shown("desert-basin", after_s=7 * DAY_S),
    K.GRILLE_BLOCKING: Shown("desert-basin", growth_s=10 * DAY_S, after_s=14 * DAY_S),
    K.SENSOR_STUCK: Shown(signal="jacket_water_temperature", before_s=2 * DAY_S, after_s=3 * DAY_S),
    K.SENSOR_DRIFT: Shown(signal="jacket_water_temperature", growth_s=8 * DAY_S, after_s=10 * DAY_S),
    K.SENSOR_WRONG_SCALE: Shown(signal="enclosure_temperature", before_s=2 * DAY_S, after_s=3 * DAY_S),
    K.CLOCK_WRONG: Shown(before_s=1 * DAY_S, after_s=2 * DAY_S),
    K.LINK_DOWN: Shown(before_s=1 * DAY_S, after_s=2 * DAY_S),
    K.CONTROL_LEFT_OFF: Shown(after_s=7 * DAY_S),
}
ENDS_AFTER_S: Mapping[FaultKind, float] = {K.CLOCK_WRONG: DAY_S, K.LINK_DOWN: DAY_S}
"""Those that are shown with their end."""


@dataclass(frozen=True, slots=True)
class Crank:
    """A start, told each second from its beginning. why: its run's. since_s, volts, pressure: [second]."""

    run: Run
    since_s: Float64
    volts: Float64
    pressure: Float64


@dataclass
class Lived:
    """What one unit lived through.

    values: true, by signal, [minute]. reported: stamps, ns, values, and arrivals, ns, by signal, [row].
    """

    time_ns: Int64
    values: dict[str, Float64]
    reported: dict[str, tuple[Int64, Float64, Int64]] = field(default_factory=dict)
    cranks: list[Crank] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Pair:
    """A unit with a fault and its sound twin. not_ready: when and why the fault kept it from being ready, if ever."""

    fault: Fault
    from_ns: int
    to_ns: int
    unwell: Lived
    sound: Lived
    not_ready: NotReady | None


def pairs(kinds: Sequence[FaultKind], *, seed: int = 1, told: Callable[[str], None] = lambda _: None) -> list[Pair]:
    """A pair for each kind, in their order.

    Args:
        told: is given a line now and then of how far it is.
    """
    found: dict[FaultKind, Pair] = {}
    for climate in SEASON_FROM_NS:
        mine = [kind for kind in kinds if SHOWN[kind].climate == climate]
        if mine:
            told(f"{len(mine)} faults under the climate {climate}")
            found |= zip(mine, _pairs_of(_scenario(mine, climate, seed), told), strict=True)
    return [found[kind] for kind in kinds]


def _scenario(kinds: Sequence[FaultKind], climate: str, seed: int) -> Scenario:
    """One unit for each kind at one site, each with its fault."""
    from_ns = SEASON_FROM_NS[climate]
    onset_ns = from_ns + ONSET_AFTER_NS
    site = Site("yard", "Proving yard", climate, "UTC", visit_rule="")
    units, faults = [], []
    for kind in kinds:
        shown, unit_id = SHOWN[kind], kind.value.replace("_", "-")
        units.append(Unit(unit_id, unit_id, site.id, blocks=1, exercise_rule="FREQ=WEEKLY;BYDAY=TU,FR;BYHOUR=17"))
        assert (kind in SENSOR_KINDS) == bool(shown.signal), "a sensor's fault is one signal's"
        to_ns = onset_ns + int(ENDS_AFTER_S[kind]) * SECOND_NS if kind in ENDS_AFTER_S else None
        faults.append(Fault(unit_id, kind, onset_ns, to_ns, shown.severity, shown.growth_s, shown.signal))
    lasts_s = max(SHOWN[kind].after_s for kind in kinds)
    to_ns = onset_ns + int(lasts_s) * SECOND_NS
    return Scenario("showcase", seed, from_ns, to_ns, (site,), tuple(units), tuple(faults), (), outages=False)


def _pairs_of(scenario: Scenario, told: Callable[[str], None]) -> list[Pair]:
    unwell, spans = _lived(scenario, told)
    sound, _ = _lived(replace(scenario, faults=()), told)
    return [
        Pair(
            fault=fault,
            from_ns=fault.from_ns - int(SHOWN[fault.kind].before_s) * SECOND_NS,
            to_ns=fault.from_ns + int(SHOWN[fault.kind].after_s) * SECOND_NS,
            unwell=unwell[row],
            sound=sound[row],
            not_ready=not_ready_moment(fault, row, spans),
        )
        for row, fault in enumerate(scenario.faults)
    ]


def _lived(scenario: Scenario, told: Callable[[str], None]) -> tuple[list[Lived], list[NotReady]]:
    """What each unit of a scenario lived through, and when units were not ready."""
    how = reporting(scenario.unit_ids, seed=scenario.seed)
    ledger, state = Ledger(), None
    gathered: list[Day] = []
    reported = []
    for number, day in enumerate(days(scenario), start=1):
        ledger.add(day.truth.time_ns, day.reasons)
        needed = {signal: day.truth.values[signal] for signal in NEEDED}
        readings, state = report(how, scenario.faults, replace(day.truth, values=needed), state)
        reported.append(readings)
        gathered.append(day)
        if number % 7 == 0:
            told(f"  {number} days {'with faults' if scenario.faults else 'without'}")
    time_ns = np.concatenate([day.truth.time_ns for day in gathered])
    lived: list[Lived] = []
    for row in range(len(scenario.units)):
        one = Lived(
            time_ns,
            {name: np.concatenate([day.truth.values[name][row] for day in gathered]) for name in (*NEEDED, AIR)},
        )
        for number, name in enumerate(NEEDED):
            mine = [(part, (part.unit == row) & (part.signal == number)) for part in reported]
            one.reported[name] = (
                np.concatenate([part.time_ns[rows] for part, rows in mine]),
                np.concatenate([part.value[rows] for part, rows in mine]),
                np.concatenate([part.received_ns[rows] for part, rows in mine]),
            )
        for day in gathered:
            one.cranks += [_crank(day, run) for run in day.runs if run.unit == row]
        one.cranks.sort(key=lambda crank: crank.run.from_ns)
        lived.append(one)
    return lived, ledger.closed()


def _crank(day: Day, run: Run) -> Crank:
    told = day.truth
    since_ns = told.quick_time_ns - run.from_ns
    mine = (told.quick_unit == run.unit) & (since_ns >= 0) & (since_ns < 90 * SECOND_NS)
    volts, pressure = (mine & (told.quick_signal == SIGNALS.index(name)) for name in NEEDED[1:3])
    return Crank(run, since_ns[volts] / SECOND_NS, told.quick_value[volts], told.quick_value[pressure])
