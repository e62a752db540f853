"""What conditions are judged by, what is due to be looked at, where the looking stands: the tables, as `tables` has the others."""

from sqlalchemy import CheckConstraint, Column, Integer, Table

from service.adapters.database.tables import Flag, Number, Text, Whole, metadata

# Drives of which something came that nobody looked at yet. By id, for a drive may have a chain and no reading.
watch_due = Table(
    "watch_due",
    metadata,
    Column("drive_id", Text, primary_key=True),
    Column("from_ns", Whole, nullable=False),  # the earliest that is new
    Column("changes", Whole, nullable=False),  # counts up, so that what comes while one looks is not lost
    sqlite_with_rowid=False,
    sqlite_strict=True,
)

watch_evaluation = Table(
    "watch_evaluation",
    metadata,
    Column("drive_id", Text, primary_key=True),
    Column("state", Text, nullable=False),  # JSON
    sqlite_strict=True,
)

# Apart from the state, which is written far more often.
watch_checkpoints = Table(
    "watch_checkpoints",
    metadata,
    Column("drive_id", Text, primary_key=True),
    Column("checkpoints", Text, nullable=False),  # JSON, the earliest first
    sqlite_strict=True,
)

setpoint_override = Table(
    "setpoint_override",
    metadata,
    Column("scope", Text, primary_key=True),
    Column("name", Text, primary_key=True),
    Column("kind", Text, primary_key=True),
    Column("value", Number),
    Column("deadband", Number),
    Column("on_readings", Whole),
    Column("on_s", Number),
    Column("off_readings", Whole),
    Column("off_s", Number),
    Column("priority", Whole),
    Column("enabled", Flag),
    Column("why", Text, nullable=False),
    Column("by_whom", Text, nullable=False),
    Column("at_ns", Whole, nullable=False),
    sqlite_strict=True,
)

# One row; every change of a setpoint raises it.
setpoint_version = Table(
    "setpoint_version",
    metadata,
    Column("one", Integer, primary_key=True, autoincrement=False),
    Column("version", Whole, nullable=False),
    CheckConstraint("one = 1", name="one_row"),
    sqlite_strict=True,
)
