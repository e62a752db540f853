"""Alerts and every transition of them: the tables, as `tables` has the others.

A transition is never changed; the row of an alert is what its transitions come to, kept so that nobody must replay them
to look at it. Columns for what is filtered or counted; what is only shown is JSON.
"""

from sqlalchemy import CheckConstraint, Column, Index, Table, UniqueConstraint

from service.adapters.database.tables import Flag, Text, Whole, metadata

alert_transition = Table(
    "alert_transition",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("alert_id", Text, nullable=False),
    Column("seq", Whole, nullable=False),
    Column("drive_id", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("event", Text, nullable=False),
    Column("by_whom", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("true_ns", Whole, nullable=False),
    Column("recorded_ns", Whole, nullable=False),
    Column("until_ns", Whole),
    Column("facts", Text),  # JSON
    Column("asked_priority", Whole),  # what the act brought; NULL: it left the priority as it was
    Column("work_order", Text, nullable=False),
    Column("key", Text, unique=True),
    Column("before", Text, nullable=False),
    Column("after", Text, nullable=False),
    Column("holds_before", Text, nullable=False),  # JSON
    Column("holds", Text, nullable=False),  # JSON
    Column("annunciates", Flag, nullable=False),
    Column("priority", Whole, nullable=False),
    UniqueConstraint("alert_id", "seq", name="one_after_the_other"),
    Index("alert_transition_drive", "drive_id", "number"),
    Index("alert_transition_recorded", "recorded_ns"),
    sqlite_autoincrement=True,  # who has read up to a number must never find another transition under it
    sqlite_strict=True,
)

alert = Table(
    "alert",
    metadata,
    Column("alert_id", Text, primary_key=True),
    Column("drive_id", Text, nullable=False, index=True),
    Column("kind", Text, nullable=False),
    Column("seq", Whole, nullable=False),
    Column("number", Whole, nullable=False),
    Column("annunciation", Text, nullable=False),
    Column("held", Text, nullable=False),  # JSON
    Column("priority", Whole, nullable=False),
    Column("occurrences", Whole, nullable=False),
    Column("since_ns", Whole),
    Column("changed_ns", Whole, nullable=False),
    Column("cleared_ns", Whole),
    Column("facts", Text),  # JSON
    Column("acknowledged_by", Text, nullable=False),
    Column("acknowledged_ns", Whole),
    Column("work_order", Text, nullable=False),
    Column("last_event", Text),
    Column("last_by", Text, nullable=False),
    Column("stands", Flag, nullable=False, index=True),
    CheckConstraint("seq > 0", name="something_happened"),
    sqlite_strict=True,
)
