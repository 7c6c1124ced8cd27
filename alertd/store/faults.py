"""The one place where the database's errors become ours, each naming the fix."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import (
    DBAPIError,
    IntegrityError,
    InterfaceError,
    ProgrammingError,
    SQLAlchemyError,
)
from sqlalchemy.exc import TimeoutError as PoolTimeout

from alertd.errors import SchemaMismatch, StoreBusy, StoreConflict, StoreError, StoreUnusable

_BUSY = "the database is busy with another writer; nothing was written, try again"
_MISFIT = "the tables do not fit this program; run `alertd db upgrade`"

_RIGHTS = "give this user access to the file and its directory"
_SQLITE: dict[int, tuple[type[StoreError], str]] = {
    sqlite3.SQLITE_BUSY: (StoreBusy, _BUSY),
    sqlite3.SQLITE_LOCKED: (StoreBusy, _BUSY),
    sqlite3.SQLITE_FULL: (StoreUnusable, "the disk is full; nothing was written, free some space"),
    sqlite3.SQLITE_READONLY: (StoreUnusable, f"cannot be written; {_RIGHTS}"),
    sqlite3.SQLITE_PERM: (StoreUnusable, f"may not be opened; {_RIGHTS}"),
    sqlite3.SQLITE_CANTOPEN: (StoreUnusable, f"cannot be opened; check the path and {_RIGHTS}"),
    sqlite3.SQLITE_IOERR: (StoreUnusable, "the disk failed to read or write; check it, or restore a backup"),
    sqlite3.SQLITE_CORRUPT: (StoreUnusable, "is corrupt; move the file away and restore the newest backup"),
    sqlite3.SQLITE_NOTADB: (StoreUnusable, "is not an SQLite database; check the path or restore a backup"),
}

# SQLSTATE classes and codes, PostgreSQL documentation, appendix "PostgreSQL Error Codes"; longest match wins.
_POSTGRESQL: dict[str, tuple[type[StoreError], str]] = {
    "08": (StoreUnusable, "the connection was lost; check that the server runs and can be reached"),
    "28": (StoreUnusable, "refused the user or the password; correct the database URL"),
    "3D": (StoreUnusable, "the named database does not exist; create it on the server"),
    "53": (StoreUnusable, "the server has run out of disk, memory or connections; nothing was written"),
    "57P": (StoreUnusable, "the server is stopping or starting; try again shortly"),
    "XX": (StoreUnusable, "the server reports damaged contents; restore a backup"),
    "25006": (StoreUnusable, "is read-only; connect to the primary server"),
    "40001": (StoreBusy, _BUSY),
    "40P01": (StoreBusy, _BUSY),
    "55P03": (StoreBusy, _BUSY),
    "57014": (StoreBusy, _BUSY),
    "42P01": (SchemaMismatch, _MISFIT),
    "42703": (SchemaMismatch, _MISFIT),
    "42501": (StoreUnusable, "the database user lacks the rights; grant them on the server"),
}


@contextmanager
def translated(location: str) -> Iterator[None]:
    """Turn whatever SQLAlchemy raises inside into a StoreError that names the database and the fix."""
    try:
        yield
    except SQLAlchemyError as error:
        raise translate(error, location) from error


def translate(error: SQLAlchemyError, location: str) -> StoreError:
    """Return our error for one of SQLAlchemy's."""
    if isinstance(error, IntegrityError):
        return StoreConflict(f"database {location}: another writer was first, or a row it refers to is gone")
    if isinstance(error, PoolTimeout):
        return StoreBusy(f"database {location}: {_BUSY}")
    if isinstance(error, DBAPIError):
        kind, fix = _lookup(error)
        return kind(f"database {location}: {fix}")
    return StoreError(f"database {location}: {error}")


def _lookup(error: DBAPIError) -> tuple[type[StoreError], str]:
    original = error.orig
    code = getattr(original, "sqlite_errorcode", None)
    if isinstance(code, int) and code & 0xFF in _SQLITE:
        return _SQLITE[code & 0xFF]
    state = getattr(original, "sqlstate", None)
    if isinstance(state, str):
        for length in (5, 3, 2):
            if state[:length] in _POSTGRESQL:
                return _POSTGRESQL[state[:length]]
    return _by_words(error, str(original))


def _by_words(error: DBAPIError, text: str) -> tuple[type[StoreError], str]:
    if "no such table" in text or "no such column" in text:
        return SchemaMismatch, _MISFIT
    if error.connection_invalidated or isinstance(error, InterfaceError) or "connect" in text:
        return _POSTGRESQL["08"]
    first = next(iter(text.splitlines()), type(error.orig).__name__)
    kind = "the program asked a wrong question" if isinstance(error, ProgrammingError) else "refused the step"
    return StoreError, f"{kind}: {first}"
