"""The pages: round, unit, alarms, one alarm's call-out. They work without scripts; scripts keep them fresh.

In: browsers' requests, forms. Out: HTML. May import: what monitor.api.views may, and the texts and geometry beside it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import TypeAdapter, ValidationError

from monitor.alarms.lifecycle import Alarm, Answer, Refused, State, Urgency
from monitor.api import shapes, views, wording
from monitor.api.charts import Chart, chart
from monitor.api.moments import WEEK_NS, clock_text, local, span_text, zone_name
from monitor.api.parts import Parts
from monitor.api.problems import Problem
from monitor.api.readiness import Readiness, by_need
from monitor.api.routes import AlarmId, Id, UnitName, answered, known_alarm, known_site, known_unit, visit_recorded
from monitor.api.strips import Strip, strip
from monitor.api.templating import render
from monitor.api.views import Newest, UnitNow
from monitor.measures import Scale, number, scale, shown, signal_title
from monitor.signals import NEEDED
from monitor.stores.protocols import AlarmQuery
from monitor.times import DAY_NS, HOUR_NS, MINUTE_NS, SECOND_NS, to_rfc3339

CLEARED_MAX = 200  # alarms looked at for the grey bars of what is over; a quiet fleet has a handful a week
CHART_POINTS = 168  # an hour each: a heater's saw-tooth shows as a band, not as a black field
OLD_NS = 15 * MINUTE_NS  # beyond this a newest value says how old it is
PUSHES_MAX = 50


@dataclass(frozen=True, slots=True)
class Value:
    """A newest value for a page. how: for the script, which writes newer ones into the same place."""

    signal: str
    title: str
    text: str
    age: str
    symbol: str
    how: Scale


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """An alarm in a list."""

    id: str
    mark: str
    title: str
    urgency: str
    since: str
    who: str


@dataclass(frozen=True, slots=True)
class UnitRow:
    """A unit on the round."""

    now: UnitNow
    mark: str
    strip: Strip
    values: tuple[Value, ...]
    lines: tuple[AlarmLine, ...]


MARKS: Mapping[Readiness, str] = {
    Readiness.NOT_READY: "now",
    Readiness.NOT_UNTIL_VISIT: "before_visit",
    Readiness.UNKNOWN: "unknown",
    Readiness.UNTIL_VISIT: "gone",
}
SHORT_TITLES: Mapping[str, str] = {
    "jacket_water_temperature": "Jacket water",
    "battery_voltage": "Battery",
    "gas_pressure": "Gas",
    "enclosure_temperature": "Enclosure",
}


def page_routes(parts: Parts) -> APIRouter:
    """The routes over these parts."""
    router = APIRouter(include_in_schema=False)
    _add_round(router, parts)
    _add_unit(router, parts)
    _add_alarms(router, parts)
    _add_call_out(router, parts)
    return router


def frame(parts: Parts, now_ns: int, timezone: str, after: str) -> dict[str, object]:
    """What every page shows around its matter: whether the program itself works, and of when the page is.

    Args:
        after: newest change when the page began to be read; the page listens from there on.
    """
    status = parts.status()
    lines: list[str] = list(status.errors)
    if not status.listening:
        since = status.listening_changed_ns
        lines.insert(
            0,
            f"Not receiving readings since {clock_text(since, timezone, now_ns)}: what follows may be old."
            if since is not None
            else "Not receiving readings: the broker has not been reached yet.",
        )
    if status.assessed_until_ns is None:
        calm = "Nothing has been judged yet."
    else:
        calm = f"Readings are judged up to {clock_text(status.assessed_until_ns, timezone, now_ns)}."
    if status.call_outs_waiting:
        lines.append(f"{wording.counted(status.call_outs_waiting, 'call-out has', 'call-outs have')} not gone out yet.")
    return {
        "troubles": lines,
        "calm": calm,
        "after": after,
        "made": clock_text(now_ns, timezone, now_ns),
        "made_at": to_rfc3339(now_ns),
        "zone": f"{timezone.replace('_', ' ')} ({zone_name(now_ns, timezone)})",
    }


def common_zone(parts: Parts) -> str:
    """The zone of all sites where they share one, else UTC."""
    zones = {site.timezone for site in parts.fleet.sites.values()}
    return zones.pop() if len(zones) == 1 else "UTC"


def _values(
    parts: Parts, newest: Iterable[Newest], now_ns: int, only: Sequence[str] | None = None
) -> tuple[Value, ...]:
    return tuple(
        Value(
            signal=reading.signal,
            title=SHORT_TITLES.get(reading.signal, signal_title(reading.signal)),
            text=shown(reading.signal, reading.symbol, reading.value, parts.settings.measures),
            age=f"{span_text(now_ns - reading.time_ns)} ago" if now_ns - reading.time_ns > OLD_NS else "",
            symbol=reading.symbol,
            how=scale(reading.signal, reading.symbol, parts.settings.measures),
        )
        for reading in newest
        if only is None or reading.signal in only
    )


def _line(alarm: Alarm, titles: Mapping[str, str], timezone: str, now_ns: int) -> AlarmLine:
    return AlarmLine(
        id=alarm.id,
        mark=wording.mark_of(alarm),
        title=titles.get(alarm.condition, alarm.condition.replace("_", " ")),
        urgency=wording.URGENCY_WORDS[alarm.urgency] if alarm.present else "Over",
        since=wording.since_words(alarm, timezone, now_ns),
        who=wording.answer_words(alarm, timezone, now_ns),
    )


def rows(parts: Parts, units: Sequence[UnitNow], now_ns: int) -> list[UnitRow]:
    """Units as the round shows them, in the order given."""
    titles = views.titles(parts)
    begins = [now.stretch.last_ns if now.stretch.last_ns is not None else now_ns - WEEK_NS for now in units]
    cleared: dict[str, list[Alarm]] = {}
    if units:
        names = tuple(now.unit.id for now in units)
        page = parts.operations.alarms(AlarmQuery(units=names, from_ns=min(begins), limit=CLEARED_MAX))
        for alarm in page.alarms:
            if not alarm.present and alarm.state is State.NORMAL:
                cleared.setdefault(alarm.unit, []).append(alarm)
    made: list[UnitRow] = []
    for now in units:
        drawn = [*now.alarms, *cleared.get(now.unit.id, ())]
        made.append(
            UnitRow(
                now=now,
                mark=MARKS[now.judged.readiness],
                strip=strip(
                    now.stretch,
                    [(alarm, titles.get(alarm.condition, alarm.condition)) for alarm in drawn],
                    now.view.runs,
                    timezone=now.site.timezone,
                    now_ns=now_ns,
                ),
                values=_values(parts, now.newest, now_ns, NEEDED),
                lines=tuple(_line(alarm, titles, now.site.timezone, now_ns) for alarm in now.alarms),
            )
        )
    return made


@dataclass(frozen=True, slots=True)
class Headline:
    """One line of the answer to 'is any unit not going to make it?'."""

    mark: str
    before: str
    names: tuple[tuple[str, str], ...]
    after: str


def headlines(units: Sequence[UnitNow]) -> list[Headline]:
    """The answer, the worst first; one line where all is well."""
    found: list[Headline] = []
    for readiness, words in (
        (Readiness.NOT_READY, "not ready now"),
        (Readiness.NOT_UNTIL_VISIT, "may stop being ready before the next visit"),
        (Readiness.UNKNOWN, "cannot be judged"),
    ):
        some = [now for now in units if now.judged.readiness is readiness]
        if some:
            verb = "" if words.startswith(("may", "cannot")) else " is" if len(some) == 1 else " are"
            before = f"{wording.counted(len(some), 'unit', 'units')}{verb} {words}:"
            found.append(Headline(MARKS[readiness], before, tuple((now.unit.id, now.unit.name) for now in some), ""))
    rest = sum(now.judged.readiness is Readiness.UNTIL_VISIT for now in units)
    if not units:
        found.append(Headline("gone", "The fleet file names no units yet.", (), ""))
    elif rest == len(units):
        whole = "The one unit" if rest == 1 else f"All {rest} units"
        found.append(Headline("gone", f"{whole} should stay ready until the next visit.", (), ""))
    elif rest:
        whole = "The other one" if rest == 1 else f"The other {rest}"
        found.append(Headline("gone", f"{whole} should stay ready until the next visit.", (), ""))
    return found


def _add_round(router: APIRouter, parts: Parts) -> None:
    @router.get("/")
    def get_round(request: Request) -> Response:
        now_ns, after = parts.clock(), parts.live.newest_id()
        units = views.units_now(parts, list(parts.fleet.units.values()), now_ns)
        return render(
            request,
            "round.html",
            {
                **frame(parts, now_ns, common_zone(parts), after),
                "headlines": headlines(units),
                "rows": rows(parts, units, now_ns),
            },
        )


def _add_unit(router: APIRouter, parts: Parts) -> None:
    @router.get("/units/{unit}")
    def get_unit(request: Request, unit: UnitName) -> Response:
        now_ns, after = parts.clock(), parts.live.newest_id()
        now = views.units_now(parts, [known_unit(parts, unit)], now_ns)[0]
        recent = parts.operations.alarms(AlarmQuery(unit=unit, limit=20)).alarms
        titles = views.titles(parts)
        return render(
            request,
            "unit.html",
            {
                "starts": wording.starts_text(now.judged.starts_now, now.judged.starts_until_visit),
                **frame(parts, now_ns, now.site.timezone, after),
                "row": rows(parts, [now], now_ns)[0],
                "values": _values(parts, now.newest, now_ns),
                "charts": _charts(parts, now, now_ns),
                "normals": [
                    (signal_title(name), shown(name, views_symbol(parts, name), value, parts.settings.measures))
                    for name, value in now.view.normals.items()
                ],
                "changes": [(clock_text(at_ns, now.site.timezone, now_ns), text) for at_ns, text in now.view.changes],
                "assumed": sorted(field.replace("_", " ") for field in now.unit.assumed if field in SHOWN_FIELDS),
                "lines": [_line(alarm, titles, now.site.timezone, now_ns) for alarm in recent],
            },
        )

    @router.post("/sites/{site}/visit")
    def post_visit(
        site: Id,
        by: Annotated[str, Form(max_length=80)] = "",
        found: Annotated[str, Form(max_length=2_000)] = "",
        unit: Annotated[str, Form(max_length=64)] = "",
    ) -> Response:
        known_site(parts, site)
        visit_recorded(parts, site, by=_name(by), found=found.strip(), at_ns=None)
        back = f"/units/{unit}" if unit in parts.fleet.units else "/"
        return RedirectResponse(back, 303)


# What a reader of the page has to know was assumed, because judgement leans on it.
SHOWN_FIELDS = frozenset({"battery_nominal_voltage", "battery_type", "jacket_heater", "regulator_vent"})


def views_symbol(parts: Parts, name: str) -> str:
    """A signal's symbol; the fleet file may have its own signals."""
    return next((signal.symbol for signal in parts.fleet.signals if signal.name == name), "")


def _name(text: str) -> str:
    try:
        return TypeAdapter(shapes.Name).validate_python(text)
    except ValidationError:
        raise Problem(422, "Say who you are.", "Go back and fill in your name.") from None


@dataclass(frozen=True, slots=True)
class ChartView:
    """A chart with its words."""

    signal: str
    title: str
    chart: Chart | None
    top: str
    bottom: str
    summary: str


def _charts(parts: Parts, now: UnitNow, now_ns: int) -> list[ChartView]:
    made: list[ChartView] = []
    from_ns = now_ns - WEEK_NS
    system = parts.settings.measures
    known = {reading.signal: reading for reading in now.newest if reading.symbol != "/"}
    for name in [*NEEDED, *(name for name in known if name not in NEEDED)]:
        symbol = views_symbol(parts, name)
        how = scale(name, symbol, system)
        columns = parts.readings.downsampled(
            unit=now.unit.id, signal=name, from_ns=from_ns, to_ns=now_ns + 1, points=CHART_POINTS
        )
        drawn = chart(columns, how, from_ns=from_ns, to_ns=now_ns, normal=now.view.normals.get(name))
        if drawn is None:
            made.append(ChartView(name, signal_title(name), None, "", "", "No reading in the last seven days."))
            continue
        low, high = number(drawn.least, how.decimals), number(drawn.greatest, how.decimals)
        summary = f"From {low} to {high} {how.symbol} in the last seven days"
        summary += f"; newest {shown(name, symbol, known[name].value, system)}." if name in known else "."
        top, bottom = number(drawn.top, how.decimals), number(drawn.bottom, how.decimals)
        made.append(ChartView(name, signal_title(name), drawn, f"{top} {how.symbol}", bottom, summary))
    return made


def _add_alarms(router: APIRouter, parts: Parts) -> None:
    @router.get("/alarms")
    def get_alarms(
        request: Request,
        unit: Annotated[str, Query(max_length=64)] = "",
        urgency: Annotated[str, Query(max_length=20)] = "",
        state: Annotated[str, Query(max_length=40)] = "",
        cursor: Annotated[str, Query(max_length=200)] = "",
    ) -> Response:
        now_ns, after = parts.clock(), parts.live.newest_id()
        query = AlarmQuery(
            unit=unit if unit in parts.fleet.units else None,
            urgency=urgency if urgency in list(Urgency) else None,
            state=state if state in list(State) else None,
            limit=50,
            cursor=cursor or None,
        )
        try:
            page = parts.operations.alarms(query)
        except ValueError:
            raise Problem(422, "This is no page of the list.", "Begin again at /alarms.") from None
        titles = views.titles(parts)
        return render(
            request,
            "alarms.html",
            {
                **frame(parts, now_ns, common_zone(parts), after),
                "lines": [
                    (
                        _line(alarm, titles, views.site_of(parts, alarm).timezone, now_ns),
                        unit_name(parts, alarm.unit),
                    )
                    for alarm in page.alarms
                ],
                "units": list(parts.fleet.units.values()),
                "urgencies": [(each.value, words) for each, words in wording.URGENCY_WORDS.items()],
                "states": [(each.value, words.capitalize()) for each, words in wording.STATE_WORDS.items()],
                "chosen": {"unit": unit, "urgency": urgency, "state": state},
                "next_cursor": page.next_cursor,
            },
        )


def unit_name(parts: Parts, unit: str) -> str:
    """How people call a unit."""
    return parts.fleet.units[unit].name if unit in parts.fleet.units else unit


def _shelves(stretch: views.Stretch, timezone: str, now_ns: int) -> list[tuple[str, str]]:
    """Ends of a shelf to choose from: value, words. All lie within what the life-cycle takes."""
    morning = local(now_ns + DAY_NS, timezone).replace(hour=8, minute=0, second=0, microsecond=0)
    ends = [(now_ns + 4 * HOUR_NS, "4 hours"), (int(morning.timestamp()) * SECOND_NS, "")]
    if now_ns < stretch.next.start_ns < now_ns + WEEK_NS and not stretch.assumed:
        ends.append((stretch.next.start_ns, "the next visit"))
    ends += [(now_ns + 2 * DAY_NS, "2 days"), (now_ns + WEEK_NS - HOUR_NS, "7 days")]
    return [
        (to_rfc3339(end_ns), f"{words}: {clock_text(end_ns, timezone, now_ns)}".removeprefix(": "))
        for end_ns, words in ends
    ]


def _call_out_page(
    request: Request, parts: Parts, alarm_id: str, *, refusal: str = "", said: str = "", status: int = 200
) -> Response:
    now_ns, after = parts.clock(), parts.live.newest_id()
    alarm = known_alarm(parts, alarm_id)
    site = views.site_of(parts, alarm)
    timezone = site.timezone
    stretch = views.stretch_of(parts, site, now_ns)
    means, check, bring, cautions = views.advice_for(parts, alarm)
    cause_titles = {cause.cause: parts.advice.cause_title(cause.cause) for cause in alarm.said.causes}
    sure, causes = wording.certainty(alarm, cause_titles)
    others = [other for other in parts.operations.standing() if other.unit == alarm.unit and other.id != alarm.id]
    titles = views.titles(parts)
    unit = parts.fleet.units.get(alarm.unit)
    return render(
        request,
        "call_out.html",
        {
            **frame(parts, now_ns, timezone, after),
            "alarm": alarm,
            "line": _line(alarm, titles, timezone, now_ns),
            "unit_name": unit_name(parts, alarm.unit),
            "protects": unit.protects if unit else "",
            "known_unit": unit is not None,
            "site": site,
            "visit": "no visit is known; seven days are assumed"
            if stretch.assumed
            else clock_text(stretch.next.start_ns, timezone, now_ns),
            "means": means,
            "sure": sure,
            "causes": causes,
            "measured": wording.measured(alarm, parts.settings.measures),
            "forecast": wording.forecast(alarm, timezone, now_ns, parts.settings.measures) if alarm.present else "",
            "who": wording.who_has_it(alarm, timezone, now_ns),
            "check": check,
            "bring": bring,
            "cautions": cautions,
            "answers": [answer.value for answer in wording.answers_taken(alarm)],
            "shelves": _shelves(stretch, timezone, now_ns),
            "refusal": refusal,
            "said": said,
            "others": [_line(other, titles, timezone, now_ns) for other in by_need(others)],
            "history": [
                (
                    clock_text(event.at_ns, timezone, now_ns),
                    wording.EVENT_WORDS.get(event.what, event.what.replace("_", " ").capitalize()),
                    event.by,
                    wording.note_words(event.note),
                )
                for event in parts.operations.alarm_events(alarm.id)
            ],
            "pushes": [
                wording.push_words(push, views.recipient_name(parts, push), timezone, now_ns)
                for push in parts.operations.call_outs(alarm.id, PUSHES_MAX)
            ],
        },
        status=status,
    )


def _add_call_out(router: APIRouter, parts: Parts) -> None:
    @router.get("/alarms/{alarm_id}")
    def get_call_out(request: Request, alarm_id: AlarmId) -> Response:
        return _call_out_page(request, parts, alarm_id)

    @router.post("/alarms/{alarm_id}/{answer}")
    def post_answer(
        request: Request,
        alarm_id: AlarmId,
        answer: Answer,
        by: Annotated[str, Form(max_length=80)] = "",
        note: Annotated[str, Form(max_length=2_000)] = "",
        until: Annotated[str, Form(max_length=40)] = "",
    ) -> Response:
        try:
            if answer is Answer.FOUND and not note.strip():
                raise Refused("Say what you found, in a few words.")
            until_ns = shapes.moment_ns(until) if answer is Answer.SHELVE else None
            answered(parts, alarm_id, answer, by=by.strip(), note=note.strip(), shelve_until_ns=until_ns)
        except ValueError as reason:  # Refused is one; the page comes back with what was written
            return _call_out_page(request, parts, alarm_id, refusal=str(reason), said=note, status=409)
        return RedirectResponse(f"/alarms/{alarm_id}#answer", 303)
