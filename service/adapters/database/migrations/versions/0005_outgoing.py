"""Routes, and what is on its way along them."""

import secrets

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Add new tables, and give the store its name."""
    op.create_table(
        "route",
        sa.Column("route_id", sa.Text(), nullable=False),
        *(sa.Column(name, sa.Text(), nullable=False) for name in ("way", "name", "target", "secret")),
        *(
            sa.Column(name, sa.Text(), nullable=False)
            for name in ("sites", "areas", "lines", "drives", "kinds", "shifts")
        ),
        sa.Column("least_priority", sa.Integer(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("documents", sa.Integer(), nullable=False),
        sa.Column("digest_min", sa.Integer(), nullable=False),
        sa.Column("quiet_start_min", sa.Integer()),
        sa.Column("quiet_to_min", sa.Integer()),
        sa.Column("quiet_through", sa.Integer()),
        sa.Column("escalation_after_s", sa.Integer()),
        sa.Column("enabled", sa.Integer(), nullable=False),
        sa.Column("allow_private", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("route_id"),
        sqlite_strict=True,
    )
    op.create_table(
        "delivery",
        sa.Column("route_id", sa.Text(), nullable=False),
        sa.Column("position", WHOLE, nullable=False),
        sa.Column("failures", WHOLE, nullable=False),
        sa.Column("failing_since_ns", WHOLE),
        sa.Column("next_try_ns", WHOLE, nullable=False),
        sa.Column("error", sa.Text(), nullable=False),
        sa.Column("error_ns", WHOLE),
        sa.Column("success_ns", WHOLE),
        sa.Column("sent", WHOLE, nullable=False),
        sa.Column("off_why", sa.Text(), nullable=False),
        sa.Column("test_ns", WHOLE),
        sa.Column("test_error", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["route_id"], ["route.route_id"]),
        sa.PrimaryKeyConstraint("route_id"),
        sqlite_strict=True,
    )
    _make_outgoing()
    named = op.create_table(
        "store_name",
        sa.Column("one", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.CheckConstraint("one = 1", name="one_row"),
        sa.PrimaryKeyConstraint("one"),
        sqlite_strict=True,
    )
    op.bulk_insert(named, [{"one": 1, "name": secrets.token_hex(8)}])


def _make_outgoing() -> None:
    op.create_table(
        "outgoing",
        sa.Column("row", sa.Integer(), nullable=False),
        sa.Column("route_id", sa.Text(), nullable=False),
        *(
            sa.Column(name, sa.Text(), nullable=False)
            for name in ("kind", "lane", "alert_id", "event_id", "event")
        ),
        *(sa.Column(name, WHOLE, nullable=False) for name in ("made_ns", "due_ns", "tries", "next_try_ns")),
        sa.Column("error", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["route_id"], ["route.route_id"]),
        sa.PrimaryKeyConstraint("row"),
        sa.UniqueConstraint("route_id", "event_id", name="once_on_its_way"),
        sqlite_autoincrement=True,
        sqlite_strict=True,
    )
    op.create_index("outgoing_lane", "outgoing", ["route_id", "lane", "row"])
