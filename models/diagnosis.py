"""From symptom to cause: which causes of a table explain what is seen, how likely, and by which of the symptoms.

In: a table, and the strength of each symptom at one unit. Out: ranked causes, `none_of_these` among them. May import:
numpy, models.opinion. Touches nothing. The table itself is data (monitor/causes_default.toml); here is what it means.

A symptom is a tested fact; its strength is the chance that it is true, as whoever tested it sees it. A cause brings
each of its symptoms about with a share of its own, whatever else is wrong, and a symptom may come from nothing in the
table (noisy or; Pearl, Probabilistic Reasoning in Intelligent Systems, 1988, ch. 4, from memory). So several causes may
be present at once, and what none of them explains is said to be none of these.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import prod

import numpy as np

from models.opinion import Opinion

NONE = "none_of_these"
AT_ONCE_MAX = 3  # causes that are weighed together: four independent faults in one month are beyond reason (our choice)
CANDIDATES_MAX = 12
STRONG = 0.2  # strength from which a symptom asks for a cause (our choice)
SAID_LEAST = 0.03  # what is less likely is not worth a line (our choice)
SURE = 1e-6  # no fact is surer than this


@dataclass(frozen=True, slots=True)
class Symptom:
    """A tested fact.

    says: it in words. tested_by: the condition whose model tests it, or a finer cause that a model names.
    unexplained: chance that it shows in a given month with no cause of the table, 0..1.
    """

    says: str
    tested_by: str
    unexplained: float


@dataclass(frozen=True, slots=True)
class Origin:
    """A cause.

    usual: chance that it is present at a unit in a given month, 0..1. shows: by symptom, the share of such units that
    show it, 0..1.
    """

    usual: float
    shows: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Table:
    """All symptoms and causes, by name."""

    symptoms: Mapping[str, Symptom]
    causes: Mapping[str, Origin]


@dataclass(frozen=True, slots=True)
class Likely:
    """A cause and the chance that it is present, 0..1. by: the symptoms that speak for it, the strongest first."""

    cause: str
    probability: float
    by: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What is likely wrong at one unit.

    likely: causes, the likeliest first; empty where nothing asks for one. unexplained: of each symptom that asks, the
    chance that it is true and no cause of the table that is present brings it about, 0..1.
    """

    likely: Sequence[Likely]
    unexplained: Mapping[str, float]


def diagnosed(table: Table, strengths: Mapping[str, float]) -> Diagnosis:
    """Causes of what is seen at one unit.

    Args:
        strengths: of each symptom that was tested, 0..1; NaN or left out: not tested, which speaks for nothing.
    """
    tested = {name: value for name, value in strengths.items() if name in table.symptoms and value == value}
    asking = sorted(name for name, value in tested.items() if value >= STRONG)
    names = _candidates(table, asking)
    odds = {name: _odds(value) / _odds(_marginal(table, name)) for name, value in tested.items()}
    total, of_cause, unexplained = 0.0, dict.fromkeys(names, 0.0), dict.fromkeys(asking, 0.0)
    for present in _together(names) if asking else ():
        shown = {symptom: _shown(table, symptom, present) for symptom in tested}
        weight = prod(table.causes[name].usual if name in present else 1 - table.causes[name].usual for name in names)
        weight *= prod(shown[symptom] * ratio + 1 - shown[symptom] for symptom, ratio in odds.items())
        total += weight
        for name in present:
            of_cause[name] += weight
        for symptom in asking:
            true = shown[symptom] * odds[symptom] / (shown[symptom] * odds[symptom] + 1 - shown[symptom])
            alone = table.symptoms[symptom].unexplained * prod(
                1 - table.causes[name].shows.get(symptom, 0.0) for name in present
            )
            unexplained[symptom] += weight * true * alone / shown[symptom]
    found = [Likely(name, weight / total, _speaking(table, name, tested)) for name, weight in of_cause.items()]
    found.sort(key=lambda one: (-one.probability, one.cause))
    return Diagnosis(found, {symptom: weight / total for symptom, weight in unexplained.items()})


def with_causes(table: Table, said: Sequence[Opinion]) -> list[Opinion]:
    """Opinions with the causes that the table has for them; those that their own models named stay as they are.

    What of a condition no finer name of its model accounts for is shared out among the table's causes of that name and
    `none_of_these`; a cause under another condition that brings it about stands beside them.

    Args:
        said: what the models say of the same units.
    """
    chances: dict[str, np.ndarray] = {}
    for opinion in said:
        chances |= {name: chance for name, chance in opinion.causes.items() if name != opinion.condition}
        chances[opinion.condition] = opinion.probability
    asking = np.zeros(len(said[0].probability) if said else 0, np.bool_)
    for opinion in said:
        asking |= np.nan_to_num(opinion.probability) >= STRONG
    if not asking.any():
        return list(said)
    more: list[dict[str, np.ndarray]] = [{} for _ in said]
    for unit in np.flatnonzero(asking).tolist():
        strengths = {
            name: float(chances[symptom.tested_by][unit])
            for name, symptom in table.symptoms.items()
            if symptom.tested_by in chances
        }
        told = diagnosed(table, strengths)
        for opinion, causes in zip(said, more, strict=True):
            for name, chance in _of_one(table, told, opinion, unit).items():
                causes.setdefault(name, np.zeros(len(asking)))[unit] = chance
    return [
        replace(opinion, causes={**causes, **opinion.causes}) if causes else opinion
        for opinion, causes in zip(said, more, strict=True)
    ]


def _of_one(table: Table, told: Diagnosis, opinion: Opinion, unit: int) -> dict[str, float]:
    """Causes of one opinion at one unit that its model did not name, with their chances."""
    own = [name for name, symptom in table.symptoms.items() if symptom.tested_by == opinion.condition]
    chance = float(opinion.probability[unit])
    if not chance >= STRONG or not own:
        return {}
    named = sum(float(value[unit]) for name, value in opinion.causes.items() if name != opinion.condition)
    left = max(chance - named, 0.0)
    fitting = [one for one in told.likely if any(table.causes[one.cause].shows.get(name, 0.0) > 0 for name in own)]
    finer = {
        one.cause: one.probability
        for one in fitting
        if one.cause.startswith(f"{opinion.condition}/") and one.cause not in opinion.causes
    }
    other = {one.cause: one.probability for one in fitting if not one.cause.startswith(opinion.condition)}
    finer[NONE] = max((told.unexplained.get(name, 0.0) for name in own), default=0.0)
    whole = sum(finer.values())
    shared = {name: left * value / whole for name, value in finer.items()} if whole > 0 else {}
    return {name: value for name, value in (shared | other).items() if value >= SAID_LEAST}


def _candidates(table: Table, asking: Sequence[str]) -> list[str]:
    """Causes that bring about any of the symptoms, those that would show most of them first."""
    fitting = {
        name: cause.usual * sum(cause.shows.get(symptom, 0.0) for symptom in asking)
        for name, cause in table.causes.items()
    }
    ranked = sorted((name for name, weight in fitting.items() if weight > 0), key=lambda name: (-fitting[name], name))
    return ranked[:CANDIDATES_MAX]


def _together(names: Sequence[str]) -> list[frozenset[str]]:
    """Every set of causes that may be present at once."""
    return [frozenset(some) for count in range(AT_ONCE_MAX + 1) for some in combinations(names, count)]


def _shown(table: Table, symptom: str, present: frozenset[str]) -> float:
    """Chance that a symptom shows, given what is present."""
    hidden = prod(1 - table.causes[name].shows.get(symptom, 0.0) for name in present)
    return 1 - (1 - table.symptoms[symptom].unexplained) * hidden


def _marginal(table: Table, symptom: str) -> float:
    """Chance that a symptom shows at a unit of which nothing is known."""
    hidden = prod(1 - cause.usual * cause.shows.get(symptom, 0.0) for cause in table.causes.values())
    return 1 - (1 - table.symptoms[symptom].unexplained) * hidden


def _odds(chance: float) -> float:
    held = min(max(chance, SURE), 1 - SURE)
    return held / (1 - held)


def _speaking(table: Table, name: str, tested: Mapping[str, float]) -> tuple[str, ...]:
    """Symptoms that are seen and that a cause brings about."""
    shows = table.causes[name].shows if name in table.causes else {}
    seen = [symptom for symptom in shows if tested.get(symptom, 0.0) >= STRONG]
    return tuple(sorted(seen, key=lambda symptom: (-tested[symptom] * shows[symptom], symptom)))
