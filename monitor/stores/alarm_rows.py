"""Alarms as rows of the operations database, and back, without loss.

In: alarms, changes, connections inside a transaction. Out: rows; alarms. May import: sqlalchemy, monitor.alarms,
monitor.stores. Touches the tables alarm and alarm_event.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, RowMapping, Select, and_, bindparam, insert, or_, select, update

from monitor.alarms.changes import Change, EventType
from monitor.alarms.lifecycle import Alarm, Cause, Evidence, NotReady, Said, State, Urgency
from monitor.stores.protocols import AlarmEvent, AlarmPage, AlarmQuery
from monitor.stores.tables import ALARM, ALARM_EVENT

ALARMS_A_PAGE_MAX = 1_000  # bounds what one request costs
NAMES_A_STATEMENT_MAX = 500  # bounds the parameters of one statement; databases allow tens of thousands


def parts(names: Iterable[str]) -> Iterator[list[str]]:
    """Distinct names, in lists that fit one statement."""
    distinct = sorted(set(names))
    for begin in range(0, len(distinct), NAMES_A_STATEMENT_MAX):
        yield distinct[begin : begin + NAMES_A_STATEMENT_MAX]


def is_standing(alarm: Alarm) -> bool:
    """Whether its condition is present or it waits for an acknowledgement."""
    return alarm.present or alarm.state is State.RETURNED


def to_row(alarm: Alarm) -> dict[str, Any]:
    """An alarm as a row."""
    return {
        "id": alarm.id,
        "unit": alarm.unit,
        "condition": alarm.condition,
        "urgency": alarm.urgency.value,
        "state": alarm.state.value,
        "standing": is_standing(alarm),
        "raised_at": alarm.raised_at_ns,
        "noticed_at": alarm.noticed_at_ns,
        "cleared_at": alarm.cleared_at_ns,
        "cleared_noticed": alarm.cleared_noticed_ns,
        "acknowledged_at": alarm.acknowledged_at_ns,
        "acknowledged_by": alarm.acknowledged_by,
        "note": alarm.note,
        "shelved_until": alarm.shelved_until_ns,
        "said": _said_to_json(alarm.said),
        "first_said": _said_to_json(alarm.first_said),
        "evidence": asdict(alarm.evidence),
        "urgency_history": [[at_ns, urgency.value] for at_ns, urgency in alarm.urgency_history],
    }


def from_row(row: RowMapping) -> Alarm:
    """The alarm of a row."""
    return Alarm(
        id=row["id"],
        unit=row["unit"],
        condition=row["condition"],
        state=State(row["state"]),
        raised_at_ns=row["raised_at"],
        noticed_at_ns=row["noticed_at"],
        first_said=_said_from_json(row["first_said"]),
        said=_said_from_json(row["said"]),
        evidence=Evidence(**row["evidence"]),
        urgency_history=tuple((at_ns, Urgency(urgency)) for at_ns, urgency in row["urgency_history"]),
        cleared_at_ns=row["cleared_at"],
        cleared_noticed_ns=row["cleared_noticed"],
        acknowledged_at_ns=row["acknowledged_at"],
        acknowledged_by=row["acknowledged_by"],
        note=row["note"],
        shelved_until_ns=row["shelved_until"],
    )


def _said_to_json(said: Said) -> dict[str, Any]:
    return {
        "urgency": said.urgency.value,
        "causes": [[cause.cause, cause.probability] for cause in said.causes],
        "not_ready_at": None if said.not_ready_at is None else asdict(said.not_ready_at),
    }


def _said_from_json(said: Mapping[str, Any]) -> Said:
    quantiles = said["not_ready_at"]
    return Said(
        urgency=Urgency(said["urgency"]),
        causes=tuple(Cause(cause, probability) for cause, probability in said["causes"]),
        not_ready_at=None if quantiles is None else NotReady(**quantiles),
    )


def one(connection: Connection, alarm_id: str) -> Alarm | None:
    """The alarm of an id."""
    row = connection.execute(select(ALARM).where(ALARM.c.id == alarm_id)).mappings().first()
    return None if row is None else from_row(row)


def known_ids(connection: Connection, ids: Iterable[str]) -> set[str]:
    """Which of some ids there are alarms of, standing or not."""
    return {
        known
        for some in parts(ids)
        for known in connection.execute(select(ALARM.c.id).where(ALARM.c.id.in_(some))).scalars()
    }


def standing_of(connection: Connection, units: Iterable[str]) -> list[Alarm]:
    """Alarms of some units that stand."""
    return [
        alarm
        for some in parts(units)
        for alarm in _alarms(connection, select(ALARM).where(ALARM.c.standing, ALARM.c.unit.in_(some)))
    ]


def present_since(
    connection: Connection, units: Iterable[str], conditions: Iterable[str], since_ns: int
) -> list[Alarm]:
    """Alarms of some units and conditions that are present, or were at a moment or later."""
    lasting = (
        ALARM.c.condition.in_(sorted(conditions)),
        or_(ALARM.c.cleared_at.is_(None), ALARM.c.cleared_at >= since_ns),
    )
    return [
        alarm
        for some in parts(units)
        for alarm in _alarms(connection, select(ALARM).where(ALARM.c.unit.in_(some), *lasting))
    ]


def standing(connection: Connection) -> list[Alarm]:
    """All alarms that stand, newest first."""
    return _alarms(connection, select(ALARM).where(ALARM.c.standing).order_by(*NEWEST_FIRST))


def shelf_ended(connection: Connection, at_ns: int) -> list[Alarm]:
    """Shelved alarms whose shelf has ended, the longest waiting first."""
    due = ALARM.c.standing, ALARM.c.state == State.SHELVED.value, ALARM.c.shelved_until <= at_ns
    return _alarms(connection, select(ALARM).where(*due).order_by(ALARM.c.shelved_until, ALARM.c.id))


def page(connection: Connection, query: AlarmQuery) -> AlarmPage:
    """One page of a query. Raises ValueError for a cursor that no page gave."""
    wanted = max(1, min(query.limit, ALARMS_A_PAGE_MAX))
    found = _alarms(connection, _filtered(query).order_by(*NEWEST_FIRST).limit(wanted + 1))
    more = len(found) > wanted
    return AlarmPage(tuple(found[:wanted]), _cursor(found[wanted - 1]) if more else None)


NEWEST_FIRST = (ALARM.c.raised_at.desc(), ALARM.c.id.desc())


def _alarms(connection: Connection, statement: Select[Any]) -> list[Alarm]:
    return [from_row(row) for row in connection.execute(statement).mappings()]


def _filtered(query: AlarmQuery) -> Select[Any]:
    statement = select(ALARM)
    for column, wanted in (
        (ALARM.c.unit, query.unit),
        (ALARM.c.condition, query.condition),
        (ALARM.c.urgency, query.urgency),
        (ALARM.c.state, query.state),
    ):
        if wanted:
            statement = statement.where(column == wanted)
    if query.units:
        statement = statement.where(ALARM.c.unit.in_(query.units))
    if query.from_ns is not None:
        statement = statement.where(ALARM.c.raised_at >= query.from_ns)
    if query.to_ns is not None:
        statement = statement.where(ALARM.c.raised_at < query.to_ns)
    if query.cursor:
        raised_at, alarm_id = _after_cursor(query.cursor)
        older = ALARM.c.raised_at < raised_at
        statement = statement.where(or_(older, and_(ALARM.c.raised_at == raised_at, ALARM.c.id < alarm_id)))
    return statement


def _cursor(alarm: Alarm) -> str:
    """Where the next page goes on: a place in the order, not a count, so that new alarms move nothing."""
    return f"{alarm.raised_at_ns}_{alarm.id}"


def _after_cursor(cursor: str) -> tuple[int, str]:
    raised_at, _, alarm_id = cursor.partition("_")
    if not (raised_at.isascii() and raised_at.isdigit() and len(raised_at) < 20 and alarm_id):
        raise ValueError(f'"{cursor[:80]}" is no cursor that a page of alarms gave. Begin again without one.')
    return int(raised_at), alarm_id


def keep(connection: Connection, changes: Sequence[Change], *, by: str = "", note: str = "", what: str = "") -> None:
    """Write the alarms as they are after some changes, and a line of history for each change that is worth one.

    Args:
        by, note: of the person who answered, if one did. what: what happened; "" to say it by the change itself.
    """
    new = {change.after.id for change in changes if change.before is None}
    last = {change.after.id: to_row(change.after) for change in changes}
    inserted = [row for id_, row in last.items() if id_ in new]
    updated = [row | {"key": id_} for id_, row in last.items() if id_ not in new]
    if inserted:
        connection.execute(insert(ALARM), inserted)
    if updated:
        connection.execute(update(ALARM).where(ALARM.c.id == bindparam("key")), updated)
    lines = [line for change in changes if (line := _line(change, by=by, note=note, what=what))]
    if lines:
        connection.execute(insert(ALARM_EVENT), lines)


def _line(change: Change, *, by: str, note: str, what: str) -> dict[str, Any] | None:
    """The line of history that a change gives; None where only what is said of the causes changed."""
    if not what:
        was_suppressed = change.before is not None and change.before.state is State.SUPPRESSED
        if change.event is not None:
            what = change.event.value
        elif change.after.state is State.SUPPRESSED and not was_suppressed:
            what = "suppressed"
        elif was_suppressed and not change.after.present:
            what = "returned"
        elif change.after.state is State.NORMAL:
            what = "superseded"
        else:
            return None
    if not note and change.event is EventType.RAISED and change.before is None:
        note = change.after.urgency.value
    if not note and change.event is EventType.URGENCY_CHANGED and change.before is not None:
        note = f"{change.before.urgency.value} to {change.after.urgency.value}"
    return {"alarm_id": change.after.id, "at": change.at_ns, "what": what, "by": by, "note": note}


def add_line(connection: Connection, line: AlarmEvent) -> None:
    """Write one line of history."""
    connection.execute(
        insert(ALARM_EVENT).values(alarm_id=line.alarm_id, at=line.at_ns, what=line.what, by=line.by, note=line.note)
    )


def lines(connection: Connection, alarm_id: str) -> list[AlarmEvent]:
    """The history of an alarm, in the order in which it was written."""
    rows = connection.execute(
        select(ALARM_EVENT).where(ALARM_EVENT.c.alarm_id == alarm_id).order_by(ALARM_EVENT.c.id)
    ).mappings()
    return [AlarmEvent(row["alarm_id"], row["at"], row["what"], row["by"], row["note"]) for row in rows]
