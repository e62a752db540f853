"""Alerts and every transition of them."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add new tables."""
    _make_alert_transition()
    _make_alert()


def _make_alert_transition() -> None:
    op.create_table(
        "alert_transition",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("alert_id", sa.Text(), nullable=False),
        sa.Column("seq", WHOLE, nullable=False),
        sa.Column("drive_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("event", sa.Text(), nullable=False),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("true_ns", WHOLE, nullable=False),
        sa.Column("recorded_ns", WHOLE, nullable=False),
        sa.Column("until_ns", WHOLE),
        sa.Column("facts", sa.Text()),
        sa.Column("asked_priority", sa.Integer()),
        sa.Column("work_order", sa.Text(), nullable=False),
        sa.Column("key", sa.Text()),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("after", sa.Text(), nullable=False),
        sa.Column("holds_before", sa.Text(), nullable=False),
        sa.Column("holds", sa.Text(), nullable=False),
        sa.Column("annunciates", sa.Integer(), nullable=False),
        sa.Column("priority", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("number"),
        sa.UniqueConstraint("alert_id", "seq", name="one_after_the_other"),
        sa.UniqueConstraint("key"),
        sqlite_autoincrement=True,
        sqlite_strict=True,
    )
    op.create_index("alert_transition_drive", "alert_transition", ["drive_id", "number"])
    op.create_index("alert_transition_recorded", "alert_transition", ["recorded_ns"])


def _make_alert() -> None:
    op.create_table(
        "alert",
        sa.Column("alert_id", sa.Text(), nullable=False),
        sa.Column("drive_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("seq", WHOLE, nullable=False),
        sa.Column("number", WHOLE, nullable=False),
        sa.Column("annunciation", sa.Text(), nullable=False),
        sa.Column("held", sa.Text(), nullable=False),
        sa.Column("priority", sa.Integer(), nullable=False),
        sa.Column("occurrences", WHOLE, nullable=False),
        sa.Column("since_ns", WHOLE),
        sa.Column("changed_ns", WHOLE, nullable=False),
        sa.Column("cleared_ns", WHOLE),
        sa.Column("facts", sa.Text()),
        sa.Column("acknowledged_by", sa.Text(), nullable=False),
        sa.Column("acknowledged_ns", WHOLE),
        sa.Column("work_order", sa.Text(), nullable=False),
        sa.Column("last_event", sa.Text()),
        sa.Column("last_by", sa.Text(), nullable=False),
        sa.Column("stands", sa.Integer(), nullable=False),
        sa.CheckConstraint("seq > 0", name="something_happened"),
        sa.PrimaryKeyConstraint("alert_id"),
        sqlite_strict=True,
    )
    op.create_index("ix_alert_drive_id", "alert", ["drive_id"])
    op.create_index("ix_alert_stands", "alert", ["stands"])
