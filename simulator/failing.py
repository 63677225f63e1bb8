"""A gas main that fails, second by second: what one unit's gas does from the second on in which its supply falls.

In: one unit's parameters and states, what acts on it. Out: gas pressure each second, the state after them. May import:
numpy, simulator. Touches nothing.
"""

import numpy as np

from simulator import enclosure, gas
from simulator.chance import Float64
from simulator.imagined import Moment
from simulator.plant import Plant, States


def failing_gas(
    plant: Plant, states: States, now: Moment, *, flow: float, seconds: int
) -> tuple[Float64, gas.GasState]:
    """Gas pressure behind the regulator in each of some seconds, Pa, [second], and the state after the last.

    Args:
        plant, states, now: of one unit, each [1]; now has the supply that is left. flow: share of full-load gas drawn.
    """
    pressure, held = gas.start(
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
    return pressure[0], held
