"""Judging the jacket water: opinions on its four conditions and notes.

In: models.seen.Seen, normals. Out: opinions, notes. May import: numpy, models. Touches nothing.
"""

from collections.abc import Sequence

import numpy as np

from models.jacket_water.normal import WaterNormal
from models.jacket_water.opinion import WaterOpinion
from models.opinion import Note, Opinion
from models.seen import Seen

CONDITIONS = ("heater_failed", "heater_weak", "heater_stuck_on", "coolant_circulation_restricted")


def judge(seen: Seen, normals: Sequence[WaterNormal], *, not_ready: float = 21.0) -> tuple[list[Opinion], list[Note]]:
    """What is wrong with the jacket water of some units, if anything.

    Args:
        seen: the units. normals: as `learn` gave them, [unit]. not_ready: Cel of water, below it the unit would not
        start or carry load (NFPA 110 table, from memory).
    Returns: one WaterOpinion for each of CONDITIONS, in this order; notes (set_point_changed).
    """
    assert len(normals) == seen.units
    nothing = np.full(seen.units, np.nan)
    opinions: list[Opinion] = [
        WaterOpinion(
            condition,
            "jacket_water_temperature",
            nothing,
            nothing,
            nothing,
            np.full((seen.units, 3), np.nan),
            text=("",) * seen.units,
            onset_ns=np.full((seen.units, 2), np.nan),
            heat_share=nothing,
        )
        for condition in CONDITIONS
    ]
    return opinions, []
