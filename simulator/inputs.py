"""What acts on the units on one day: weather, mains, gas supply, faults, people, and the runs that are due.

In: a plant, what is planned for the whole span, a day. Out: arrays with one row a minute, and what happens at which
minute. May import: numpy, simulator. Touches nothing.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from simulator import supply
from simulator.chance import SECOND_NS, Bool, Float64, Int64, keys, white
from simulator.climate import CLIMATES, weather
from simulator.faults import BATTERY_KINDS, Effects, FaultKind, effects, severities
from simulator.imagined import Moment
from simulator.people import Visit, door_open, rounds, switched_off, works
from simulator.plant import Plant, extremes
from simulator.running import Wanted, exercise_runs
from simulator.scenario import WORKED, Event, Scenario

MINUTE_NS = 60 * SECOND_NS


@dataclass(frozen=True, slots=True)
class Plan:
    """What is known of the whole span beforehand: visits and exercise runs, by their beginning."""

    visits: tuple[Visit, ...]
    exercises: tuple[Wanted, ...]


@dataclass(frozen=True, slots=True)
class Inputs:
    """What acts on the units, a row each minute and one for the end, [minute, unit].

    time_ns: [minute]. line_voltage: share of the rated at the site; supplied: the same behind the unit's breaker.
    charger_on: 0 or 1, has supply. gas_supply: standing, Pa; supply_loss: of it at full flow, Pa. door_open, equalise,
    in_auto: 0 or 1. noise: of standard deviation 1, for a chattering contactor; zeros where none chatters. at_risk: at
    which a run may overheat, [unit]. site_out: the mains of sites are off, [minute, site].
    """

    time_ns: Int64
    ambient: Float64
    sun: Float64
    wind: Float64
    atmospheric_pressure: Float64
    line_voltage: Float64
    supplied: Float64
    charger_on: Float64
    gas_supply: Float64
    supply_loss: Float64
    door_open: Float64
    equalise: Float64
    in_auto: Float64
    noise: Float64
    effects: Effects
    at_risk: Bool
    site_out: Bool


def plan_of(scenario: Scenario) -> Plan:
    """Visits and exercise runs of a scenario."""
    timezone = {site.id: site.timezone for site in scenario.sites}
    span = {"seed": scenario.seed, "from_ns": scenario.from_ns, "to_ns": scenario.to_ns}
    exchanged = [(event.unit, event.from_ns) for event in scenario.events if event.kind in WORKED]
    came = rounds(scenario.sites, scenario.units, **span) + works(scenario.units, scenario.faults, exchanged)
    runs: list[Wanted] = []
    for row, unit in enumerate(scenario.units):
        if unit.exercise_rule:
            zone = timezone[unit.site]
            runs += exercise_runs(unit.exercise_rule, zone, unit=row, unit_id=unit.id, load=unit.exercise_load, **span)
    return Plan(
        tuple(sorted(came, key=lambda visit: (visit.from_ns, visit.unit))),
        tuple(sorted(runs, key=lambda run: (run.start_ns, run.unit))),
    )


def inputs_of(plant: Plant, plan: Plan, *, from_ns: int, to_ns: int) -> Inputs:
    """What acts on the units from a time to another, both included, both whole minutes."""
    scenario, site = plant.scenario, plant.site
    time_ns = np.arange(from_ns, to_ns + 1, MINUTE_NS, dtype=np.int64)
    span = {"seed": scenario.seed, "from_ns": from_ns, "to_ns": to_ns + MINUTE_NS}
    site_ids = [one.id for one in scenario.sites]
    climates = [CLIMATES[one.climate] for one in scenario.sites]
    sky = weather(climates, site_ids, extremes=extremes(scenario), **span)
    line = _mains(scenario, site_ids, time_ns)
    severe = severities(scenario.faults, scenario.unit_ids, time_ns)
    acting = effects(severe, scenario.unit_ids, time_ns, seed=scenario.seed)
    nearby = [visit for visit in plan.visits if visit.from_ns <= to_ns and visit.to_ns >= from_ns]
    line_voltage = _by_unit(line, site)
    supplied = line_voltage * acting.breaker_closed
    noise = np.zeros_like(supplied)
    if FaultKind.HEATER_CHATTER in severe:
        noise = np.ascontiguousarray(white(keys(scenario.seed, scenario.unit_ids, "chatter"), time_ns).T)
    hot = {FaultKind.LOUVER_STUCK, FaultKind.GRILLE_BLOCKING, FaultKind.COOLANT_AIR_LOCK}
    at_risk = np.zeros(plant.units, np.bool_)
    for kind in hot & severe.keys():
        at_risk |= severe[kind].max(axis=1) > 0.0
    return Inputs(
        time_ns=time_ns,
        ambient=_by_unit(sky.ambient_temperature, site),
        sun=_by_unit(sky.sun, site),
        wind=_by_unit(sky.wind, site),
        atmospheric_pressure=_by_unit(sky.atmospheric_pressure, site),
        line_voltage=line_voltage,
        supplied=supplied,
        charger_on=(supplied > 0.5) * acting.charger_supplied,
        gas_supply=_from_onset(acting.supply_share) * plant.gas.supply_nominal,
        supply_loss=acting.supply_loss * plant.gas.supply_nominal,
        door_open=door_open(nearby, plant.units, time_ns).T.astype(np.float64),
        equalise=_equalising(scenario, time_ns),
        in_auto=acting.in_auto * ~switched_off(nearby, plant.units, time_ns).T,
        noise=noise,
        effects=acting,
        at_risk=at_risk,
        site_out=np.ascontiguousarray(line.T) < 0.5,
    )


def _from_onset(share: Float64) -> Float64:
    """Supply shares that fall in the minute in which they begin to, not at its end: who watches a main fail waits."""
    return np.concatenate([np.minimum(share[:-1], share[1:]), share[-1:]])


def moment(inputs: Inputs, minute: int) -> Moment:
    """What acts on the units at one minute, for a start that is imagined or tried."""
    acting = inputs.effects
    return Moment(
        ambient=inputs.ambient[minute],
        sun=inputs.sun[minute],
        wind=inputs.wind[minute],
        atmospheric_pressure=inputs.atmospheric_pressure[minute],
        gas_supply=inputs.gas_supply[minute],
        supply_loss=inputs.supply_loss[minute],
        flow_share=acting.flow_share[minute],
        coolant_share=acting.coolant_share[minute],
        shorted=acting.shorted[minute],
        resistance_factor=acting.resistance_factor[minute],
        vent_open=acting.vent_open[minute],
        seat_leak=acting.seat_leak[minute],
        spring_shift=acting.spring_shift[minute],
        louver_open=acting.louver_open[minute],
        grille_open=acting.grille_open[minute],
    )


def new_batteries(scenario: Scenario, *, from_ns: int, to_ns: int) -> Iterator[tuple[int, str]]:
    """When and at which unit the battery is exchanged, from_ns <= time < to_ns: by an event, or as a fault's repair."""
    for event in happening(scenario.events, "battery_replaced", from_ns=from_ns, to_ns=to_ns):
        yield event.from_ns, event.unit
    for fault in scenario.faults:
        if fault.kind in BATTERY_KINDS and fault.to_ns is not None and from_ns <= fault.to_ns < to_ns:
            yield fault.to_ns, fault.unit


def happening(events: Sequence[Event], kind: str, *, from_ns: int, to_ns: int) -> list[Event]:
    """The events of a kind that begin with from_ns <= time < to_ns."""
    return [event for event in events if event.kind == kind and from_ns <= event.from_ns < to_ns]


def _by_unit(of_site: Float64, site: Int64) -> Float64:
    """[site, minute] as [minute, unit]."""
    return np.ascontiguousarray(of_site.T[:, site])


def _mains(scenario: Scenario, site_ids: Sequence[str], time_ns: Int64) -> Float64:
    """Line voltage as a share of the rated, 0 in outages, [site, minute]."""
    line = supply.line(site_ids, seed=scenario.seed, from_ns=int(time_ns[0]), to_ns=int(time_ns[-1]) + MINUTE_NS)
    voltage: Float64 = line.voltage.copy()
    if not scenario.outages:
        voltage[voltage < 0.5] = 1.0
    for event in scenario.events:
        if event.kind == "outage":
            lasting = (time_ns >= event.from_ns) & (time_ns < event.to_ns)
            here = np.array([event.site in ("", site) for site in site_ids])
            voltage[here[:, None] & lasting] = 0.0
    return voltage


def _equalising(scenario: Scenario, time_ns: Int64) -> Float64:
    """Whether a unit's charger equalises by order, [minute, unit]."""
    shown = np.zeros((len(time_ns), len(scenario.units)))
    for event in scenario.events:
        if event.kind == "equalise":
            shown[(time_ns >= event.from_ns) & (time_ns < event.to_ns), scenario.unit_ids.index(event.unit)] = 1.0
    return shown
