"""How people want to be told: preferences, digests, briefs."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0003"
down_revision = "r0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add columns and tables; who is there already is told as before."""
    op.add_column("outbox", sa.Column("handed_over_from", sa.Text(), nullable=True))
    op.add_column("outbox", sa.Column("digest_id", sa.String(length=64), nullable=True))
    for_digest = sa.text("state = 'pending' AND ready_at IS NULL")
    op.create_index(
        "ix_outbox_for_digest",
        "outbox",
        ["due_at"],
        unique=False,
        sqlite_where=for_digest,
        postgresql_where=for_digest,
    )
    op.create_table(
        "preferences",
        sa.Column("subscriber_id", sa.String(length=64), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("kinds", sa.JSON(), nullable=False),
        sa.Column("least_level", sa.Integer(), nullable=False),
        sa.Column("digest_hour", sa.Integer(), nullable=True),
        sa.Column("weekly_day", sa.Integer(), nullable=False),
        sa.Column("weekly_hour", sa.Integer(), nullable=True),
        sa.Column("evening_hour", sa.Integer(), nullable=True),
        sa.Column("hand_over_to", sa.String(length=64), nullable=True),
        sa.Column("hand_over_after_h", sa.Integer(), nullable=False),
        sa.Column("one_a_day", sa.Boolean(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["subscriber_id"], ["subscribers.id"], name=op.f("fk_preferences_subscriber_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["hand_over_to"], ["subscribers.id"], name=op.f("fk_preferences_hand_over_to")
        ),
        sa.PrimaryKeyConstraint("subscriber_id", name=op.f("pk_preferences")),
    )
    op.create_table(
        "site_preferences",
        sa.Column("subscriber_id", sa.String(length=64), nullable=False),
        sa.Column("site_id", sa.String(length=64), nullable=False),
        sa.Column("least_level", sa.Integer(), nullable=True),
        sa.Column("digest_hour", sa.Integer(), nullable=True),
        sa.Column("at_once", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["subscriber_id"],
            ["subscribers.id"],
            name=op.f("fk_site_preferences_subscriber_id"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["site_id"], ["sites.id"], name=op.f("fk_site_preferences_site_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("subscriber_id", "site_id", name=op.f("pk_site_preferences")),
    )
    op.create_index(op.f("ix_site_preferences_site_id"), "site_preferences", ["site_id"], unique=False)
    op.create_table(
        "briefs",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("subscriber_id", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("local_day", sa.Date(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("hour", sa.Integer(), nullable=False),
        sa.Column("weekday", sa.Integer(), nullable=True),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("ready_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("settled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("generation", sa.Integer(), nullable=False),
        sa.Column("last_error", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["subscriber_id"], ["subscribers.id"], name=op.f("fk_briefs_subscriber_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_briefs")),
    )
    op.create_index(
        "ix_briefs_ready",
        "briefs",
        ["ready_at"],
        unique=False,
        sqlite_where=sa.text("ready_at IS NOT NULL"),
        postgresql_where=sa.text("ready_at IS NOT NULL"),
    )
    op.create_index(op.f("ix_briefs_subscriber_id"), "briefs", ["subscriber_id"], unique=False)
