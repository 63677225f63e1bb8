"""The models at work: at each instant they judge the units heard lately, at midnight they learn.

In: units' cells brought up to the instant, states. Out: turns; held opinions, notes and normals in the states. Which
models there are stands in monitor.assessment.models_known; a test may hand in others. May import: numpy, models,
monitor.assessment, monitor.alarms, monitor.limits_file, monitor.signals, monitor.times.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models import diagnosis
from models.normal import Normal
from models.opinion import Note, Opinion
from models.seen import Seen
from monitor.alarms.explaining import SUPPLIED
from monitor.alarms.lifecycle import Evidence
from monitor.assessment import opinions
from monitor.assessment.cells import Newest
from monitor.assessment.ground import BATTERY, Ground
from monitor.assessment.opinions import BESIDE_LIMIT, INSTANT_NS, Heard, Thresholds
from monitor.assessment.seeing import Pending, Sight, known_runs
from monitor.assessment.state import Held, Noted, Turned, UnitState
from monitor.assessment.tracks import NO_TIME, Tracks
from monitor.batch import Float64, Int64
from monitor.limits_file import Limits
from monitor.signals import NAMES, NEEDED, SIGNALS
from monitor.times import DAY_NS, HOUR_NS

HEARD_LATELY_NS = DAY_NS  # a unit silent for longer is not judged: readings_missing says so, and what stands stays
CALM_NS = 6 * HOUR_NS  # a calm unit is judged so often: what grows over days loses nothing, and a look finds the rest
RAN_LATELY_NS = DAY_NS  # warm water and a high battery are a run's
UNITS_AT_ONCE = 200  # whose windows are in memory: 0.4 MB each
NOT_HELD = Held()
IS_BATTERY = np.array([name == "battery_voltage" for name in NEEDED])


@dataclass(frozen=True, slots=True)
class Look:
    """The newest readings of one unit: jacket water and enclosure, Cel; V a block; NaN: none. ran: it ran lately."""

    water: float
    battery: float
    air: float
    ran: bool


@dataclass(frozen=True, slots=True)
class Model:
    """One model of models/.

    nothing: the normal of a unit that it knows nothing of. learn, judge: its two verbs. calm: whether a look at the
    newest readings shows nothing for which judging could not wait for hours; it must be cheap.
    """

    name: str
    nothing: Any
    learn: Callable[[Seen, list[Any]], Sequence[Any]]
    judge: Callable[[Seen, list[Any]], tuple[Sequence[Opinion], Sequence[Note]]]
    calm: Callable[[Any, Look], bool]


def apart(_seen: Seen, said: Sequence[Opinion]) -> Sequence[Opinion]:
    """Opinions as they are: no model knows of another."""
    return said


def unknown(_learned: Mapping[str, Any]) -> Normal:
    """Nothing that limits could lean on."""
    return Normal()


@dataclass(frozen=True, slots=True)
class Models:
    """All models.

    together: what becomes of their opinions where several have one story in common. normal: what of a unit's normals,
    by model, its limits lean on; NaN until learned, the set point of the gas left out.
    """

    each: tuple[Model, ...] = ()
    together: Callable[[Seen, Sequence[Opinion]], Sequence[Opinion]] = apart
    normal: Callable[[Mapping[str, Any]], Normal] = unknown


def instants(begin_ns: int, until_ns: int) -> Int64:
    """Instants after a moment, up to another one; by the clock alone, so that no grouping shows."""
    return np.arange((begin_ns // INSTANT_NS + 1) * INSTANT_NS, until_ns + 1, INSTANT_NS, dtype=np.int64)


class Modelling:
    """Lets the models judge and learn units on common ground."""

    def __init__(self, ground: Ground, tracks: Tracks, limits: Limits, models: Models) -> None:
        self._ground = ground
        self._models = models
        self._limits = limits
        self._sight = Sight(ground, tracks)
        self._thresholds: dict[tuple[str, str], Thresholds] = {}
        self._shared: dict[int, Thresholds] = {}

    def due(
        self, instant_ns: int, units: Int64, states: Sequence[UnitState], pending: Sequence[Pending], newest: Newest
    ) -> list[int]:
        """Places of the units that are to be judged at an instant: those that are not calm, and the calm in turn.

        Args:
            units: index; states, pending: of each of them. newest: as known at the instant, of all.
        """
        if not self._models.each:
            return []
        columns = newest.value[units] / np.where(IS_BATTERY, self._ground.blocks[units][:, None], 1.0)
        return [
            row
            for row, (state, some, values) in enumerate(zip(states, pending, columns.tolist(), strict=True))
            if state.calm_ns is None
            or instant_ns - state.calm_ns >= CALM_NS
            or self._stirs(state, some, values, instant_ns)
        ]

    def _stirs(self, state: UnitState, pending: Pending, values: Sequence[float], instant_ns: int) -> bool:
        """Whether something shows at a calm unit."""
        assert state.calm_ns is not None, "asked of calm units only"
        cranks = pending.cranks_by(instant_ns) or state.cranks[-1:]
        if cranks and cranks[-1].at_ns > state.calm_ns:
            return True
        ran = any(end is None or end > instant_ns - RAN_LATELY_NS for _, end in known_runs(state, instant_ns))
        water, battery, _, air = values
        look = Look(water, battery, air, ran)
        return not all(model.calm(state.learned.get(model.name, model.nothing), look) for model in self._models.each)

    def judge(
        self,
        instant_ns: int,
        units: Int64,
        states: Sequence[UnitState],
        pending: Sequence[Pending],
        first_ns: Int64,
    ) -> None:
        """Judge some units at an instant; turns go to pending, what is held and noted into the states.

        Args:
            units: index; states, pending, first_ns: of each of them, [n].
        """
        for begin in range(0, len(units), UNITS_AT_ONCE):
            some = slice(begin, begin + UNITS_AT_ONCE)
            self._judge_some(instant_ns, units[some], states[some], pending[some], first_ns[some])

    def _judge_some(
        self,
        instant_ns: int,
        units: Int64,
        states: Sequence[UnitState],
        pending: Sequence[Pending],
        first_ns: Int64,
    ) -> None:
        seen = self._sight.at(units, states, pending, first_ns, instant_ns)
        said: list[Opinion] = []
        for model in self._models.each:
            normals = [state.learned.get(model.name, model.nothing) for state in states]
            own, notes = model.judge(seen, normals)
            said += own
            for note in notes:
                states[note.unit].note(Noted(instant_ns, note.at_ns, note.kind, _sentence(note.text)))
        calm = np.ones(len(units), np.bool_)
        for opinion in diagnosis.with_causes(self._limits.causes, self._models.together(seen, said)):
            calm &= ~(opinion.probability > self._calm_below(opinion.condition, units))
            for row in self._of_interest(opinion, units, states):
                turned = self._turned(opinion, row, int(units[row]), states[row], pending[row], instant_ns)
                if turned is not None:
                    pending[row].turned.append(turned)
        for row, state in enumerate(states):
            state.calm_ns = instant_ns if calm[row] and not state.held else None

    def _calm_below(self, condition: str, units: Int64) -> Float64:
        """Probability up to which a condition may stir again without anybody looking, [unit]."""
        return np.array([self._thresholds_of(unit, condition).clear_probability for unit in units.tolist()])

    def _of_interest(self, opinion: Opinion, units: Int64, states: Sequence[UnitState]) -> Iterator[int]:
        """Rows at which something may turn: likely, or held from before."""
        likely = np.nan_to_num(opinion.probability, nan=-1.0)
        for row, (unit, state) in enumerate(zip(units.tolist(), states, strict=True)):
            if opinion.condition in state.held or (
                likely[row] >= min(self._thresholds_of(unit, opinion.condition).raise_probability, BESIDE_LIMIT)
            ):
                yield row

    def _turned(
        self, opinion: Opinion, row: int, unit: int, state: UnitState, pending: Pending, instant_ns: int
    ) -> Turned | None:
        known = self._ground.units[unit]
        before = state.held.get(opinion.condition, NOT_HELD)
        together = all(state.held.get(name, NOT_HELD).active for name in SUPPLIED)
        heard, share = opinions.with_kept_supply(self._heard(opinion, row, unit), before, together=together)
        thresholds = self._thresholds_of(unit, opinion.condition)
        if opinions.explains_a_limit(opinion.condition, state.reasons, pending.turned, instant_ns):
            thresholds = thresholds.beside_limit()
        held, turned = opinions.judged(
            before if before == NOT_HELD else replace(before, supply_share=share),
            heard,
            thresholds,
            instant_ns=instant_ns,
            deadline_ns=self._ground.deadline(known.site, instant_ns)[0],
        )
        if held == NOT_HELD:
            state.held.pop(opinion.condition, None)
        else:
            state.held[opinion.condition] = held
        return turned

    def _heard(self, opinion: Opinion, row: int, unit: int) -> Heard:
        signal = NAMES.index(opinion.signal)
        blocks = float(self._ground.blocks[unit]) if signal == BATTERY else 1.0
        p10, p50, p90 = opinion.not_ready_h[row].tolist()
        return Heard(
            condition=opinion.condition,
            probability=float(opinion.probability[row]),
            causes=tuple((cause, float(chance[row])) for cause, chance in sorted(opinion.causes.items())),
            hours=(p10, p50, p90),
            evidence=Evidence(
                signal=opinion.signal,
                symbol=SIGNALS[signal].symbol,
                measured=_known(float(opinion.measured[row]) * blocks),
                expected=_known(float(opinion.expected[row]) * blocks),
                limits_version=self._ground.limits_version,
                text=_sentence(opinion.text[row]) if opinion.text else "",
            ),
            signal=signal,
        )

    def _thresholds_of(self, unit: int, condition: str) -> Thresholds:
        key = self._ground.units[unit].id, condition
        known = self._thresholds.get(key)
        if known is None:
            table = self._limits.condition(*key)
            known = self._shared.setdefault(id(table), Thresholds.of(table))  # most units share one table
            self._thresholds[key] = known
        return known

    def judged_by(self, unit: int) -> list[str]:
        """What its turns depend on beside readings and visits, as texts to compare."""
        names = [f"model {model.name}" for model in self._models.each]
        names.append(f"causes {self._limits.causes!r}")
        return [*names, *(f"{name} {self._thresholds_of(unit, name)!r}" for name in opinions.JUDGED)]

    def learn(self, instant_ns: int, units: Int64, states: Sequence[UnitState], first_ns: Int64) -> Seen:
        """Bring the models' normals of some units up to an instant; units: index, the others of each of them.

        Returns: what was learned from.
        """
        seen = self._sight.at(units, states, [Pending() for _ in states], first_ns, instant_ns)
        for model in self._models.each:
            before = [state.learned.get(model.name, model.nothing) for state in states]
            for state, normal in zip(states, model.learn(seen, before), strict=True):
                state.learned[model.name] = normal
        return seen

    def normal(self, state: UnitState) -> Normal:
        """What of a unit's normals its limits lean on."""
        return self._models.normal(state.learned)

    @property
    def nothings(self) -> dict[str, Any]:
        """The normal of a unit of which nothing is known, by model."""
        return {model.name: model.nothing for model in self._models.each}


def heard_lately(received_ns: Int64, instant_ns: int) -> np.ndarray:
    """Units whose needed signals were heard lately, bool [n]; received_ns: of the newest of each, [n, needed]."""
    newest = received_ns.max(axis=1)
    lately: np.ndarray = (newest != NO_TIME) & (newest > instant_ns - HEARD_LATELY_NS)
    return lately


def _sentence(text: str) -> str:
    """A model's words as a sentence for people; "" stays."""
    whole = text[:1].upper() + text[1:]
    return whole if whole.endswith((".", "!", "?")) or not whole else f"{whole}."


def _known(value: float) -> float | None:
    return None if np.isnan(value) else round(value, 6)
