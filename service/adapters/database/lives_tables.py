"""Why chains came off, sprockets, and what was done about lubrication: the tables, as `tables` has the others.

Removals and inspections are only ever added; of a sprocket only its end is written once, of upkeep only that it was struck.
"""

from sqlalchemy import CheckConstraint, Column, ForeignKey, Index, Table

from service.adapters.database.dialect import keep_as_it_is
from service.adapters.database.tables import Flag, Number, Text, Whole, metadata

chain_removal = Table(
    "chain_removal",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("chain_id", Text, ForeignKey("chain.chain_id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("elongation_pct", Number),
    Column("u_pct", Number),
    Column("source", Text, nullable=False),
    Column("measured_ns", Whole),
    Column("passages", Number),
    Column("hours", Number),
    Column("by_whom", Text, nullable=False),
    Column("recorded_ns", Whole, nullable=False),
    Column("note", Text, nullable=False),
    Index("chain_removal_chain", "chain_id", "number"),
    sqlite_autoincrement=True,
    sqlite_strict=True,
)

sprocket = Table(
    "sprocket",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("drive_id", Text, ForeignKey("drive.drive_id"), nullable=False),
    Column("place", Text, nullable=False),
    Column("teeth", Whole),
    Column("note", Text, nullable=False),
    Column("fitted_ns", Whole, nullable=False),
    Column("recorded_ns", Whole, nullable=False),
    Column("by_whom", Text, nullable=False),
    Column("removed_ns", Whole),
    Column("removed_why", Text, nullable=False),
    Column("removed_by", Text, nullable=False),
    CheckConstraint("removed_ns IS NULL OR removed_ns > fitted_ns", name="on_before_off"),
    Index("sprocket_drive", "drive_id", "place", "fitted_ns"),
    sqlite_autoincrement=True,
    sqlite_strict=True,
)

inspection = Table(
    "inspection",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("sprocket", Whole, ForeignKey("sprocket.number"), nullable=False),
    Column("inspected_ns", Whole, nullable=False),
    Column("worn", Flag, nullable=False),
    Column("note", Text, nullable=False),
    Column("by_whom", Text, nullable=False),
    Column("recorded_ns", Whole, nullable=False),
    Index("inspection_sprocket", "sprocket", "inspected_ns"),
    sqlite_autoincrement=True,
    sqlite_strict=True,
)

upkeep = Table(
    "upkeep",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("drive_id", Text, ForeignKey("drive.drive_id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("at_ns", Whole, nullable=False),
    Column("lubricant", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("by_whom", Text, nullable=False),
    Column("recorded_ns", Whole, nullable=False),
    Column("struck_ns", Whole),
    Column("struck_by", Text, nullable=False),
    Index("upkeep_drive", "drive_id", "at_ns"),
    sqlite_autoincrement=True,
    sqlite_strict=True,
)

for _table in (chain_removal, inspection):
    keep_as_it_is(_table)
