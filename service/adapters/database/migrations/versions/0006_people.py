"""People, sessions, tokens, and what was changed by whom."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add new tables."""
    _make_audit_entry()
    _make_person_and_session()
    _make_token()
    op.create_table(
        "guess_count",
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("count", WHOLE, nullable=False),
        sa.Column("last_ns", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("key"),
        sqlite_strict=True,
    )
    op.create_index("ix_guess_count_last_ns", "guess_count", ["last_ns"])


def _make_audit_entry() -> None:
    op.create_table(
        "audit_entry",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("at_ns", WHOLE, nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("old", sa.Text(), nullable=False),
        sa.Column("new", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number"),
        sqlite_autoincrement=True,
        sqlite_strict=True,
    )
    op.create_index("audit_entry_subject", "audit_entry", ["subject", "number"])


def _make_person_and_session() -> None:
    op.create_table(
        "person",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("full_name", sa.Text(), nullable=False),
        sa.Column("role", sa.Integer(), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("must_change", sa.Integer(), nullable=False),
        sa.Column("added_ns", WHOLE, nullable=False),
        sa.Column("locked_ns", WHOLE),
        sa.PrimaryKeyConstraint("name"),
        sqlite_strict=True,
    )
    op.create_table(
        "session",
        sa.Column("secret_hash", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("opened_ns", WHOLE, nullable=False),
        sa.Column("seen_ns", WHOLE, nullable=False),
        sa.Column("ends_ns", WHOLE, nullable=False),
        sa.ForeignKeyConstraint(["name"], ["person.name"]),
        sa.PrimaryKeyConstraint("secret_hash"),
        sqlite_strict=True,
    )
    op.create_index("ix_session_name", "session", ["name"])


def _make_token() -> None:
    op.create_table(
        "token",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Integer(), nullable=False),
        sa.Column("only", sa.Text(), nullable=False),
        sa.Column("secret_hash", sa.Text(), nullable=False),
        sa.Column("added_ns", WHOLE, nullable=False),
        sa.Column("added_by", sa.Text(), nullable=False),
        sa.Column("expires_ns", WHOLE, nullable=False),
        sa.Column("used_ns", WHOLE),
        sa.Column("revoked_ns", WHOLE),
        sa.PrimaryKeyConstraint("name"),
        sa.UniqueConstraint("secret_hash"),
        sqlite_strict=True,
    )
