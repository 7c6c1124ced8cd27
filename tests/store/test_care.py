from __future__ import annotations

import shutil
import stat
import threading
from pathlib import Path

import pytest

from alertd.errors import StoreError, StoreUnusable
from alertd.store.store import Store, open_store
from tests.store.builders import HOUR, NOW, make_site, make_weather, queue


def test_a_sound_database_has_no_faults_and_sizes(store: Store) -> None:
    queue(store, 3)
    assert store.check_integrity() == []
    sizes = store.sizes()
    assert sizes.size_bytes > 50_000
    assert (sizes.rows["outbox"], sizes.rows["alerts"], sizes.rows["sites"]) == (3, 3, 1)


def test_rows_that_refer_to_nothing_are_found(file_store: Store, path: Path) -> None:
    queue(file_store, 1)
    with file_store._engines.writer.connect() as connection:
        cursor = connection.connection.cursor()
        cursor.execute("PRAGMA foreign_keys=OFF")
        cursor.execute("DELETE FROM alerts")
    assert file_store.check_integrity() == ["1 rows refer to rows that are not there"]
    with pytest.raises(StoreUnusable, match="copy is damaged"):
        file_store.backup(path.with_name("copy.db"))
    assert sorted(found.name for found in path.parent.glob("copy*")) == []


def test_a_backup_taken_while_others_write_is_whole(file_store: Store, path: Path) -> None:
    queue(file_store, 1)
    file_store.save_weather([make_weather(NOW + n * HOUR) for n in range(100)])
    stop, going = threading.Event(), threading.Event()
    written = []

    def write() -> None:
        with open_store(f"sqlite:///{path}") as own:
            while not stop.is_set():
                own.heartbeat("writer", NOW)
                own.save_weather(make_weather(NOW + (200 + len(written)) * HOUR))
                written.append(1)
                going.set()

    writer = threading.Thread(target=write)
    writer.start()
    try:
        assert going.wait(30)
        copies = []
        while len(copies) < 3 or (len(written) < 10 and len(copies) < 50):
            copies.append(file_store.backup(path.with_name(f"copy{len(copies)}.db")))
    finally:
        stop.set()
        writer.join(30)
    assert len(written) >= 10, "the writer must have been at it"
    for copy in copies:
        assert copy.size_bytes > 0
        assert stat.S_IMODE(Path(copy.path).stat().st_mode) == 0o600
        with open_store(f"sqlite:///{copy.path}") as restored:
            assert restored.check_integrity() == []
            assert restored.sizes().rows["weather"] >= 100
            assert restored.site("Invented Court").id == "s1"
    assert list(path.parent.glob("*.partial*")) == []


def test_a_backup_never_overwrites_and_names_what_is_in_the_way(file_store: Store, path: Path) -> None:
    (path.parent / "taken.db").write_text("precious")
    with pytest.raises(StoreError, match="exists already"):
        file_store.backup(path.parent / "taken.db")
    assert (path.parent / "taken.db").read_text() == "precious"
    with pytest.raises(StoreError, match="is not a directory; create it"):
        file_store.backup(path.parent / "no" / "copy.db")


def test_postgresql_names_its_own_tool_for_copies(postgresql_url: str, tmp_path: Path) -> None:
    with open_store(postgresql_url) as store, pytest.raises(StoreError, match="pg_dump"):
        store.backup(tmp_path / "copy.db")


def test_a_backup_on_a_full_disk_leaves_no_half_copy(
    file_store: Store, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("alertd.store.care.os.fsync", full)
    with pytest.raises(StoreUnusable, match="No space left"):
        file_store.backup(path.with_name("copy.db"))
    assert list(path.parent.glob("copy*")) == []


def test_a_copied_back_backup_serves_as_the_database(file_store: Store, path: Path, tmp_path: Path) -> None:
    kept = file_store.add_site(make_site(), now=NOW)
    copy = file_store.backup(path.with_name("copy.db"))
    restored = tmp_path / "restored.db"
    shutil.copy(copy.path, restored)
    with open_store(f"sqlite:///{restored}") as again:
        assert again.sites() == [kept]
        assert again.diagnostics.journal_mode == "wal"
