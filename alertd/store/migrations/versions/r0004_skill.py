"""What was learnt of forecasts: their errors by weather cell, corrections of chances by site."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0004"
down_revision = "r0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the tables; they fill as the forecasts on hand are looked back on."""
    op.create_table(
        "forecast_errors",
        sa.Column("cell_key", sa.String(length=64), nullable=False),
        sa.Column("zone", sa.String(length=64), nullable=False),
        sa.Column("learnt_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("days", sa.Integer(), nullable=False),
        sa.Column("spreads", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("cell_key", "zone", "learnt_at", name=op.f("pk_forecast_errors")),
    )
    op.create_table(
        "chance_corrections",
        sa.Column("site_id", sa.String(length=64), nullable=False),
        sa.Column("learnt_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("window_pairs", sa.Integer(), nullable=False),
        sa.Column("window_intercept", sa.Double(), nullable=True),
        sa.Column("window_slope", sa.Double(), nullable=True),
        sa.Column("spell_pairs", sa.Integer(), nullable=False),
        sa.Column("spell_intercept", sa.Double(), nullable=True),
        sa.Column("spell_slope", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["site_id"], ["sites.id"], name=op.f("fk_chance_corrections_site_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("site_id", "learnt_at", name=op.f("pk_chance_corrections")),
    )
