"""People, sessions, tokens, and what was changed by whom."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add new tables."""
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
