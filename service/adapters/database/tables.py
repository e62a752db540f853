"""The tables as they are now, in SQLAlchemy's words. Migrations make them; a test holds both to each other.

Knows columns, keys and what must hold in one row; must not know queries. Instants are integer nanoseconds, UTC.
Drives and chains are numbered, so that a reading carries two small integers in place of two texts. Number 0 is
no chain, so that it can stand in a key. The big tables lie in the order of their key (WITHOUT ROWID): the readings
of one drive over a stretch of time are neighbours on disk. STRICT, because SQLite would otherwise keep a numpy
integer as its bytes.

For the next editor: a column that changes here needs a new file in migrations/versions; a released one stays as it is.
"""

from typing import Any

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    UniqueConstraint,
    text,
)
from sqlalchemy import Text as PlainText
from sqlalchemy.types import REAL, TypeEngine

NO_CHAIN = 0  # chain_no of a reading that was made with no chain registered

# In the order of its bytes on either database, whatever the place of a server says of letters.
Text = PlainText().with_variant(PlainText(collation="C"), "postgresql")
Whole = BigInteger().with_variant(Integer(), "sqlite")
Number: TypeEngine[float] = Double().with_variant(REAL(), "sqlite")
Flag = Integer()  # 0 or 1; STRICT tables of SQLite know no truth values

metadata = MetaData()

drive_number = Table(
    "drive_number",
    metadata,
    Column("drive_no", Integer, primary_key=True),
    Column("drive_id", Text, nullable=False, unique=True),
    # Queries by t_ns look back so far in t0_ns, the key.
    Column("longest_window_ns", Whole, nullable=False),
    sqlite_strict=True,
)

chain_number = Table(
    "chain_number",
    metadata,
    Column("chain_no", Integer, primary_key=True),
    Column("chain_id", Text, nullable=False, unique=True),
    sqlite_strict=True,
)


def _reading_columns() -> list[Column[Any]]:
    """What a batch yielded, the same in `reading` and `superseded_reading`; in the order of the fields of Reading."""
    return [
        Column("t_ns", Whole, nullable=False),
        Column("chain_no", Integer, nullable=False),
        Column("elongation_pct", Number),
        Column("elongation_u_pct", Number),
        Column("reason", Text),
        Column("pitches_between", Number),
        Column("lag_pitches", Number),
        Column("speed_m_s", Number),
        Column("coherence", Number),
        Column("pitches_averaged", Whole, nullable=False),
        Column("whole_laps", Whole, nullable=False),
        Column("up_pulses", Whole, nullable=False),
        Column("down_pulses", Whole, nullable=False),
        Column("up_missed", Whole, nullable=False),
        Column("down_missed", Whole, nullable=False),
        Column("up_extra", Whole, nullable=False),
        Column("down_extra", Whole, nullable=False),
        Column("temp_c", Number),
        Column("mount_c", Number),
        Column("load_n", Number),
        Column("since_pct", Number),
        Column("since_u_pct", Number),
        Column("baseline_taken_ns", Whole),
        Column("baseline_recorded_ns", Whole),
        Column("up_alternation_pct", Number),
        Column("up_alternation_u_pct", Number),
        Column("down_alternation_pct", Number),
        Column("down_alternation_u_pct", Number),
        Column("by_alternation", Flag, nullable=False, server_default=text("0")),
        Column("polygon_taken_pct", Number),
        Column("delay_taken_pct", Number),
        Column("temperature_taken_pct", Number),
        Column("load_taken_pct", Number),
        Column("conversion", Integer, nullable=False, server_default=text("1")),
    ]


def _measured_or_reason() -> CheckConstraint:
    """SQLite would turn a NaN into NULL and so into "not measured" without a reason: this refuses it."""
    return CheckConstraint("(elongation_pct IS NULL) <> (reason IS NULL)", name="measured_or_reason")


reading = Table(
    "reading",
    metadata,
    Column("drive_no", Integer, primary_key=True, autoincrement=False),
    Column("t0_ns", Whole, primary_key=True, autoincrement=False),
    Column("seq", Whole, primary_key=True, autoincrement=False),
    Column("device", Text, primary_key=True),
    *_reading_columns(),
    _measured_or_reason(),
    sqlite_with_rowid=False,
    sqlite_strict=True,
)

# Readings that others were put in place of; their identity is no key here, for one may be corrected more than once.
superseded_reading = Table(
    "superseded_reading",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("at_ns", Whole, nullable=False),
    Column("why", Text, nullable=False),
    Column("drive_no", Integer, nullable=False),
    Column("t0_ns", Whole, nullable=False),
    Column("seq", Whole, nullable=False),
    Column("device", Text, nullable=False),
    *_reading_columns(),
    _measured_or_reason(),
    Index("superseded_reading_drive", "drive_no", "t_ns"),
    sqlite_strict=True,
)

# The newest reading of each drive (measured 0), and the newest that has an elongation (measured 1).
newest = Table(
    "newest",
    metadata,
    Column("drive_no", Integer, primary_key=True, autoincrement=False),
    Column("measured", Flag, primary_key=True, autoincrement=False),
    Column("t_ns", Whole, nullable=False),
    Column("t0_ns", Whole, nullable=False),
    Column("seq", Whole, nullable=False),
    Column("device", Text, nullable=False),
    sqlite_with_rowid=False,
    sqlite_strict=True,
)

# Intervals whose roll-up lags behind what it is made from.
due = Table(
    "due",
    metadata,
    Column("resolution_s", Integer, primary_key=True, autoincrement=False),
    Column("end_ns", Whole, primary_key=True, autoincrement=False),
    Column("drive_no", Integer, primary_key=True, autoincrement=False),
    sqlite_with_rowid=False,
    sqlite_strict=True,
)

roll_up = Table(
    "roll_up",
    metadata,
    Column("drive_no", Integer, primary_key=True, autoincrement=False),
    Column("resolution_s", Integer, primary_key=True, autoincrement=False),
    Column("end_ns", Whole, primary_key=True, autoincrement=False),
    Column("chain_no", Integer, primary_key=True, autoincrement=False),
    Column("readings", Whole, nullable=False),
    Column("measured", Whole, nullable=False),
    Column("mean_pct", Number),
    Column("min_pct", Number),
    Column("max_pct", Number),
    Column("last_pct", Number),
    Column("mean_u_pct", Number),
    Column("mean_speed_m_s", Number),
    Column("speeds", Whole, nullable=False),  # readings that had a speed: the weight of mean_speed_m_s
    Column("pulses", Whole, nullable=False),
    sqlite_with_rowid=False,
    sqlite_strict=True,
)

# One row; every change of the register raises it.
register_version = Table(
    "register_version",
    metadata,
    Column("one", Integer, primary_key=True, autoincrement=False),
    Column("version", Whole, nullable=False),
    CheckConstraint("one = 1", name="one_row"),
    sqlite_strict=True,
)


def _drive_columns() -> list[Column[object]]:
    """The settings of a drive, the same in `drive` (as they are) and `drive_history` (as they ever were)."""
    return [
        Column("name", Text, nullable=False),
        Column("site", Text, nullable=False),
        Column("area", Text, nullable=False),
        Column("line", Text, nullable=False),
        Column("drive_class", Text, nullable=False),
        Column("offset_pitches", Number, nullable=False),
        Column("spacing_u_mm", Number, nullable=False),
        Column("driver_teeth", Whole),
        Column("driven_teeth", Whole),
        Column("up_to_driver_mm", Number),
        Column("fixed_centres", Flag, nullable=False),
        Column("parallel_strands", Flag, nullable=False),
        Column("own_limit_pct", Number),
        Column("temp_ref_c", Number, nullable=False),
        Column("temp_range_k", Number, nullable=False),
        Column("mount_expansion_per_k", Number, nullable=False),
        Column("load_ref_n", Number),
        Column("strain_pct_per_kn", Number),
        Column("load_u_pct", Number, nullable=False),
        Column("note", Text, nullable=False),
        Column("retired_ns", Whole),
        Column("whole_pitches", Whole),  # none without sensors
        Column("strain_u_pct_per_kn", Number),
        Column("delay_us", Number),
        Column("delay_u_us", Number, nullable=False, server_default=text("0")),
        Column("strand_group", Text, nullable=False, server_default=text("''")),
    ]


drive = Table(
    "drive",
    metadata,
    Column("drive_id", Text, primary_key=True),
    *_drive_columns(),
    sqlite_strict=True,
)

drive_history = Table(
    "drive_history",
    metadata,
    Column("drive_id", Text, ForeignKey("drive.drive_id"), primary_key=True),
    Column("version", Whole, primary_key=True, autoincrement=False),  # of the register, made by this change
    Column("recorded_ns", Whole, nullable=False),
    *_drive_columns(),
    sqlite_strict=True,
)

chain = Table(
    "chain",
    metadata,
    Column("chain_id", Text, primary_key=True),
    Column("drive_id", Text, ForeignKey("drive.drive_id"), nullable=False, index=True),
    Column("designation", Text, nullable=False),
    Column("pitch_mm", Number, nullable=False),
    Column("strands", Whole, nullable=False),
    Column("pitches_in_loop", Whole),
    Column("fitted_ns", Whole, nullable=False),
    Column("removed_ns", Whole),
    Column("removed_why", Text, nullable=False),
    Column("note", Text, nullable=False),
    CheckConstraint("removed_ns > fitted_ns", name="removed_after_fitted"),
    sqlite_strict=True,
)

baseline = Table(
    "baseline",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("chain_id", Text, ForeignKey("chain.chain_id"), nullable=False, index=True),
    Column("pitches_between", Number, nullable=False),
    Column("pitches_between_u", Number, nullable=False),
    Column("elongation_pct", Number, nullable=False),
    Column("elongation_u_pct", Number, nullable=False),
    Column("taken_ns", Whole, nullable=False),
    Column("recorded_ns", Whole, nullable=False),
    Column("recorded_by", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("up_alternation_pct", Number),
    Column("down_alternation_pct", Number),
    sqlite_strict=True,
)

hand_value = Table(
    "hand_value",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("drive_id", Text, ForeignKey("drive.drive_id"), nullable=False),
    Column("chain_id", Text, ForeignKey("chain.chain_id"), nullable=False, index=True),
    Column("measured_ns", Whole, nullable=False),
    Column("recorded_ns", Whole, nullable=False),
    Column("recorded_by", Text, nullable=False),
    Column("method", Text, nullable=False),
    Column("pitches", Whole, nullable=False),
    Column("length_mm", Number, nullable=False),
    Column("length_u_mm", Number, nullable=False),
    Column("pitch_mm", Number, nullable=False),
    Column("tight", Flag, nullable=False),
    Column("temp_c", Number),
    Column("note", Text, nullable=False),
    Column("told_ns", Whole),
    Column("key", Text),
    Index("hand_value_drive", "drive_id", "measured_ns", "recorded_ns"),
    Index(
        "hand_value_key", "drive_id", "key", unique=True
    ),  # sent twice, stored once; without a key each counts
    sqlite_strict=True,
)

# Pulse batches as they came. Numbered in the order of arrival: the oldest are at the start of the file.
raw_batch = Table(
    "raw_batch",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("drive_no", Integer, nullable=False),
    Column("t0_ns", Whole, nullable=False),
    Column("seq", Whole, nullable=False),
    Column("device", Text, nullable=False),
    Column("t_ns", Whole, nullable=False),
    Column("form", Text, nullable=False),
    Column("content_type", Text),
    Column("kept_bytes", Whole, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    UniqueConstraint("drive_no", "t0_ns", "seq", "device", name="same_batch"),
    # By time; and counting what to drop reads this alone, not the payloads.
    Index("raw_batch_drive", "drive_no", "t_ns", "kept_bytes"),
    sqlite_strict=True,
)

chain_map = Table(
    "chain_map",
    metadata,
    Column("chain_id", Text, primary_key=True),
    Column("folded_to_ns", Whole, nullable=False),
    Column("state", Text, nullable=False),  # JSON
    sqlite_strict=True,
)

device_state = Table(
    "device_state",
    metadata,
    Column("drive_id", Text, primary_key=True),
    Column("online", Flag, nullable=False),
    Column("since_ns", Whole, nullable=False),
    sqlite_strict=True,
)

rejection = Table(
    "rejection",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("drive_id", Text, nullable=False),
    Column("topic", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("payload_bytes", Whole, nullable=False),
    Column("kept_bytes", Whole, nullable=False),
    Column("payload_sha256", Text, nullable=False),  # of what is kept
    Column("received_ns", Whole, nullable=False),
    Column("repeats", Whole, nullable=False),
    UniqueConstraint("drive_id", "payload_sha256", "payload_bytes", "reason", name="same_payload"),
    # Counting what to drop reads this alone, not the payloads.
    Index("rejection_drive", "drive_id", "number", "kept_bytes"),
    sqlite_autoincrement=True,  # a number that people have quoted is never given out again
    sqlite_strict=True,
)

sighting = Table(
    "sighting",
    metadata,
    Column("drive_id", Text, primary_key=True),
    Column("first_seen_ns", Whole, nullable=False),
    Column("last_seen_ns", Whole, nullable=False, index=True),
    Column("messages", Whole, nullable=False),
    Column("topic", Text, nullable=False),
    Column("device_id", Text, nullable=False),
    Column("up_rate_hz", Number),
    Column("down_rate_hz", Number),
    sqlite_strict=True,
)

# One row that a check of the store writes to.
probe = Table(
    "probe",
    metadata,
    Column("one", Integer, primary_key=True, autoincrement=False),
    Column("at_ns", Whole, nullable=False),
    CheckConstraint("one = 1", name="one_row"),
    sqlite_strict=True,
)
