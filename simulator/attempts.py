"""Attempts to start one unit: crank, rest, crank again, and the seconds after it fires, second by second.

In: one unit's parameters and states, what acts on it. Out: whether and when it fired or why not, what its battery and
its gas showed each second, and the states after it. May import: numpy, simulator. Touches nothing.
"""

from dataclasses import dataclass, replace

import numpy as np

from simulator import battery, enclosure, gas
from simulator.chance import Float64
from simulator.imagined import Moment
from simulator.plant import Plant, States
from simulator.running import ATTEMPTS, CRANK_S, NO_FAILURE, REST_S, fired_after_s

AFTER_S = 30  # told each second after the crank, as the contract asks of gateways
CRANKING_FLOW = 0.12  # share of full-load gas that an engine draws while it is turned (order of magnitude)
IDLE_FLOW = 0.3  # share of full-load gas without load (common practice)


@dataclass(frozen=True, slots=True)
class Attempt:
    """What became of a wanted start. volts: of the set, pressure: Pa, each second from the first crank on, [second]."""

    started: bool
    failed_because: str
    attempts: int
    volts: Float64
    pressure: Float64
    least_block_volts: float
    least_gas_share: float
    states: States

    @property
    def locks_out(self) -> bool:
        """All attempts have failed: the control tries no more until a person resets it (overcrank, NFPA 110)."""
        return not self.started and self.attempts == ATTEMPTS


@dataclass(frozen=True, slots=True)
class Charging:
    """What the battery's step takes besides its state, each [1]; as faults.Effects has it."""

    line_on: Float64
    output_share: Float64
    current_share: Float64
    interrupted: Float64
    left_load: Float64
    over_volts: Float64
    equalise: Float64


def flow_of(running: Float64, load: Float64) -> Float64:
    """Gas that engines draw, as a share of that at full load: IDLE_FLOW without load, 1 at full load."""
    return running * (IDLE_FLOW + (1.0 - IDLE_FLOW) * load)


def not_attempted(states: States, because: str) -> Attempt:
    """A start that a control never tries, as it is dead, locked out or not in automatic."""
    none = np.zeros(0)
    return Attempt(False, because, 0, none, none, np.nan, np.nan, states)


def attempt(plant: Plant, states: States, now: Moment, charging: Charging, *, load: float) -> Attempt:
    """Try to start one unit.

    Args:
        plant, states, now, charging: of one unit, each [1]. load: share of full load that it is to take.
    """
    volts: list[Float64] = []
    pressure: list[Float64] = []
    least_volts, least_gas = np.inf, np.inf
    failed_because = NO_FAILURE
    blocks, set_point = float(plant.blocks[0]), float(plant.gas.set_point[0])
    for tried in range(1, ATTEMPTS + 1):
        cranked, turns, amperes = battery.crank(
            plant.battery,
            states.battery,
            water=states.water.block,
            shorted=now.shorted,
            resistance_factor=now.resistance_factor,
            seconds=CRANK_S,
        )
        drawn, gas_after = _gas(plant, states, now, flow=CRANKING_FLOW, seconds=CRANK_S)
        fired_s, failed_because = fired_after_s(
            plant.engine,
            row=0,
            water=float(states.water.block[0]),
            block_volts=cranked[0] / blocks,
            turns=np.full(CRANK_S, bool(turns[0])),
            gas_share=drawn[0] / set_point,
        )
        seconds = fired_s if fired_s > 0 else CRANK_S
        volts.append(cranked[0, :seconds])
        pressure.append(drawn[0, :seconds])
        least_volts = min(least_volts, float(cranked[0, :seconds].min()) / blocks)
        draw_a, still = amperes[:, :seconds].mean(axis=1), np.zeros(1)
        _, charged = _battery(plant, states, now, charging, running=still, draw_a=draw_a, steps=1, dt_s=float(seconds))
        states = replace(states, battery=charged, gas=gas_after)
        running = np.ones(1) if fired_s > 0 else still
        flow = float(flow_of(running, np.array([load]))[0])
        after_s = AFTER_S if fired_s > 0 or tried == ATTEMPTS else REST_S
        shown, charged = _battery(plant, states, now, charging, running=running, draw_a=still, steps=after_s, dt_s=1.0)
        flowing, gas_after = _gas(plant, states, now, flow=flow, seconds=after_s)
        volts.append(shown)
        pressure.append(flowing[0])
        states = replace(states, battery=charged, gas=gas_after)
        if fired_s > 0:
            least_gas = float(flowing[0].min()) / set_point
            break
        least_gas = min(least_gas, float(drawn[0].min()) / set_point)
    return Attempt(
        started=not failed_because,
        failed_because=failed_because,
        attempts=tried,
        volts=np.concatenate(volts),
        pressure=np.concatenate(pressure),
        least_block_volts=least_volts,
        least_gas_share=least_gas,
        states=states,
    )


def _gas(plant: Plant, states: States, now: Moment, *, flow: float, seconds: int) -> tuple[Float64, gas.GasState]:
    return gas.start(
        plant.gas,
        states.gas,
        case_temperature=enclosure.case_temperature(plant.enclosure, states.enclosure),
        pipe_temperature=enclosure.pipe_temperature(plant.enclosure, states.enclosure),
        atmospheric_pressure=now.atmospheric_pressure,
        supply=now.gas_supply,
        supply_loss=now.supply_loss,
        flow_share=np.full(1, flow),
        vent_open=now.vent_open,
        seat_leak=now.seat_leak,
        spring_shift=now.spring_shift,
        seconds=seconds,
    )


def _battery(
    plant: Plant,
    states: States,
    now: Moment,
    charging: Charging,
    *,
    running: Float64,
    draw_a: Float64,
    steps: int,
    dt_s: float,
) -> tuple[Float64, battery.BatteryState]:
    """Volts of the set after each of some steps, [step], and the state after the last."""
    state = states.battery
    volts = np.empty(steps)
    for step in range(steps):
        state, shown, _ = battery.step(
            plant.battery,
            state,
            air=states.enclosure.air,
            line_on=charging.line_on,
            running=running,
            draw_a=draw_a,
            output_share=charging.output_share,
            current_share=charging.current_share,
            interrupted=charging.interrupted,
            shorted=now.shorted,
            resistance_factor=now.resistance_factor,
            left_load=charging.left_load,
            over_volts=charging.over_volts,
            equalise=charging.equalise,
            dt_s=dt_s,
        )
        volts[step] = shown[0]
    return volts, state
