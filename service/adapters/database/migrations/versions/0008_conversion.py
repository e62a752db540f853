"""Readings say which conversion made them; what baselines hold of long and short links is against nominal, as new readings are.

Conversion 1 left out of the elongation by alternation what inner links were made over nominal: 0.075 %, the middle of 0 to
0.15 % (service/core/alternation.py). Readings stay as they were stated; a baseline is there to be held against new ones.
"""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"

NUMBER: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")


def upgrade() -> None:
    """Add a column, which rewrites no row however many there are, and put the few baselines right."""
    for table in ("reading", "superseded_reading"):
        op.add_column(
            table, sa.Column("conversion", sa.Integer(), server_default=sa.text("1"), nullable=False)
        )
    up, down = sa.column("up_alternation_pct", NUMBER), sa.column("down_alternation_pct", NUMBER)
    baseline = sa.table("baseline", up, down)
    op.execute(baseline.update().values({each: each + 0.075 * (1 + each / 100) for each in (up, down)}))
