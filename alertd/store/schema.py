"""The schema's version: what it is, what it should be, and the way there."""

from __future__ import annotations

from enum import StrEnum
from functools import cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, inspect

from alertd.errors import SchemaMismatch, StoreUnusable
from alertd.store.models import Model

_MIGRATIONS = Path(__file__).parent / "migrations"
_UPGRADE_LOCK = 0x616C7264


def alembic_config(connection: Connection | None = None) -> Config:
    """Return the settings alembic needs; there is no ini file."""
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config


@cache
def _revisions() -> tuple[str, ...]:
    """Return every revision this program knows, the newest first."""
    scripts = ScriptDirectory.from_config(alembic_config())
    return tuple(script.revision for script in scripts.walk_revisions())


def head_revision() -> str:
    """Return the revision this program wants."""
    return _revisions()[0]


def current_revision(connection: Connection) -> str | None:
    """Return the revision of the database, None for an empty one.

    Raises StoreUnusable if the tables in it are somebody else's.
    """
    revision = MigrationContext.configure(connection).get_current_revision()
    if revision is None and set(inspect(connection).get_table_names()) - {"alembic_version"}:
        raise StoreUnusable(
            "the database holds tables that are not alertd's; give alertd a database of its own"
        )
    return revision


class Fit(StrEnum):
    """How the schema of a database relates to the one this program wants."""

    SAME = "same"
    EMPTY = "empty"
    OLDER = "older"
    NEWER = "newer"


def schema_fit(current: str | None) -> Fit:
    """Return how a revision relates to this program; one it has never heard of is newer."""
    if current is None:
        return Fit.EMPTY
    if current == head_revision():
        return Fit.SAME
    return Fit.OLDER if current in _revisions() else Fit.NEWER


def misfit(fit: Fit, current: str | None, location: str) -> SchemaMismatch:
    """Return the error that says what to do about a schema that does not fit."""
    head = head_revision()
    told = {
        Fit.EMPTY: "holds no tables yet; run `alertd db upgrade`",
        Fit.OLDER: f"its schema {current} is older than this program needs ({head}); run `alertd db upgrade`",
        Fit.NEWER: f"its schema {current} is newer than this program knows ({head}); "
        "upgrade alertd, or restore a backup made by this version",
    }
    return SchemaMismatch(f"database {location}: {told[fit]}")


def upgrade(engine: Engine) -> None:
    """Bring the schema to the newest revision in one transaction; a second upgrader waits its turn."""
    with engine.connect() as connection:
        is_sqlite = connection.dialect.name == "sqlite"
        if is_sqlite:
            # A table rebuild drops the old table; with foreign keys on, that would delete what refers to it.
            connection.connection.cursor().execute("PRAGMA foreign_keys=OFF")
        try:
            with connection.begin():
                if not is_sqlite:
                    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_UPGRADE_LOCK})")
                command.upgrade(alembic_config(connection), "head")
                if is_sqlite:
                    _refuse_dangling(connection)
        finally:
            if is_sqlite:
                connection.connection.cursor().execute("PRAGMA foreign_keys=ON")


def _refuse_dangling(connection: Connection) -> None:
    dangling = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    if dangling:
        raise StoreUnusable(
            f"the upgrade would leave {len(dangling)} rows referring to nothing; it was undone"
        )


def schema_differences(connection: Connection) -> list[object]:
    """Return how the tables differ from the models; empty when the migrations are right."""
    from alembic.autogenerate import compare_metadata  # only for checks

    context = MigrationContext.configure(connection, opts={"compare_type": True})
    return list(compare_metadata(context, Model.metadata))
