"""The law of the assessor: the same arrivals give the same findings, however they are handed in."""

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from monitor.alarms.lifecycle import Finding
from monitor.assessment.assessor import Assessor
from monitor.batch import Batch
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, from_rfc3339
from simulator.faults import Fault, FaultKind
from tests.assessment import valley
from tests.assessment.histories import BEGIN_NS, FLEET, LEVELS, NEEDED, Episode, Knobs, Run, Story, allowed, assessor


def in_order(findings: list[Finding]) -> list[Finding]:
    """By when they were noticed, whatever the units that were judged together."""
    return sorted(findings, key=lambda f: (f.noticed_ns, f.at_ns, f.unit, f.condition))


def handed(one: Assessor, rows: Batch, ends: list[int]) -> list[Finding]:
    """The findings where arrivals are handed in up to each of some moments."""
    edges = [0, *np.searchsorted(rows.received_ns, ends, side="right").tolist()]
    findings = []
    for place, end in enumerate(ends):
        findings += one.advance(rows.where(np.arange(edges[place], edges[place + 1])), end)
    return findings


@st.composite
def episodes(draw, minutes: int) -> Episode:
    signal = draw(st.sampled_from(NEEDED))
    return Episode(
        signal,
        draw(st.integers(0, minutes)),
        draw(st.sampled_from((1, 4, 7, 16, 25, 40, 70, 200, 700))),
        draw(st.sampled_from(LEVELS[signal])),
    )


@st.composite
def flutters(draw, minutes: int) -> list[Episode]:
    """A signal that goes beyond a limit and back again and again: what comes so often stands on for a day."""
    signal, level = draw(st.sampled_from((("jacket_water_temperature", 33.0), ("battery_voltage", 12.2))))
    begin, every = draw(st.integers(0, minutes // 2)), draw(st.sampled_from((75, 190, 400)))
    return [Episode(signal, begin + time * every, 40, level) for time in range(draw(st.integers(3, 5)))]


@st.composite
def knobs(draw, minutes: int, fastest_s: int) -> Knobs:
    some = st.integers(0, minutes)
    every = st.sampled_from([s for s in (60, 300, 600, 900, 1800) if s >= fastest_s])
    spans = st.tuples(some, st.sampled_from((3, 20, 45, 130, 400)), st.integers(0, 2))
    stuck = draw(st.none() | some)
    flutter = st.sampled_from((False, False, True))
    return Knobs(
        every_s=draw(st.tuples(every, every, every, every)),
        on_change=draw(st.booleans()),
        first_min=draw(st.sampled_from((0, 0, 13, 190))),
        late_signal_min=draw(st.sampled_from((0, 0, 30, 200))),
        latency_s=draw(st.sampled_from((0, 2, 90))),
        clock_s=draw(st.sampled_from((0, 0, 200, -90, -3600))),
        batch_min=draw(st.sampled_from((0, 0, 30, 60))),
        outages=tuple((a, a + b, how) for a, b, how in draw(st.lists(spans, max_size=3))),
        stuck_min=(0, 0) if stuck is None else (stuck, stuck + draw(st.sampled_from((10, 300)))),
        repeated=draw(st.sampled_from((0.0, 0.1))),
        shuffled=draw(st.sampled_from((0.0, 0.1))),
        lags_s=draw(st.tuples(*[st.sampled_from((0, 0, 1, 400))] * 4)),
        reports=draw(st.sampled_from(((), ("engine_running",), ("engine_speed",), ("engine_running", "engine_speed")))),
        runs=tuple(draw(st.lists(st.builds(Run, some, st.sampled_from((5, 31, 90, 800))), max_size=2))),
        episodes=(*draw(st.lists(episodes(minutes), max_size=6)), *(draw(flutters(minutes)) if draw(flutter) else ())),
        links=tuple(draw(st.lists(st.tuples(some, st.booleans()), max_size=3))),
        ahead_min=tuple(draw(st.lists(some, max_size=2))),
        cranks=tuple(
            draw(st.lists(st.tuples(some, st.sampled_from((7.5, 8.5, 9.3, 10.5)), st.sampled_from((1, 3))), max_size=4))
        ),
        seed=draw(st.integers(0, 99)),
    )


@st.composite
def stories(draw, days: float = 3.0, fastest_s: int = 600) -> Story:
    minutes = int(days * 1440)
    begins = sorted(draw(st.lists(st.integers(5, minutes - 50), max_size=3)))
    deaf = []
    for begin in begins:
        if not deaf or begin > deaf[-1][1] + 3:
            deaf.append((begin, begin + draw(st.sampled_from((0, 1, 20, 300)))))
    return Story(
        days=days,
        units=tuple(draw(knobs(minutes, fastest_s)) for _ in FLEET.units),
        deaf=tuple(span for span in deaf if span[1] < minutes),
        received_known=draw(st.sampled_from((True, True, True, False))),
        silent_units=frozenset(draw(st.lists(st.integers(0, 2), max_size=1))),
    )


def cuts(story: Story, rows: Batch, findings: list[Finding], seed: int) -> dict[str, list[int]]:
    """Ways to hand a history in."""
    rng = np.random.default_rng(seed)
    some = rng.integers(BEGIN_NS, story.until_ns, int(rng.integers(1, 40))).tolist()
    hours = range(BEGIN_NS // HOUR_NS * HOUR_NS, story.until_ns, HOUR_NS)
    turns = [finding.noticed_ns + step for finding in findings for step in (-1, 0, 1)]
    return {
        "random pieces": allowed(some, story),
        "midnights": allowed([hour for hour in hours if hour % DAY_NS == 0], story),
        "hours and half hours": allowed([hour + 29 * MINUTE_NS for hour in hours] + list(hours), story),
        "where something turns": allowed(turns, story),
    }


def law(examples: int) -> settings:
    """Always the same examples in the quick suite: a hunt for new ones is the long form's.

    Not shrunk: it takes minutes an example; a failing one is printed as it is, and its knobs can be turned by hand.
    """
    slow = [HealthCheck.too_slow, HealthCheck.data_too_large]
    return settings(
        max_examples=examples,
        deadline=None,
        derandomize=examples < 100,
        database=None,
        phases=(Phase.explicit, Phase.generate),
        suppress_health_check=slow,
    )


def check_pieces(story: Story, seed: int) -> None:
    rows = story.batch()
    at_once = assessor().advance(rows, story.until_ns)
    for name, ends in cuts(story, rows, at_once, seed).items():
        assert handed(assessor(), rows, ends) == at_once, name
    one = assessor()
    alone = [
        finding
        for unit in range(len(FLEET.units))
        for finding in one.advance(rows.where(rows.unit == unit), story.until_ns, [unit])
    ]
    assert in_order(alone) == at_once, "unit by unit"


def check_messages(story: Story) -> None:
    rows = story.batch()
    ends = allowed(np.unique(rows.received_ns).tolist(), story)
    assert handed(assessor(), rows, ends) == assessor().advance(rows, story.until_ns)


@given(story=stories(), seed=st.integers(0, 999))
@law(8)
def test_whatever_the_pieces_the_findings_are_the_same(story, seed):
    check_pieces(story, seed)


@given(story=stories(days=1.2))
@law(8)
def test_each_message_alone_gives_what_all_give_at_once(story):
    check_messages(story)


@pytest.mark.long
@pytest.mark.timeout(1800)
@given(story=stories(), seed=st.integers(0, 999))
@law(120)
def test_pieces_of_many_more_histories(story, seed):
    check_pieces(story, seed)


@pytest.mark.long
@pytest.mark.timeout(1800)
@given(story=stories(days=1.2))
@law(120)
def test_messages_of_many_more_histories(story):
    check_messages(story)


def test_the_real_models_say_the_same_of_the_valley_unit_by_unit_and_hour_by_hour():
    """A failed heater and a tripped breaker; each unit's row is the same whoever is judged beside it."""
    begin, days = from_rfc3339("2026-01-12T00:00:00Z"), 6
    at_ns = begin + 5 * DAY_NS
    faults = [
        Fault("clinic-wing", FaultKind.HEATER_ELEMENT_OPEN, at_ns),
        Fault("quay-crane", FaultKind.BREAKER_TRIPPED, at_ns, at_ns + 18 * HOUR_NS),
    ]
    until = begin + days * DAY_NS
    rows = valley.batch_of(begin, until, faults=faults, every_s=300)
    rows = rows.where(np.argsort(rows.received_ns, kind="stable"))

    def fresh() -> Assessor:
        return Assessor(valley.FLEET, valley.LIMITS, valley.deadline)

    at_once = fresh().advance(rows, until)
    assert {"heater_failed", "charger_failed"} <= {finding.condition for finding in at_once}
    assert handed(fresh(), rows, [*range(begin, until, HOUR_NS), until]) == at_once
    one = fresh()
    alone = [
        finding
        for unit in range(len(valley.FLEET.units))
        for finding in one.advance(rows.where(rows.unit == unit), until, [unit])
    ]
    assert in_order(alone) == at_once
