"""Routes, and what is on its way along them."""

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add new tables."""
