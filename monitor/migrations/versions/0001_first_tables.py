"""The first tables: alarms and their history, call-outs, limits, progress, what was set aside, visits."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """From nothing to the first tables."""
    op.create_table(
        "alarm",
        sa.Column("id", sa.String(length=36), nullable=False),
        sa.Column("unit", sa.String(length=64), nullable=False),
        sa.Column("condition", sa.String(length=64), nullable=False),
        sa.Column("urgency", sa.String(length=16), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("standing", sa.Boolean(), nullable=False),
        sa.Column("raised_at", sa.BigInteger(), nullable=False),
        sa.Column("noticed_at", sa.BigInteger(), nullable=False),
        sa.Column("cleared_at", sa.BigInteger(), nullable=True),
        sa.Column("cleared_noticed", sa.BigInteger(), nullable=True),
        sa.Column("acknowledged_at", sa.BigInteger(), nullable=True),
        sa.Column("acknowledged_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("shelved_until", sa.BigInteger(), nullable=True),
        sa.Column("said", sa.JSON(), nullable=False),
        sa.Column("first_said", sa.JSON(), nullable=False),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.Column("urgency_history", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarm")),
    )
    op.create_index(op.f("ix_alarm_raised_at_id"), "alarm", ["raised_at", "id"])
    op.create_index(op.f("ix_alarm_standing_unit"), "alarm", ["standing", "unit"])
    op.create_index(op.f("ix_alarm_unit_raised_at"), "alarm", ["unit", "raised_at"])
    op.create_table(
        "call_out",
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("event", sa.String(length=32), nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("recipient", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("not_before", sa.BigInteger(), nullable=False),
        sa.Column("outcome", sa.String(length=16), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("last_try_at", sa.BigInteger(), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=False),
        sa.Column("delivered_at", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_call_out")),
    )
    op.create_index(op.f("ix_call_out_created_at"), "call_out", ["created_at"])
    op.create_index(op.f("ix_call_out_outcome_not_before"), "call_out", ["outcome", "not_before"])
    op.create_table(
        "call_out_alarm",
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("alarm_id", sa.String(length=36), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("urgency", sa.String(length=16), nullable=False),
        sa.Column("dropped", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["key"], ["call_out.key"], name=op.f("fk_call_out_alarm_key_call_out")),
        sa.PrimaryKeyConstraint("key", "alarm_id", name=op.f("pk_call_out_alarm")),
    )
    op.create_index(op.f("ix_call_out_alarm_alarm_id"), "call_out_alarm", ["alarm_id"])
    op.create_table(
        "limits_version",
        sa.Column("version", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("justified_by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("version", name=op.f("pk_limits_version")),
    )
    progress = op.create_table(
        "progress",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("assessed_until", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_progress")),
    )
    op.bulk_insert(progress, [{"id": 1, "assessed_until": None}])  # its one row, which every writer holds
    op.create_table(
        "set_aside",
        sa.Column("key", sa.String(length=32), nullable=False),
        sa.Column("received_at", sa.BigInteger(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("reason", sa.String(length=32), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("payload_bytes", sa.Integer(), nullable=False),
        sa.Column("content_type", sa.Text(), nullable=False),
        sa.Column("unit", sa.String(length=64), nullable=False),
        sa.Column("times", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_set_aside")),
    )
    op.create_index(op.f("ix_set_aside_reason_received_at"), "set_aside", ["reason", "received_at"])
    op.create_index(op.f("ix_set_aside_received_at_payload_bytes"), "set_aside", ["received_at", "payload_bytes"])
    op.create_index(op.f("ix_set_aside_unit_received_at"), "set_aside", ["unit", "received_at"])
    op.create_table(
        "visit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site", sa.String(length=64), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("found", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visit")),
    )
    op.create_index(op.f("ix_visit_site_at"), "visit", ["site", "at"])
    op.create_table(
        "alarm_event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("alarm_id", sa.String(length=36), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("what", sa.String(length=32), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"], name=op.f("fk_alarm_event_alarm_id_alarm")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarm_event")),
    )
    op.create_index(op.f("ix_alarm_event_alarm_id"), "alarm_event", ["alarm_id"])


def downgrade() -> None:
    """Back to nothing."""
    for table in (
        "alarm_event",
        "visit",
        "set_aside",
        "progress",
        "limits_version",
        "call_out_alarm",
        "call_out",
        "alarm",
    ):
        op.drop_table(table)
