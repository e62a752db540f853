"""Planned stops, supply, and duty as people plan it."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NUMBER: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")


def upgrade() -> None:
    """Add new tables."""
    _make_planned_stop()
    _make_supply()
    op.create_table(
        "duty_plan",
        sa.Column("drive_id", sa.Text(), nullable=False),
        *(sa.Column(f"hours_{day}", NUMBER, nullable=False) for day in range(1, 8)),
        sa.Column("clock_per_hour", NUMBER),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.Column("at_ns", WHOLE, nullable=False),
        sa.ForeignKeyConstraint(["drive_id"], ["drive.drive_id"]),
        sa.PrimaryKeyConstraint("drive_id"),
        sqlite_strict=True,
    )
    op.create_table(
        "plans_changed",
        sa.Column("part", sa.Text(), nullable=False),
        sa.Column("at_ns", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("part"),
        sqlite_strict=True,
    )


def _make_planned_stop() -> None:
    op.create_table(
        "planned_stop",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("area", sa.Text(), nullable=False),
        sa.Column("line", sa.Text(), nullable=False),
        sa.Column("starts_ns", WHOLE, nullable=False),
        sa.Column("ends_ns", WHOLE, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.Column("recorded_ns", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("number"),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    op.create_index("planned_stop_end", "planned_stop", ["ends_ns"])


def _make_supply() -> None:
    op.create_table(
        "supply",
        sa.Column("scope", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("lead_days", WHOLE),
        sa.Column("margin_days", WHOLE),
        sa.Column("chain_price", NUMBER),
        sa.Column("change_price", NUMBER),
        sa.Column("stop_hour_price", NUMBER),
        sa.Column("currency", sa.Text()),
        sa.Column("unplanned_h", NUMBER),
        sa.Column("ambient_low_c", NUMBER),
        sa.Column("ambient_high_c", NUMBER),
        sa.Column("centre_distance_mm", NUMBER),
        sa.Column("stock_number", sa.Text()),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.Column("at_ns", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("scope", "name"),
        sqlite_strict=True,
    )
