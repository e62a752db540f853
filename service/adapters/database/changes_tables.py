"""Planned stops, supply, and duty as people plan it: the tables, as `tables` has the others."""

from sqlalchemy import Column, ForeignKey, Index, Table

from service.adapters.database.tables import Number, Text, Whole, metadata

planned_stop = Table(
    "planned_stop",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("name", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("area", Text, nullable=False),
    Column("line", Text, nullable=False),
    Column("starts_ns", Whole, nullable=False),
    Column("ends_ns", Whole, nullable=False),
    Column("note", Text, nullable=False),
    Column("by_whom", Text, nullable=False),
    Column("recorded_ns", Whole, nullable=False),
    sqlite_strict=True,
    sqlite_autoincrement=True,  # a number that went never comes again: pages and programs go by it
)
Index("planned_stop_end", planned_stop.c.ends_ns)

supply = Table(
    "supply",
    metadata,
    Column("scope", Text, primary_key=True),
    Column("name", Text, primary_key=True),
    Column("lead_days", Whole),
    Column("margin_days", Whole),
    Column("chain_price", Number),
    Column("change_price", Number),
    Column("stop_hour_price", Number),
    Column("currency", Text),
    Column("unplanned_h", Number),
    Column("ambient_low_c", Number),
    Column("ambient_high_c", Number),
    Column("centre_distance_mm", Number),
    Column("stock_number", Text),
    Column("why", Text, nullable=False),
    Column("by_whom", Text, nullable=False),
    Column("at_ns", Whole, nullable=False),
    sqlite_strict=True,
)

duty_plan = Table(
    "duty_plan",
    metadata,
    Column("drive_id", Text, ForeignKey("drive.drive_id"), primary_key=True),
    *(Column(f"hours_{day}", Number, nullable=False) for day in range(1, 8)),  # ISO 8601: Monday is 1
    Column("clock_per_hour", Number),
    Column("why", Text, nullable=False),
    Column("by_whom", Text, nullable=False),
    Column("at_ns", Whole, nullable=False),
    sqlite_strict=True,
)

plans_changed = Table(
    "plans_changed",
    metadata,
    Column("part", Text, primary_key=True),  # planned_stop, supply or duty_plan
    Column("at_ns", Whole, nullable=False),  # of the newest change, removals included
    sqlite_strict=True,
)
