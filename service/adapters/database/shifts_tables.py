"""Sites with their shifts, work in hand, notes, handovers: the tables, as `tables` has the others.

What is frozen or signed is never changed, whoever asks: the tables of handovers, signatures, receipts and notes refuse it.
"""

from sqlalchemy import (
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Table,
    UniqueConstraint,
)

from service.adapters.database.dialect import keep_as_it_is
from service.adapters.database.tables import Text, Whole, metadata

site = Table(
    "site",
    metadata,
    Column("site", Text, primary_key=True),
    Column("zone", Text, nullable=False),
    Column("slots", Text, nullable=False),  # JSON
    sqlite_strict=True,
)

work_in_hand = Table(
    "work_in_hand",
    metadata,
    Column("work_id", Whole, primary_key=True),
    Column("drive_id", Text, ForeignKey("drive.drive_id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("since_ns", Whole, nullable=False),
    Column("by_whom", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("work_order", Text, nullable=False),
    Column("recorded_ns", Whole, nullable=False),
    Column("closed_ns", Whole),
    Column("closed_by", Text, nullable=False),
    Column("closed_why", Text, nullable=False),
    Column("closed_recorded_ns", Whole),
    CheckConstraint("(closed_ns IS NULL) = (closed_recorded_ns IS NULL)", name="closed_or_not"),
    Index("work_in_hand_open", "closed_recorded_ns", "drive_id"),
    sqlite_autoincrement=True,  # a number that people have quoted is never given out again
    sqlite_strict=True,
)

note = Table(
    "note",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("site", Text, nullable=False),
    Column("drive_id", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("true_ns", Whole, nullable=False),
    Column("recorded_ns", Whole, nullable=False),
    Column("by_whom", Text, nullable=False),
    Index("note_site", "site", "recorded_ns"),
    sqlite_autoincrement=True,
    sqlite_strict=True,
)

handover = Table(
    "handover",
    metadata,
    Column("number", Whole, primary_key=True),
    Column("site", Text, nullable=False),
    Column("shift", Text, nullable=False),
    Column("from_ns", Whole, nullable=False),
    Column("to_ns", Whole, nullable=False),
    Column("frozen_ns", Whole, nullable=False),
    Column("frozen_by", Text, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("content", Text, nullable=False),
    UniqueConstraint("site", "from_ns", "to_ns", name="frozen_once"),
    Index("handover_cut_off", "to_ns"),
    sqlite_autoincrement=True,
    sqlite_strict=True,
)

handover_signature = Table(
    "handover_signature",
    metadata,
    Column("handover", Whole, ForeignKey("handover.number"), primary_key=True, autoincrement=False),
    Column("role", Text, primary_key=True),
    Column("name", Text, nullable=False),
    Column("by_whom", Text, nullable=False),
    Column("at_ns", Whole, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("remark", Text, nullable=False),
    sqlite_strict=True,
)

handover_receipt = Table(
    "handover_receipt",
    metadata,
    Column("handover", Whole, ForeignKey("handover.number"), primary_key=True, autoincrement=False),
    Column("system", Text, primary_key=True),
    Column("at_ns", Whole, nullable=False),
    Column("by_whom", Text, nullable=False),
    Column("reference", Text, nullable=False),
    sqlite_strict=True,
)

for _table in (note, handover, handover_signature, handover_receipt):
    keep_as_it_is(_table)
