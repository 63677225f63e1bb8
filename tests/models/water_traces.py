"""Jacket-water traces from textbook physics, for tests of the jacket-water model alone.

Two lumps that cool by Newton's law: the block, and the little water round heater and sensor. Nothing here comes from
the simulator. Minute steps, all units at once; faults, runs, visits and sensors as arguments. Seeded.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from models.seen import NOT_LATELY_H, Seen
from models.windows import CELL_NS, WINDOW_CELLS, Window

DAY_MIN = 1440
BEGIN_CELL = 2_800_000 // 144 * 144  # a midnight, early in 2023
CELL_MIN = 10


@dataclass(frozen=True)
class Unit:
    """One unit, its weather, its gateway and what happens to it. Hours count from the trace's beginning.

    heater: thermostat, proportional, or plug: always on. share: of the heat capacity that is the water at heater and
    sensor; mixing_min: in which it mixes with the block. wander: day-to-day log spread of the time constant (wind,
    louvers).
    season: amplitude of the year, K, coldest at cold_day. synoptic: sd of weather over days, K. warmed: share of the
    water's excess by which the heater warms the enclosure. rhythm_min: between readings; deadband: on change, K,
    0: all; quantum: K. failed_h, half_h, stuck_h, restricted_h, set_point_h: from when;
    back_h: faults end. set_point_k: change.
    runs: (begin h, length h). doors: (begin h, length h). gaps: (begin h, length h). snaps: (begin h, depth K).
    """

    cut_in: float = 38.0
    cut_out: float = 47.0
    heating: float = 9.0
    tau_h: float = 12.0
    heater: str = "thermostat"
    share: float = 0.08
    mixing_min: float = 1.0
    wander: float = 0.15
    outdoor: float = 5.0
    season: float = 0.0
    cold_day: float = 20.0
    diurnal: float = 5.0
    synoptic: float = 3.0
    warmed: float = 0.07
    sun: float = 0.0
    pocket_min: float = 3.0
    noise: float = 0.15
    rhythm_min: int = 2
    deadband: float = 0.0
    quantum: float = 0.1
    failed_h: float = np.inf
    half_h: float = np.inf
    half_share: float = 0.5
    stuck_h: float = np.inf
    high_limit: float = 78.0
    restricted_h: float = np.inf
    restricted_by: float = 60.0
    back_h: float = np.inf
    set_point_h: float = np.inf
    set_point_k: float = 0.0
    summer_off: float = np.inf  # heater off while the mean outdoor temperature is over this, Cel
    runs: tuple[tuple[float, float], ...] = ()
    doors: tuple[tuple[float, float], ...] = ()
    gaps: tuple[tuple[float, float], ...] = ()
    snaps: tuple[tuple[float, float], ...] = ()
    air_known: bool = True
    configured: str = "always"
    first_h: float = 0.0
    stuck_sensor_h: float = np.inf
    step_h: float = np.inf
    step_k: float = 0.0
    drift_h: float = np.inf
    drift_k_per_day: float = 0.0
    spikes_h: float = np.inf


@dataclass
class Traces:
    """Readings on the grid over the whole time, and the truth by the minute [unit, minute]."""

    units: tuple[Unit, ...]
    water: Window
    air: Window
    running: np.ndarray
    after_run_h: np.ndarray
    trusted: np.ndarray
    block: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))
    heat: np.ndarray = field(repr=False, default_factory=lambda: np.zeros(0))

    @property
    def hours(self) -> float:
        return self.water.cells / 6

    def seen(self, hour: float, rows: Sequence[int] | None = None) -> Seen:
        """What is known at an hour from the beginning, a whole number of cells."""
        picked = list(range(len(self.units))) if rows is None else list(rows)
        end = round(hour * 6)
        cells = np.arange(end - WINDOW_CELLS, end)
        inside = (cells >= 0) & (cells < self.water.cells)
        at = np.where(inside, cells, 0)

        def cut(full: np.ndarray, outside: float) -> np.ndarray:
            return np.where(inside, full[picked][:, at], outside)

        def window(full: Window) -> Window:
            mean, least, greatest = (cut(part, np.nan) for part in (full.mean, full.least, full.greatest))
            begin = BEGIN_CELL + end - WINDOW_CELLS
            return Window(begin, mean, least, greatest, cut(full.count, 0).astype(np.int64))

        shape = (len(picked), WINDOW_CELLS)
        nothing = np.full(shape, np.nan)
        empty = Window(BEGIN_CELL + end - WINDOW_CELLS, nothing, nothing, nothing, np.zeros(shape, np.int64))
        return Seen(
            now_ns=(BEGIN_CELL + end) * CELL_NS,
            water=window(self.water),
            battery=empty,
            gas=empty,
            air=window(self.air),
            running=cut(self.running, 0).astype(np.bool_),
            after_run_h=cut(self.after_run_h, NOT_LATELY_H),
            trusted=cut(self.trusted, 0).astype(np.bool_),
            cranks=((),) * len(picked),
            battery_type=("flooded",) * len(picked),
            heater=tuple(self.units[row].configured for row in picked),
            first_ns=np.array([round((BEGIN_CELL + self.units[row].first_h * 6) * CELL_NS) for row in picked]),
        )


def _column(units: Sequence[Unit], name: str) -> np.ndarray:
    return np.array([getattr(unit, name) for unit in units], dtype=np.float64)


def _spans(units: Sequence[Unit], name: str, minutes: int) -> np.ndarray:
    out = np.zeros((len(units), minutes), np.bool_)
    for row, unit in enumerate(units):
        for begin_h, length_h in getattr(unit, name):
            out[row, round(begin_h * 60) : round((begin_h + length_h) * 60)] = True
    return out


def _weather(units: Sequence[Unit], minutes: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Outdoor temperature and the day's factor on the time constant, [unit, minute]."""
    hour = np.arange(minutes) / 60
    outdoor = np.empty((len(units), minutes), np.float32)
    factor = np.empty((len(units), minutes), np.float32)
    days = minutes // DAY_MIN + 3
    for row, unit in enumerate(units):
        fronts, wind = np.zeros(days), np.zeros(days)
        for day in range(1, days):
            fronts[day] = 0.7 * fronts[day - 1] + 0.71 * unit.synoptic * rng.standard_normal()
            wind[day] = 0.3 * wind[day - 1] + 0.95 * unit.wander * rng.standard_normal()
        clouds = np.interp(hour, np.arange(days) * 24.0, rng.uniform(0.4, 1.2, days))
        course = unit.outdoor - unit.season * np.cos(2 * np.pi * (hour / 24 - unit.cold_day) / 365)
        course += np.interp(hour, np.arange(days) * 24.0, fronts)
        course += unit.diurnal * clouds * np.cos(2 * np.pi * (hour - 15) / 24)
        for begin_h, depth in unit.snaps:
            course -= depth * np.clip((hour - begin_h) / 20, 0, 1) * np.clip((begin_h + 96 - hour) / 24, 0, 1)
        outdoor[row] = course
        factor[row] = np.exp(np.interp(hour, np.arange(days) * 24.0, wind))
    return outdoor, factor


def traces(units: Sequence[Unit], days: float, seed: int = 1) -> Traces:
    """Some units' traces over some days."""
    rng = np.random.default_rng(seed)
    minutes = round(days * DAY_MIN)
    outdoor, factor = _weather(units, minutes, rng)
    running, doors = _spans(units, "runs", minutes), _spans(units, "doors", minutes)
    c = {
        name: _column(units, name)
        for name in ("cut_in", "cut_out", "heating", "tau_h", "share", "mixing_min", "warmed", "pocket_min", "sun")
    } | {name: _column(units, name) for name in ("failed_h", "half_h", "half_share", "stuck_h", "high_limit")}
    c |= {name: _column(units, name) for name in ("restricted_h", "restricted_by", "back_h", "set_point_h")}
    set_point_k, summer_off = _column(units, "set_point_k"), _column(units, "summer_off")
    proportional = np.array([unit.heater == "proportional" for unit in units])
    plug = np.array([unit.heater == "plug" for unit in units])
    count = len(units)
    block = np.maximum(c["cut_in"] + rng.uniform(0, 1, count) * (c["cut_out"] - c["cut_in"]), outdoor[:, 0])
    local, pocket = block.copy(), block.copy()
    air = outdoor[:, 0] + c["warmed"] * (block - outdoor[:, 0])
    air_sensor = air.copy()
    on, limited = np.zeros(count), np.zeros(count, np.bool_)
    mean_outdoor = outdoor[:, :DAY_MIN].mean(axis=1)
    water_out = np.empty((count, minutes), np.float32)
    air_out, block_out, heat_out = (np.empty_like(water_out) for _ in range(3))
    for minute in range(minutes):
        hour = minute / 60
        faulty = hour < c["back_h"]
        moved = np.where(hour >= c["set_point_h"], set_point_k, 0.0)
        low, high = c["cut_in"] + moved, c["cut_out"] + moved
        on = np.where(local < low, 1.0, np.where(local > high, 0.0, on))
        power = np.where(proportional, np.clip((high - local) / (high - low), 0, 1), np.where(plug, 1.0, on))
        stuck = faulty & (hour >= c["stuck_h"])
        limited = np.where(local > c["high_limit"], True, np.where(local < c["high_limit"] - 10, False, limited))
        power = np.where(stuck, 1.0, power) * ~limited * ~running[:, minute]
        power = power * np.where(faulty & (hour >= c["half_h"]), c["half_share"], 1.0)
        mean_outdoor += (outdoor[:, minute] - mean_outdoor) / (3 * DAY_MIN)
        power = power * ~(faulty & (hour >= c["failed_h"])) * (mean_outdoor < summer_off)
        mixing = c["mixing_min"] * np.where(faulty & (hour >= c["restricted_h"]), c["restricted_by"], 1.0)
        open_ = doors[:, minute] | running[:, minute]
        tau = c["tau_h"] * 60 * factor[:, minute] * np.where(open_, 0.6, 1.0)
        to_air = outdoor[:, minute] + np.where(open_, 0.02, c["warmed"]) * (block - outdoor[:, minute])
        to_air += 12.0 * running[:, minute]
        air += (to_air - air) / np.where(open_, 5.0, 25.0)
        heat = c["heating"] / 60 * power
        engine = np.where(running[:, minute], (88.0 - block) / 6.0, 0.0)
        block = block + engine - (block - air) / tau
        local = np.where(running[:, minute], block, local + heat / c["share"] - (local - air) / tau)
        both = c["share"] * local + (1 - c["share"]) * block
        apart = (local - block) * np.exp(-1.0 / mixing / (1 - c["share"]))  # two lumps even out exponentially
        local, block = both + (1 - c["share"]) * apart, both - c["share"] * apart
        pocket += (local - pocket) / np.maximum(c["pocket_min"], 1.0)
        air_sensor += (air - air_sensor) / 5.0
        water_out[:, minute], air_out[:, minute] = pocket, air_sensor
        block_out[:, minute], heat_out[:, minute] = block, power
    sunny = np.clip(np.cos(2 * np.pi * (np.arange(minutes) / 60 - 13) / 24), 0, 1)
    air_out += (c["sun"][:, None] * sunny[None, :]).astype(np.float32)
    return _told(units, water_out, air_out, running, block_out, heat_out, rng)


def _told(
    units: Sequence[Unit],
    water: np.ndarray,
    air: np.ndarray,
    running: np.ndarray,
    block: np.ndarray,
    heat: np.ndarray,
    rng: np.random.Generator,
) -> Traces:
    minutes = water.shape[1]
    hour = np.arange(minutes) / 60
    cells = minutes // CELL_MIN
    parts: dict[str, list[Window]] = {"water": [], "air": []}
    for row, unit in enumerate(units):
        shown = water[row] + unit.noise * rng.standard_normal(minutes)
        shown = shown + np.where(hour >= unit.step_h, unit.step_k, 0.0)
        shown = shown + np.clip(hour - unit.drift_h, 0, None) / 24 * unit.drift_k_per_day
        if np.isfinite(unit.spikes_h):
            bad = (hour >= unit.spikes_h) & (rng.uniform(size=minutes) < 0.15)
            shown = np.where(bad, shown + rng.uniform(-30, 10, minutes), shown)
        if np.isfinite(unit.stuck_sensor_h):
            at = round(unit.stuck_sensor_h * 60)
            shown[at:] = shown[at]
        lost = _spans([unit], "gaps", minutes)[0] | (hour < unit.first_h)
        parts["water"].append(_cells(shown, unit, lost, cells, int(rng.integers(unit.rhythm_min))))
        shown = air[row] + 0.5 * unit.noise * rng.standard_normal(minutes)
        if not unit.air_known:
            lost = np.ones_like(lost)
        parts["air"].append(_cells(shown, unit, lost, cells, int(rng.integers(unit.rhythm_min))))
    ran = np.asarray(running[:, : cells * CELL_MIN].reshape(len(units), cells, CELL_MIN).any(axis=2))
    last = np.where(running, np.arange(minutes)[None, :], -(10**9))
    since = np.arange(minutes)[None, :] - np.maximum.accumulate(last, axis=1)
    after = np.where(since > 10**8, np.inf, since / 60.0)[:, CELL_MIN - 1 :: CELL_MIN][:, :cells]
    trusted = np.ones_like(ran)
    return Traces(
        tuple(units), _joined(parts["water"]), _joined(parts["air"]), ran, after, trusted, block=block, heat=heat
    )


def _joined(windows: list[Window]) -> Window:
    """One window of many units."""
    mean, least, greatest, count = (
        np.concatenate([getattr(one, part) for one in windows]) for part in ("mean", "least", "greatest", "count")
    )
    return Window(BEGIN_CELL, mean, least, greatest, count)


def _cells(value: np.ndarray, unit: Unit, lost: np.ndarray, cells: int, phase: int) -> Window:
    """One signal's readings as the gateway sends them, on the grid."""
    value = np.round(value / unit.quantum) * unit.quantum
    sent = (np.arange(len(value)) % unit.rhythm_min == phase) & ~lost
    if unit.deadband > 0:  # on change, and once an hour
        chosen: list[int] = []
        last, at = np.inf, -(10**9)
        for each in np.flatnonzero(sent).tolist():
            if abs(value[each] - last) >= unit.deadband or each - at >= 60:
                chosen.append(each)
                last, at = float(value[each]), each
        sent = np.zeros_like(sent)
        sent[chosen] = True
    shape = (cells, CELL_MIN)
    own = sent[: cells * CELL_MIN].reshape(shape)
    read = value[: cells * CELL_MIN].reshape(shape).astype(np.float64)
    count = own.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(own, read, 0.0).sum(axis=1) / count
    least = np.where(own, read, np.inf).min(axis=1)
    greatest = np.where(own, read, -np.inf).max(axis=1)
    # what was said last holds for as long as the rhythm lets it
    minute = np.arange(len(value))
    newest = np.maximum.accumulate(np.where(sent, minute, -1))[CELL_MIN - 1 :: CELL_MIN][:cells]
    hold = 90 if unit.deadband > 0 else max(15, 3 * unit.rhythm_min)
    age = np.arange(cells) * CELL_MIN - newest
    held = (count == 0) & (newest >= 0) & (age <= hold)
    holding = np.where(held, value[np.maximum(newest, 0)], np.nan)
    empty = count == 0
    return Window(
        BEGIN_CELL,
        np.where(empty, holding, mean)[None],
        np.where(empty, holding, least)[None],
        np.where(empty, holding, greatest)[None],
        count[None],
    )


def but(unit: Unit, **changes: object) -> Unit:
    """The unit with some things changed."""
    return replace(unit, **changes)  # type: ignore[arg-type]  # names and types are checked by the dataclass's users
