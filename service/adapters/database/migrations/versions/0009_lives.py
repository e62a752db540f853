"""Why chains came off, sprockets, and what was done about lubrication."""

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """Add new tables."""
