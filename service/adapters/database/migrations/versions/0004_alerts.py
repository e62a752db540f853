"""Alerts and every transition of them."""

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add new tables."""
