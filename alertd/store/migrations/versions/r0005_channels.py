"""Each channel finds its own due messages, however many of another have piled up."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "r0005"
down_revision = "r0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the index."""
    unsettled = sa.text("ready_at IS NOT NULL")
    op.create_index(
        "ix_outbox_channel_ready",
        "outbox",
        ["channel", "ready_at", "id"],
        sqlite_where=unsettled,
        postgresql_where=unsettled,
    )
