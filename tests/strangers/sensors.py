"""What sensors say of what is: places, offsets, steps, noise, spikes, and the ways in which they go wrong.

In: a world, a unit, moments. Out: values as the gateway gets them. May import: numpy, tests.strangers. Touches nothing.
Values in the contract's symbols, battery as the whole set.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.strangers.draws import Array, Rng, between, chance, log_between, pick, stream
from tests.strangers.faults import MAIN_SIGNALS, Fault
from tests.strangers.people import Start
from tests.strangers.readiness import COOLANT_LOW
from tests.strangers.span import STRETCH_MINUTES
from tests.strangers.world import World

WATER, VOLTS, GAS, AIR = MAIN_SIGNALS
OPTIONAL = (
    "ambient_temperature",
    "atmospheric_pressure",
    "charger_current",
    "engine_running",
    "engine_speed",
    "gas_supply_pressure",
    "generator_power",
    "control_in_auto",
    "coolant_level_low",
)
SWITCHES = ("engine_running", "control_in_auto", "coolant_level_low")
CRANK_REST_S = 15.0  # NFPA 110: crank 15 s, rest 15 s
LEAD_OPEN_READS = {WATER: (-50.0, 130.0, -999.0), VOLTS: (0.0,), GAS: (-1250.0, 0.0), AIR: (-50.0, 100.0, 850.0)}


@dataclass(frozen=True, slots=True)
class Sensor:
    """One sensor. offset, noise, step in the signal's symbol; gain 1 is right; spikes: share of readings."""

    offset: float
    gain: float
    noise: float
    step: float
    spikes: float
    run_noise: float
    next_offset: float  # of the one that replaces it


def draw_sensor(rng: Rng, signal: str, *, blocks: float, set_point: float) -> Sensor:
    """One sensor of a signal; resolutions as sold, from memory.

    Args:
        rng: the unit's and signal's.
        signal: name.
        blocks: of the battery. set_point: of the gas, Pa.
    """
    spikes = log_between(rng, 1e-6, 3e-4) if chance(rng, 0.3) else 0.0
    if signal == VOLTS:
        step = float(pick(rng, {"0.01": 0.4, "0.02": 0.2, "0.05": 0.2, "0.1": 0.2}))
        offset, noise = rng.normal(0, 0.05, 2) * blocks, log_between(rng, 0.002, 0.04) * blocks
    elif signal in (GAS, "gas_supply_pressure"):
        step = float(pick(rng, {"1": 0.4, "5": 0.2, "10": 0.2, "25": 0.2}))
        offset, noise = rng.normal(0, 0.012, 2) * set_point, log_between(rng, 1.0, 25.0)
    elif signal.endswith("temperature"):
        step = float(pick(rng, {"0.01": 0.15, "0.1": 0.5, "0.5": 0.2, "1": 0.15}))
        offset, noise = rng.normal(0, 0.7, 2), log_between(rng, 0.02, 0.4)
    else:
        step = {"atmospheric_pressure": 10.0, "charger_current": 0.1, "engine_speed": 1.0, "generator_power": 50.0}.get(
            signal, 1.0
        )
        offset, noise = np.zeros(2), step * 0.5
    gain = 1.0 + float(rng.normal(0, 0.003))
    loud = log_between(rng, 1.0, 12.0)
    return Sensor(float(offset[0]), gain, noise, step, spikes, loud, float(offset[1]))


def readings(world: World, column: int, signal: str, minutes: Array, faults: list[Fault]) -> Array:
    """What the sensor of one signal says at moments, as the gateway takes it.

    Args:
        world: the run.
        column: of the unit.
        signal: name.
        minutes: moments, minutes of the run with fractions, increasing, shape [reading].
        faults: of this unit.
    Returns:
        shape [reading].
    """
    unit = world.designs[column]
    rng = stream(world.seed, unit.number, f"readings {signal}")
    true = _true(world, column, signal, minutes)
    if signal in SWITCHES:
        return np.round(true)
    blocks, set_point = unit.battery["blocks"], unit.gas["set_point"]
    sensor = draw_sensor(
        stream(world.seed, unit.number, f"sensor {signal}"), signal, blocks=blocks, set_point=set_point
    )
    swapped = [fault for fault in faults if fault.kind.cause == "swapped"]
    for fault in swapped:
        true = _swapped(world, column, signal, minutes, true, fault)
    running = world.traces.running[np.clip(minutes.astype(int), 0, world.span.minutes - 1), column] > 0
    replaced = [event.begin for event in world.calendars[column].events if event.name == "sensor_replaced"]
    which = stream(world.seed, unit.number, "which sensor").integers(4)
    offset = np.full(len(minutes), sensor.offset)
    if replaced and MAIN_SIGNALS[which] == signal:
        offset[minutes > replaced[0]] = sensor.next_offset
    noise = rng.standard_normal(len(minutes)) * sensor.noise * np.where(running, sensor.run_noise, 1.0)
    value = true * sensor.gain + offset + noise
    if signal == GAS:
        value += running * unit.gas["pulse"] * set_point * rng.standard_normal(len(minutes))
    if signal == VOLTS:
        value += _charger_marks(rng, world, column, minutes, blocks)
    hit = rng.random(len(minutes)) < sensor.spikes
    value[hit] += rng.standard_normal(int(hit.sum())) * (0.25 * np.abs(value[hit]) + 20 * sensor.step)
    for fault in faults:
        if fault.kind.condition == "sensor_suspect" and fault.signal == signal:
            _spoil(rng, value, minutes, fault, signal, unit.battery["blocks"])
    return np.asarray(np.round(value / sensor.step) * sensor.step)


def _charger_marks(rng: Rng, world: World, column: int, minutes: Array, blocks: float) -> Array:
    """What charger and wiring put on the volts: pulses, ripple, and the drop of a long cable."""
    unit = world.designs[column]
    at = np.clip(minutes.astype(int), 0, world.span.minutes - 1)
    ampere = world.traces.ampere[at, column]
    mark = np.zeros(len(minutes))
    if unit.words["charger"] == "pulse":  # desulphating: seen by the readings that happen to meet one
        met = (rng.random(len(minutes)) < 0.12) & (ampere > 0)
        mark[met] += rng.uniform(-0.1, 0.7, int(met.sum())) * blocks
    if unit.words["charger"] == "ferroresonant":
        mark += 0.03 * blocks * rng.standard_normal(len(minutes)) * (ampere > 0.1)
    place = stream(world.seed, unit.number, "volts measured where")
    if chance(place, 0.35):  # at the controller, over a thin cable that also carries its load
        mark -= between(place, 0.01, 0.08) * unit.battery["load"] * blocks
    loose = world.channels.values["post_ohm"][at // STRETCH_MINUTES, column]
    mark += (loose > 0) * (rng.random(len(minutes)) < 0.01) * rng.normal(0, 0.25, len(minutes)) * blocks
    return mark


def _true(world: World, column: int, signal: str, minutes: Array) -> Array:
    """What a perfect sensor in its place would read."""
    traces, blocks = world.traces, world.designs[column].battery["blocks"]
    last = world.span.minutes - 1
    at = np.clip(minutes.astype(int), 0, last)
    slow = at // STRETCH_MINUTES
    if signal == VOLTS:
        return _with_cranks(world, column, minutes, _between(traces.volts[:, column], minutes) * blocks, VOLTS)
    if signal == GAS:
        return _with_cranks(world, column, minutes, _between(traces.gas[:, column], minutes), GAS)
    running, load = traces.running[at, column].astype(float), world.calendars[column].load[at].astype(float)
    generator_watt = world.numbers["water"]["run_heat"][column] * 0.9  # as much power as heat to coolant, from memory
    answers: dict[str, Callable[[], Array]] = {
        WATER: lambda: _between(traces.water[:, column], minutes),
        AIR: lambda: _between(traces.air[:, column], minutes),
        "ambient_temperature": lambda: _stretched(world.weather.air[:, column], minutes),
        "atmospheric_pressure": lambda: _stretched(world.weather.barometer[:, column], minutes),
        "charger_current": lambda: traces.ampere[at, column].astype(float),
        "gas_supply_pressure": lambda: _between(traces.supply[:, column], minutes),
        "engine_running": lambda: running,
        "engine_speed": lambda: running * (1800.0 - 20.0 * load),
        "generator_power": lambda: running * load * generator_watt,
        "control_in_auto": lambda: world.calendars[column].auto[at].astype(float),
        "coolant_level_low": lambda: (world.channels.values["coolant"][slow, column] < COOLANT_LOW).astype(float),
    }
    return np.asarray(answers[signal]())


def _between(trace: Array, minutes: Array) -> Array:
    """A trace a minute, read between its points."""
    at = np.clip(minutes, 0, len(trace) - 1.001)
    low = at.astype(int)
    share = at - low
    return np.asarray(trace[low] * (1 - share) + trace[low + 1] * share, dtype=float)


def _stretched(trace: Array, minutes: Array) -> Array:
    return np.interp(minutes / STRETCH_MINUTES, np.arange(len(trace)), trace)


def _with_cranks(world: World, column: int, minutes: Array, value: Array, signal: str) -> Array:
    """The seconds of each start laid over a trace a minute."""
    for start in world.calendars[column].starts:
        low, high = np.searchsorted(minutes, [start.minute, start.minute + 3.0])
        if low < high:
            after_s = (minutes[low:high] - start.minute) * 60.0
            if signal == VOLTS:
                _crank_volts(world, column, start, after_s, value[low:high])
            else:
                _crank_gas(world, column, start, after_s, value[low:high])
    return value


def _crank_volts(world: World, column: int, start: Start, after_s: Array, value: Array) -> None:
    """Dip and recovery of each try, in place: deepest as the starter bites, then a plateau, then back in seconds."""
    unit = world.designs[column].battery
    blocks, cycle_s = unit["blocks"], start.crank_s + CRANK_REST_S
    least = start.least_volts * blocks
    for number in range(start.tries):
        since = after_s - number * cycle_s
        cranking = (since >= 0) & (since < start.crank_s)
        plateau = least + (0.35 * blocks) * (1 - np.exp(-since / 0.8))
        swing = 0.12 * blocks * np.sin(since * 2 * np.pi * 1.7)  # compression strokes
        value[cranking] = np.maximum(plateau + swing * np.exp(-np.abs(since) / 20), least)[cranking]
        rest = since - start.crank_s
        back = (rest >= 0) & (rest < 60)
        value[back] -= (0.12 * np.maximum(value - least, 0.0) * np.exp(-np.clip(rest, 0, 99) / 12.0))[back]


def _crank_gas(world: World, column: int, start: Start, after_s: Array, value: Array) -> None:
    """The dip when the valve opens, in place: short and shallow with a free vent, deep and slow with a blocked one."""
    p = world.designs[column].gas
    vent_h = float(
        world.channels.values["vent_h"][min(int(start.minute) // STRETCH_MINUTES, world.span.stretches - 1), column]
    )
    hard = vent_h / (vent_h + 0.1)
    depth = p["set_point"] * p["dip"] * (1 + 7 * hard)
    length = p["dip_s"] * (1 + 9 * hard)
    flows = start.crank_s if start.outcome != "ran" else np.inf
    dip = depth * (after_s / length) * np.exp(1 - after_s / length) * (after_s < flows + 4)
    value -= dip


def _swapped(world: World, column: int, signal: str, minutes: Array, true: Array, fault: Fault) -> Array:
    """Two leads crossed: water reads air and air reads water, whichever signal the fault names."""
    other = {WATER: AIR, AIR: WATER}.get(signal)
    if other is None:
        return true
    during = (minutes >= fault.begin) & (minutes < fault.end)
    return np.where(during, _true(world, column, other, minutes), true)


def _spoil(rng: Rng, value: Array, minutes: Array, fault: Fault, signal: str, blocks: float) -> None:
    """A sensor that goes wrong, in place. Sizes grow with the severity; our choice."""
    during = (minutes >= fault.begin) & (minutes < fault.end)
    if not during.any():
        return
    size = {WATER: 25.0, VOLTS: 2.0 * blocks, GAS: 1500.0, AIR: 20.0}[signal] * (0.15 + 0.85 * fault.severity)
    sign = float(rng.choice([-1.0, 1.0]))
    count = int(during.sum())
    if fault.kind.cause == "stuck":
        value[during] = value[during][0]
    elif fault.kind.cause == "drift":
        days = (minutes[during] - fault.begin) / 1440.0
        value[during] += sign * size * np.minimum(days / (1 + 14 * (1 - fault.severity)), 1.5)
    elif fault.kind.cause == "offset":
        value[during] += sign * size
    elif fault.kind.cause == "noise":
        value[during] += 0.5 * size * rng.standard_normal(count)
    elif fault.kind.cause == "scale":
        value[during] *= 1 + sign * (0.1 + 0.4 * fault.severity)
    elif fault.kind.cause == "lead_open":
        value[during] = float(rng.choice(LEAD_OPEN_READS[signal]))
