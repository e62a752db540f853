"""Routes, and what is on its way along them: the tables, as `tables` has the others.

A route's target and secret may hold credentials: they are here as they were given, so the store's file is for its owner only.
"""

from sqlalchemy import (
    CheckConstraint,
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    Table,
    UniqueConstraint,
)

from service.adapters.database.tables import Flag, Text, Whole, metadata

route = Table(
    "route",
    metadata,
    Column("route_id", Text, primary_key=True),
    Column("way", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("target", Text, nullable=False),
    Column("secret", Text, nullable=False),
    Column("sites", Text, nullable=False),  # JSON, as are the filters that follow
    Column("areas", Text, nullable=False),
    Column("lines", Text, nullable=False),
    Column("drives", Text, nullable=False),
    Column("kinds", Text, nullable=False),
    Column("shifts", Text, nullable=False),
    Column("least_priority", Whole, nullable=False),
    Column("what", Text, nullable=False),
    Column("documents", Flag, nullable=False),
    Column("digest_min", Whole, nullable=False),
    Column("quiet_start_min", Whole),
    Column("quiet_to_min", Whole),
    Column("quiet_through", Whole),
    Column("escalation_after_s", Whole),
    Column("enabled", Flag, nullable=False),
    Column("allow_private", Flag, nullable=False),
    sqlite_strict=True,
)

# How each route gets on.
delivery = Table(
    "delivery",
    metadata,
    Column("route_id", Text, ForeignKey("route.route_id"), primary_key=True),
    Column("position", Whole, nullable=False),
    Column("failures", Whole, nullable=False),
    Column("failing_since_ns", Whole),
    Column("next_try_ns", Whole, nullable=False),
    Column("error", Text, nullable=False),
    Column("error_ns", Whole),
    Column("success_ns", Whole),
    Column("sent", Whole, nullable=False),
    Column("off_why", Text, nullable=False),
    Column("test_ns", Whole),
    Column("test_error", Text, nullable=False),
    sqlite_strict=True,
)

outgoing = Table(
    "outgoing",
    metadata,
    Column("row", Whole, primary_key=True),
    Column("route_id", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("lane", Text, nullable=False),
    Column("alert_id", Text, nullable=False),
    Column("event_id", Text, nullable=False),
    Column("event", Text, nullable=False),  # the CloudEvent, JSON
    Column("made_ns", Whole, nullable=False),
    Column("due_ns", Whole, nullable=False),
    Column("tries", Whole, nullable=False),
    Column("next_try_ns", Whole, nullable=False),
    Column("error", Text, nullable=False),
    ForeignKeyConstraint(["route_id"], ["route.route_id"]),
    UniqueConstraint("route_id", "event_id", name="once_on_its_way"),
    Index("outgoing_lane", "route_id", "lane", "row"),
    sqlite_autoincrement=True,  # a row's number is the order of its lane
    sqlite_strict=True,
)

# One row, made with the table: which store this is.
store_name = Table(
    "store_name",
    metadata,
    Column("one", Integer, primary_key=True, autoincrement=False),
    Column("name", Text, nullable=False),
    CheckConstraint("one = 1", name="one_row"),
    sqlite_strict=True,
)
