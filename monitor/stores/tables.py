"""The tables of the operations database: alarms, call-outs, limits, visits, and what was set aside.

In: nothing. Out: SQLAlchemy tables, which the migrations make and alembic compares. May import: sqlalchemy. Touches
nothing. No SQL of one database alone: the same tables serve SQLite and PostgreSQL. Times are ns since 1970 UTC in
BIGINT columns, because SQLite would drop the zone of a timestamp in silence.
"""

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)

HEAD = "0001"  # the newest migration; a file that is at it already needs no alembic, which takes long to import

METADATA = MetaData(
    naming_convention={  # or a later migration could not name what it changes
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

ALARM = Table(
    "alarm",
    METADATA,
    Column("id", String(36), primary_key=True),
    Column("unit", String(64), nullable=False),
    Column("condition", String(64), nullable=False),
    Column("urgency", String(16), nullable=False),
    Column("state", String(32), nullable=False),
    Column("standing", Boolean, nullable=False),  # the condition is present, or it waits for an acknowledgement
    Column("raised_at", BigInteger, nullable=False),
    Column("noticed_at", BigInteger, nullable=False),
    Column("cleared_at", BigInteger),
    Column("cleared_noticed", BigInteger),
    Column("acknowledged_at", BigInteger),
    Column("acknowledged_by", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("shelved_until", BigInteger),
    Column("said", JSON, nullable=False),
    Column("first_said", JSON, nullable=False),
    Column("evidence", JSON, nullable=False),
    Column("urgency_history", JSON, nullable=False),
    Index(None, "raised_at", "id"),
    Index(None, "unit", "raised_at"),
    Index(None, "standing", "unit"),
)

ALARM_EVENT = Table(
    "alarm_event",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("alarm_id", String(36), ForeignKey("alarm.id"), nullable=False, index=True),
    Column("at", BigInteger, nullable=False),
    Column("what", String(32), nullable=False),
    Column("by", Text, nullable=False),
    Column("note", Text, nullable=False),
)

CALL_OUT = Table(
    "call_out",
    METADATA,
    Column("key", String(255), primary_key=True),
    Column("event", String(32), nullable=False),
    Column("channel", Text, nullable=False),
    Column("recipient", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("created_at", BigInteger, nullable=False),
    Column("not_before", BigInteger, nullable=False),
    Column("outcome", String(16), nullable=False),
    Column("tries", Integer, nullable=False),
    Column("last_try_at", BigInteger),
    Column("last_error", Text, nullable=False),
    Column("delivered_at", BigInteger),
    Index(None, "created_at"),
    Index(None, "outcome", "not_before"),
)

# What a call-out speaks for. No foreign key to an alarm: a push on trial belongs to none.
CALL_OUT_ALARM = Table(
    "call_out_alarm",
    METADATA,
    Column("key", String(255), ForeignKey("call_out.key"), primary_key=True),
    Column("alarm_id", String(36), primary_key=True, index=True),
    Column("place", Integer, nullable=False),  # 0: the one it is about in the first place
    Column("urgency", String(16), nullable=False),  # of this alarm, as the call-out says it
    Column("dropped", Boolean, nullable=False),  # this alarm needs the call-out no more
)

LIMITS_VERSION = Table(
    "limits_version",
    METADATA,
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("author", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("text", Text, nullable=False),
    Column("justified_by", Text, nullable=False),
)

SET_ASIDE = Table(
    "set_aside",
    METADATA,
    Column("key", String(32), primary_key=True),
    Column("received_at", BigInteger, nullable=False),
    Column("source", Text, nullable=False),
    Column("place", Text, nullable=False),
    Column("reason", String(32), nullable=False),
    Column("text", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("payload_bytes", Integer, nullable=False),
    Column("content_type", Text, nullable=False),
    Column("unit", String(64), nullable=False),  # as it came, cut: no unit has a longer name
    Column("times", BigInteger, nullable=False),
    Index(None, "reason", "received_at"),
    Index(None, "received_at", "payload_bytes"),
    Index(None, "unit", "received_at"),
)

VISIT = Table(
    "visit",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("site", String(64), nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("by", Text, nullable=False),
    Column("found", Text, nullable=False),
    Index(None, "site", "at"),
)

PROGRESS = Table(  # one row, id 1, there from the first migration on; whoever changes alarms holds it
    "progress",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("assessed_until", BigInteger),
)
