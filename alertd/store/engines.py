"""Connections: one engine that writes, one that reads, set up so that a commit is on disk."""

from __future__ import annotations

import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from sqlalchemy import Engine, create_engine, event, make_url
from sqlalchemy.engine import URL, Connection
from sqlalchemy.exc import ArgumentError

from alertd.errors import ConfigError, StoreUnusable
from alertd.store.columns import to_json

BUSY_TIMEOUT_S = 30.0
READERS = 8
Version = tuple[int, int, int]

# The WAL-reset bug: a checkpoint racing with a commit can lose committed pages. Present from 3.7.0 to
# 3.51.2, mended in 3.51.3 and in the back-ports 3.44.6 and 3.50.7 (sqlite.org/wal.html, second hand).
_WAL_RESET_FIRST: Version = (3, 7, 0)
_WAL_RESET_LAST: Version = (3, 51, 2)
_WAL_RESET_MENDED: tuple[Version, ...] = ((3, 44, 6), (3, 50, 7))


def has_wal_reset_bug(version: Version) -> bool:
    """Return whether this SQLite can lose committed pages in WAL mode."""
    if not _WAL_RESET_FIRST <= version <= _WAL_RESET_LAST:
        return False
    return not any(version[:2] == mended[:2] and version >= mended for mended in _WAL_RESET_MENDED)


def newest_sqlite() -> ModuleType:
    """Return the newest SQLite module at hand: pysqlite3 if it is there and newer than Python's own."""
    try:
        import pysqlite3  # only there on some platforms
    except ImportError:
        return sqlite3
    newer = pysqlite3.sqlite_version_info > sqlite3.sqlite_version_info
    return pysqlite3 if newer else sqlite3


@dataclass(frozen=True, slots=True)
class Engines:
    """The two engines on one database and what they found."""

    url: URL
    writer: Engine
    reader: Engine
    driver: str
    version: str
    location: str
    path: Path | None = None
    sqlite: ModuleType | None = None
    warnings: tuple[str, ...] = ()

    def dispose(self) -> None:
        """Close every connection."""
        self.reader.dispose()
        self.writer.dispose()


def parse_url(url: str) -> URL:
    """Return the database URL with its driver named. Raises ConfigError naming the fix."""
    try:
        parsed = make_url(url)
    except ArgumentError as error:
        raise ConfigError(
            "database url: not readable; write sqlite:////var/lib/alertd/alertd.db or postgresql://user@host/name"
        ) from error
    match parsed.get_backend_name():
        case "sqlite" if parsed.database and parsed.database != ":memory:":
            return parsed.set(drivername="sqlite+pysqlite")
        case "sqlite":
            raise ConfigError("database url: name a file, like sqlite:////var/lib/alertd/alertd.db")
        case "postgresql":
            return parsed.set(drivername="postgresql+psycopg")
        case other:
            raise ConfigError(f"database url: {other} is not supported; use sqlite or postgresql")


def open_engines(url: URL, *, create: bool, sqlite: ModuleType | None = None) -> Engines:
    """Open both engines. Raises StoreUnusable naming the fix."""
    if url.get_backend_name() == "sqlite":
        return _sqlite_engines(url, create=create, module=sqlite or newest_sqlite())
    return _postgresql_engines(url)


def _checked_path(url: URL, *, create: bool) -> Path:
    path = Path(str(url.database))
    if not path.parent.is_dir():
        what = "is not a directory" if path.parent.exists() else "does not exist"
        raise StoreUnusable(f"database {path}: {path.parent} {what}; create it or change the database url")
    if path.is_dir():
        raise StoreUnusable(f"database {path}: is a directory; name a file in it")
    if not path.exists():
        if not create:
            raise StoreUnusable(f"database {path}: does not exist; run `alertd db upgrade` to create it")
        _touch_private(path)
    if not os.access(path, os.R_OK | os.W_OK) or not os.access(path.parent, os.W_OK):
        raise StoreUnusable(
            f"database {path}: cannot be written; give this user write access to the file and its directory"
        )
    return path


def _touch_private(path: Path) -> None:
    """Create the file for this user alone: it holds addresses and webhook secrets."""
    try:
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
    except OSError as error:
        raise StoreUnusable(
            f"database {path}: cannot be created ({error.strerror}); check the rights of its directory"
        ) from error


def _sqlite_engines(url: URL, *, create: bool, module: ModuleType) -> Engines:
    path = _checked_path(url, create=create)
    affected = has_wal_reset_bug(module.sqlite_version_info)
    common: dict[str, Any] = {
        "module": module,
        "json_serializer": to_json,
        "hide_parameters": True,
        "connect_args": {"timeout": BUSY_TIMEOUT_S, "check_same_thread": False},
    }
    # One writing connection: threads queue for it in turn instead of polling the file's lock.
    writer = create_engine(url, pool_size=1, max_overflow=0, pool_timeout=BUSY_TIMEOUT_S, **common)
    reader = create_engine(url, pool_size=READERS, max_overflow=0, pool_timeout=BUSY_TIMEOUT_S, **common)
    journal = "DELETE" if affected else "WAL"
    _prepare(writer, [f"PRAGMA journal_mode={journal}", "PRAGMA synchronous=FULL", "PRAGMA foreign_keys=ON"])
    _prepare(reader, ["PRAGMA query_only=ON"])
    # IMMEDIATE: a transaction that reads before it writes must hold the write lock from its start, or it
    # fails at its first write without waiting.
    event.listen(writer, "begin", _begin("BEGIN IMMEDIATE"))
    event.listen(reader, "begin", _begin("BEGIN"))
    version = str(module.sqlite_version)
    warnings = (
        f"SQLite {version} can lose committed data in WAL mode; the rollback journal is used instead, "
        "readers and writers wait for each other. Install pysqlite3 or an SQLite of 3.51.3 or later",
    )
    return Engines(
        url, writer, reader, module.__name__, version, str(path), path, module, warnings if affected else ()
    )


def _prepare(engine: Engine, pragmas: list[str]) -> None:
    def on_connect(connection: Any, _record: object) -> None:
        connection.isolation_level = None  # the driver must not open transactions behind our back
        cursor = connection.cursor()
        for pragma in pragmas:
            cursor.execute(pragma)
        cursor.close()

    event.listen(engine, "connect", on_connect)


def _begin(statement: str) -> Any:
    def on_begin(connection: Connection) -> None:
        connection.exec_driver_sql(statement)

    return on_begin


def _postgresql_engines(url: URL) -> Engines:
    try:
        import psycopg  # an optional extra
    except ImportError as error:
        raise StoreUnusable("PostgreSQL needs its driver: pip install 'alertd[postgres]'") from error
    writer = create_engine(
        url,
        pool_pre_ping=True,
        json_serializer=to_json,
        hide_parameters=True,
        connect_args={"connect_timeout": 10, "application_name": "alertd"},
    )

    def on_connect(connection: Any, _record: object) -> None:
        with connection.cursor() as cursor:
            # A forgotten open transaction would stop vacuum and ruin the outbox table.
            cursor.execute("SET idle_in_transaction_session_timeout = '60s'")
            cursor.execute(f"SET lock_timeout = '{BUSY_TIMEOUT_S:.0f}s'")
        connection.commit()

    event.listen(writer, "connect", on_connect)
    location = url.render_as_string(hide_password=True)
    reader = writer.execution_options(postgresql_readonly=True)
    return Engines(url, writer, reader, "psycopg", psycopg.__version__, location)
