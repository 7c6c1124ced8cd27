"""People's own word: standing, snooze, acknowledgements, notices, bounces, keys."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0002"
down_revision = "r0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add columns and tables; subscribers that are there already stay active."""
    op.add_column(
        "subscribers",
        sa.Column("standing", sa.String(length=20), nullable=False, server_default="active"),
    )
    op.add_column("subscribers", sa.Column("standing_at", sa.DateTime(timezone=True), nullable=True))
    op.add_column("subscriptions", sa.Column("snoozed_until", sa.DateTime(timezone=True), nullable=True))
    op.create_table(
        "acknowledgements",
        sa.Column("subscriber_id", sa.String(length=64), nullable=False),
        sa.Column("episode_id", sa.String(length=64), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["subscriber_id"],
            ["subscribers.id"],
            name=op.f("fk_acknowledgements_subscriber_id"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["episode_id"], ["episodes.id"], name=op.f("fk_acknowledgements_episode_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("subscriber_id", "episode_id", name=op.f("pk_acknowledgements")),
    )
    op.create_index(op.f("ix_acknowledgements_episode_id"), "acknowledgements", ["episode_id"], unique=False)
    op.create_table(
        "notices",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("subscriber_id", sa.String(length=64), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("address_key", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("queued_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ready_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("tried_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("settled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("generation", sa.Integer(), nullable=False),
        sa.Column("last_error", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["subscriber_id"], ["subscribers.id"], name=op.f("fk_notices_subscriber_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notices")),
    )
    op.create_index("ix_notices_address_key_queued_at", "notices", ["address_key", "queued_at"], unique=False)
    op.create_index(
        "ix_notices_ready",
        "notices",
        ["ready_at"],
        unique=False,
        sqlite_where=sa.text("ready_at IS NOT NULL"),
        postgresql_where=sa.text("ready_at IS NOT NULL"),
    )
    op.create_index(op.f("ix_notices_subscriber_id"), "notices", ["subscriber_id"], unique=False)
    op.create_index(op.f("ix_notices_tried_at"), "notices", ["tried_at"], unique=False)
    op.create_table(
        "bounces",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("subscriber_id", sa.String(length=64), nullable=False),
        sa.Column("ref", sa.String(length=80), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("action", sa.String(length=20), nullable=False),
        sa.Column("status", sa.String(length=20), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["subscriber_id"], ["subscribers.id"], name=op.f("fk_bounces_subscriber_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bounces")),
        sa.UniqueConstraint("ref", "action", "status", name=op.f("uq_bounces_ref_action_status")),
    )
    op.create_index("ix_bounces_subscriber_id_at", "bounces", ["subscriber_id", "at"], unique=False)
    op.create_table(
        "keys",
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_keys")),
    )
