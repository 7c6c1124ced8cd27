"""A secret that replaces another keeps it for a while; an evening brief may stay away."""

from __future__ import annotations

import datetime as dt

import sqlalchemy as sa
from alembic import op

from alertd.store.columns import UtcDateTime

revision = "r0006"
down_revision = "r0005"
branch_labels = None
depends_on = None

OLD_HOLDS = dt.timedelta(hours=24)


def upgrade() -> None:
    """Add columns; briefs come as before. A second secret, so far parted by a blank, holds for a day."""
    op.add_column("subscribers", sa.Column("old_secret", sa.Text(), nullable=False, server_default=""))
    op.add_column("subscribers", sa.Column("old_secret_until", sa.DateTime(timezone=True), nullable=True))
    op.add_column(
        "preferences", sa.Column("evening_quiet", sa.Boolean(), nullable=False, server_default=sa.false())
    )
    subscribers = sa.table(
        "subscribers",
        sa.column("id", sa.String()),
        sa.column("secret", sa.Text()),
        sa.column("old_secret", sa.Text()),
        sa.column("old_secret_until", UtcDateTime()),
    )
    until = dt.datetime.now(dt.UTC) + OLD_HOLDS
    bind = op.get_bind()
    for key, secret in bind.execute(sa.select(subscribers.c.id, subscribers.c.secret)).all():
        first, _, second = secret.strip().partition(" ")
        if second:
            bind.execute(
                sa.update(subscribers)
                .where(subscribers.c.id == key)
                .values(secret=first, old_secret=second.split()[0], old_secret_until=until)
            )
