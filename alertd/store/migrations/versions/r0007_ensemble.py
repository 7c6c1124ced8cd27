"""Beside the errors that were learnt, the spread of an ensemble by its model."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0007"
down_revision = "r0006"
branch_labels = None
depends_on = None

TABLE, KEY = "forecast_errors", "pk_forecast_errors"


def upgrade() -> None:
    """Add the model, empty for what was learnt, and make it part of the key."""
    with op.batch_alter_table(TABLE) as table:
        table.add_column(sa.Column("model", sa.String(length=64), nullable=False, server_default=""))
        table.drop_constraint(op.f(KEY), type_="primary")
        table.create_primary_key(op.f(KEY), ["cell_key", "zone", "learnt_at", "model"])
