"""What was set aside, as rows of the operations database: counted, bounded, given out to be read again.

In: items set aside, connections inside a transaction. Out: rows; items. May import: sqlalchemy,
monitor.acquisition.quarantine, monitor.stores. Touches the table set_aside.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, RowMapping, case, delete, func, select

from monitor.acquisition.quarantine import PAYLOAD_KEPT_MAX, Reason, SetAside
from monitor.stores.alarm_rows import parts
from monitor.stores.inserting import insert_or
from monitor.stores.tables import SET_ASIDE

ITEMS_MAX = 200_000  # a publisher gone mad, with another payload each time, must not fill the disk
BYTES_MAX = 2**30  # of payloads, for the same reason
REMOVED_AT_ONCE = 10_000  # oldest items looked at in one go
CHECKED_EACH = 1_000  # items written between two looks at the bounds, each of which walks an index
LISTED_MAX = 10_000  # bounds what one request costs
UNIT_NAME_MAX = 64  # of the contract; a longer one is no name, and an index could not hold it
TAKEN_MAX = 1_000  # 64 MB of payloads at most


def put(connection: Connection, items: Iterable[SetAside]) -> int:
    """Keep items; the same again raises its count and moves its time on. How many rows were written."""
    rows = _merged(items)
    if not rows:
        return 0
    insert = insert_or(connection, SET_ASIDE)
    later = insert.excluded.received_at > SET_ASIDE.c.received_at
    counting = insert.on_conflict_do_update(
        index_elements=["key"],
        set_={
            "times": SET_ASIDE.c.times + insert.excluded.times,
            "received_at": case((later, insert.excluded.received_at), else_=SET_ASIDE.c.received_at),
        },
    )
    connection.execute(counting, rows)
    return len(rows)


def make_room(connection: Connection, *, items_max: int, bytes_max: int) -> int:
    """Remove the oldest items beyond the bounds, and leave their number standing; how many there were."""
    count, size = connection.execute(select(func.count(), func.coalesce(func.sum(SET_ASIDE.c.payload_bytes), 0))).one()
    removed = 0
    while count > items_max or size > bytes_max:
        oldest = connection.execute(
            select(SET_ASIDE)
            .where(SET_ASIDE.c.source != ROOM_MADE)
            .order_by(SET_ASIDE.c.received_at)
            .limit(REMOVED_AT_ONCE)
        ).mappings()
        going: list[RowMapping] = []
        for row in oldest:
            if count <= items_max and size <= bytes_max:
                break
            going.append(row)
            count, size = count - 1, size - row["payload_bytes"]
        if not going:
            break
        for some in parts(row["key"] for row in going):
            connection.execute(delete(SET_ASIDE).where(SET_ASIDE.c.key.in_(some)))
        put(connection, [_trace(row) for row in going])
        removed += len(going)
    return removed


def newest(connection: Connection, *, limit: int, unit: str | None, reason: str | None) -> list[SetAside]:
    """Items, newest first."""
    statement = select(SET_ASIDE).order_by(SET_ASIDE.c.received_at.desc(), SET_ASIDE.c.key)
    if unit is not None:
        statement = statement.where(SET_ASIDE.c.unit == unit)
    if reason is not None:
        statement = statement.where(SET_ASIDE.c.reason == reason)
    rows = connection.execute(statement.limit(max(1, min(limit, LISTED_MAX)))).mappings()
    return [_from_row(row) for row in rows]


def counts(connection: Connection) -> dict[str, int]:
    """How many items per kind."""
    kinds = select(SET_ASIDE.c.reason, func.count()).group_by(SET_ASIDE.c.reason).order_by(SET_ASIDE.c.reason)
    return {row[0]: row[1] for row in connection.execute(kinds)}


def of_unknown_unit(connection: Connection, unit: str) -> list[SetAside]:
    """The oldest items of kind unknown_unit for a unit, at most TAKEN_MAX."""
    its = SET_ASIDE.c.unit == unit, SET_ASIDE.c.reason == Reason.UNKNOWN_UNIT.value
    oldest = select(SET_ASIDE).where(*its).order_by(SET_ASIDE.c.received_at, SET_ASIDE.c.key).limit(TAKEN_MAX)
    return [_from_row(row) for row in connection.execute(oldest).mappings()]


def remove(connection: Connection, keys: Sequence[str]) -> int:
    """Remove items; how many of them there were."""
    return sum(connection.execute(delete(SET_ASIDE).where(SET_ASIDE.c.key.in_(some))).rowcount for some in parts(keys))


ROOM_MADE = "quarantine"  # no topic and no file has this name alone


def _trace(row: RowMapping) -> SetAside:
    """What stays of an item that made room: its number, in one item a kind."""
    return SetAside(
        received_ns=row["received_at"],
        source=ROOM_MADE,
        place="",
        reason=Reason(row["reason"]),
        text="The oldest items made room for newer ones. Look at what is set aside before there is so much.",
        times=row["times"],
    )


def _merged(items: Iterable[SetAside]) -> list[dict[str, Any]]:
    """Rows of different keys, sorted by them."""
    rows: dict[str, dict[str, Any]] = {}
    for item in items:
        row = _to_row(item)
        same = rows.setdefault(row["key"], row)
        if same is not row:
            same["times"] += row["times"]
            same["received_at"] = max(same["received_at"], row["received_at"])
    return [rows[key] for key in sorted(rows)]


def _to_row(item: SetAside) -> dict[str, Any]:
    """An item as a row. What a database would refuse in a text is replaced first, so that the key follows from what
    is kept: whoever takes the item out finds the same key."""
    kept = replace(
        item,
        source=_storable(item.source),
        place=_storable(item.place),
        text=_storable(item.text),
        content_type=_storable(item.content_type),
        unit=_storable(item.unit)[:UNIT_NAME_MAX],
        # What waits for its unit to be admitted is read again as a whole; the collector has bounded it.
        payload=item.payload if item.reason is Reason.UNKNOWN_UNIT else item.payload[:PAYLOAD_KEPT_MAX],
    )
    return {
        "key": kept.key,
        "received_at": kept.received_ns,
        "source": kept.source,
        "place": kept.place,
        "reason": kept.reason.value,
        "text": kept.text,
        "payload": kept.payload,
        "payload_bytes": len(kept.payload),
        "content_type": kept.content_type,
        "unit": kept.unit,
        "times": kept.times,
    }


def _storable(text: str) -> str:
    """Text without NUL and half surrogates, which a topic of an outsider may hold."""
    if text.isascii() and "\0" not in text:
        return text
    return text.encode("utf-8", "replace").decode("utf-8").replace("\0", "?")


def _from_row(row: RowMapping) -> SetAside:
    return SetAside(
        received_ns=row["received_at"],
        source=row["source"],
        place=row["place"],
        reason=Reason(row["reason"]),
        text=row["text"],
        payload=bytes(row["payload"]),
        content_type=row["content_type"],
        unit=row["unit"],
        times=row["times"],
    )
