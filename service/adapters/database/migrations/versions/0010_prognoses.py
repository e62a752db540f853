"""Prognoses, kept as they were made."""

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Add new tables."""
