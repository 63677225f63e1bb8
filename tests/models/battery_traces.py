"""Batteries to test the battery's model with: textbook relations, in other words than the model's and the simulator's.

A battery is a charge and two surface charges that relax; a charger holds volts or gives its greatest current. Five
minutes a step. What a gateway makes of it (rhythm, deadband, digits, offset, gaps) comes last.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from models.battery import BatteryNormal, Judged, judge_whole, learn
from models.seen import NOT_LATELY_H, Crank, Seen
from models.windows import CELL_NS, CELLS_A_DAY, WINDOW_CELLS, Window

STEPS_A_DAY = 288
BEGIN_CELL = 20_000 * CELLS_A_DAY  # a midnight UTC
BEGIN_NS = BEGIN_CELL * CELL_NS


@dataclass(frozen=True)
class Plant:
    """One unit. Volts a 12 V block, Cel, Ah, A, h; days count from the beginning.

    charger: volts held at a day and a battery temperature, NaN: off. What else can be: see the fields' names.
    """

    seed: int = 1
    days: int = 60
    battery_type: str = "flooded"
    float_v: float = 13.45
    slope: float = -0.02
    mean_air: float = 15.0
    season_k: float = 0.0  # warmer over the whole time by this
    day_k: float = 6.0
    weather_k: float = 3.0
    lag_h: float = 7.0
    capacity: float = 100.0
    load_a: float = 0.25
    charger_a: float = 5.0
    rest_full: float = 12.7
    a_charge: float = 0.78
    surface_v: float = 0.15
    run_days: float = 7.0
    run_h: float = 0.5
    alternator_v: float = 14.1
    dip: float = 2.3
    cold: float = 0.013
    crank_sd: float = 0.06
    seen_s: float = 0.5
    absorb_h: float = 2.0
    set_point: Callable[[float, float], float] | None = None
    hysteresis: tuple[float, float] | None = None  # charges from these volts on, for so many hours
    current_limit: Callable[[float], float] | None = None
    drain: Callable[[float], float] | None = None
    dip_of: Callable[[float], float] | None = None
    after: Callable[[float, float], float] | None = None  # last word on the volts: day, volts
    reported: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None  # what the sensor makes of it: days, volts
    noise: float = 0.01
    digits: float = 0.01
    offset: float = 0.0
    deadband: float = 0.0
    heartbeat_h: float = 3.0
    wander: float = 0.01
    gaps: tuple[tuple[float, float], ...] = ()
    air_known: bool = True
    every: int = 1  # steps between readings


@dataclass(frozen=True)
class Trace:
    """What a unit showed: cells of the whole time, its cranks, and the truth."""

    plant: Plant
    battery: Window
    air: Window
    running: np.ndarray
    after_run_h: np.ndarray
    cranks: tuple[Crank, ...]
    true_volts: np.ndarray = field(repr=False)
    true_least: np.ndarray = field(repr=False)  # least volts that a crank would have shown, each step


def _weather(plant: Plant, rng: np.random.Generator) -> np.ndarray:
    steps = plant.days * STEPS_A_DAY
    day = np.arange(steps) / STEPS_A_DAY
    daily = np.zeros(plant.days + 2)
    for i in range(1, len(daily)):
        daily[i] = 0.75 * daily[i - 1] + 0.66 * plant.weather_k * rng.standard_normal()
    front = np.interp(day, np.arange(plant.days + 2), daily)
    return plant.mean_air + plant.season_k * day / plant.days + plant.day_k * np.sin(2 * np.pi * (day - 0.35)) + front


@lru_cache(4)  # a test asks for the life and for what is made of it
def build(plant: Plant) -> Trace:
    """A unit's life."""
    rng = np.random.default_rng(plant.seed)
    air = _weather(plant, rng)
    steps = len(air)
    hour = 1 / 12
    volts, warm, least = np.empty(steps), np.empty(steps), np.empty(steps)
    running = np.zeros(steps, bool)
    cranks: list[Crank] = []
    charge, quick, slow, battery = 1.0, 0.3, plant.surface_v, air[0]
    absorbing = charging = 0.0
    wander = 0.0
    run_until = -1
    next_run = plant.run_days * 0.6 * STEPS_A_DAY
    before = plant.float_v
    for i in range(steps):
        day = i / STEPS_A_DAY
        battery += (air[i] - battery) * hour / plant.lag_h
        warm[i] = battery
        wander = 0.98 * wander + 0.2 * plant.wander * rng.standard_normal()
        if i >= next_run:
            next_run += plant.run_days * STEPS_A_DAY
            run_until = i + int(plant.run_h * 12)
        dip = plant.dip if plant.dip_of is None else plant.dip_of(day)
        rest = (
            plant.rest_full - plant.a_charge * (1 - charge) - 4.0 * max(0.12 - charge, 0)
        )  # at the end it breaks down
        ratio = np.log(dip / (12.7 - dip)) + plant.cold * (25 - battery) + 1.2 * (1 - charge)
        ratio += 40.0 * max(0.2 - charge, 0) ** 2
        least[i] = rest / (1 + np.exp(ratio))
        if i == run_until - int(plant.run_h * 12) and run_until > 0 and plant.run_h > 0:
            shown = rest / (1 + np.exp(ratio + plant.crank_sd * rng.standard_normal())) + plant.offset
            at = BEGIN_NS + i * CELL_NS // 2
            cranks.append(
                Crank(at, shown, before + plant.offset, air[i] if plant.air_known else np.nan, 45.0, plant.seen_s)
            )
            absorbing = plant.absorb_h
        load = plant.load_a if plant.drain is None else plant.drain(day)
        held = plant.float_v + plant.slope * (battery - 25)
        limit = plant.charger_a if plant.current_limit is None else plant.current_limit(day)
        if i < run_until:
            running[i] = True
            held, limit = (plant.alternator_v, 30.0) if plant.alternator_v else (held, limit)
        elif plant.set_point is not None:
            held = plant.set_point(day, battery)
        elif absorbing > 0:
            absorbing -= hour
            held = 14.3 + plant.slope * (battery - 25)
        if plant.hysteresis is not None and i >= run_until:
            if before < plant.hysteresis[0]:
                charging = plant.hysteresis[1]
            charging -= hour
            held = held if charging > 0 else np.nan
        open_v = rest + quick + slow
        resistance = 0.02 + 0.6 * max(charge - 0.8, 0)
        wanted = (held - open_v) / resistance if held == held else -1.0
        if held == held and wanted > -load:  # it charges
            current = min(limit - load, wanted)
            if current < 0.0:
                resistance = 0.02  # only what is charged shows that it is nearly full
            volts[i] = held + wander if current == wanted else open_v + current * resistance
        else:
            current = -load
            volts[i] = open_v - load * resistance
        over = max(volts[i] - rest, 0.0) if current > 0.0 else 0.0  # what gives more than it takes, is not charged
        quick += (0.6 * over - quick) * hour / 1.5
        slow += (min(0.35 * over, 0.3) - slow) * hour / 15
        accepted = current if current < 0 else current * (0.95 if charge < 0.97 else max(1 - charge, 0) * 12)
        charge = min(max(charge + accepted * hour / plant.capacity, 0.0), 1.0)
        if plant.after is not None:
            volts[i] = plant.after(day, volts[i])
        before = volts[i]
    return _sensed(plant, rng, air, volts, running, tuple(cranks), least)


def _sensed(
    plant: Plant,
    rng: np.random.Generator,
    air: np.ndarray,
    volts: np.ndarray,
    running: np.ndarray,
    cranks: tuple[Crank, ...],
    least: np.ndarray,
) -> Trace:
    steps = len(volts)
    read = volts + plant.offset + plant.noise * rng.standard_normal(steps)
    read = np.round(read / plant.digits) * plant.digits
    if plant.reported is not None:
        read = plant.reported(np.arange(steps) / STEPS_A_DAY, read)
    there = np.zeros(steps, bool)
    there[:: plant.every] = True
    if plant.deadband:
        last, last_at = -99.0, -(10**9)
        for i in range(steps):
            there[i] = abs(read[i] - last) >= plant.deadband or i - last_at >= plant.heartbeat_h * 12
            if there[i]:
                last, last_at = read[i], i
    lost = np.zeros(steps, bool)
    for begin, length_h in plant.gaps:
        lost[int(begin * STEPS_A_DAY) : int(begin * STEPS_A_DAY + length_h * 12)] = True
    there &= ~lost
    value = np.where(there, read, np.nan).reshape(-1, 2)
    count = there.reshape(-1, 2).sum(axis=1)
    held = np.where(there, np.arange(steps), -1)
    held = np.maximum.accumulate(held)
    filled = np.where((held >= 0) & (np.arange(steps) - held <= 12 * max(plant.heartbeat_h, 1)), read[held], np.nan)
    filled = filled[1::2]
    empty = count == 0
    with np.errstate(all="ignore"):
        safe = np.where(np.isnan(value), 0, value)
        mean = np.where(empty, filled, safe.sum(axis=1) / np.maximum(count, 1))
        low = np.where(empty, filled, np.fmin.reduce(value, axis=1))
        high = np.where(empty, filled, np.fmax.reduce(value, axis=1))
    cells = BEGIN_CELL
    warm = np.round(air.reshape(-1, 2).mean(axis=1), 1) if plant.air_known else np.full(steps // 2, np.nan)
    warm = np.where(lost.reshape(-1, 2).all(axis=1), np.nan, warm)
    ran = np.asarray(running.reshape(-1, 2).any(axis=1))
    after = np.full(len(ran), NOT_LATELY_H)
    index = np.arange(len(ran))
    latest = np.maximum.accumulate(np.where(ran, index, -1))
    after[latest >= 0] = (index - latest)[latest >= 0] / 6
    return Trace(
        plant,
        Window(cells, mean[None], low[None], high[None], count[None].astype(np.int64)),
        Window(cells, warm[None], warm[None], warm[None], (~np.isnan(warm)).astype(np.int64)[None]),
        ran,
        after,
        cranks,
        volts,
        least,
    )


def _cut(window: Window, first: int, past: int) -> Window:
    """Cells first..past of a window; before its beginning nothing is known."""
    missing = max(-first, 0)

    def part(values: np.ndarray, fill: float) -> np.ndarray:
        kept = values[:, max(first, 0) : past]
        return np.concatenate((np.full((1, missing), fill, values.dtype), kept), axis=1) if missing else kept

    return Window(
        window.begin_cell + first,
        part(window.mean, np.nan),
        part(window.least, np.nan),
        part(window.greatest, np.nan),
        part(window.count, 0),
    )


def seen_at(trace: Trace, day: float, *, trusted: np.ndarray | None = None) -> Seen:
    """What is known of a unit at a day."""
    past = int(day * CELLS_A_DAY)
    first = past - WINDOW_CELLS
    missing = max(-first, 0)
    battery, air = _cut(trace.battery, first, past), _cut(trace.air, first, past)
    running = np.concatenate((np.zeros(missing, bool), trace.running[max(first, 0) : past]))
    after = np.concatenate((np.full(missing, NOT_LATELY_H), trace.after_run_h[max(first, 0) : past]))
    now = BEGIN_NS + past * CELL_NS
    trust = np.ones(WINDOW_CELLS, bool)
    if trusted is not None:
        trust = np.concatenate((np.ones(missing, bool), trusted[max(first, 0) : past]))
    lost = np.full((1, WINDOW_CELLS), np.nan)
    nothing = Window(battery.begin_cell, lost, lost, lost, np.zeros((1, WINDOW_CELLS), np.int64))
    return Seen(
        now_ns=now,
        water=nothing,
        battery=battery,
        gas=nothing,
        air=air,
        running=running[None],
        after_run_h=after[None],
        trusted=trust[None],
        cranks=(tuple(c for c in trace.cranks if now - 90 * 86_400 * 10**9 <= c.at_ns < now),),
        battery_type=(trace.plant.battery_type,),
        heater=("always",),
        first_ns=np.array([BEGIN_NS]),
    )


@dataclass(frozen=True)
class Told:
    """A replay's judgements: day of each, probabilities by condition, forecasts of each, notes, onset."""

    day: np.ndarray
    probability: dict[str, np.ndarray]
    not_ready_h: dict[str, np.ndarray]
    judged: tuple[Judged, ...]
    normal: BatteryNormal

    def most(self, condition: str, begin: float = 0.0, end: float = np.inf) -> float:
        """Greatest probability in a span of days."""
        inside = (self.day >= begin) & (self.day < end)
        return float(np.nanmax(self.probability[condition][inside], initial=0.0))

    def found(self, condition: str, level: float = 0.5, begin: float = 0.0) -> float:
        """First day from begin on with a probability over a level; inf: never."""
        hit = np.flatnonzero((self.probability[condition] > level) & (self.day >= begin))
        return float(self.day[hit[0]]) if len(hit) else np.inf

    def kinds(self) -> set[str]:
        """Kinds of all notes."""
        return {note.kind for one in self.judged for note in one.notes}


def replay(plant: Plant, *, every_h: float = 2.0, begin: float = 0.25, level: float = 0.5) -> Told:
    """A unit's life as it would be judged; under an open finding nothing is learned."""
    trace = build(plant)
    normal = BatteryNormal()
    trusted = np.ones(plant.days * CELLS_A_DAY, bool)
    days, judged = [], []
    learned = 0
    for day in np.arange(begin, plant.days + 1e-9, every_h / 24):
        while learned + 1 <= day:
            learned += 1
            (normal,) = learn(seen_at(trace, learned, trusted=trusted), [normal])
        one = judge_whole(seen_at(trace, day), [normal])
        days.append(day)
        judged.append(one)
        if any(o.probability[0] > level for o in one.opinions):
            past = int(day * CELLS_A_DAY)
            trusted[max(0, past - 36) : past + int(every_h * 6)] = False
    names = [o.condition for o in judged[0].opinions]
    return Told(
        np.array(days),
        {n: np.array([one.opinions[k].probability[0] for one in judged]) for k, n in enumerate(names)},
        {n: np.array([one.opinions[k].not_ready_h[0] for one in judged]) for k, n in enumerate(names)},
        tuple(judged),
        normal,
    )


__all__ = ["BEGIN_NS", "Plant", "Told", "Trace", "build", "replace", "replay", "seen_at"]
