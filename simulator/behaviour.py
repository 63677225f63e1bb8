"""How the units behave: what their sensors read at any time, from weather, heaters, chargers, runs and faults.

In: units, faults, times. Out: readings as columns. May import: numpy, simulator. Touches nothing.

All but the jacket water follows from the time alone. The water remembers (a thermostat has hysteresis): it is stepped
from minute to minute, and a State carries it from one call to the next, so that history and live join.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simulator.chance import SECOND_NS, Bool, Float64, Int64, even, keys, slow, white
from simulator.units import RUN_NS, SITES, Fault, FaultKind, Site, Unit, faults_of, run_starts_ns
from simulator.weather import Climate, coolest_of_night, outdoor_temperature, sunshine

SIGNALS = ("jacket_water_temperature", "battery_voltage", "gas_pressure", "enclosure_temperature")
RESOLUTION = {
    "jacket_water_temperature": 0.1,
    "battery_voltage": 0.01,
    "gas_pressure": 1.0,
    "enclosure_temperature": 0.1,
}
MINUTE_NS = 60 * SECOND_NS
LONG_AGO_S = 1e9  # since the last run, where there was none
RUN_WATER = 84.0  # the engine's own thermostat holds it there, Cel
CRANK_S = 6.0
AFTER_CRANK_S = 30  # each second from the crank until then, every ten seconds until a quarter of an hour after it
WATCHED_S = 930


@dataclass(frozen=True, slots=True)
class State:
    """What the water remembers at a whole minute: its temperature, Cel, and whether the heater is on, [unit]."""

    at_ns: int
    water: Float64
    heater_on: Float64


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings as columns of one length; unit and signal count into the plant's units and SIGNALS."""

    time_ns: Int64
    unit: Int64
    signal: Int64
    value: Float64


@dataclass(frozen=True)
class Plant:
    """Some units under one seed. The same plant gives the same readings, always."""

    units: tuple[Unit, ...]
    seed: int = 1
    sites: tuple[Site, ...] = SITES

    @cached_property
    def climate(self) -> Climate:
        """The weather each unit stands in; units of one site share it."""
        by_id = {site.id: site for site in self.sites}
        sites = [by_id[unit.site] for unit in self.units]
        places = np.array([[site.latitude, site.longitude, site.mean] for site in sites])
        # Fronts pass over the whole valley at once, clouds hang over one site.
        fronts = keys(self.seed, ["valley"] * len(sites), "front")
        clouds = keys(self.seed, [site.id for site in sites], "cloud")
        return Climate(places[:, 0:1], places[:, 1:2], places[:, 2:3], fronts, clouds)

    def column(self, field: str) -> Float64:
        """One number of every unit, [unit, 1]."""
        return np.array([[getattr(unit, field)] for unit in self.units], np.float64)

    def noise(self, what: str, time_ns: Int64) -> Float64:
        """White noise of standard deviation 1, [unit, time]."""
        return white(keys(self.seed, [unit.id for unit in self.units], what), time_ns)


def begin(plant: Plant, at_ns: int) -> State:
    """Healthy units at the whole minute at or before a time, each somewhere between its cut-in and cut-out."""
    where = 0.5 + 0.5 * even(keys(plant.seed, [unit.id for unit in plant.units], "begin"), np.array([0]))
    cut_in, cut_out = plant.column("cut_in"), plant.column("cut_out")
    water = (cut_in + where * (cut_out - cut_in))[:, 0]
    return State(at_ns - at_ns % MINUTE_NS, water, (where[:, 0] > 0.7).astype(np.float64))


def readings(
    plant: Plant, faults: Sequence[Fault], state: State, *, from_ns: int, to_ns: int, every_s: int
) -> tuple[Readings, State]:
    """What every unit reports for from_ns <= time < to_ns, and the state from which to go on at to_ns.

    Args:
        state: at or before from_ns. every_s: the rhythm, whole seconds, on whole multiples since 1970; around a crank
            battery and gas come each second, then every ten seconds for a quarter of an hour.
    Returns: sorted by time, unit, signal.
    """
    assert state.at_ns <= from_ns <= to_ns, "units do not go back in time"
    every_ns = every_s * SECOND_NS
    grid_ns = np.arange(-(-from_ns // every_ns) * every_ns, to_ns, every_ns, dtype=np.int64)
    minutes_ns, water, heater_on = _water(plant, faults, state, to_ns)
    parts = [_columns(observed(plant, faults, grid_ns, minutes_ns, water), grid_ns, np.arange(len(plant.units)))]
    for index, unit in enumerate(plant.units):
        extra_ns = _crank_times_ns(unit, plant.seed, from_ns, to_ns, every_ns)
        if len(extra_ns):
            alone = Plant((unit,), plant.seed, plant.sites)
            seen = observed(alone, faults, extra_ns, minutes_ns, water[index : index + 1])
            quick = {signal: seen[signal] for signal in ("battery_voltage", "gas_pressure")}
            parts.append(_columns(quick, extra_ns, np.array([index])))
    rows = Readings(
        np.concatenate([part.time_ns for part in parts]),
        np.concatenate([part.unit for part in parts]),
        np.concatenate([part.signal for part in parts]),
        np.concatenate([part.value for part in parts]),
    )
    order = np.lexsort((rows.signal, rows.unit, rows.time_ns))
    last = max(0, int((to_ns - minutes_ns[0]) // MINUTE_NS))
    after = State(int(minutes_ns[last]), water[:, last].copy(), heater_on[:, last].copy())
    return Readings(rows.time_ns[order], rows.unit[order], rows.signal[order], rows.value[order]), after


def _crank_times_ns(unit: Unit, seed: int, from_ns: int, to_ns: int, every_ns: int) -> Int64:
    """Times of the quick reports around the cranks of a unit that do not fall on its rhythm."""
    begin_ns = from_ns - WATCHED_S * SECOND_NS
    starts = run_starts_ns(unit, seed=seed, from_ns=begin_ns, to_ns=to_ns)
    after_s = np.concatenate([np.arange(AFTER_CRANK_S), np.arange(AFTER_CRANK_S, WATCHED_S, 10)])
    times_ns = np.unique((starts[:, None] + after_s * SECOND_NS).ravel())
    wanted: Int64 = times_ns[(times_ns >= from_ns) & (times_ns < to_ns) & (times_ns % every_ns != 0)]
    return wanted


def _columns(seen: dict[str, Float64], time_ns: Int64, unit: Int64) -> Readings:
    """Rows of some signals, each [unit, time], rounded as the sensors round."""
    rows, count = len(unit), len(time_ns)
    signals = np.array([SIGNALS.index(signal) for signal in seen], np.int64)
    # Rounding by division gives the same float as reading the printed number: 27.1, not 27.1000000001.
    values = [np.round(np.round(value / RESOLUTION[name]) * RESOLUTION[name], 2) for name, value in seen.items()]
    return Readings(
        np.tile(time_ns, len(signals) * rows),
        np.tile(np.repeat(unit, count), len(signals)),
        np.repeat(signals, rows * count),
        np.concatenate([value.ravel() for value in values]) if values else np.empty(0),
    )


def _since_start_s(plant: Plant, time_ns: Int64) -> Float64:
    """Time since the last start of every unit, s, [unit, time]; long where there was none in the last week."""
    since = np.full((len(plant.units), len(time_ns)), LONG_AGO_S)
    if not len(time_ns):
        return since
    for row, unit in zip(since, plant.units, strict=True):
        starts = run_starts_ns(
            unit, seed=plant.seed, from_ns=int(time_ns[0]) - 7 * 1440 * MINUTE_NS, to_ns=int(time_ns[-1]) + 1
        )
        if len(starts):
            last = np.searchsorted(starts, time_ns, side="right") - 1
            row[:] = np.where(last >= 0, (time_ns - starts[last]) / SECOND_NS, LONG_AGO_S)
    return since


def _presence(
    plant: Plant, kind: FaultKind, faults: Sequence[Fault], time_ns: Int64, *, on_s: float, off_s: float
) -> Float64:
    """How far a fault has shown itself, 0 to 1, [unit, time]: grows with on_s, fades after the repair with off_s."""
    shown = np.zeros((len(plant.units), len(time_ns)))
    for row, unit in zip(shown, plant.units, strict=True):
        for fault in faults_of(unit, kind, faults):
            age_s = (time_ns - fault.from_ns) / SECOND_NS
            end_s = np.inf if fault.to_ns is None else (fault.to_ns - fault.from_ns) / SECOND_NS
            grown = 1.0 - np.exp(-np.clip(age_s, 0.0, end_s) / on_s)
            row[:] = np.maximum(row, grown * np.exp(-np.clip(age_s - end_s, 0.0, None) / off_s))
    return shown


def _unheated_air(plant: Plant, time_ns: Int64) -> Float64:
    """Air round the block without the engine's and the heater's warmth, Cel: outdoors, and what the sun adds late."""
    sun = sunshine(plant.climate, time_ns - 40 * MINUTE_NS)
    return outdoor_temperature(plant.climate, time_ns) + 7.0 * sun / 1000.0


def _water(plant: Plant, faults: Sequence[Fault], state: State, to_ns: int) -> tuple[Int64, Float64, Float64]:
    """Jacket water minute by minute from the state to the minute after to_ns: times, Cel and heater, [unit, minute]."""
    count = (to_ns - state.at_ns) // MINUTE_NS + 2
    minutes_ns = state.at_ns + MINUTE_NS * np.arange(count, dtype=np.int64)
    running = _since_start_s(plant, minutes_ns) < RUN_NS / SECOND_NS
    failed = _presence(plant, FaultKind.HEATER_FAILED, faults, minutes_ns, on_s=1.0, off_s=1.0) > 0.5
    water, heater_on = heated_water(
        air=_unheated_air(plant, minutes_ns).T.copy(),
        running=running.T.copy(),
        supplied=(~failed & ~running).T.copy(),
        start=state.water,
        heater_on=state.heater_on,
        cut_in=plant.column("cut_in")[:, 0],
        cut_out=plant.column("cut_out")[:, 0],
        heater_k_per_h=plant.column("heater_k_per_h")[:, 0],
        time_constant_h=plant.column("time_constant_h")[:, 0],
    )
    return minutes_ns, water.T, heater_on.T


def heated_water(
    *,
    air: Float64,
    running: Bool,
    supplied: Bool,
    start: Float64,
    heater_on: Float64,
    cut_in: Float64,
    cut_out: Float64,
    heater_k_per_h: Float64,
    time_constant_h: Float64,
) -> tuple[Float64, Float64]:
    """Water and heater minute by minute, [minute, unit]; the first row is the start itself.

    Newton cooling toward the air, quicker while the block is hotter than its band (the louvers stand open after a
    run), a heater with a thermostat, and the engine's own thermostat while it runs.

    Args:
        air: Cel, [minute, unit]. running, supplied (the heater): [minute, unit]. The others: [unit].
    """
    step_h = 1.0 / 60.0
    water, heater = np.empty_like(air), np.empty_like(air)
    water[0], heater[0] = start, heater_on
    on = heater_on > 0.5
    for minute in range(len(air) - 1):
        now = water[minute]
        on = (on & (now < cut_out)) | (now < cut_in)
        louvers = 1.0 + np.minimum(0.05 * np.maximum(now - 52.0, 0.0), 1.5)
        step = (air[minute] - now) * louvers / time_constant_h + on * supplied[minute] * heater_k_per_h
        if running[minute].any():
            step = np.where(running[minute], (RUN_WATER - now) * 12.0, step)  # reached in a few minutes
        water[minute + 1] = now + step * step_h
        heater[minute + 1] = on
    return water, heater


def observed(
    plant: Plant, faults: Sequence[Fault], time_ns: Int64, minutes_ns: Int64, water: Float64
) -> dict[str, Float64]:
    """What the sensors see, unrounded, by signal, [unit, time]. water: at minutes_ns, which enclose the times."""
    since_s = _since_start_s(plant, time_ns)
    now = np.array([np.interp(time_ns, minutes_ns, row) for row in water]) if len(time_ns) else water[:, :0]
    air = _unheated_air(plant, time_ns)
    outdoor = outdoor_temperature(plant.climate, time_ns)
    enclosure = air + 0.09 * (now - outdoor) + 8.0 * _run_warmth(since_s)
    return {
        "jacket_water_temperature": now + 0.04 * plant.noise("water", time_ns),
        "battery_voltage": _battery(plant, faults, time_ns, since_s, enclosure),
        "gas_pressure": _gas(plant, faults, time_ns, since_s, air),
        "enclosure_temperature": enclosure + 0.05 * plant.noise("enclosure", time_ns),
    }


def _run_warmth(since_s: Float64) -> Float64:
    """Warmth of a run in the enclosure, 0 to 1: grows in minutes, is gone an hour after the stop."""
    run_s = RUN_NS / SECOND_NS
    return (1.0 - np.exp(-np.minimum(since_s, run_s) / 480.0)) * np.exp(-np.maximum(since_s - run_s, 0.0) / 1200.0)


def _battery(plant: Plant, faults: Sequence[Fault], time_ns: Int64, since_s: Float64, air: Float64) -> Float64:
    """Battery at its posts, V: compensated float, slow decline where the charger has failed, crank and alternator."""
    run_s = RUN_NS / SECOND_NS
    floating = 13.5 - 0.024 * (air - 25.0)  # -4 mV/K a cell
    # Off charge the block sags to about 12.8 V within hours, then loses some 0.05 V a day.
    sagged = _presence(plant, FaultKind.CHARGER_FAILED, faults, time_ns, on_s=5400.0, off_s=7200.0)
    lost = _presence(plant, FaultKind.CHARGER_FAILED, faults, time_ns, on_s=18 * 86_400.0, off_s=7200.0)
    at_rest = floating + sagged * (12.8 - floating) - 0.9 * lost
    alternator = 13.9 - 0.9 * np.exp(-since_s / 240.0)
    after_run = at_rest + (13.9 - at_rest) * np.exp(-np.maximum(since_s - run_s, 0.0) / 3600.0)
    cranking = 10.4 + 0.012 * (air - 25.0) - 0.8 * (13.0 - np.minimum(at_rest, 13.0))
    block = np.select([since_s < CRANK_S, since_s < run_s], [cranking, alternator], default=after_run)
    wander = 0.015 * slow(keys(plant.seed, [unit.id for unit in plant.units], "load"), time_ns, knot_s=1800.0)
    return plant.column("blocks") * (block + wander + 0.006 * plant.noise("battery", time_ns))


def _gas(plant: Plant, faults: Sequence[Fault], time_ns: Int64, since_s: Float64, air: Float64) -> Float64:
    """Gas after the unit's regulator, Pa: set point, warm humps over a flat floor, droop in a run, lock-up after it."""
    run_s = RUN_NS / SECOND_NS
    set_point = plant.column("set_point")
    standing = set_point + plant.column("hump_pa_per_k") * (air - coolest_of_night(plant.climate, time_ns))
    drawing = 0.94 * set_point - 190.0 * np.exp(-since_s / 2.0)
    locked_up = standing + 0.07 * set_point * np.exp(-np.maximum(since_s - run_s, 0.0) / 5400.0)
    healthy = np.where(since_s < run_s, drawing, locked_up)
    crept = _presence(plant, FaultKind.GAS_CREEPS_UP, faults, time_ns, on_s=10_800.0, off_s=600.0)
    starved = _presence(plant, FaultKind.GAS_SUPPLY_LOW, faults, time_ns, on_s=1.5, off_s=8.0)
    pressure = healthy + 0.75 * set_point * crept
    return pressure + starved * (650.0 - pressure) + 3.0 * plant.noise("gas", time_ns)
