"""Why chains came off, sprockets, and what was done about lubrication."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NUMBER: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")


def upgrade() -> None:
    """Add new tables; a removal and an inspection can never be changed."""
    _make_removals()
    _make_sprockets()
    _make_upkeep()
    for table in ("chain_removal", "inspection"):
        for verb, done in (("UPDATE", "changed"), ("DELETE", "deleted")):
            op.execute(
                f"CREATE TRIGGER {table}_is_never_{done} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, 'a row of {table} is never {done}'); END"
            )


def _make_removals() -> None:
    op.create_table(
        "chain_removal",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("chain_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("elongation_pct", NUMBER),
        sa.Column("u_pct", NUMBER),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("measured_ns", WHOLE),
        sa.Column("passages", NUMBER),
        sa.Column("hours", NUMBER),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.Column("recorded_ns", WHOLE, nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["chain_id"], ["chain.chain_id"]),
        sa.PrimaryKeyConstraint("number"),
        sqlite_autoincrement=True,
        sqlite_strict=True,
    )
    op.create_index("chain_removal_chain", "chain_removal", ["chain_id", "number"])


def _make_sprockets() -> None:
    op.create_table(
        "sprocket",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("drive_id", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("teeth", sa.Integer()),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("fitted_ns", WHOLE, nullable=False),
        sa.Column("recorded_ns", WHOLE, nullable=False),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.Column("removed_ns", WHOLE),
        sa.Column("removed_why", sa.Text(), nullable=False),
        sa.Column("removed_by", sa.Text(), nullable=False),
        sa.CheckConstraint("removed_ns IS NULL OR removed_ns > fitted_ns", name="on_before_off"),
        sa.ForeignKeyConstraint(["drive_id"], ["drive.drive_id"]),
        sa.PrimaryKeyConstraint("number"),
        sqlite_autoincrement=True,
        sqlite_strict=True,
    )
    op.create_index("sprocket_drive", "sprocket", ["drive_id", "place", "fitted_ns"])
    op.create_table(
        "inspection",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("sprocket", sa.Integer(), nullable=False),
        sa.Column("inspected_ns", WHOLE, nullable=False),
        sa.Column("worn", sa.Integer(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.Column("recorded_ns", WHOLE, nullable=False),
        sa.ForeignKeyConstraint(["sprocket"], ["sprocket.number"]),
        sa.PrimaryKeyConstraint("number"),
        sqlite_autoincrement=True,
        sqlite_strict=True,
    )
    op.create_index("inspection_sprocket", "inspection", ["sprocket", "inspected_ns"])


def _make_upkeep() -> None:
    op.create_table(
        "upkeep",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("drive_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("at_ns", WHOLE, nullable=False),
        sa.Column("lubricant", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.Column("recorded_ns", WHOLE, nullable=False),
        sa.Column("struck_ns", WHOLE),
        sa.Column("struck_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["drive_id"], ["drive.drive_id"]),
        sa.PrimaryKeyConstraint("number"),
        sqlite_autoincrement=True,
        sqlite_strict=True,
    )
    op.create_index("upkeep_drive", "upkeep", ["drive_id", "at_ns"])
