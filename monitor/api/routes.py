"""The fixed routes of the HTTP API, but live events and the program's own health.

In: HTTP requests. Out: the shapes, or problem details. Every route is a plain function, so that the framework calls it
on a worker thread: stores block. May import: what monitor.api.views may.
"""

from difflib import get_close_matches
from typing import Annotated, Any, Literal

import orjson
from fastapi import APIRouter, Path, Query
from fastapi.responses import Response
from pydantic import StringConstraints

from monitor.alarms.lifecycle import Alarm, Answer, State, Urgency
from monitor.api import shapes, views
from monitor.api.parts import Parts
from monitor.api.problems import Problem, documented
from monitor.conditions import CONDITIONS
from monitor.fleet import Unit
from monitor.signals import INTERNAL
from monitor.stores.protocols import AlarmQuery
from monitor.times import DAY_NS, to_rfc3339

POINTS = 600  # a screen's width, and a year in some 40 kB
POINTS_MAX = 10_000
SPAN_NS = 7 * DAY_NS  # what is given where from is not: the usual stretch between two visits
PAGE_MAX = 200

Id = Annotated[str, StringConstraints(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9._-]+$")]
UnitName = Annotated[Id, Path(description="A unit of the fleet file.", examples=["mill-2"])]
AlarmId = Annotated[Id, Path(description="An alarm's id.", examples=["5c0f0f0e-8a4b-5d52-9d54-0d7f6a1b2c3d"])]
From = Annotated[shapes.Moment | None, Query(alias="from", description="At or after this moment.")]
To = Annotated[shapes.Moment | None, Query(description="Before this moment.")]


def near(word: str, words: list[str]) -> str:
    """What to do about a name that is not known."""
    close = get_close_matches(word, words, 1)
    return f'Did you mean "{close[0]}"?' if close else "GET /api/v1/units names them all."


def known_unit(parts: Parts, name: str) -> Unit:
    """A unit of the fleet, or a problem that names the nearest one."""
    if name not in parts.fleet.units:
        raise Problem(404, f'The fleet has no unit "{name}".', near(name, list(parts.fleet.units)))
    return parts.fleet.units[name]


def known_site(parts: Parts, name: str) -> str:
    """A site of the fleet, likewise."""
    if name not in parts.fleet.sites:
        raise Problem(404, f'The fleet has no site "{name}".', near(name, list(parts.fleet.sites)))
    return name


def known_alarm(parts: Parts, alarm_id: str) -> Alarm:
    """An alarm that is kept, or a problem."""
    alarm = parts.operations.alarm(alarm_id)
    if alarm is None:
        raise Problem(404, f'There is no alarm "{alarm_id}".', "GET /api/v1/alarms lists them.")
    return alarm


def answered(
    parts: Parts, alarm_id: str, answer: Answer, *, by: str, note: str, shelve_until_ns: int | None = None
) -> Alarm:
    """Keep a person's answer and tell everybody; the alarm as it then is."""
    try:
        change = parts.operations.record_answer(
            alarm_id,
            answer,
            by=by,
            note=note,
            at_ns=parts.clock(),
            plan=parts.plan,
            shelve_until_ns=shelve_until_ns,
        )
    except KeyError:
        raise Problem(404, f'There is no alarm "{alarm_id}".', "GET /api/v1/alarms lists them.") from None
    parts.live.publish_alarm(change.after)
    parts.answered(change)
    return change.after


def visit_recorded(parts: Parts, site: str, *, by: str, found: str, at_ns: int | None) -> int:
    """Keep a visit and tell everybody; the moment it is kept under."""
    now_ns = parts.clock()
    moment_ns = now_ns if at_ns is None else at_ns
    if moment_ns > now_ns + parts.settings.clock_tolerance_ns:
        raise Problem(422, f"{to_rfc3339(moment_ns)} has not come yet.", "Record a visit once it is made.")
    parts.operations.record_visit(site, at_ns=moment_ns, by=by, found=found)
    for unit in parts.fleet.units.values():
        if unit.site == site:
            parts.live.publish_unit(unit.id)
    return moment_ns


def routes(parts: Parts) -> APIRouter:
    """The routes over these parts."""
    router = APIRouter(prefix="/api/v1")
    _add_units(router, parts)
    _add_readings(router, parts)
    _add_alarms(router, parts)
    _add_answers(router, parts)
    return router


def _add_units(router: APIRouter, parts: Parts) -> None:
    @router.get("/units", summary="All units, those that ask for someone first", responses=documented(503))
    def get_units() -> shapes.UnitsOut:
        now = views.units_now(parts, list(parts.fleet.units.values()), parts.clock())
        return shapes.UnitsOut(units=[views.unit_out(unit) for unit in now])

    @router.get("/units/{unit}", summary="One unit", responses=documented(404, 422, 503))
    def get_unit(unit: UnitName) -> shapes.UnitOut:
        return views.unit_out(views.units_now(parts, [known_unit(parts, unit)], parts.clock())[0])

    @router.post(
        "/visits/{site}",
        summary="A visit was made",
        status_code=201,
        responses=documented(400, 403, 404, 413, 415, 422, 503),
    )
    def post_visit(
        site: Annotated[Id, Path(description="A site of the fleet file.", examples=["mill"])], visit: shapes.VisitIn
    ) -> shapes.VisitMadeOut:
        at_ns = visit_recorded(parts, known_site(parts, site), by=visit.by, found=visit.found, at_ns=visit.at)
        return shapes.VisitMadeOut(site=site, at=to_rfc3339(at_ns), by=visit.by, found=visit.found)


def _add_readings(router: APIRouter, parts: Parts) -> None:
    symbols = {signal.name: signal.symbol for signal in parts.fleet.signals if signal.name not in INTERNAL}
    as_csv: dict[int | str, dict[str, Any]] = {
        200: {"content": {"text/csv": {"example": "time,least,mean,greatest\n2026-01-06T10:00:00Z,27.02,27.1,27.18\n"}}}
    }

    @router.get(
        "/readings",
        summary="One signal of one unit as columns",
        description=(
            "At most `points` cells of equal length, each with least, mean and greatest; the readings themselves where "
            "there are no more than that. A cell without readings is left out. Without `from` the seven days before "
            "`to`, without `to` until now."
        ),
        responses={**documented(404, 422, 503), **as_csv},
        response_model=shapes.ReadingsOut,
    )
    def get_readings(
        unit: Annotated[Id, Query(examples=["mill-2"])],
        signal: Annotated[Id, Query(examples=["battery_voltage"])],
        from_: From = None,
        to: To = None,
        points: Annotated[int, Query(ge=1, le=POINTS_MAX)] = POINTS,
        format: Annotated[Literal["json", "csv"], Query()] = "json",
    ) -> Response:
        known_unit(parts, unit)
        if signal not in symbols:
            raise Problem(404, f'There is no signal "{signal}".', near(signal, list(symbols)))
        to_ns = parts.clock() if to is None else to
        from_ns = max(to_ns - SPAN_NS, shapes.TIME_NS_MIN) if from_ is None else from_
        if from_ns > to_ns:
            raise Problem(422, "`from` is later than `to`.", "Exchange them.")
        columns = parts.readings.downsampled(unit=unit, signal=signal, from_ns=from_ns, to_ns=to_ns, points=points)
        times = [to_rfc3339(time_ns) for time_ns in columns.time_ns.tolist()]
        least, mean, greatest = columns.least.tolist(), columns.mean.tolist(), columns.greatest.tolist()
        if format == "csv":
            rows = zip(times, least, mean, greatest, strict=True)
            text = "time,least,mean,greatest\n" + "".join(f"{at},{a!r},{b!r},{c!r}\n" for at, a, b, c in rows)
            named = {"Content-Disposition": f'attachment; filename="{unit}-{signal}.csv"'}
            return Response(text, 200, named, "text/csv")
        body = {
            "unit": unit,
            "signal": signal,
            "symbol": symbols[signal],
            "from": to_rfc3339(from_ns),
            "to": to_rfc3339(to_ns),
            "time": times,
            "least": least,
            "mean": mean,
            "greatest": greatest,
        }
        # Straight to bytes: a model would walk 40 000 numbers to find that they are numbers.
        return Response(orjson.dumps(body), 200, media_type="application/json")


def _add_alarms(router: APIRouter, parts: Parts) -> None:
    @router.get("/alarms", summary="Alarms, newest first, paged by cursor", responses=documented(404, 422, 503))
    def get_alarms(
        unit: Annotated[Id | None, Query(examples=["mill-2"])] = None,
        site: Annotated[Id | None, Query(examples=["mill"])] = None,
        condition: Annotated[str | None, Query(json_schema_extra={"enum": list(CONDITIONS)})] = None,
        urgency: Annotated[Urgency | None, Query()] = None,
        state: Annotated[State | None, Query()] = None,
        from_: From = None,
        to: To = None,
        limit: Annotated[int, Query(ge=1, le=PAGE_MAX)] = 100,
        cursor: Annotated[
            str | None, Query(min_length=1, max_length=200, description="As the last page gave it.")
        ] = None,
    ) -> shapes.AlarmsOut:
        if condition is not None and condition not in CONDITIONS:
            raise Problem(422, f'There is no condition "{condition}".', near(condition, list(CONDITIONS)))
        query = AlarmQuery(
            unit=known_unit(parts, unit).id if unit is not None else None,
            units=units_of(parts, site) if site is not None else None,
            condition=condition,
            urgency=urgency.value if urgency else None,
            state=state.value if state else None,
            from_ns=from_,
            to_ns=to,
            limit=limit,
            cursor=cursor,
        )
        try:
            page = parts.operations.alarms(query)
        except ValueError:
            raise Problem(422, "The cursor is not one that a page gave.", "Begin again without it.") from None
        return shapes.AlarmsOut(
            alarms=views.alarms_out(parts, page.alarms, parts.clock()), next_cursor=page.next_cursor
        )

    @router.get("/alarms/{alarm_id}", summary="One alarm and what to do about it", responses=documented(404, 422, 503))
    def get_alarm(alarm_id: AlarmId) -> shapes.AlarmDetailOut:
        return views.detail_out(parts, known_alarm(parts, alarm_id), parts.clock())

    @router.get("/call-outs", summary="Every push with its outcome, newest first", responses=documented(404, 422, 503))
    def get_call_outs(
        alarm: Annotated[Id | None, Query(description="Only those that speak for this alarm.")] = None,
        limit: Annotated[int, Query(ge=1, le=PAGE_MAX)] = PAGE_MAX,
    ) -> shapes.CallOutsOut:
        if alarm is not None:
            known_alarm(parts, alarm)
        pushes = parts.operations.call_outs(alarm, limit)
        return shapes.CallOutsOut(call_outs=[views.call_out_out(parts, push) for push in pushes])


def units_of(parts: Parts, site: str) -> tuple[str, ...]:
    """The units of a site, by name."""
    known_site(parts, site)
    return tuple(unit.id for unit in parts.fleet.units.values() if unit.site == site)


def _add_answers(router: APIRouter, parts: Parts) -> None:
    refused = documented(400, 403, 404, 409, 413, 415, 422, 503)

    def told(alarm: Alarm) -> shapes.AlarmDetailOut:
        return views.detail_out(parts, alarm, parts.clock())

    @router.post("/alarms/{alarm_id}/acknowledge", summary="Somebody takes it", responses=refused)
    def post_acknowledge(alarm_id: AlarmId, said: shapes.AcknowledgeIn) -> shapes.AlarmDetailOut:
        return told(answered(parts, alarm_id, Answer.ACKNOWLEDGE, by=said.by, note=said.note))

    @router.post("/alarms/{alarm_id}/shelve", summary="Not to be called for it until then", responses=refused)
    def post_shelve(alarm_id: AlarmId, said: shapes.ShelveIn) -> shapes.AlarmDetailOut:
        return told(answered(parts, alarm_id, Answer.SHELVE, by=said.by, note=said.note, shelve_until_ns=said.until))

    @router.post("/alarms/{alarm_id}/unshelve", summary="It asks again", responses=refused)
    def post_unshelve(alarm_id: AlarmId, said: shapes.UnshelveIn) -> shapes.AlarmDetailOut:
        return told(answered(parts, alarm_id, Answer.UNSHELVE, by=said.by, note=said.note))

    @router.post("/alarms/{alarm_id}/found", summary="What was found on the spot", responses=refused)
    def post_found(alarm_id: AlarmId, said: shapes.FoundIn) -> shapes.AlarmDetailOut:
        return told(answered(parts, alarm_id, Answer.FOUND, by=said.by, note=said.found))
