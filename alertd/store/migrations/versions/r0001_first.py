"""The first tables: firms, sites, subscribers, weather, season, episodes, alerts, outbox, ticks."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make every table and the default firm."""
    firms = op.create_table(
        "firms",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_firms")),
    )
    op.bulk_insert(firms, [{"id": "default", "name": "default"}])
    op.create_table(
        "heartbeats",
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_heartbeats")),
    )
    op.create_table(
        "http_cache",
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("url", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("headers", sa.JSON(), nullable=False),
        sa.Column("fetched_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_http_cache")),
    )
    op.create_index(op.f("ix_http_cache_fetched_at"), "http_cache", ["fetched_at"], unique=False)
    op.create_table(
        "leads",
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("owner", sa.Text(), nullable=False),
        sa.Column("generation", sa.Integer(), nullable=False),
        sa.Column("lease_until", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_leads")),
    )
    op.create_table(
        "ticks",
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_started_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_ok_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_ticks")),
    )
    op.create_table(
        "weather",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("cell_key", sa.String(length=64), nullable=False),
        sa.Column("latitude_deg", sa.Double(), nullable=False),
        sa.Column("longitude_deg", sa.Double(), nullable=False),
        sa.Column("elevation_m", sa.Double(), nullable=True),
        sa.Column("provider", sa.Text(), nullable=False),
        sa.Column("issued_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("fetched_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("start_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("end_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("hours", sa.Integer(), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.Column("attribution", sa.Text(), nullable=False),
        sa.Column("dropped", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_weather")),
        sa.UniqueConstraint(
            "cell_key", "provider", "fetched_at", name=op.f("uq_weather_cell_key_provider_fetched_at")
        ),
    )
    op.create_index("ix_weather_cell_key_fetched_at", "weather", ["cell_key", "fetched_at"], unique=False)
    op.create_index("ix_weather_fetched_at", "weather", ["fetched_at"], unique=False)
    op.create_table(
        "sites",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("firm_id", sa.String(length=64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("latitude_deg", sa.Double(), nullable=False),
        sa.Column("longitude_deg", sa.Double(), nullable=False),
        sa.Column("elevation_m", sa.Double(), nullable=True),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("climate", sa.Text(), nullable=False),
        sa.Column("materials", sa.JSON(), nullable=False),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("profile", sa.Text(), nullable=False),
        sa.Column("limits", sa.JSON(), nullable=False),
        sa.Column("biofix", sa.Date(), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("removed_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["firm_id"], ["firms.id"], name=op.f("fk_sites_firm_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sites")),
    )
    op.create_index(
        "uq_sites_firm_id_name_key",
        "sites",
        ["firm_id", "name_key"],
        unique=True,
        sqlite_where=sa.text("removed_at IS NULL"),
        postgresql_where=sa.text("removed_at IS NULL"),
    )
    op.create_table(
        "subscribers",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("firm_id", sa.String(length=64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("secret", sa.Text(), nullable=False),
        sa.Column("units", sa.Text(), nullable=False),
        sa.Column("wake_hour", sa.Integer(), nullable=False),
        sa.Column("rest_hour", sa.Integer(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("removed_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["firm_id"], ["firms.id"], name=op.f("fk_subscribers_firm_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_subscribers")),
    )
    op.create_index(
        "uq_subscribers_firm_id_name_key",
        "subscribers",
        ["firm_id", "name_key"],
        unique=True,
        sqlite_where=sa.text("removed_at IS NULL"),
        postgresql_where=sa.text("removed_at IS NULL"),
    )
    op.create_table(
        "episodes",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("site_id", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("level", sa.Integer(), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("alerts", sa.Integer(), nullable=False),
        sa.Column("memory", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_episodes_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_episodes")),
    )
    op.create_index(op.f("ix_episodes_site_id"), "episodes", ["site_id"], unique=False)
    op.create_index(
        "uq_episodes_open",
        "episodes",
        ["site_id", "kind", "subject"],
        unique=True,
        sqlite_where=sa.text("closed_at IS NULL"),
        postgresql_where=sa.text("closed_at IS NULL"),
    )
    op.create_table(
        "plantings",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("site_id", sa.String(length=64), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("host", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("planted_on", sa.Date(), nullable=True),
        sa.Column("soil", sa.Text(), nullable=False),
        sa.Column("root_depth_m", sa.Double(), nullable=True),
        sa.Column("irrigation", sa.Text(), nullable=False),
        sa.Column("irrigation_mm_per_week", sa.Double(), nullable=True),
        sa.Column("exposure", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["site_id"], ["sites.id"], name=op.f("fk_plantings_site_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plantings")),
    )
    op.create_index(op.f("ix_plantings_site_id"), "plantings", ["site_id"], unique=False)
    op.create_table(
        "season_state",
        sa.Column("site_id", sa.String(length=64), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["site_id"], ["sites.id"], name=op.f("fk_season_state_site_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("site_id", "day", name=op.f("pk_season_state")),
    )
    op.create_table(
        "subscriptions",
        sa.Column("subscriber_id", sa.String(length=64), nullable=False),
        sa.Column("site_id", sa.String(length=64), nullable=False),
        sa.Column("kinds", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["site_id"], ["sites.id"], name=op.f("fk_subscriptions_site_id"), ondelete="CASCADE"
        ),
        sa.ForeignKeyConstraint(
            ["subscriber_id"],
            ["subscribers.id"],
            name=op.f("fk_subscriptions_subscriber_id"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("subscriber_id", "site_id", name=op.f("pk_subscriptions")),
    )
    op.create_index(op.f("ix_subscriptions_site_id"), "subscriptions", ["site_id"], unique=False)
    op.create_table(
        "alerts",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("firm_id", sa.String(length=64), nullable=False),
        sa.Column("site_id", sa.String(length=64), nullable=False),
        sa.Column("episode_id", sa.String(length=64), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("level", sa.Integer(), nullable=False),
        sa.Column("change", sa.Text(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("evidence", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["episode_id"], ["episodes.id"], name=op.f("fk_alerts_episode_id")),
        sa.ForeignKeyConstraint(["firm_id"], ["firms.id"], name=op.f("fk_alerts_firm_id")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_alerts_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alerts")),
        sa.UniqueConstraint("episode_id", "sequence", name=op.f("uq_alerts_episode_id_sequence")),
    )
    op.create_index("ix_alerts_firm_id_made_at", "alerts", ["firm_id", "made_at"], unique=False)
    op.create_index("ix_alerts_site_id_made_at", "alerts", ["site_id", "made_at"], unique=False)
    op.create_table(
        "outbox",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("alert_id", sa.String(length=64), nullable=False),
        sa.Column("subscriber_id", sa.String(length=64), nullable=False),
        sa.Column("channel", sa.String(length=20), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("queued_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ready_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("settled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("crashes", sa.Integer(), nullable=False),
        sa.Column("generation", sa.Integer(), nullable=False),
        sa.Column("lease_owner", sa.Text(), nullable=True),
        sa.Column("lease_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["alert_id"], ["alerts.id"], name=op.f("fk_outbox_alert_id")),
        sa.ForeignKeyConstraint(["subscriber_id"], ["subscribers.id"], name=op.f("fk_outbox_subscriber_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
        sa.UniqueConstraint(
            "alert_id", "subscriber_id", "channel", name=op.f("uq_outbox_alert_id_subscriber_id_channel")
        ),
    )
    op.create_index(
        "ix_outbox_expires",
        "outbox",
        ["expires_at"],
        unique=False,
        sqlite_where=sa.text("ready_at IS NOT NULL"),
        postgresql_where=sa.text("ready_at IS NOT NULL"),
    )
    op.create_index(
        "ix_outbox_ready",
        "outbox",
        ["ready_at", "id"],
        unique=False,
        sqlite_where=sa.text("ready_at IS NOT NULL"),
        postgresql_where=sa.text("ready_at IS NOT NULL"),
    )
    op.create_index(op.f("ix_outbox_subscriber_id"), "outbox", ["subscriber_id"], unique=False)
    op.create_table(
        "deliveries",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("message_id", sa.String(length=64), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["message_id"], ["outbox.id"], name=op.f("fk_deliveries_message_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deliveries")),
    )
    op.create_index(op.f("ix_deliveries_message_id"), "deliveries", ["message_id"], unique=False)
