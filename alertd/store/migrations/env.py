"""Alembic's entry: runs on the connection it is handed, inside the caller's transaction."""

from __future__ import annotations

from alembic import context

from alertd.store.models import Model


def run() -> None:
    """Run the wanted revisions."""
    context.configure(
        connection=context.config.attributes["connection"],
        target_metadata=Model.metadata,
        render_as_batch=True,
        transactional_ddl=True,  # SQLite can undo DDL, once the driver keeps its hands off
        compare_type=True,
    )
    with context.begin_transaction():
        context.run_migrations()


if __name__ == "env_py":  # the name alembic gives this file; whoever else imports it must not start anything
    run()
