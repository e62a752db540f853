"""Measurements by hand may be kept on a phone and sent later: stored once by their key, with the time of the phone's clock."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add two columns, which rewrites no row, and what keeps a key from being used twice."""
    op.add_column("hand_value", sa.Column("told_ns", WHOLE))
    op.add_column("hand_value", sa.Column("key", sa.Text()))
    op.create_index("hand_value_key", "hand_value", ["drive_id", "key"], unique=True)
