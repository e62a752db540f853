"""What of readings stays here where the readings themselves are in another store: the tables, as `tables` has the others.

They stand apart from those of the readings that are stored here, so that neither is taken for the other when a plant changes
from one to the other.
"""

from sqlalchemy import Column, Index, Integer, Table

from service.adapters.database.tables import Flag, Text, Whole, metadata, reading

# The newest reading of each drive (measured 0), and the newest that has an elongation (measured 1), as they are.
series_newest = Table(
    "series_newest",
    metadata,
    Column("drive_no", Integer, primary_key=True, autoincrement=False),
    Column("measured", Flag, primary_key=True, autoincrement=False),
    *(Column(column.name, column.type, nullable=column.nullable) for column in list(reading.c)[1:]),
    sqlite_with_rowid=False,
    sqlite_strict=True,
)

# Intervals whose roll-up lags behind. `changes` counts up, so that what comes while one is made is not lost.
series_due = Table(
    "series_due",
    metadata,
    Column("resolution_s", Integer, primary_key=True, autoincrement=False),
    Column("end_ns", Whole, primary_key=True, autoincrement=False),
    Column("drive_no", Integer, primary_key=True, autoincrement=False),
    Column("changes", Whole, nullable=False),
    Index("series_due_drive", "drive_no", "resolution_s", "end_ns"),
    sqlite_with_rowid=False,
    sqlite_strict=True,
)

# Roll-ups that a corrected reading has left: these may come to be over fewer readings.
series_left = Table(
    "series_left",
    metadata,
    Column("resolution_s", Integer, primary_key=True, autoincrement=False),
    Column("end_ns", Whole, primary_key=True, autoincrement=False),
    Column("drive_no", Integer, primary_key=True, autoincrement=False),
    Column("chain_no", Integer, primary_key=True, autoincrement=False),
    sqlite_with_rowid=False,
    sqlite_strict=True,
)

# Which of the points under one identity counts, where one was corrected; without a row, the first.
series_revision = Table(
    "series_revision",
    metadata,
    Column("drive_no", Integer, primary_key=True, autoincrement=False),
    Column("t0_ns", Whole, primary_key=True, autoincrement=False),
    Column("seq", Whole, primary_key=True, autoincrement=False),
    Column("device", Text, primary_key=True),
    Column("rev", Whole, nullable=False),
    sqlite_with_rowid=False,
    sqlite_strict=True,
)
