"""The truth: when each unit was not ready by the contract's definition, and which fault made it so.

In: a World. Out: spans of not being ready by criterion, and the moment a fault brings. May import: numpy,
tests.strangers. Touches nothing. Computed from what truly was, never from what sensors said.
"""

from dataclasses import dataclass

import numpy as np

from tests.strangers.battery import cranking_volts
from tests.strangers.draws import Array
from tests.strangers.faults import Fault
from tests.strangers.span import STRETCH_MINUTES
from tests.strangers.world import World

WATER_CEL, CRANK_VOLTS, GAS_LOW, GAS_HIGH = 21.0, 8.0, 0.6, 1.5  # contract, 'not ready'
COOLANT_TRIP_CEL = 107.0  # TRADE.md section 2, run, high limit
COOLANT_LOW = 0.8  # share of full at which the level switch trips, our choice
LASTS_STRETCHES = 3  # half an hour: a shorter dip below a limit is not the moment a unit stops being ready, our choice
CRITERIA_OF = {
    "water": ("water", "coolant"),
    "battery": ("battery",),
    "gas": ("gas",),
    "air": ("air",),
    "switch": ("switch",),
    "none": (),
}


@dataclass(frozen=True, slots=True)
class NotReady:
    """A span of not being ready. begin, end: minutes of the run. criterion: as in the truth file."""

    unit: int
    criterion: str
    begin: int
    end: int


def crank_now(world: World) -> Array:
    """Least volts of a block if it cranked at each stretch, V, [stretch, unit]."""
    traces, channels = world.traces, world.channels.values
    return cranking_volts(
        world.numbers["battery"],
        volts=traces.rest_volts,
        charge=traces.charge,
        battery_cel=traces.battery_cel,
        block_cel=traces.block,
        resistance=channels["resistance"] * traces.ice,
        post_ohm=channels["post_ohm"],
    )


def gas_at_full_load(world: World) -> Array:
    """Gas pressure if it carried full load at each stretch, share of the set point, [stretch, unit]."""
    p, channels, traces = world.numbers["gas"], world.channels.values, world.traces
    full = np.ones_like(traces.case)
    drop = p["droop"] + channels["vent_h"] / (channels["vent_h"] + 0.1) * p["vent_spring"]
    open_valve = p["set_point"] * (channels["spring"] - drop * full) + traces.case
    fed = traces.supply_slow * (1 - p["supply_load"]) - 0.06 * p["set_point"]
    return np.asarray(np.minimum(open_valve, fed) / p["set_point"])


def trips_at_full_load(world: World) -> Array:
    """Whether coolant or enclosure would trip at full load at each stretch, bool [stretch, unit]."""
    water, house, channels = world.numbers["water"], world.numbers["house"], world.channels.values
    outside = world.weather.air
    through = np.maximum(channels["airflow"], 0.02)
    air = outside + house["run_rise"] / through
    span_k = water["thermostat_at"] + 16.0 - water["ambient_rating"]
    coolant = outside + span_k / (np.maximum(channels["airflow"], 0.03) ** 0.75 * np.clip(channels["coolant"], 0.2, 1))
    return np.asarray((air > house["trip"]) | (coolant > COOLANT_TRIP_CEL))


def not_ready(world: World) -> list[NotReady]:
    """All spans of all units, by unit, criterion and time."""
    gas = gas_at_full_load(world)
    off = np.zeros(gas.shape, bool)
    for fault in world.faults:
        if fault.kind.group == "switch":
            off[fault.begin // STRETCH_MINUTES : fault.end // STRETCH_MINUTES, fault.unit] = True
    found = {
        "water": world.traces.block < WATER_CEL,
        "coolant": world.channels.values["coolant"] < COOLANT_LOW,
        "battery": crank_now(world) < CRANK_VOLTS,
        "gas": (gas < GAS_LOW) | (gas > GAS_HIGH),
        "air": trips_at_full_load(world),
        "switch": off,
    }
    spans = []
    for unit in range(len(world.designs)):
        for criterion, bad in found.items():
            spans += [NotReady(unit, criterion, begin, end) for begin, end in _spans(bad[:, unit])]
    return spans


def _spans(bad: Array) -> list[tuple[int, int]]:
    """Begins and ends, minutes, of the times in which something holds for at least half an hour."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], bad.astype(np.int8), [0]])))
    pairs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return [(begin * STRETCH_MINUTES, end * STRETCH_MINUTES) for begin, end in pairs if end - begin >= LASTS_STRETCHES]


def first_not_ready(fault: Fault, spans: list[NotReady]) -> NotReady | None:
    """The span with which a fault first stops its unit from being ready; None: it never did before its end.

    Args:
        fault: of any unit.
        spans: of all units.
    """
    criteria = CRITERIA_OF[fault.kind.group]
    if fault.kind.cause == "no_ac_supply_to_both":
        criteria = ("water", "battery")
    own = [
        span
        for span in spans
        if span.unit == fault.unit and span.criterion in criteria and fault.begin <= span.begin < fault.end
    ]
    return min(own, key=lambda span: span.begin, default=None)
