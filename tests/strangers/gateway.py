"""The way from sensor to file: rhythms, deadbands, batches, gaps, clocks that are wrong, repeats, disorder.

In: a world, a unit. Out: rows in the order in which they arrived. May import: numpy, tests.strangers. Touches nothing.
"""

from dataclasses import dataclass

import numpy as np

from tests.strangers.draws import Array, Rng, between, chance, log_between, pick, stream
from tests.strangers.faults import MAIN_SIGNALS, Fault
from tests.strangers.people import Event
from tests.strangers.sensors import GAS, OPTIONAL, SWITCHES, VOLTS, readings
from tests.strangers.span import MINUTES_A_DAY
from tests.strangers.world import World

RHYTHMS = {"minute": 0.45, "ten seconds": 0.04, "five minutes": 0.2, "quarter hour": 0.08, "on change": 0.23}
STEP_MINUTES = {"minute": 1.0, "ten seconds": 1 / 6, "five minutes": 5.0, "quarter hour": 15.0, "on change": 1.0}
DEADBAND = {"temperature": 0.5, "voltage": 0.05, "pressure": 40.0}
GATEWAY_DIES_VOLTS = 9.0  # a block


@dataclass(frozen=True, slots=True)
class Gateway:
    """How one unit's readings travel. signals: names. rhythm: one of RHYTHMS. Shares 0..1; drift in s a day."""

    signals: tuple[str, ...]
    rhythm: str
    quick: bool
    batch_minutes: float
    deadband: float
    silent_minutes: float
    jitter_s: float
    clock_drift_s: float
    clock_set_days: float
    repeats: float
    delays: float
    keeps: bool
    on_battery: bool


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of one unit in the order of arrival. time_ms, received_ms: ms since 1970 UTC. signal: index in signals."""

    time_ms: Array
    received_ms: Array
    signal: Array
    value: Array
    signals: tuple[str, ...]


def draw_gateway(seed: int, number: int) -> Gateway:
    """The gateway of one unit."""
    rng = stream(seed, number, "gateway")
    wealth = pick(rng, {"bare": 0.5, "some": 0.3, "rich": 0.2})
    share = {"bare": 0.0, "some": 0.4, "rich": 1.0}[wealth]
    rhythm = pick(rng, RHYTHMS)
    return Gateway(
        signals=MAIN_SIGNALS + tuple(name for name in OPTIONAL if chance(rng, share)),
        rhythm=rhythm,
        quick=chance(rng, 0.45),
        batch_minutes=between(rng, 15, 240) if chance(rng, 0.15) else 0.0,
        deadband=log_between(rng, 0.4, 3.0),
        silent_minutes=between(rng, 10, 60),
        jitter_s=log_between(rng, 0.05, 5.0),
        clock_drift_s=float(rng.normal(0, 40.0)) if chance(rng, 0.15) else float(rng.normal(0, 0.5)),
        clock_set_days=between(rng, 1, 20),
        repeats=log_between(rng, 1e-4, 2e-2) if chance(rng, 0.3) else 0.0,
        delays=log_between(rng, 1e-3, 1e-1) if chance(rng, 0.25) else 0.0,
        keeps=chance(rng, 0.6),
        on_battery=chance(rng, 0.5),
    )


def sent(world: World, column: int, faults: list[Fault]) -> tuple[Rows, list[Event]]:
    """All rows of one unit, and what its link and clock did on the way.

    Args:
        world: the run.
        column: of the unit.
        faults: of this unit.
    """
    unit = world.designs[column]
    gateway = draw_gateway(world.seed, unit.number)
    rng = stream(world.seed, unit.number, "link")
    gaps, events = _gaps(rng, world, column, faults)
    parts = [_one_signal(world, column, gateway, index, signal, faults) for index, signal in enumerate(gateway.signals)]
    minute = np.concatenate([part[0] for part in parts])
    signal = np.concatenate([np.full(len(part[0]), index, np.int8) for index, part in enumerate(parts)])
    value = np.concatenate([part[1] for part in parts])
    arrives = _arrival(rng, gateway, minute)
    keep = np.ones(len(minute), bool)
    for begin, end, kept in gaps:
        during = (arrives >= begin) & (arrives < end)
        if kept:
            arrives[during] = end + rng.uniform(0.02, 2.0, int(during.sum()))
        else:
            keep &= ~((minute >= begin) & (minute < end))
    if gateway.on_battery:
        at = np.clip(minute.astype(int), 0, world.span.minutes - 1)
        keep &= world.traces.volts[at, column] > GATEWAY_DIES_VOLTS
    minute, signal, value, arrives = minute[keep], signal[keep], value[keep], arrives[keep]
    again = np.flatnonzero(rng.random(len(minute)) < gateway.repeats)
    order_of = np.concatenate([np.arange(len(minute)), again])
    arrives = np.concatenate([arrives, arrives[again] + rng.uniform(0.1, 30.0, len(again))])
    stamp_s = minute * 60.0 + _clock_error_s(rng, world, gateway, minute, faults)
    order = np.argsort(arrives, kind="stable")
    start_ms = world.span.start_s * 1000.0
    whole = 1000.0 if chance(rng, 0.6) else 1.0  # stamps in whole seconds, or in ms
    time_ms = start_ms + np.round(stamp_s * 1000.0 / whole) * whole
    rows = Rows(
        time_ms=time_ms[order_of][order].astype(np.int64),
        received_ms=np.round(start_ms + arrives[order] * 60_000.0).astype(np.int64),
        signal=signal[order_of][order],
        value=value[order_of][order],
        signals=gateway.signals,
    )
    return rows, events


def _one_signal(
    world: World, column: int, gateway: Gateway, index: int, signal: str, faults: list[Fault]
) -> tuple[Array, Array]:
    """Moments (minutes of the run) and values of one signal that the gateway takes to send."""
    rng = stream(world.seed, world.designs[column].number, f"moments {signal}")
    step = STEP_MINUTES[gateway.rhythm]
    if signal not in MAIN_SIGNALS:
        step = max(step, 5.0)
    regular = np.arange(0.05 + 0.01 * index, world.span.minutes - 1, step)
    regular = regular + np.abs(rng.normal(0, gateway.jitter_s / 60.0, len(regular))) % (0.4 * step)
    quick = np.empty(0)
    if gateway.quick and signal in (VOLTS, GAS):
        pattern = np.concatenate([np.arange(0.0, 30.0), np.arange(30.0, 930.0, 10.0)]) / 60.0
        starts = np.array([start.minute for start in world.calendars[column].starts])
        quick = (starts[:, None] + pattern).ravel() if len(starts) else quick
    minutes = np.sort(np.concatenate([regular, quick[quick < world.span.minutes - 1]]))
    value = readings(world, column, signal, minutes, faults)
    if signal in SWITCHES or gateway.rhythm == "on change":
        band = 0.5 if signal in SWITCHES else _deadband(signal) * gateway.deadband
        kept = _on_change(minutes, value, band=band, silent=gateway.silent_minutes)
        kept |= np.isin(minutes, quick)
        minutes, value = minutes[kept], value[kept]
    return minutes, value


def _deadband(signal: str) -> float:
    return next((band for word, band in DEADBAND.items() if signal.endswith(word)), 1.0)


def _on_change(minutes: Array, value: Array, *, band: float, silent: float) -> Array:
    """Which readings differ by more than a band from the last one sent, or come after a long silence; bool."""
    kept = np.zeros(len(value), bool)
    last_value, last_minute = np.inf, -np.inf
    for place, (now, here) in enumerate(zip(minutes.tolist(), value.tolist(), strict=True)):
        if abs(here - last_value) > band or now - last_minute >= silent:
            kept[place], last_value, last_minute = True, here, now
    return kept


def _arrival(rng: Rng, gateway: Gateway, minute: Array) -> Array:
    """When readings come in, minutes of the run, before gaps."""
    lag = 0.005 + rng.exponential(0.02, len(minute))
    if gateway.batch_minutes:
        batch = np.ceil(minute / gateway.batch_minutes) * gateway.batch_minutes
        return np.asarray(batch + lag)
    late = rng.random(len(minute)) < gateway.delays
    return np.asarray(minute + lag + late * rng.exponential(6.0, len(minute)))


def _gaps(
    rng: Rng, world: World, column: int, faults: list[Fault]
) -> tuple[list[tuple[float, float, bool]], list[Event]]:
    """Times without a link: begin, end in minutes of the run, and whether the readings come afterwards."""
    gateway = draw_gateway(world.seed, world.designs[column].number)
    gaps, events = [], []
    for _ in range(rng.poisson(8.0 * world.span.days / 365.0)):
        begin = between(rng, 0, world.span.minutes)
        end = min(begin + log_between(rng, 8.0, 2.5 * MINUTES_A_DAY), world.span.minutes)
        gaps.append((begin, end, gateway.keeps))
        how = "comes later" if gateway.keeps else "lost"
        events.append(Event(column, "link_gap", int(begin), int(end), how))
    silent = [fault for fault in faults if fault.kind.condition == "readings_missing"]
    gaps.extend((fault.begin, fault.end, False) for fault in silent)
    return gaps, events


def _clock_error_s(rng: Rng, world: World, gateway: Gateway, minute: Array, faults: list[Fault]) -> Array:
    """How far stamps are ahead of the truth, s."""
    days = minute / MINUTES_A_DAY
    error = gateway.clock_drift_s * (days % gateway.clock_set_days)
    for fault in faults:
        if fault.kind.condition == "clock_wrong":
            during = (minute >= fault.begin) & (minute < fault.end)
            hours = float(rng.choice([-8, -7, -6, -5, -1, 1, 2, 5, 8])) if chance(rng, 0.7) else rng.normal(0, 0.3)
            error = error + during * float(hours) * 3600.0
    return np.asarray(error)
