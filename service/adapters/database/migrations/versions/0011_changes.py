"""Planned stops, supply, and duty as people plan it."""

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    """Add new tables."""
