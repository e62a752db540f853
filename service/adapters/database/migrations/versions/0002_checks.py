"""What makes a number trusted: corrections of each reading, raw batches, hand values, devices, maps; drives without sensors."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NUMBER: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")


def upgrade() -> None:
    """Add columns, which rewrites no row however many there are, and new tables."""
    for table in ("drive", "drive_history"):
        _let_be_without_sensors(table)
        op.add_column(table, sa.Column("strain_u_pct_per_kn", NUMBER))
        op.add_column(table, sa.Column("delay_us", NUMBER))
        op.add_column(table, sa.Column("delay_u_us", NUMBER, server_default=sa.text("0"), nullable=False))
    op.add_column("baseline", sa.Column("up_alternation_pct", NUMBER))
    op.add_column("baseline", sa.Column("down_alternation_pct", NUMBER))
    for column in _of_a_reading():
        op.add_column("reading", column)
    _make_superseded_reading()
    _make_what_people_and_devices_say()


def _let_be_without_sensors(table: str) -> None:
    """Let whole_pitches be none.

    By a new column in place of the old one: SQLite cannot take a NOT NULL away, and a table that others point to cannot
    be made anew without their rows being left pointing at nothing for a moment.
    """
    op.add_column(table, sa.Column("new_whole_pitches", sa.Integer()))
    op.execute(f"UPDATE {table} SET new_whole_pitches = whole_pitches")  # noqa: S608
    op.drop_column(table, "whole_pitches")
    op.alter_column(table, "new_whole_pitches", new_column_name="whole_pitches")


def _of_a_reading() -> list[sa.Column[object]]:
    return [
        sa.Column("since_pct", NUMBER),
        sa.Column("since_u_pct", NUMBER),
        sa.Column("baseline_taken_ns", WHOLE),
        sa.Column("baseline_recorded_ns", WHOLE),
        sa.Column("up_alternation_pct", NUMBER),
        sa.Column("up_alternation_u_pct", NUMBER),
        sa.Column("down_alternation_pct", NUMBER),
        sa.Column("down_alternation_u_pct", NUMBER),
        sa.Column("by_alternation", sa.Integer(), server_default=sa.text("0"), nullable=False),
        sa.Column("polygon_taken_pct", NUMBER),
        sa.Column("delay_taken_pct", NUMBER),
        sa.Column("temperature_taken_pct", NUMBER),
        sa.Column("load_taken_pct", NUMBER),
    ]


def _make_superseded_reading() -> None:
    op.create_table(
        "superseded_reading",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("at_ns", WHOLE, nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("drive_no", sa.Integer(), nullable=False),
        sa.Column("t0_ns", WHOLE, nullable=False),
        sa.Column("seq", WHOLE, nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("t_ns", WHOLE, nullable=False),
        sa.Column("chain_no", sa.Integer(), nullable=False),
        sa.Column("elongation_pct", NUMBER),
        sa.Column("elongation_u_pct", NUMBER),
        sa.Column("reason", sa.Text()),
        sa.Column("pitches_between", NUMBER),
        sa.Column("lag_pitches", NUMBER),
        sa.Column("speed_m_s", NUMBER),
        sa.Column("coherence", NUMBER),
        sa.Column("pitches_averaged", WHOLE, nullable=False),
        sa.Column("whole_laps", WHOLE, nullable=False),
        sa.Column("up_pulses", WHOLE, nullable=False),
        sa.Column("down_pulses", WHOLE, nullable=False),
        sa.Column("up_missed", WHOLE, nullable=False),
        sa.Column("down_missed", WHOLE, nullable=False),
        sa.Column("up_extra", WHOLE, nullable=False),
        sa.Column("down_extra", WHOLE, nullable=False),
        sa.Column("temp_c", NUMBER),
        sa.Column("mount_c", NUMBER),
        sa.Column("load_n", NUMBER),
        *_of_a_reading(),
        sa.CheckConstraint("(elongation_pct IS NULL) <> (reason IS NULL)", name="measured_or_reason"),
        sa.PrimaryKeyConstraint("number"),
        sqlite_strict=True,
    )
    op.create_index("superseded_reading_drive", "superseded_reading", ["drive_no", "t_ns"])


def _make_what_people_and_devices_say() -> None:
    op.create_table(
        "hand_value",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("drive_id", sa.Text(), nullable=False),
        sa.Column("chain_id", sa.Text(), nullable=False),
        sa.Column("measured_ns", WHOLE, nullable=False),
        sa.Column("recorded_ns", WHOLE, nullable=False),
        sa.Column("recorded_by", sa.Text(), nullable=False),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("pitches", sa.Integer(), nullable=False),
        sa.Column("length_mm", NUMBER, nullable=False),
        sa.Column("length_u_mm", NUMBER, nullable=False),
        sa.Column("pitch_mm", NUMBER, nullable=False),
        sa.Column("tight", sa.Integer(), nullable=False),
        sa.Column("temp_c", NUMBER),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["drive_id"], ["drive.drive_id"]),
        sa.ForeignKeyConstraint(["chain_id"], ["chain.chain_id"]),
        sa.PrimaryKeyConstraint("number"),
        sqlite_strict=True,
    )
    op.create_index("hand_value_drive", "hand_value", ["drive_id", "measured_ns", "recorded_ns"])
    op.create_index("ix_hand_value_chain_id", "hand_value", ["chain_id"])
    op.create_table(
        "raw_batch",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("drive_no", sa.Integer(), nullable=False),
        sa.Column("t0_ns", WHOLE, nullable=False),
        sa.Column("seq", WHOLE, nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("t_ns", WHOLE, nullable=False),
        sa.Column("form", sa.Text(), nullable=False),
        sa.Column("content_type", sa.Text()),
        sa.Column("kept_bytes", sa.Integer(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("number"),
        sa.UniqueConstraint("drive_no", "t0_ns", "seq", "device", name="same_batch"),
        sqlite_strict=True,
    )
    op.create_index("raw_batch_drive", "raw_batch", ["drive_no", "t_ns", "kept_bytes"])
    op.create_table(
        "chain_map",
        sa.Column("chain_id", sa.Text(), nullable=False),
        sa.Column("folded_to_ns", WHOLE, nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("chain_id"),
        sqlite_strict=True,
    )
    op.create_table(
        "device_state",
        sa.Column("drive_id", sa.Text(), nullable=False),
        sa.Column("online", sa.Integer(), nullable=False),
        sa.Column("since_ns", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("drive_id"),
        sqlite_strict=True,
    )
