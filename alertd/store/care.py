"""Looking after the database itself: checks, copies, sizes."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from types import ModuleType

from sqlalchemy import func, select, text

from alertd.errors import StoreError, StoreUnusable
from alertd.records.keeping import Backup, StoreSize
from alertd.store.desk import Desk
from alertd.store.engines import BUSY_TIMEOUT_S
from alertd.store.models import Model


class Care(Desk):
    """Keeps the keeper."""

    def check_integrity(self) -> list[str]:
        """Return every fault found, in words; empty means sound. Reads the whole database."""
        engines = self._engines
        if engines.path is not None and engines.sqlite is not None:
            return check_file(engines.path, engines.sqlite)
        with self._read() as session:
            for table in Model.metadata.sorted_tables:
                session.execute(select(func.count()).select_from(table))
        return []

    def backup(self, target: str | Path) -> Backup:
        """Copy the database while it is in use; the copy appears under its name once it passed its check.

        Raises StoreError if the target exists, cannot be written, or the engine is PostgreSQL.
        """
        engines = self._engines
        if engines.path is None or engines.sqlite is None:
            raise StoreError("PostgreSQL is copied with its own tool: pg_dump --format=custom")
        return copy_file(engines.path, Path(target), engines.sqlite)

    def sizes(self) -> StoreSize:
        """Return the bytes in all and the rows of each table."""
        with self._read() as session:
            rows = {
                table.name: int(session.scalar(select(func.count()).select_from(table)) or 0)
                for table in Model.metadata.sorted_tables
            }
            if not self._is_sqlite:
                size = session.scalar(text("SELECT pg_database_size(current_database())"))
                return StoreSize(int(size or 0), rows)
        return StoreSize(sum(_size(path) for path in _files(self._engines.path)), rows)


def check_file(path: Path, module: ModuleType) -> list[str]:
    """Return the faults of an SQLite file, in words. Raises StoreUnusable if it cannot be read at all."""
    with (
        _sqlite_faults(path, module),
        closing(module.connect(str(path), timeout=BUSY_TIMEOUT_S)) as connection,
    ):
        found = [str(row[0]) for row in connection.execute("PRAGMA integrity_check")]
        dangling = connection.execute("PRAGMA foreign_key_check").fetchall()
    faults = [] if found == ["ok"] else found
    if dangling:
        faults.append(f"{len(dangling)} rows refer to rows that are not there")
    return faults


def copy_file(source: Path, target: Path, module: ModuleType) -> Backup:
    """Copy an SQLite database in one step, check the copy, then give it its name."""
    if target.exists():
        raise StoreError(f"backup {target}: exists already; choose another name")
    if not target.parent.is_dir():
        raise StoreError(f"backup {target}: {target.parent} is not a directory; create it")
    partial = target.with_name(target.name + ".partial")
    with suppress(FileNotFoundError):
        partial.unlink()
    try:
        # In one step: a copy made page by page starts anew at every write of the others and may never end.
        with (
            _sqlite_faults(partial, module),
            closing(module.connect(str(source), timeout=BUSY_TIMEOUT_S, isolation_level=None)) as connection,
        ):
            os.close(os.open(partial, os.O_CREAT | os.O_RDWR, 0o600))
            connection.execute("VACUUM INTO ?", (str(partial),))
        faults = check_file(partial, module)
        if faults:
            raise StoreUnusable(f"backup {target}: the copy is damaged: {faults[0]}")
        _to_disk(partial)
        partial.rename(target)
        _to_disk(target.parent)
    except OSError as error:
        raise StoreUnusable(f"backup {target}: cannot be written ({error.strerror})") from error
    finally:
        with suppress(OSError):
            partial.unlink()
    return Backup(str(target), _size(target))


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _sqlite_faults(path: Path, module: ModuleType) -> Iterator[None]:
    try:
        yield
    except (module.Error, sqlite3.Error) as error:
        raise StoreUnusable(f"database {path}: {error}; check the disk, or restore a backup") from error


def _files(path: Path | None) -> list[Path]:
    return [] if path is None else [path, path.with_name(path.name + "-wal")]


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0
