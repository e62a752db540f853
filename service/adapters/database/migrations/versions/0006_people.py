"""People, sessions, tokens, and what was changed by whom."""

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add new tables."""
