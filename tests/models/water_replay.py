"""Runs the jacket-water model over traces as the assessor would: judge every half hour, learn at midnight."""

from dataclasses import dataclass, field

import numpy as np

from models.jacket_water import WaterNormal, WaterOpinion, judge, learn
from models.opinion import Note
from tests.models.water_traces import Traces

CALLED = 0.9  # chance from which the limits file raises a condition


@dataclass
class Said:
    """What was said of one unit: chance [condition, moment], hours [moment], and the rest at each moment."""

    hours: np.ndarray
    chance: np.ndarray
    not_ready_h: np.ndarray
    opinions: list[list[WaterOpinion]]
    notes: list[Note]
    normals: list[WaterNormal] = field(default_factory=list)

    def first(self, condition: int, after_h: float = 0.0) -> float:
        """Hour at which a condition was first raised after an hour; inf: never."""
        raised = np.flatnonzero((self.chance[condition] >= CALLED) & (self.hours >= after_h))
        return float(self.hours[raised[0]]) if len(raised) else np.inf

    def calls(self, from_h: float = 0.0, to_h: float = np.inf) -> list[tuple[int, float, float]]:
        """Each raising between two hours: condition, hour, greatest chance of the spell."""
        out = []
        for condition in range(4):
            up = (self.chance[condition] >= CALLED) & (self.hours >= from_h) & (self.hours < to_h)
            edges = np.flatnonzero(np.diff(np.concatenate(([0], up.astype(int)))) == 1)
            for begin in edges.tolist():
                end = begin + int(np.argmin(np.append(up[begin:], False)))
                out.append((condition, float(self.hours[begin]), float(self.chance[condition, begin:end].max())))
        return out


def replay(
    traces: Traces, row: int, *, judge_from_h: float = 0.5, to_h: float | None = None, every_h: float = 0.5
) -> Said:
    """One unit's replay; cells are not trusted from four hours before something is raised until it is gone."""
    normal = WaterNormal()
    chance, forecasts, opinions, notes, normals = [], [], [], [], []
    end_h = traces.hours if to_h is None else to_h
    hours = np.arange(judge_from_h, end_h + 1e-6, every_h)
    for day_h in np.arange(24.0, judge_from_h, 24.0):
        (normal,) = learn(traces.seen(float(day_h), [row]), [normal])
    for hour in hours:
        seen = traces.seen(float(hour), [row])
        if hour % 24 == 0:
            (normal,) = learn(seen, [normal])
        said, told = judge(seen, [normal])
        ours = [one for one in said if isinstance(one, WaterOpinion)]
        chance.append([one.probability[0] for one in ours])
        forecasts.append([one.not_ready_h[0] for one in ours])
        opinions.append(ours)
        notes += told
        normals.append(normal)
        if np.nanmax(np.append(chance[-1], 0.0)) >= CALLED:
            traces.trusted[row, max(round(hour * 6) - 24, 0) : round(hour * 6) + 3] = False
    return Said(hours, np.array(chance).T, np.moveaxis(np.array(forecasts), 0, 1), opinions, notes, normals)
