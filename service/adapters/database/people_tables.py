"""People, sessions, tokens, and what was changed by whom: the tables, as `tables` has the others.

Of passwords only argon2 hashes are here, of the secrets of sessions and tokens only SHA-256.
"""

from sqlalchemy import Column, Index, Integer, Table, Text

from service.adapters.database.tables import Whole, metadata

audit_entry = Table(
    "audit_entry",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("at_ns", Whole, nullable=False),
    Column("by", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("old", Text, nullable=False),  # JSON
    Column("new", Text, nullable=False),  # JSON
    Column("why", Text, nullable=False),
    Index("audit_entry_subject", "subject", "number"),
    sqlite_autoincrement=True,  # a number that is missing shows that an entry was taken out
    sqlite_strict=True,
)
