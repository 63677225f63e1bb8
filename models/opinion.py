"""Opinions: what a model says of a condition of some units at one instant, and notes that ask nothing of anybody.

May import: numpy, models.windows. Touches nothing. A model keeps no state: two instants that see the same, say the
same. Raising, clearing and calling people is the alarm system's.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from models.windows import Float64


@dataclass(frozen=True, slots=True)
class Opinion:
    """What a model says of one condition.

    condition: its name in the contract. probability: that it is present, 0..1, [unit]; NaN: it cannot be judged.
    measured, expected: what the judgement rests on, in the signal's symbol (battery: a 12 V block), [unit]; NaN where
    there is no such number. signal: whose. not_ready_h: hours from now until the unit would stop being ready if nobody
    comes, its 10 %, 50 % and 90 % quantile, [unit, 3]; 0: already, inf: not within 30 days, NaN: no forecast.
    causes: by name (the condition itself or a finer name under it), the chance that it is present, 0..1, [unit].
    text: of each unit one plain sentence of evidence, "" where there is nothing to say.
    """

    condition: str
    signal: str
    probability: Float64
    measured: Float64
    expected: Float64
    not_ready_h: Float64
    causes: Mapping[str, Float64] = field(default_factory=dict)
    text: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Note:
    """Something that changed at a unit and asks nothing of anybody.

    unit: its row. kind: set_point_changed, battery_replaced, equalised, float_changed ... at_ns: since when, ns UTC.
    text: one plain sentence.
    """

    unit: int
    kind: str
    at_ns: int
    text: str
