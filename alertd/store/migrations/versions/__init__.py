"""Alembic revisions, run by ``alertd.store.schema``."""
