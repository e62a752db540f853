"""Sites with their shifts, work in hand, notes, handovers."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add new tables; what is frozen, signed or noted can never be changed."""
    _make_sites()
    _make_handovers()
    for table in ("note", "handover", "handover_signature", "handover_receipt"):
        for verb, done in (("UPDATE", "changed"), ("DELETE", "deleted")):
            op.execute(
                f"CREATE TRIGGER {table}_is_never_{done} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, 'a row of {table} is never {done}'); END"
            )


def _make_sites() -> None:
    op.create_table(
        "site",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("slots", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("site"),
        sqlite_strict=True,
    )
    op.create_table(
        "work_in_hand",
        sa.Column("work_id", sa.Integer(), nullable=False),
        sa.Column("drive_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("since_ns", WHOLE, nullable=False),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("work_order", sa.Text(), nullable=False),
        sa.Column("recorded_ns", WHOLE, nullable=False),
        sa.Column("closed_ns", WHOLE),
        sa.Column("closed_by", sa.Text(), nullable=False),
        sa.Column("closed_why", sa.Text(), nullable=False),
        sa.Column("closed_recorded_ns", WHOLE),
        sa.CheckConstraint("(closed_ns IS NULL) = (closed_recorded_ns IS NULL)", name="closed_or_not"),
        sa.ForeignKeyConstraint(["drive_id"], ["drive.drive_id"]),
        sa.PrimaryKeyConstraint("work_id"),
        sqlite_autoincrement=True,
        sqlite_strict=True,
    )
    op.create_index("work_in_hand_open", "work_in_hand", ["closed_recorded_ns", "drive_id"])
    op.create_table(
        "note",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("drive_id", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("true_ns", WHOLE, nullable=False),
        sa.Column("recorded_ns", WHOLE, nullable=False),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number"),
        sqlite_autoincrement=True,
        sqlite_strict=True,
    )
    op.create_index("note_site", "note", ["site", "recorded_ns"])


def _make_handovers() -> None:
    op.create_table(
        "handover",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("shift", sa.Text(), nullable=False),
        sa.Column("from_ns", WHOLE, nullable=False),
        sa.Column("to_ns", WHOLE, nullable=False),
        sa.Column("frozen_ns", WHOLE, nullable=False),
        sa.Column("frozen_by", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number"),
        sa.UniqueConstraint("site", "from_ns", "to_ns", name="frozen_once"),
        sqlite_autoincrement=True,
        sqlite_strict=True,
    )
    op.create_index("handover_cut_off", "handover", ["to_ns"])
    op.create_table(
        "handover_signature",
        sa.Column("handover", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.Column("at_ns", WHOLE, nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("remark", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["handover"], ["handover.number"]),
        sa.PrimaryKeyConstraint("handover", "role"),
        sqlite_strict=True,
    )
    op.create_table(
        "handover_receipt",
        sa.Column("handover", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("system", sa.Text(), nullable=False),
        sa.Column("at_ns", WHOLE, nullable=False),
        sa.Column("by_whom", sa.Text(), nullable=False),
        sa.Column("reference", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["handover"], ["handover.number"]),
        sa.PrimaryKeyConstraint("handover", "system"),
        sqlite_strict=True,
    )
