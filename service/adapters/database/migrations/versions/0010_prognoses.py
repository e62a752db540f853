"""Prognoses, kept as they were made."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NUMBER: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")


def upgrade() -> None:
    """Add a new table."""
    op.create_table(
        "prognosis",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("drive_id", sa.Text(), nullable=False),
        sa.Column("chain_id", sa.Text(), nullable=False),
        sa.Column("made_ns", WHOLE, nullable=False),
        sa.Column("first_of_day", sa.Integer(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("set_point_pct", NUMBER, nullable=False),
        sa.Column("p10_ns", WHOLE),
        sa.Column("p50_ns", WHOLE),
        sa.Column("p90_ns", WHOLE),
        sa.Column("version", sa.Text(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number"),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    op.create_index("prognosis_by_drive", "prognosis", ["drive_id", "made_ns"])
    op.create_index("prognosis_by_chain", "prognosis", ["chain_id", "made_ns"])
