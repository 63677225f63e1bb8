"""The operations store: alarms and answers, the outbox of call-outs, limits, visits, what was set aside.

In: findings, answers, tries, items set aside. Out: changes, alarms, call-outs. May import: sqlalchemy, monitor.alarms,
monitor.acquisition.quarantine, monitor.stores. Touches one database, each call in one transaction.

Whoever changes alarms holds the row of progress until the end of the transaction, so that no answer is lost to an
assessment that read the alarm before it. With nothing found, an assessment costs one small commit.
"""

from collections.abc import Sequence
from pathlib import Path

from sqlalchemy import Connection, func, insert, select, update

from monitor.acquisition.quarantine import SetAside
from monitor.alarms import explaining, lifecycle
from monitor.alarms.changes import Change, EventType, changes_of
from monitor.alarms.lifecycle import Alarm, Answer, Finding, Kind, State, Urgency
from monitor.stores import alarm_rows, call_out_rows, quarantine_rows
from monitor.stores.database import Database
from monitor.stores.protocols import AlarmEvent, AlarmPage, AlarmQuery, CallOut, LimitsVersion, Plan
from monitor.stores.sqlite_file import BUSY_TIMEOUT_S
from monitor.stores.tables import LIMITS_VERSION, PROGRESS, VISIT

FILE_NAME = "operations.sqlite"  # what the wiring calls it in the data folder
DEFAULTS = LimitsVersion(version=0, author="", reason="", at_ns=0, text="")

WHAT = {  # what an answer is called in an alarm's history
    Answer.ACKNOWLEDGE: "acknowledged",
    Answer.SHELVE: "shelved",
    Answer.UNSHELVE: "unshelved",
    Answer.FOUND: "found",
}


class SqlOperations:
    """Operations on SQLite or PostgreSQL."""

    def __init__(self, url_or_path: str | Path, *, busy_timeout_s: float = BUSY_TIMEOUT_S) -> None:
        """Open the database and bring its tables up to date. Arguments and errors as those of Database."""
        self._database = Database(url_or_path, busy_timeout_s=busy_timeout_s)
        self._set_aside_unchecked = quarantine_rows.CHECKED_EACH  # how full it was left is not known yet

    def record_assessment(self, findings: Sequence[Finding], assessed_until_ns: int, plan: Plan) -> list[Change]:
        """Apply findings to the alarms that stand, put call-outs into the outbox, keep how far it goes."""
        with self._database.writing() as connection:
            kept_ns = _hold(connection)
            changes = _apply(connection, [f for f in findings if kept_ns is None or f.noticed_ns > kept_ns])
            _tell(connection, changes, plan)
            if kept_ns is None or assessed_until_ns > kept_ns:
                connection.execute(update(PROGRESS).values(assessed_until=assessed_until_ns))
        return changes

    def assessed_until_ns(self) -> int | None:
        """How far the last recorded assessment went; None before the first."""
        with self._database.reading() as connection:
            until_ns: int | None = connection.execute(select(PROGRESS.c.assessed_until)).scalar_one()
        return until_ns

    def record_answer(
        self,
        alarm_id: str,
        answer: Answer,
        *,
        by: str,
        note: str,
        at_ns: int,
        plan: Plan,
        shelve_until_ns: int | None = None,
    ) -> Change:
        """Apply a person's answer. Raises KeyError for an unknown alarm, lifecycle.Refused for what does not fit."""
        with self._database.writing() as connection:
            _hold(connection)
            before = alarm_rows.one(connection, alarm_id)
            if before is None:
                raise KeyError(f"no alarm has the id {alarm_id}: take one from the list of alarms")
            after = lifecycle.after_answer(
                before, answer, by=by, note=note, at_ns=at_ns, shelve_until_ns=shelve_until_ns
            )
            change = Change(before, after, _event_of(before, after), at_ns, at_ns)
            alarm_rows.keep(connection, [change], by=by, note=note, what=WHAT[answer])
            _tell(connection, [change], plan)
        return change

    def unshelve_due(self, at_ns: int, plan: Plan) -> list[Change]:
        """Take alarms off their shelves where the shelf has ended: what still stands asks anew."""
        with self._database.reading() as connection:
            if not alarm_rows.shelf_ended(connection, at_ns):
                return []  # the usual case, each time it is asked, takes no lock
        with self._database.writing() as connection:
            _hold(connection)
            ended = alarm_rows.shelf_ended(connection, at_ns)
            changes = [Change(alarm, lifecycle.off_shelf(alarm), EventType.RAISED, at_ns, at_ns) for alarm in ended]
            alarm_rows.keep(connection, changes, what="shelf_ended")
            _tell(connection, changes, plan)
        return changes

    def standing(self) -> list[Alarm]:
        """Every alarm whose condition is present or that waits for an acknowledgement, newest first."""
        with self._database.reading() as connection:
            return alarm_rows.standing(connection)

    def alarm(self, alarm_id: str) -> Alarm | None:
        """The alarm of an id, None where there is none."""
        with self._database.reading() as connection:
            return alarm_rows.one(connection, alarm_id)

    def alarms(self, query: AlarmQuery) -> AlarmPage:
        """One page of a query, newest raised first. Raises ValueError for a cursor that no page gave."""
        with self._database.reading() as connection:
            return alarm_rows.page(connection, query)

    def alarm_events(self, alarm_id: str) -> list[AlarmEvent]:
        """The history of an alarm, in the order in which it was written; empty for an unknown one."""
        with self._database.reading() as connection:
            return alarm_rows.lines(connection, alarm_id)

    def call_outs(self, alarm_id: str | None = None, limit: int = 200) -> list[CallOut]:
        """Newest first: all, or those that speak for an alarm, alone or among others."""
        with self._database.reading() as connection:
            return call_out_rows.newest(connection, alarm_id, limit)

    def call_outs_beside(self, call_out: CallOut, limit: int) -> list[CallOut]:
        """What the same recipient hears over the same channel of any of its alarms, newest first."""
        with self._database.reading() as connection:
            return call_out_rows.beside(connection, call_out, limit)

    def call_outs_due(self, at_ns: int, limit: int) -> list[CallOut]:
        """Those to send now, longest due first."""
        with self._database.reading() as connection:
            return call_out_rows.due(connection, at_ns, limit)

    def record_try(self, call_out: CallOut) -> None:
        """Keep the outcome of a try (same key). Raises KeyError for a key that is not in the outbox."""
        with self._database.writing() as connection:
            call_out_rows.keep_try(connection, call_out)

    def call_outs_dropped(self, alarm_id: str, reason: str, at_ns: int) -> int:
        """An alarm needs what was created before at_ns and not delivered yet no more; how many were given up."""
        with self._database.writing() as connection:
            count = call_out_rows.give_up(connection, alarm_id, reason, at_ns)
            if count and alarm_rows.one(connection, alarm_id) is not None:
                note = f"{count} given up: {reason}"
                alarm_rows.add_line(connection, AlarmEvent(alarm_id, at_ns, "call_outs_dropped", note=note))
        return count

    def set_aside(self, items: Sequence[SetAside]) -> None:
        """Keep what could not be read: durable on return, the same item again only raises its count."""
        if not items:
            return
        unchecked = self._set_aside_unchecked
        with self._database.writing() as connection:
            unchecked += quarantine_rows.put(connection, items)
            if unchecked >= quarantine_rows.CHECKED_EACH:
                quarantine_rows.make_room(
                    connection, items_max=quarantine_rows.ITEMS_MAX, bytes_max=quarantine_rows.BYTES_MAX
                )
                unchecked = 0
        self._set_aside_unchecked = unchecked

    def quarantined(self, *, limit: int, unit: str | None = None, reason: str | None = None) -> list[SetAside]:
        """Newest first."""
        with self._database.reading() as connection:
            return quarantine_rows.newest(connection, limit=limit, unit=unit, reason=reason)

    def quarantine_counts(self) -> dict[str, int]:
        """How many items per kind."""
        with self._database.reading() as connection:
            return quarantine_rows.counts(connection)

    def take_quarantined(self, unit: str) -> list[SetAside]:
        """Those of kind unknown_unit for a unit, oldest first; they stay until released."""
        with self._database.reading() as connection:
            return quarantine_rows.of_unknown_unit(connection, unit)

    def release_quarantined(self, keys: Sequence[str]) -> int:
        """Remove items that were read after all."""
        with self._database.writing() as connection:
            return quarantine_rows.remove(connection, keys)

    def publish_limits(
        self, *, text: str, author: str, reason: str, at_ns: int, justified_by: str = ""
    ) -> LimitsVersion:
        """A new version where the text differs from the newest one (version 0: the defaults), else the newest."""
        with self._database.writing() as connection:
            _hold(connection)
            newest = next(iter(_limits(connection, limit=1)), DEFAULTS)
            if newest.text == text:
                return newest
            version = LimitsVersion(newest.version + 1, author, reason, at_ns, text, justified_by)
            connection.execute(
                insert(LIMITS_VERSION).values(
                    version=version.version,
                    author=author,
                    reason=reason,
                    at=at_ns,
                    text=text,
                    justified_by=justified_by,
                )
            )
        return version

    def limits_versions(self) -> list[LimitsVersion]:
        """Newest first; empty while nothing but defaults was ever in force."""
        with self._database.reading() as connection:
            return _limits(connection)

    def record_visit(self, site: str, *, at_ns: int, by: str, found: str) -> None:
        """Keep a visit that was made, and what was found."""
        with self._database.writing() as connection:
            connection.execute(insert(VISIT).values(site=site, at=at_ns, by=by, found=found))

    def last_visit_ns(self, site: str) -> int | None:
        """When the newest recorded visit to a site was made; None where none was recorded."""
        with self._database.reading() as connection:
            at_ns: int | None = connection.execute(
                select(func.max(VISIT.c.at)).where(VISIT.c.site == site)
            ).scalar_one()
        return at_ns

    def close(self) -> None:
        """Let go of the database. Later calls raise StoreUnavailable."""
        self._database.close()


def _hold(connection: Connection) -> int | None:
    """How far the alarms are assessed; nobody else changes alarms until the transaction ends."""
    until_ns: int | None = connection.execute(select(PROGRESS.c.assessed_until).with_for_update()).scalar_one()
    return until_ns


def _apply(connection: Connection, findings: Sequence[Finding]) -> list[Change]:
    """Write what findings make of the alarms that stand."""
    if not findings:
        return []
    raised = {f: lifecycle.alarm_id(f.unit, f.condition, f.at_ns) for f in findings if f.kind is Kind.RAISED}
    known = alarm_rows.known_ids(connection, raised.values())
    # An id that is there: the same history is judged again. What is over must not be raised a second time.
    new = [finding for finding in findings if raised.get(finding) not in known]
    there = alarm_rows.standing_of(connection, {finding.unit for finding in new})
    _, changes = changes_of({(alarm.unit, alarm.condition): alarm for alarm in there}, new)
    if changes:
        alarm_rows.keep(connection, changes)
    return changes


def _tell(connection: Connection, changes: Sequence[Change], plan: Plan) -> None:
    """Ask the plan who is to be told of changes, and put that into the outbox."""
    if changes:
        call_out_rows.put(connection, plan(changes, _told(connection, changes)), changes)


def _told(connection: Connection, changes: Sequence[Change]) -> dict[str, str]:
    """The greatest urgency anybody was told of, per changed alarm: of itself, or of one that tells the same story."""
    changed = {change.after.id: change.after for change in changes}
    speaking = [alarm for alarm in changed.values() if alarm.condition in explaining.TELLING]
    if not speaking:
        return call_out_rows.told(connection, changed)
    there = alarm_rows.present_since(
        connection,
        {alarm.unit for alarm in speaking},
        explaining.TOLD_BY_ANOTHER,
        min(alarm.raised_at_ns for alarm in speaking),
    )
    kin = {alarm.id: [other.id for other in explaining.kin(alarm, there)] for alarm in speaking}
    told = call_out_rows.told(connection, changed.keys() | {other for others in kin.values() for other in others})
    return {
        alarm_id: max((told[each] for each in (alarm_id, *kin.get(alarm_id, ()))), key=_rank) for alarm_id in changed
    }


def _rank(urgency: str) -> int:
    """Order of what was told; nothing at all first."""
    return Urgency(urgency).rank if urgency else -1


def _event_of(before: Alarm, after: Alarm) -> EventType | None:
    """What an answer is called in a push: an acknowledgement, or that the alarm asks anew; None for all else."""
    if before.state in (State.UNACKNOWLEDGED, State.RETURNED) and after.state in (State.ACKNOWLEDGED, State.NORMAL):
        return EventType.ACKNOWLEDGED
    if before.state is State.SHELVED and after.state is State.UNACKNOWLEDGED:
        return EventType.RAISED
    return None


def _limits(connection: Connection, limit: int | None = None) -> list[LimitsVersion]:
    rows = connection.execute(select(LIMITS_VERSION).order_by(LIMITS_VERSION.c.version.desc()).limit(limit)).mappings()
    return [
        LimitsVersion(row["version"], row["author"], row["reason"], row["at"], row["text"], row["justified_by"])
        for row in rows
    ]
