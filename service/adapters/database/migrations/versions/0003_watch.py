"""What conditions are judged by: setpoints, what is due to be looked at, where the looking stands."""

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add new tables."""
