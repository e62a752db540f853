"""Sites with their shifts, work in hand, notes, handovers."""

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Add new tables."""
