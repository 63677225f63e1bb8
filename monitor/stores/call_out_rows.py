"""Call-outs as rows of the operations database: the outbox, and who was told of what.

In: call-outs, changes, connections inside a transaction. Out: rows; call-outs. May import: sqlalchemy, monitor.alarms,
monitor.stores. Touches the tables call_out and call_out_alarm.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, RowMapping, Select, and_, exists, insert, select, update

from monitor.alarms.changes import Change
from monitor.alarms.lifecycle import Urgency
from monitor.stores.alarm_rows import parts
from monitor.stores.protocols import CallOut
from monitor.stores.tables import ALARM, CALL_OUT, CALL_OUT_ALARM

OPEN = ("waiting", "failed")  # outcomes after which it is tried (again)
GIVEN_UP = "given_up"
DELIVERED = "delivered"
CALL_OUTS_MAX = 1_000  # bounds what one request costs
NEWEST_FIRST = CALL_OUT.c.created_at.desc(), CALL_OUT.c.key


def told(connection: Connection, alarm_ids: Iterable[str]) -> dict[str, str]:
    """The greatest urgency anybody was told of, per alarm; "" where nobody was.

    A call-out that still waits counts, one that was given up does not: whoever it was for has heard nothing.
    """
    ids = list(alarm_ids)
    greatest = dict.fromkeys(ids, "")
    said = select(CALL_OUT_ALARM.c.alarm_id, CALL_OUT_ALARM.c.urgency).join(CALL_OUT).distinct()
    for some in parts(ids):
        heard = CALL_OUT_ALARM.c.alarm_id.in_(some), CALL_OUT.c.outcome != GIVEN_UP
        for alarm_id, urgency in connection.execute(said.where(*heard)):
            if urgency and (not greatest[alarm_id] or Urgency(urgency).rank > Urgency(greatest[alarm_id]).rank):
                greatest[alarm_id] = urgency
    return greatest


def put(connection: Connection, call_outs: Sequence[CallOut], changes: Sequence[Change]) -> None:
    """Put call-outs into the outbox, with the urgency of each alarm they speak for. One whose key is there stays."""
    known = {
        key
        for some in parts(call_out.key for call_out in call_outs)
        for key in connection.execute(select(CALL_OUT.c.key).where(CALL_OUT.c.key.in_(some))).scalars()
    }
    new = {call_out.key: call_out for call_out in reversed(call_outs) if call_out.key not in known}.values()
    if not new:
        return
    # Several changes of one alarm can come at once: a plan speaks of what the last of them leaves.
    last = {change.after.id: change.after.urgency.value for change in changes}
    urgencies = last | _urgencies(connection, {alarm_id for one in new for alarm_id in one.alarm_ids} - last.keys())
    connection.execute(insert(CALL_OUT), [_to_row(call_out) for call_out in new])
    connection.execute(
        insert(CALL_OUT_ALARM),
        [
            {
                "key": call_out.key,
                "alarm_id": alarm_id,
                "place": place,
                "urgency": urgencies.get(alarm_id, ""),
                "dropped": False,
            }
            for call_out in new
            for place, alarm_id in enumerate(call_out.alarm_ids)
        ],
    )


def newest(connection: Connection, alarm_id: str | None, limit: int) -> list[CallOut]:
    """Call-outs, those that speak for one alarm or all, newest first."""
    statement = select(CALL_OUT).order_by(*NEWEST_FIRST)
    if alarm_id is not None:
        statement = statement.join(CALL_OUT_ALARM).where(CALL_OUT_ALARM.c.alarm_id == alarm_id)
    return _call_outs(connection, statement.limit(_bounded(limit)))


def beside(connection: Connection, call_out: CallOut, limit: int) -> list[CallOut]:
    """Call-outs of the same channel and recipient that speak for any alarm of this one, newest first."""
    alarms = select(CALL_OUT_ALARM.c.alarm_id).where(CALL_OUT_ALARM.c.key == call_out.key)
    keys = select(CALL_OUT_ALARM.c.key).where(CALL_OUT_ALARM.c.alarm_id.in_(alarms))
    same = CALL_OUT.c.channel == call_out.channel, CALL_OUT.c.recipient == call_out.recipient
    statement = select(CALL_OUT).where(CALL_OUT.c.key.in_(keys), *same).order_by(*NEWEST_FIRST)
    return _call_outs(connection, statement.limit(_bounded(limit)))


def due(connection: Connection, at_ns: int, limit: int) -> list[CallOut]:
    """Call-outs to send now: longest due first, so that one tried again stands behind those that never were."""
    ready = CALL_OUT.c.outcome.in_(OPEN), CALL_OUT.c.not_before <= at_ns
    order = CALL_OUT.c.not_before, CALL_OUT.c.created_at, CALL_OUT.c.key
    return _call_outs(connection, select(CALL_OUT).where(*ready).order_by(*order).limit(_bounded(limit)))


def keep_try(connection: Connection, call_out: CallOut) -> None:
    """Keep the outcome of a try. Raises KeyError for a key that is not in the outbox.

    What was delivered stays so, and what was given up meanwhile is not tried again because this try failed.
    """
    row = (
        connection.execute(select(CALL_OUT).where(CALL_OUT.c.key == call_out.key).with_for_update()).mappings().first()
    )
    if row is None:
        raise KeyError(
            f"call-out {call_out.key} is not in the outbox: record_assessment or record_answer puts it there"
        )
    tried = _to_row(call_out)
    if row["outcome"] == DELIVERED:
        tried |= {column: row[column] for column in ("outcome", "delivered_at", "last_error")}
    elif row["outcome"] == GIVEN_UP and call_out.outcome in OPEN:
        tried |= {"outcome": GIVEN_UP, "last_error": row["last_error"]}
    kept = {column: tried[column] for column in TRIED}
    connection.execute(update(CALL_OUT).where(CALL_OUT.c.key == call_out.key).values(**kept))


TRIED = ("not_before", "outcome", "tries", "last_try_at", "last_error", "delivered_at")


def give_up(connection: Connection, alarm_id: str, reason: str, at_ns: int) -> int:
    """Give up what was not delivered of an alarm and was created before a moment; how many were given up.

    One that speaks for other alarms too goes on until each of them has been dropped: their call must not be lost.
    """
    waiting = and_(CALL_OUT.c.outcome.in_(OPEN), CALL_OUT.c.created_at < at_ns)
    named = select(CALL_OUT_ALARM.c.key).where(CALL_OUT_ALARM.c.alarm_id == alarm_id)
    keys = list(connection.execute(select(CALL_OUT.c.key).where(waiting, CALL_OUT.c.key.in_(named))).scalars())
    count = 0
    for some in parts(keys):
        mine = CALL_OUT_ALARM.c.key.in_(some), CALL_OUT_ALARM.c.alarm_id == alarm_id
        connection.execute(update(CALL_OUT_ALARM).where(*mine).values(dropped=True))
        needed = exists().where(CALL_OUT_ALARM.c.key == CALL_OUT.c.key, CALL_OUT_ALARM.c.dropped.is_(False))
        given_up = update(CALL_OUT).where(CALL_OUT.c.key.in_(some), ~needed)
        count += connection.execute(given_up.values(outcome=GIVEN_UP, last_error=reason)).rowcount
    return count


def _urgencies(connection: Connection, alarm_ids: Iterable[str]) -> dict[str, str]:
    return {
        alarm_id: urgency
        for some in parts(alarm_ids)
        for alarm_id, urgency in connection.execute(select(ALARM.c.id, ALARM.c.urgency).where(ALARM.c.id.in_(some)))
    }


def _to_row(call_out: CallOut) -> dict[str, Any]:
    return {
        "key": call_out.key,
        "event": call_out.event,
        "channel": call_out.channel,
        "recipient": call_out.recipient,
        "body": call_out.body,
        "created_at": call_out.created_ns,
        "not_before": call_out.not_before_ns,
        "outcome": call_out.outcome,
        "tries": call_out.tries,
        "last_try_at": call_out.last_try_ns,
        "last_error": call_out.last_error,
        "delivered_at": call_out.delivered_ns,
    }


def _bounded(limit: int) -> int:
    return max(1, min(limit, CALL_OUTS_MAX))


def _call_outs(connection: Connection, statement: Select[Any]) -> list[CallOut]:
    """The call-outs of a statement in its order, with what they speak for."""
    rows = connection.execute(statement).mappings().all()
    spoken_for: dict[str, list[str]] = {}
    for some in parts(row["key"] for row in rows):
        pairs = select(CALL_OUT_ALARM.c.key, CALL_OUT_ALARM.c.alarm_id).where(CALL_OUT_ALARM.c.key.in_(some))
        for key, alarm_id in connection.execute(pairs.order_by(CALL_OUT_ALARM.c.key, CALL_OUT_ALARM.c.place)):
            spoken_for.setdefault(key, []).append(alarm_id)
    return [_from_row(row, tuple(spoken_for[row["key"]])) for row in rows]


def _from_row(row: RowMapping, alarm_ids: tuple[str, ...]) -> CallOut:
    return CallOut(
        key=row["key"],
        alarm_ids=alarm_ids,
        event=row["event"],
        channel=row["channel"],
        recipient=row["recipient"],
        body=row["body"],
        created_ns=row["created_at"],
        not_before_ns=row["not_before"],
        outcome=row["outcome"],
        tries=row["tries"],
        last_try_ns=row["last_try_at"],
        last_error=row["last_error"],
        delivered_ns=row["delivered_at"],
    )
