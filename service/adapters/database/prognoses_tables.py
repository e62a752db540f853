"""Prognoses, kept as they were made: the tables, as `tables` has the others."""

from sqlalchemy import Column, Index, Table

from service.adapters.database.tables import Flag, Number, Text, Whole, metadata

prognosis = Table(
    "prognosis",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("drive_id", Text, nullable=False),
    Column("chain_id", Text, nullable=False),
    Column("made_ns", Whole, nullable=False),
    Column("first_of_day", Flag, nullable=False),  # of its chain, in UTC: these stay
    Column("outcome", Text, nullable=False),
    Column("set_point_pct", Number, nullable=False),
    Column("p10_ns", Whole),
    Column("p50_ns", Whole),
    Column("p90_ns", Whole),
    Column("version", Text, nullable=False),
    Column("document", Text, nullable=False),  # JSON
    sqlite_strict=True,
    sqlite_autoincrement=True,  # a number that went never comes again: pages of results go by it
)
Index("prognosis_by_drive", prognosis.c.drive_id, prognosis.c.made_ns)
Index("prognosis_by_chain", prognosis.c.chain_id, prognosis.c.made_ns)
