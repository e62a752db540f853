"""Books on readings that are kept in another store: the newest, what is due, which correction counts."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NUMBER: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    """Add new tables."""
    op.create_table(
        "series_newest",
        sa.Column("drive_no", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("measured", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("t0_ns", WHOLE, nullable=False),
        sa.Column("seq", WHOLE, nullable=False),
        sa.Column("device", TEXT, nullable=False),
        sa.Column("t_ns", WHOLE, nullable=False),
        sa.Column("chain_no", sa.Integer(), nullable=False),
        sa.Column("elongation_pct", NUMBER),
        sa.Column("elongation_u_pct", NUMBER),
        sa.Column("reason", TEXT),
        *(sa.Column(name, NUMBER) for name in ("pitches_between", "lag_pitches", "speed_m_s", "coherence")),
        *(
            sa.Column(name, WHOLE, nullable=False)
            for name in (
                "pitches_averaged",
                "whole_laps",
                "up_pulses",
                "down_pulses",
                "up_missed",
                "down_missed",
                "up_extra",
                "down_extra",
            )
        ),
        *(sa.Column(name, NUMBER) for name in ("temp_c", "mount_c", "load_n", "since_pct", "since_u_pct")),
        sa.Column("baseline_taken_ns", WHOLE),
        sa.Column("baseline_recorded_ns", WHOLE),
        *(
            sa.Column(name, NUMBER)
            for name in (
                "up_alternation_pct",
                "up_alternation_u_pct",
                "down_alternation_pct",
                "down_alternation_u_pct",
            )
        ),
        sa.Column("by_alternation", sa.Integer(), nullable=False),
        *(
            sa.Column(name, NUMBER)
            for name in ("polygon_taken_pct", "delay_taken_pct", "temperature_taken_pct", "load_taken_pct")
        ),
        sa.Column("conversion", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("drive_no", "measured"),
        sqlite_with_rowid=False,
        sqlite_strict=True,
    )
    op.create_table(
        "series_due",
        sa.Column("resolution_s", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("end_ns", WHOLE, nullable=False, autoincrement=False),
        sa.Column("drive_no", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("changes", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("resolution_s", "end_ns", "drive_no"),
        sqlite_with_rowid=False,
        sqlite_strict=True,
    )
    op.create_index("series_due_drive", "series_due", ["drive_no", "resolution_s", "end_ns"])
    op.create_table(
        "series_left",
        sa.Column("resolution_s", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("end_ns", WHOLE, nullable=False, autoincrement=False),
        sa.Column("drive_no", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("chain_no", sa.Integer(), nullable=False, autoincrement=False),
        sa.PrimaryKeyConstraint("resolution_s", "end_ns", "drive_no", "chain_no"),
        sqlite_with_rowid=False,
        sqlite_strict=True,
    )
    op.create_table(
        "series_revision",
        sa.Column("drive_no", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("t0_ns", WHOLE, nullable=False, autoincrement=False),
        sa.Column("seq", WHOLE, nullable=False, autoincrement=False),
        sa.Column("device", TEXT, nullable=False),
        sa.Column("rev", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("drive_no", "t0_ns", "seq", "device"),
        sqlite_with_rowid=False,
        sqlite_strict=True,
    )
