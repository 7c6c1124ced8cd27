from __future__ import annotations

import os
import shutil
import sqlite3
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest
from sqlalchemy import create_engine, text

from alertd.errors import ConfigError, InputError, SchemaMismatch, StoreError, StoreUnusable
from alertd.records.site import DEFAULT_FIRM
from alertd.store import schema
from alertd.store.engines import has_wal_reset_bug, newest_sqlite, parse_url
from alertd.store.faults import translate
from alertd.store.schema import Fit, head_revision, schema_differences, schema_fit
from alertd.store.store import Store, open_store
from tests.store.builders import NOW, make_site

LIBRARY = newest_sqlite()


def test_the_migrations_make_exactly_the_tables_of_the_models(store: Store) -> None:
    with store._engines.writer.connect() as connection:
        assert schema_differences(connection) == []


def test_a_difference_between_tables_and_models_would_be_seen(file_store: Store) -> None:
    with file_store._engines.writer.begin() as connection:
        connection.execute(text("ALTER TABLE ticks ADD COLUMN stray TEXT"))
        connection.execute(text("DROP INDEX ix_outbox_ready"))
    with file_store._engines.writer.connect() as connection:
        assert len(schema_differences(connection)) == 2


def test_a_new_database_is_private_durable_and_has_the_default_firm(tmp_path: Path) -> None:
    path = tmp_path / "new.db"
    with open_store(f"sqlite:///{path}", create=True) as store:
        assert store.add_site(make_site(), now=NOW).firm_id == DEFAULT_FIRM
        found = store.diagnostics
    assert (found.engine, found.schema, found.synchronous) == ("sqlite", head_revision(), "full")
    assert found.location == str(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_every_connection_is_set_up_for_safety(file_store: Store) -> None:
    with file_store._engines.writer.connect() as connection:
        for pragma, wanted in (("foreign_keys", 1), ("synchronous", 2), ("busy_timeout", 30_000)):
            assert connection.exec_driver_sql(f"PRAGMA {pragma}").scalar() == wanted
    with file_store._engines.reader.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA query_only").scalar() == 1


def test_the_postgresql_server_flushes_each_commit(postgresql_url: str) -> None:
    with open_store(postgresql_url) as store:
        assert (store.diagnostics.engine, store.diagnostics.synchronous) == ("postgresql", "on")


def test_a_database_from_a_newer_program_is_refused_and_left_alone(url: str) -> None:
    stamp(url, "r9999")
    try:
        for upgrade in (False, True):
            with pytest.raises(SchemaMismatch, match=r"r9999 is newer .* upgrade alertd"):
                open_store(url, create=True, upgrade_schema=upgrade)
    finally:
        stamp(url, head_revision())
    open_store(url).close()


def stamp(url: str, revision: str) -> None:
    engine = (
        create_engine(parse_url(url), module=LIBRARY) if "sqlite" in url else create_engine(parse_url(url))
    )
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = :r").bindparams(r=revision))
    engine.dispose()


NEXT = """
import sqlalchemy as sa
from alembic import op

revision, down_revision, branch_labels, depends_on = "r9998", {head!r}, None, None


def upgrade() -> None:
    {body}
"""
REBUILD = """with op.batch_alter_table("sites", recreate="always") as table:
        table.add_column(sa.Column("slope_pct", sa.Float()))"""
BREAK = """op.execute("DELETE FROM sites")"""


@pytest.fixture
def next_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    """Turn this program into one that knows one more revision."""
    head = head_revision()

    def move_on(body: str) -> None:
        target = tmp_path / "migrations"
        shutil.copytree(schema._MIGRATIONS, target, ignore=shutil.ignore_patterns("__pycache__"))
        (target / "versions" / "r9998_next.py").write_text(NEXT.format(head=head, body=body))
        monkeypatch.setattr(schema, "_MIGRATIONS", target)
        schema._revisions.cache_clear()

    yield move_on
    schema._revisions.cache_clear()


def test_an_older_schema_is_copied_then_upgraded_and_loses_no_row(
    path: Path, next_program: Callable[[str], None]
) -> None:
    url = f"sqlite:///{path}"
    with open_store(url) as store:
        kept = store.add_site(make_site(), now=NOW)
        before = store.diagnostics.schema
    next_program(REBUILD)
    with pytest.raises(
        SchemaMismatch, match=r"older than this program needs \(r9998\); run `alertd db upgrade`"
    ):
        open_store(url)
    with open_store(url, upgrade_schema=True) as store:
        assert store.diagnostics.schema == "r9998"
        assert store.site(kept.id) == kept, "a rebuilt table keeps what refers to it"
        assert store.check_integrity() == []
    copies = [found.name for found in path.parent.iterdir() if "before-upgrade" in found.name]
    assert copies == [f"alertd.db.before-upgrade-from-{before}"]


def test_an_upgrade_that_would_break_references_is_undone(
    path: Path, next_program: Callable[[str], None]
) -> None:
    url = f"sqlite:///{path}"
    with open_store(url) as store:
        kept = store.add_site(make_site(), now=NOW)
    next_program(BREAK)
    with pytest.raises(StoreUnusable, match="2 rows referring to nothing; it was undone"):
        open_store(url, upgrade_schema=True)
    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT id FROM sites").fetchall() == [(kept.id,)]
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() != [("r9998",)]
    connection.close()


def test_a_revision_is_same_older_newer_or_missing() -> None:
    assert schema_fit(head_revision()) is Fit.SAME
    assert schema_fit(None) is Fit.EMPTY
    assert schema_fit("from the future") is Fit.NEWER


def test_a_missing_database_is_not_made_by_accident(tmp_path: Path) -> None:
    with pytest.raises(StoreUnusable, match="does not exist; run `alertd db upgrade`"):
        open_store(f"sqlite:///{tmp_path / 'none.db'}")
    assert list(tmp_path.iterdir()) == []


def test_an_empty_file_is_filled_only_when_asked(tmp_path: Path) -> None:
    path = tmp_path / "empty.db"
    path.touch()
    with pytest.raises(SchemaMismatch, match="no tables yet; run `alertd db upgrade`"):
        open_store(f"sqlite:///{path}")
    open_store(f"sqlite:///{path}", upgrade_schema=True).close()
    open_store(f"sqlite:///{path}").close()


def test_a_missing_directory_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreUnusable, match=r"nowhere does not exist; create it"):
        open_store(f"sqlite:///{tmp_path / 'nowhere' / 'a.db'}", create=True)


def test_a_file_in_the_place_of_the_directory_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(StoreUnusable, match="file is not a directory"):
        open_store(f"sqlite:///{tmp_path / 'file' / 'a.db'}", create=True)
    with pytest.raises(StoreUnusable, match="is a directory; name a file in it"):
        open_store(f"sqlite:///{tmp_path}", create=True)


def test_a_directory_that_takes_no_files_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("alertd.store.engines.os.open", refuse)  # root may write everywhere
    with pytest.raises(StoreUnusable, match=r"cannot be created \(Permission denied\)"):
        open_store(f"sqlite:///{tmp_path / 'a.db'}", create=True)


def test_a_database_that_may_not_be_written_is_named(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("alertd.store.engines.os.access", lambda *_: False)
    with pytest.raises(StoreUnusable, match="cannot be written; give this user"):
        open_store(f"sqlite:///{path}")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_directory_is_named(path: Path) -> None:
    path.parent.chmod(0o500)
    try:
        with pytest.raises(StoreUnusable, match="cannot be written"):
            open_store(f"sqlite:///{path}")
    finally:
        path.parent.chmod(0o700)


def test_a_file_that_is_no_database_is_named(tmp_path: Path) -> None:
    path = tmp_path / "letter.db"
    path.write_bytes(b"Dear Sir or Madam, " * 500)
    with pytest.raises(StoreUnusable, match=r"letter\.db: is not an SQLite database"):
        open_store(f"sqlite:///{path}", upgrade_schema=True)
    assert path.read_bytes().startswith(b"Dear Sir"), "what is not ours is left alone"


def test_a_damaged_database_is_named_and_the_check_says_where(path: Path) -> None:
    with open_store(f"sqlite:///{path}") as store:
        store.add_sites([make_site(f"Site {number}") for number in range(200)], now=NOW)
        assert store.check_integrity() == []
    content = bytearray(path.read_bytes())
    page = 4096
    for start in range(20 * page, len(content) - page, 3 * page):
        content[start : start + 64] = b"\xff" * 64
    path.write_bytes(content)
    with open_store(f"sqlite:///{path}") as store:
        assert check_or_error(store) != "sound"
        with pytest.raises(StoreUnusable, match="is corrupt; move the file away and restore"):
            read_everything(store)


def check_or_error(store: Store) -> str:
    try:
        return "; ".join(store.check_integrity()) or "sound"
    except StoreUnusable as error:
        return str(error)


def read_everything(store: Store) -> None:
    with store._read() as session:
        for table in ("sites", "plantings", "outbox", "weather"):
            session.execute(text(f"SELECT * FROM {table}")).fetchall()


def test_somebody_elses_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE recipes (id INTEGER)")
    connection.close()
    with pytest.raises(StoreUnusable, match="not alertd's"):
        open_store(f"sqlite:///{path}", upgrade_schema=True)


@pytest.mark.parametrize("url", ["", "sqlite://", "sqlite:///:memory:", "mysql://h/d", "just words"])
def test_a_url_that_cannot_be_used_is_explained(url: str) -> None:
    with pytest.raises(ConfigError, match="database url"):
        open_store(url)


def test_a_server_that_is_not_there_is_named_without_its_password(tmp_path: Path) -> None:
    pytest.importorskip("psycopg")
    with pytest.raises(StoreUnusable, match="check that the server runs") as caught:
        open_store(f"postgresql://someone:hush@/alertd?host={tmp_path}")
    assert "hush" not in str(caught.value)


def test_without_the_driver_postgresql_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "psycopg", None)
    with pytest.raises(StoreUnusable, match=r"alertd\[postgres\]"):
        open_store("postgresql://db.example.com/alertd")


def test_writing_through_a_read_only_connection_is_named(file_store: Store) -> None:
    with pytest.raises(StoreUnusable, match="cannot be written"), file_store._read() as session:
        session.execute(text("DELETE FROM ticks"))


def test_tables_that_vanished_ask_for_an_upgrade(file_store: Store) -> None:
    with file_store._write() as session:
        session.execute(text("DROP TABLE heartbeats"))
    with pytest.raises(SchemaMismatch, match="db upgrade"):
        file_store.heartbeats()


def test_a_naive_instant_is_refused(store: Store) -> None:
    with pytest.raises(StoreError, match="no time zone"):
        store.heartbeat("clock", NOW.replace(tzinfo=None))
    assert store.heartbeats() == {}


def test_our_own_errors_pass_through_unchanged(store: Store) -> None:
    with pytest.raises(InputError):
        store.site("none")


@pytest.mark.parametrize(
    ("state", "kind", "words"),
    [
        ("40001", "StoreBusy", "busy"),
        ("53100", "StoreUnusable", "disk"),
        ("57P01", "StoreUnusable", "stopping"),
        ("08006", "StoreUnusable", "lost"),
        ("42P01", "SchemaMismatch", "upgrade"),
        ("22P02", "StoreError", "refused"),
    ],
)
def test_postgresql_states_become_errors_that_say_what_to_do(state: str, kind: str, words: str) -> None:
    """The codes are those of the PostgreSQL documentation, appendix 'PostgreSQL Error Codes'."""
    from sqlalchemy.exc import OperationalError

    class Refused(Exception):
        sqlstate = state

    error = translate(OperationalError("SELECT", {}, Refused("no")), "somewhere")
    assert type(error).__name__ == kind
    assert words in str(error)


@pytest.mark.parametrize(
    ("version", "affected"),
    [((3, 6, 23), False), ((3, 7, 0), True), ((3, 40, 1), True), ((3, 44, 5), True), ((3, 44, 6), False),
     ((3, 44, 7), False), ((3, 45, 0), True), ((3, 50, 6), True), ((3, 50, 7), False), ((3, 51, 0), True),
     ((3, 51, 2), True), ((3, 51, 3), False), ((3, 53, 4), False)],
)  # fmt: skip
def test_the_versions_with_the_wal_reset_bug_are_known(version: tuple[int, int, int], affected: bool) -> None:
    """Affected 3.7.0 to 3.51.2, mended in 3.51.3, 3.50.7 and 3.44.6 (sqlite.org/wal.html, second hand)."""
    assert has_wal_reset_bug(version) is affected


def older(version: tuple[int, int, int]) -> ModuleType:
    """The library at hand, calling itself another version."""
    stand_in = ModuleType("older_sqlite")
    stand_in.__dict__.update({name: getattr(LIBRARY, name) for name in dir(LIBRARY) if name[:2] != "__"})
    stand_in.__dict__.update(sqlite_version_info=version, sqlite_version=".".join(map(str, version)))
    return stand_in


def test_an_affected_library_falls_back_to_the_rollback_journal_with_a_warning(path: Path) -> None:
    url = f"sqlite:///{path}"
    with open_store(url, sqlite=older((3, 40, 1))) as store:
        assert store.diagnostics.journal_mode == "delete"
        assert "SQLite 3.40.1 can lose committed data" in store.diagnostics.warnings[0]
        store.heartbeat("clock", NOW)
    assert not path.with_name("alertd.db-wal").exists()
    with open_store(url, sqlite=older((3, 51, 3))) as store:
        assert (store.diagnostics.journal_mode, store.diagnostics.warnings) == ("wal", ())
        assert store.heartbeats() == {"clock": NOW}


def test_the_newer_of_two_libraries_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    for version, expected in (((99, 0, 0), "pysqlite3"), ((3, 0, 0), "sqlite3")):
        stand_in = SimpleNamespace(sqlite_version_info=version, __name__="pysqlite3")
        monkeypatch.setitem(sys.modules, "pysqlite3", stand_in)
        assert newest_sqlite().__name__ == expected
    monkeypatch.setitem(sys.modules, "pysqlite3", None)
    assert newest_sqlite() is sqlite3
