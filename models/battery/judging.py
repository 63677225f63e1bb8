"""Opinions on battery and charger at one instant, from what is seen and what was learned.

In: what is seen of some units over 14 days, their normals. Out: opinions, notes, when charging was lost. May import:
numpy, models. Touches nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.battery.normals import BatteryNormal
from models.opinion import Note, Opinion
from models.seen import Seen
from models.windows import Int64


@dataclass(frozen=True, slots=True)
class Judged:
    """What is said of some units at one instant.

    opinions: one a condition (charger_failed, charger_weak, battery_weak, battery_overcharged). notes: in any order.
    onset_ns: the last instant at which the charger was seen to charge and the first at which it was not, ns UTC, int64
    [unit, 2]; 0, 0 where charging is not lost now.
    """

    opinions: tuple[Opinion, ...]
    notes: tuple[Note, ...]
    onset_ns: Int64


def judge_whole(seen: Seen, normals: Sequence[BatteryNormal]) -> Judged:
    """Opinions, notes and onset of lost charging of some units.

    Args:
        seen: 14 days of some units up to now. normals: what was learned of each, [unit].
    Returns: see Judged.
    """
    assert len(normals) == seen.units
    return Judged((), (), np.zeros((seen.units, 2), np.int64))


def judge(seen: Seen, normals: Sequence[BatteryNormal]) -> tuple[list[Opinion], list[Note]]:
    """Opinions and notes of some units: judge_whole without the onset.

    Args:
        seen: 14 days of some units up to now. normals: what was learned of each, [unit].
    """
    judged = judge_whole(seen, normals)
    return list(judged.opinions), list(judged.notes)
