"""What is known of units and alarms, put together for the routes and the pages alike.

In: the parts. Out: the shapes of the API, and unit views for the pages. Calls block (stores): worker threads only.
May import: what monitor.api.parts may.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.alarms.lifecycle import Alarm, Cause, Said
from monitor.api import shapes
from monitor.api.moments import clock_text
from monitor.api.parts import Parts, UnitView
from monitor.api.readiness import Judged, by_need, judged
from monitor.fleet import Site, Unit, Visit
from monitor.signals import INTERNAL
from monitor.stores.protocols import CallOut
from monitor.times import DAY_NS, to_rfc3339
from monitor.visits import ASSUMED_NS


@dataclass(frozen=True, slots=True)
class Stretch:
    """From the last visit to the next.

    last_ns: None where none is known. recorded: it is on record, else the calendar alone has it.
    assumed: the next one is not known, and stands seven days from now.
    """

    last_ns: int | None
    recorded: bool
    next: Visit
    assumed: bool


@dataclass(frozen=True, slots=True)
class Newest:
    """The newest reading of a signal."""

    signal: str
    symbol: str
    time_ns: int
    value: float


@dataclass(frozen=True, slots=True)
class UnitNow:
    """All that is known of a unit at one moment. alarms: those that stand, the most urgent first."""

    unit: Unit
    site: Site
    stretch: Stretch
    view: UnitView
    newest: tuple[Newest, ...]
    alarms: tuple[Alarm, ...]
    judged: Judged
    notes: tuple[str, ...]


def stretch_of(parts: Parts, site: Site, now_ns: int) -> Stretch:
    """A site's stretch; where no visit is known the contract's seven days are assumed."""
    coming = parts.visits.next_visit(site.id, now_ns)
    made_ns = parts.operations.last_visit_ns(site.id)
    planned = parts.visits.last_visit(site.id, now_ns)
    recorded = made_ns is not None and (planned is None or _is_of(made_ns, planned))
    last_ns = made_ns if recorded or planned is None else planned.start_ns
    if coming is None:
        return Stretch(last_ns, recorded, Visit(now_ns + ASSUMED_NS, now_ns + ASSUMED_NS), True)
    return Stretch(last_ns, recorded, coming, False)


def _is_of(made_ns: int, planned: Visit) -> bool:
    """Whether a visit on record is the planned one, or later than it. Somebody may come a day early."""
    return made_ns >= planned.start_ns - DAY_NS


def notes_of(parts: Parts, site: Site, stretch: Stretch, now_ns: int) -> tuple[str, ...]:
    """What is to be known about a site's visits, one sentence each."""
    found = [parts.visits.notes[site.id]] if site.id in parts.visits.notes else []
    planned = parts.visits.last_visit(site.id, now_ns)
    # The contract: unrecorded a day after its end, and the site gets a note.
    if planned is not None and not stretch.recorded and now_ns > planned.end_ns + DAY_NS:
        found.append(f"The visit of {clock_text(planned.start_ns, site.timezone, now_ns)} is not on record.")
    return tuple(found)


def until_text(stretch: Stretch, timezone: str, now_ns: int) -> str:
    """The next visit in words."""
    if stretch.assumed:
        return "seven days from now (no visit is known)"
    return f"the visit {clock_text(stretch.next.start_ns, timezone, now_ns)}"


def titles(parts: Parts) -> dict[str, str]:
    """Conditions in words."""
    return {name: entry.title for name, entry in parts.advice.conditions.items()}


def units_now(parts: Parts, units: Sequence[Unit], now_ns: int) -> list[UnitNow]:
    """Units, those that ask for someone first: one read of each store, however many there are."""
    standing: dict[str, list[Alarm]] = {}
    for alarm in parts.operations.standing():
        standing.setdefault(alarm.unit, []).append(alarm)
    names = [unit.id for unit in units]
    newest = _newest(parts, names)
    words = titles(parts)
    stretches = {name: stretch_of(parts, parts.fleet.sites[name], now_ns) for name in {unit.site for unit in units}}
    notes = {name: notes_of(parts, parts.fleet.sites[name], stretch, now_ns) for name, stretch in stretches.items()}
    found: list[UnitNow] = []
    for unit in units:
        site = parts.fleet.sites[unit.site]
        alarms = by_need(standing.get(unit.id, ()))
        view = parts.watched(unit.id)
        verdict = judged(
            alarms,
            silent=view.silent,
            titles=words,
            until=until_text(stretches[site.id], site.timezone, now_ns),
            until_ns=stretches[site.id].next.end_ns,
            timezone=site.timezone,
            now_ns=now_ns,
        )
        mine = tuple(newest.get(unit.id, ()))
        found.append(UnitNow(unit, site, stretches[site.id], view, mine, tuple(alarms), verdict, notes[site.id]))
    return sorted(found, key=_need)


def _need(now: UnitNow) -> tuple[int, int, str]:
    open_since = min((alarm.raised_at_ns for alarm in now.judged.because), default=0)
    return now.judged.readiness.rank, open_since, now.unit.id


def _newest(parts: Parts, names: Sequence[str]) -> dict[str, list[Newest]]:
    signals = [name for name in parts.fleet.signal_names if name not in INTERNAL]
    batch = parts.readings.newest(names, signals)
    by_unit: dict[str, list[tuple[int, Newest]]] = {}
    columns = zip(batch.unit.tolist(), batch.signal.tolist(), batch.time_ns.tolist(), batch.value.tolist(), strict=True)
    symbols = {signal.name: signal.symbol for signal in parts.fleet.signals}
    order = {name: place for place, name in enumerate(signals)}
    for unit_at, signal_at, time_ns, value in columns:
        name = batch.signals[signal_at]
        reading = Newest(name, symbols[name], time_ns, value)
        by_unit.setdefault(batch.units[unit_at], []).append((order[name], reading))
    return {unit: [reading for _, reading in sorted(rows, key=lambda row: row[0])] for unit, rows in by_unit.items()}


def visit_out(stretch: Stretch) -> shapes.VisitOut:
    """The next visit as the API writes it."""
    return shapes.VisitOut(
        start=to_rfc3339(stretch.next.start_ns), end=to_rfc3339(stretch.next.end_ns), assumed=stretch.assumed
    )


def unit_out(now: UnitNow) -> shapes.UnitOut:
    """A unit as the API writes it."""
    return shapes.UnitOut(
        unit=now.unit.id,
        name=now.unit.name,
        site=now.site.id,
        site_name=now.site.name,
        timezone=now.site.timezone,
        protects=now.unit.protects,
        readiness=now.judged.readiness,
        sentence=now.judged.sentence,
        starts_now=_rounded(now.judged.starts_now),
        starts_until_visit=_rounded(now.judged.starts_until_visit),
        last_visit=shapes.text_of(now.stretch.last_ns if now.stretch.recorded else None),
        next_visit=visit_out(now.stretch),
        newest=[
            shapes.ReadingOut(
                signal=reading.signal,
                symbol=reading.symbol,
                time=to_rfc3339(reading.time_ns),
                value=reading.value,
                normal=now.view.normals.get(reading.signal),
            )
            for reading in now.newest
        ],
        silent=[shapes.SilentOut(signal=name, since=shapes.text_of(at)) for name, at in now.view.silent.items()],
        not_watched=list(now.view.not_watched),
        notes=list(now.notes),
        changes=[shapes.ChangeOut(time=to_rfc3339(at_ns), text=text) for at_ns, text in now.view.changes],
        alarms=[alarm.id for alarm in now.alarms],
    )


def _rounded(chance: float | None) -> float | None:
    """To three places: no model knows more."""
    return None if chance is None else round(chance, 3)


def causes_out(parts: Parts, causes: Iterable[Cause]) -> list[shapes.CauseOut]:
    """Causes with their words."""
    return [
        shapes.CauseOut(cause=cause.cause, title=parts.advice.cause_title(cause.cause), probability=cause.probability)
        for cause in causes
    ]


def said_out(parts: Parts, said: Said) -> shapes.SaidOut:
    """What was said at one moment."""
    return shapes.SaidOut(
        urgency=said.urgency,
        causes=causes_out(parts, said.causes),
        not_ready_at=shapes.NotReadyOut.of(said.not_ready_at),
    )


def alarms_out(parts: Parts, alarms: Iterable[Alarm], now_ns: int) -> list[shapes.AlarmOut]:
    """Alarms as the API writes them. Those of units that the fleet no longer has come with their site empty."""
    stretches: dict[str, Stretch] = {}
    found: list[shapes.AlarmOut] = []
    for alarm in alarms:
        site = site_of(parts, alarm)
        if site.id not in stretches:
            stretches[site.id] = stretch_of(parts, site, now_ns)
        found.append(_alarm_out(parts, alarm, site, stretches[site.id]))
    return found


def site_of(parts: Parts, alarm: Alarm) -> Site:
    """The site of an alarm's unit; a nameless one in UTC where the unit has left the fleet file."""
    unit = parts.fleet.units.get(alarm.unit)
    return parts.fleet.sites[unit.site] if unit else Site("", "no longer in the fleet")


def _alarm_out(parts: Parts, alarm: Alarm, site: Site, stretch: Stretch) -> shapes.AlarmOut:
    evidence = alarm.evidence
    entry = parts.advice.conditions.get(alarm.condition)
    return shapes.AlarmOut(
        id=alarm.id,
        unit=alarm.unit,
        site=site.id,
        condition=alarm.condition,
        title=entry.title if entry else alarm.condition.replace("_", " "),
        urgency=alarm.urgency,
        state=alarm.state,
        present=alarm.present,
        raised_at=to_rfc3339(alarm.raised_at_ns),
        noticed_at=to_rfc3339(alarm.noticed_at_ns),
        acknowledged_at=shapes.text_of(alarm.acknowledged_at_ns),
        acknowledged_by=alarm.acknowledged_by,
        note=alarm.note,
        cleared_at=shapes.text_of(alarm.cleared_at_ns),
        shelved_until=shapes.text_of(alarm.shelved_until_ns),
        urgency_history=[
            shapes.UrgencyStep(time=to_rfc3339(at_ns), urgency=urgency) for at_ns, urgency in alarm.urgency_history
        ],
        evidence=shapes.EvidenceOut(
            signal=evidence.signal,
            symbol=evidence.symbol,
            measured=_finite(evidence.measured),
            expected=_finite(evidence.expected),
            limit=_finite(evidence.limit),
            level=evidence.level,
            limits_version=evidence.limits_version,
            text=evidence.text,
        ),
        causes=causes_out(parts, alarm.said.causes),
        not_ready_at=shapes.NotReadyOut.of(alarm.said.not_ready_at),
        first_said=said_out(parts, alarm.first_said),
        next_visit=visit_out(stretch),
    )


def _finite(value: float | None) -> float | None:
    """JSON has no NaN: unknown is null."""
    return None if value is None or not np.isfinite(value) else float(value)


def detail_out(parts: Parts, alarm: Alarm, now_ns: int) -> shapes.AlarmDetailOut:
    """One alarm with its advice and history."""
    out = alarms_out(parts, (alarm,), now_ns)[0]
    advised = advice_for(parts, alarm)
    return shapes.AlarmDetailOut(
        **out.model_dump(),
        means=advised[0],
        check=list(advised[1]),
        bring=list(advised[2]),
        cautions=list(advised[3]),
        history=[
            shapes.EventOut(time=to_rfc3339(event.at_ns), what=event.what, by=event.by, note=event.note)
            for event in parts.operations.alarm_events(alarm.id)
        ],
    )


def advice_for(parts: Parts, alarm: Alarm) -> tuple[str, tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Means, check, bring, cautions of an alarm; empty for a condition that an older version of ours kept."""
    if alarm.condition not in parts.advice.conditions:
        return "", (), (), ()
    chances = [(cause.cause, cause.probability) for cause in alarm.said.causes]
    advised = parts.advice.advised(alarm.condition, chances)
    return advised.means, advised.check, advised.bring, advised.cautions


_ADDRESS = re.compile(r"\S+@\S+|\w+://\S+")


def call_out_out(parts: Parts, call_out: CallOut) -> shapes.CallOutOut:
    """A push as everybody may see it: names, but neither addresses nor URLs, before there is a sign-in."""
    return shapes.CallOutOut(
        alarm=call_out.alarm_id,
        alarms=list(call_out.alarm_ids),
        event=call_out.event,
        channel=call_out.channel,
        recipient=recipient_name(parts, call_out),
        outcome=call_out.outcome,
        tries=call_out.tries,
        created=to_rfc3339(call_out.created_ns),
        not_before=to_rfc3339(call_out.not_before_ns),
        last_try=shapes.text_of(call_out.last_try_ns),
        delivered=shapes.text_of(call_out.delivered_ns),
        last_error=_ADDRESS.sub("…", call_out.last_error),
    )


def recipient_name(parts: Parts, call_out: CallOut) -> str:
    """Whom a push goes to, by the name in the settings; "" where only an address is known."""
    names: Mapping[str, str] = {person.email: person.name for person in parts.settings.call_outs.emails}
    return names.get(call_out.recipient, "" if _ADDRESS.search(call_out.recipient) else call_out.recipient)
