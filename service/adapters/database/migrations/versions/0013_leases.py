"""Processes that work on the store, and which of them does which task."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add new tables."""
    op.create_table(
        "holder",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("beat", WHOLE, nullable=False),
        sa.Column("ready_for", sa.Text(), nullable=False),
        sa.Column("at_ns", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("name"),
        sqlite_strict=True,
    )
    op.create_table(
        "lease",
        sa.Column("task", sa.Text(), nullable=False),
        sa.Column("holder", sa.Text(), nullable=False),
        sa.Column("term", WHOLE, nullable=False),
        sa.Column("since_ns", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("task"),
        sqlite_strict=True,
    )
