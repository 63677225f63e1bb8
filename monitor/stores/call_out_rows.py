"""Call-outs as rows of the operations database: the outbox, and who was told of what.

In: call-outs, changes, connections inside a transaction. Out: rows; call-outs. May import: sqlalchemy, monitor.alarms,
monitor.stores. Touches the table call_out.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, RowMapping, Select, and_, select, update

from monitor.alarms.changes import Change
from monitor.alarms.lifecycle import Urgency
from monitor.stores.alarm_rows import parts
from monitor.stores.inserting import insert_or
from monitor.stores.protocols import CallOut
from monitor.stores.tables import ALARM, CALL_OUT

OPEN = ("waiting", "failed")  # outcomes after which it is tried (again)
GIVEN_UP = "given_up"
DELIVERED = "delivered"
CALL_OUTS_MAX = 1_000  # bounds what one request costs


def told(connection: Connection, alarm_ids: Iterable[str]) -> dict[str, str]:
    """The greatest urgency anybody was told of, per alarm; "" where nobody was.

    A call-out that still waits counts, one that was given up does not: whoever it was for has heard nothing.
    """
    ids = list(alarm_ids)
    greatest = dict.fromkeys(ids, "")
    for some in parts(ids):
        heard = CALL_OUT.c.alarm_id.in_(some), CALL_OUT.c.outcome != GIVEN_UP
        rows = connection.execute(select(CALL_OUT.c.alarm_id, CALL_OUT.c.urgency).where(*heard).distinct())
        for alarm_id, urgency in rows:
            if urgency and (not greatest[alarm_id] or Urgency(urgency).rank > Urgency(greatest[alarm_id]).rank):
                greatest[alarm_id] = urgency
    return greatest


def put(connection: Connection, call_outs: Sequence[CallOut], changes: Sequence[Change]) -> None:
    """Put call-outs into the outbox, each with the urgency it speaks of. One whose key is there stays as it is."""
    if not call_outs:
        return
    # Several changes of one alarm can come at once: a plan speaks of what the last of them leaves.
    last = {change.after.id: change.after.urgency.value for change in changes}
    elsewhere = _urgencies(connection, {call_out.alarm_id for call_out in call_outs} - last.keys())
    rows = [
        _to_row(call_out) | {"urgency": last.get(call_out.alarm_id) or elsewhere.get(call_out.alarm_id, "")}
        for call_out in call_outs
    ]
    connection.execute(insert_or(connection, CALL_OUT).on_conflict_do_nothing(index_elements=["key"]), rows)


def newest(connection: Connection, alarm_id: str | None, limit: int) -> list[CallOut]:
    """Call-outs, of one alarm or of all, newest first."""
    statement = select(CALL_OUT).order_by(CALL_OUT.c.created_at.desc(), CALL_OUT.c.key)
    if alarm_id is not None:
        statement = statement.where(CALL_OUT.c.alarm_id == alarm_id)
    return _call_outs(connection, statement.limit(max(1, min(limit, CALL_OUTS_MAX))))


def due(connection: Connection, at_ns: int, limit: int) -> list[CallOut]:
    """Call-outs to send now: longest due first, so that one tried again stands behind those that never were."""
    ready = CALL_OUT.c.outcome.in_(OPEN), CALL_OUT.c.not_before <= at_ns
    order = CALL_OUT.c.not_before, CALL_OUT.c.created_at, CALL_OUT.c.key
    return _call_outs(
        connection, select(CALL_OUT).where(*ready).order_by(*order).limit(max(1, min(limit, CALL_OUTS_MAX)))
    )


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
    """Give up what was not delivered of an alarm and was created before a moment; how many there were."""
    waiting = and_(CALL_OUT.c.alarm_id == alarm_id, CALL_OUT.c.outcome.in_(OPEN), CALL_OUT.c.created_at < at_ns)
    return connection.execute(update(CALL_OUT).where(waiting).values(outcome=GIVEN_UP, last_error=reason)).rowcount


def _urgencies(connection: Connection, alarm_ids: Iterable[str]) -> dict[str, str]:
    return {
        alarm_id: urgency
        for some in parts(alarm_ids)
        for alarm_id, urgency in connection.execute(select(ALARM.c.id, ALARM.c.urgency).where(ALARM.c.id.in_(some)))
    }


def _to_row(call_out: CallOut) -> dict[str, Any]:
    return {
        "key": call_out.key,
        "alarm_id": call_out.alarm_id,
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


def _call_outs(connection: Connection, statement: Select[Any]) -> list[CallOut]:
    return [_from_row(row) for row in connection.execute(statement).mappings()]


def _from_row(row: RowMapping) -> CallOut:
    return CallOut(
        key=row["key"],
        alarm_id=row["alarm_id"],
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
