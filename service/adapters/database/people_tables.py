"""People, sessions, tokens, and what was changed by whom: the tables, as `tables` has the others.

Of passwords only argon2 hashes are here, of the secrets of sessions and tokens only SHA-256.
"""

from sqlalchemy import Column, ForeignKey, Index, Table

from service.adapters.database.tables import Flag, Text, Whole, metadata

audit_entry = Table(
    "audit_entry",
    metadata,
    Column("number", Whole, primary_key=True),
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

person = Table(
    "person",
    metadata,
    Column("name", Text, primary_key=True),
    Column("full_name", Text, nullable=False),
    Column("role", Whole, nullable=False),
    Column("password_hash", Text, nullable=False),
    Column("must_change", Flag, nullable=False),
    Column("added_ns", Whole, nullable=False),
    Column("locked_ns", Whole),
    sqlite_strict=True,
)

session = Table(
    "session",
    metadata,
    Column("secret_hash", Text, primary_key=True),
    Column("name", Text, ForeignKey("person.name"), nullable=False, index=True),
    Column("opened_ns", Whole, nullable=False),
    Column("seen_ns", Whole, nullable=False),
    Column("ends_ns", Whole, nullable=False),
    sqlite_strict=True,
)

token = Table(
    "token",
    metadata,
    Column("name", Text, primary_key=True),
    Column("role", Whole, nullable=False),
    Column("only", Text, nullable=False),  # parts of the API with blanks between them; empty: all
    Column("secret_hash", Text, nullable=False, unique=True),
    Column("added_ns", Whole, nullable=False),
    Column("added_by", Text, nullable=False),
    Column("expires_ns", Whole, nullable=False),
    Column("used_ns", Whole),
    Column("revoked_ns", Whole),
    sqlite_strict=True,
)

guess_count = Table(
    "guess_count",
    metadata,
    Column("key", Text, primary_key=True),
    Column("count", Whole, nullable=False),
    Column("last_ns", Whole, nullable=False, index=True),
    sqlite_strict=True,
)
