"""What conditions are judged by: setpoints, what is due to be looked at, where the looking stands; strands side by side."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NUMBER: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")


def upgrade() -> None:
    """Add new tables, and the column that says which drives work side by side."""
    for table in ("drive", "drive_history"):
        op.add_column(
            table, sa.Column("strand_group", sa.Text(), server_default=sa.text("''"), nullable=False)
        )
    op.create_table(
        "watch_due",
        sa.Column("drive_id", sa.Text(), nullable=False),
        sa.Column("from_ns", WHOLE, nullable=False),
        sa.Column("changes", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("drive_id"),
        sqlite_with_rowid=False,
        sqlite_strict=True,
    )
    for table, content in (("watch_evaluation", "state"), ("watch_checkpoints", "checkpoints")):
        op.create_table(
            table,
            sa.Column("drive_id", sa.Text(), nullable=False),
            sa.Column(content, sa.Text(), nullable=False),
            sa.PrimaryKeyConstraint("drive_id"),
            sqlite_strict=True,
        )
    _make_setpoints()


def _make_setpoints() -> None:
    op.create_table(
        "setpoint_override",
        sa.Column("scope", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("value", NUMBER),
        sa.Column("deadband", NUMBER),
        sa.Column("on_readings", sa.Integer()),
        sa.Column("on_s", NUMBER),
        sa.Column("off_readings", sa.Integer()),
        sa.Column("off_s", NUMBER),
        sa.Column("priority", sa.Integer()),
        sa.Column("enabled", sa.Integer()),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.Column("at_ns", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("scope", "name", "kind"),
        sqlite_strict=True,
    )
    version = op.create_table(
        "setpoint_version",
        sa.Column("one", sa.Integer(), nullable=False),
        sa.Column("version", WHOLE, nullable=False),
        sa.CheckConstraint("one = 1", name="one_row"),
        sa.PrimaryKeyConstraint("one"),
        sqlite_strict=True,
    )
    op.bulk_insert(version, [{"one": 1, "version": 0}])
