"""From opinions to findings: when what a model says of a condition is raised, said anew and cleared.

In: what a model says of one condition of one unit at one instant, where it stood before, thresholds of the limits file.
Out: where it stands then, and the turn it makes, if any. Pure: the instant is an argument, and nothing else is asked.
May import: monitor.alarms, monitor.assessment.state and returning, monitor.times.

A model has no memory and may waver. So a condition is raised once its probability stood at raise_probability for
on_delay, and cleared once it stood at clear_probability for off_delay; an instant at which nothing can be said counts
for neither. Between the two nothing turns. Beside a limit that it explains it is raised once it is likelier than not:
the limit calls already, and whoever is called wants to know why.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import isinf, isnan

from monitor.alarms.explaining import EXPLAINED_BY, NO_AC_SUPPLY
from monitor.alarms.lifecycle import Cause, Evidence, NotReady, Urgency
from monitor.assessment.returning import Reason
from monitor.assessment.state import MODEL, Held, Turned
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS

JUDGED = (
    "heater_failed",
    "heater_weak",
    "heater_stuck_on",
    "coolant_circulation_restricted",
    "charger_failed",
    "charger_weak",
    "battery_weak",
    "battery_overcharged",
)
"""Conditions that a model judges; each has its thresholds in the limits file."""
INSTANT_NS = 30 * MINUTE_NS  # how often the models judge; a heater's failure takes hours to show (our choice)
FORECAST_NS_MAX = 30 * DAY_NS  # contract
SAY_AGAIN_NS = HOUR_NS  # a forecast that wanders is not said more often
MOVED_NS, MOVED_SHARE = 2 * HOUR_NS, 0.15  # a median that moved less says nothing new
FIRST_CAUSE_MARGIN = 0.05  # a cause takes the first place from another by more than this, or they would flap
KEEPS_NS = 12 * HOUR_NS  # a fall of urgency: the 10 % quantile lies this far behind the deadline
RECOVERS_NS = 2 * HOUR_NS  # no longer 'not ready': the median lies this far ahead
CALM_NS = 2 * HOUR_NS  # and it stood so for this long
VISIT_NEAR_NS = DAY_NS
CALLS_UNFORECAST = frozenset(
    ("heater_failed", "charger_failed", "heater_stuck_on", "battery_overcharged", "coolant_circulation_restricted")
)
"""Conditions that, without a forecast, are not left for a visit more than a day off: they get worse by themselves (a
heater or charger that never rests boils water off), or the next run may trip on hot coolant (our choice)."""
TIMES_ROUND_NS = MINUTE_NS
CAUSES_SAID_MAX = 5
UNNAMED_SHARE = 0.5  # of the condition's own name; a finer name from here on is said instead of it
CALLING = ("limit", "not_ready")
"""Levels of a limit at which somebody is called."""
BESIDE_LIMIT = 0.5  # probability from which a condition that explains a passed limit is raised (our choice)
CAUSE_LEAST = 0.05  # what is less likely is not said


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Of one condition at one unit, from the limits file; delays in ns."""

    raise_probability: float
    clear_probability: float
    on_delay_ns: int
    off_delay_ns: int

    @classmethod
    def of(cls, table: Mapping[str, float | int | bool]) -> "Thresholds":
        """From the condition's table of the limits file."""
        return cls(
            float(table["raise_probability"]),
            float(table["clear_probability"]),
            int(table["on_delay"]),
            int(table["off_delay"]),
        )

    def beside_limit(self) -> "Thresholds":
        """Those that hold while a limit that the condition explains is passed."""
        return replace(
            self,
            raise_probability=min(self.raise_probability, BESIDE_LIMIT),
            clear_probability=min(self.clear_probability, BESIDE_LIMIT),
        )


@dataclass(frozen=True, slots=True)
class Heard:
    """What a model says of one condition of one unit at an instant.

    probability: NaN: cannot be judged. causes: with their chances. hours: until not ready, its 10 %, 50 % and 90 %
    quantile; inf: not within 30 days, NaN: no forecast. signal: index of the signal that it rests on.
    """

    condition: str
    probability: float
    causes: tuple[tuple[str, float], ...]
    hours: tuple[float, float, float]
    evidence: Evidence
    signal: int


def explains_a_limit(
    condition: str, reasons: Mapping[str, Mapping[str, Reason]], turned: Iterable[Turned], instant_ns: int
) -> bool:
    """Whether a limit that calls, and that a condition would explain, is passed at an instant.

    Args:
        reasons: of the unit, before the step under way. turned: in that step, in any order.
    """
    effects = {effect for effect, causes in EXPLAINED_BY.items() if condition in causes}
    passed = {
        (effect, source)
        for effect in effects
        for source, reason in reasons.get(effect, {}).items()
        if reason.evidence.level in CALLING
    }
    due = [turn for turn in turned if turn.condition in effects and turn.noticed_ns <= instant_ns]
    for turn in sorted(due, key=lambda turn: turn.moment):
        if turn.evidence.level in CALLING:
            (passed.add if turn.active else passed.discard)((turn.condition, turn.source))
    return bool(passed)


def judged(
    before: Held, heard: Heard, thresholds: Thresholds, *, instant_ns: int, deadline_ns: int
) -> tuple[Held, Turned | None]:
    """One opinion: where its condition stands after it, and what is said of it now.

    Args:
        deadline_ns: of the site's next visit.
    """
    if isnan(heard.probability):
        return before, None
    held = _counted(before, heard.probability, thresholds)
    raised = not held.active
    if raised:
        if held.counted_ns is None or held.counted_ns < thresholds.on_delay_ns:
            return held, None
        held = Held(active=True, began_ns=instant_ns, supply_share=held.supply_share)
    elif held.counted_ns is not None and held.counted_ns >= thresholds.off_delay_ns:
        return Held(), _cleared(heard, instant_ns)
    elif held.counted_ns is not None:
        return held, None  # on its way out: what was said last stays until it is out, or back
    forecast = _forecast(heard.hours, instant_ns, held)
    if forecast is None and held.forecast and heard.probability < thresholds.raise_probability:
        return held, None  # in doubt, a forecast is not taken back
    causes = _ranked(heard, held.first_cause)
    held, urgency = _calmed(held, _urgency(heard.condition, forecast, instant_ns, deadline_ns), forecast, instant_ns,
                            deadline_ns)  # fmt: skip
    if not _worth_saying(held, urgency, causes, forecast, instant_ns):
        return held, None
    held = replace(
        held,
        urgency=urgency,
        first_cause=causes[0].cause if causes else "",
        median_ns=None if forecast is None else forecast.p50,
        forecast=forecast is not None,
        said_ns=instant_ns,
    )
    turned = Turned(
        instant_ns,
        instant_ns,
        heard.condition,
        MODEL,
        True,
        urgency,
        heard.evidence,
        heard.signal if raised else -1,
        causes=causes,
        not_ready_at=forecast,
        suspect_ns=thresholds.on_delay_ns,
    )
    return held, turned


def _counted(held: Held, probability: float, thresholds: Thresholds) -> Held:
    """The delay that runs, counted in instants at which something could be said."""
    clears, raises = probability <= thresholds.clear_probability, probability >= thresholds.raise_probability
    runs = clears if held.active else raises
    counted = None if not runs else 0 if held.counted_ns is None else held.counted_ns + INSTANT_NS
    return replace(held, counted_ns=counted)


def _cleared(heard: Heard, instant_ns: int) -> Turned:
    return Turned(instant_ns, instant_ns, heard.condition, MODEL, False, Urgency.AT_VISIT, heard.evidence, heard.signal)


def _forecast(hours: tuple[float, float, float], instant_ns: int, held: Held) -> NotReady | None:
    """The quantiles as moments. Not ready already is the moment at which that was first said (contract)."""
    if any(isnan(hour) for hour in hours):
        return None
    if hours[1] <= 0.0:
        at = held.median_ns if held.urgency is Urgency.NOW and held.median_ns is not None else instant_ns
        return NotReady(at, at, at)
    return NotReady(*(_moment(hour, instant_ns) for hour in hours))


def _moment(hour: float, instant_ns: int) -> int | None:
    if isinf(hour) or hour * HOUR_NS > FORECAST_NS_MAX:
        return None
    return instant_ns + round(hour * HOUR_NS / TIMES_ROUND_NS) * TIMES_ROUND_NS


def _urgency(condition: str, forecast: NotReady | None, instant_ns: int, deadline_ns: int) -> Urgency:
    """How soon a person is needed (contract): by the forecast, and without one by what the condition does."""
    if forecast is None:
        far = deadline_ns - instant_ns > VISIT_NEAR_NS
        return Urgency.BEFORE_VISIT if far and condition in CALLS_UNFORECAST else Urgency.AT_VISIT
    if forecast.p50 is not None and forecast.p50 <= instant_ns:
        return Urgency.NOW
    if forecast.p10 is not None and forecast.p10 < deadline_ns:
        return Urgency.BEFORE_VISIT
    return Urgency.AT_VISIT


def _calmed(
    held: Held, urgency: Urgency, forecast: NotReady | None, instant_ns: int, deadline_ns: int
) -> tuple[Held, Urgency]:
    """The urgency without flapping: a rise counts at once, a fall with a margin and after a while."""
    if held.urgency is None or urgency.rank >= held.urgency.rank:
        return replace(held, calm_ns=None), urgency
    calm = True
    if forecast is not None and held.urgency is Urgency.NOW:
        calm = forecast.p50 is None or forecast.p50 >= instant_ns + RECOVERS_NS
    elif forecast is not None:
        calm = forecast.p10 is None or forecast.p10 >= deadline_ns + KEEPS_NS
    counted = None if not calm else 0 if held.calm_ns is None else held.calm_ns + INSTANT_NS
    if counted is None or counted < CALM_NS:
        return replace(held, calm_ns=counted), held.urgency
    return replace(held, calm_ns=None), urgency


def _ranked(heard: Heard, first: str) -> tuple[Cause, ...]:
    """Causes by their chances, the one said first before keeping its place unless another is clearly likelier.

    The condition's own name says nothing beyond it: it goes where a finer name under it is the likelier half of it.
    """
    likely = [(cause, chance) for cause, chance in heard.causes if chance >= CAUSE_LEAST]
    finest = max((chance for cause, chance in likely if cause != heard.condition), default=0.0)
    likely = [
        (cause, chance) for cause, chance in likely if cause != heard.condition or finest < UNNAMED_SHARE * chance
    ]
    margin = {first: FIRST_CAUSE_MARGIN}
    likely.sort(key=lambda item: (-item[1] - margin.get(item[0], 0.0), item[0]))
    return tuple(Cause(cause, round(min(chance, 1.0), 4)) for cause, chance in likely[:CAUSES_SAID_MAX])


def with_kept_supply(heard: Heard, held: Held, *, together: bool) -> tuple[Heard, float]:
    """Causes with the unit's AC supply as it was known while the beginning of the loss could still be seen.

    That heater and charger were lost together shows in how it began, which leaves the models' windows after days. As
    long as both stand, what was told of it stays.

    Args:
        together: whether heater and charger both stand.
    Returns: what is heard, and the share of the condition that the supply explains, to be held.
    """
    name = f"{heard.condition}/{NO_AC_SUPPLY}"
    chances = dict(heard.causes)
    if name not in chances or isnan(heard.probability) or heard.probability <= 0.0:
        return heard, held.supply_share
    share = chances[name] / heard.probability
    if not (together and share < held.supply_share):
        return heard, share
    rest = 1.0 - held.supply_share
    kept = {cause: chance if cause == heard.condition else chance * rest for cause, chance in chances.items()}
    kept[name] = heard.probability * held.supply_share
    return replace(heard, causes=tuple(sorted(kept.items()))), held.supply_share


def _worth_saying(
    held: Held, urgency: Urgency, causes: tuple[Cause, ...], forecast: NotReady | None, instant_ns: int
) -> bool:
    """Whether something new is to be said: urgency at once, first cause and forecast at most once an hour."""
    if urgency is not held.urgency:
        return True
    assert held.said_ns is not None, "an urgency was said"
    if instant_ns - held.said_ns < SAY_AGAIN_NS:
        return False
    if (causes[0].cause if causes else "") != held.first_cause or (forecast is not None) != held.forecast:
        return True
    median = None if forecast is None else forecast.p50
    if median is None or held.median_ns is None:
        return median is not held.median_ns
    left_ns = max(median - instant_ns, 0)
    return abs(median - held.median_ns) > max(MOVED_NS, MOVED_SHARE * left_ns)
