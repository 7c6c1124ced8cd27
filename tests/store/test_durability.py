"""What a kill or a crowd of writers must not break."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from sqlalchemy import text

from alertd.errors import StoreBusy, StoreUnusable
from alertd.store.store import Store, open_store
from tests.store.builders import HOUR, NOW, make_site, make_subscriber, make_weather

WRITER = """
import sys
sys.path.insert(0, {root!r})
from sqlalchemy import text
from alertd.store.store import open_store
from tests.store.builders import NOW, make_alert, make_episode, make_message

store = open_store({url!r})
number = 0
while True:
    number += 1
    names = (f"e{{number}}", f"a{{number}}", f"m{{number}}")
    store.commit_decisions(
        episodes=[make_episode("s1", names[0], subject=names[0])],
        alerts=[make_alert("s1", f"{{names[1]}}-{{n}}", names[0], n) for n in range(20)],
        messages=[make_message("u1", f"{{names[2]}}-{{n}}", f"{{names[1]}}-{{n}}") for n in range(20)],
        now=NOW,
    )
    print(number, flush=True)
    if number == 3:
        with store._write() as session:
            session.execute(text("DELETE FROM outbox"))
            session.execute(text("DELETE FROM alerts"))
            print("torn", flush=True)
            sys.stdin.read()
"""


def test_a_writer_killed_in_the_middle_leaves_whole_commits_only(store: Store, url: str) -> None:
    store.add_site(make_site(site_id="s1"), now=NOW)
    store.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
    root = str(Path(__file__).parents[2])
    code = WRITER.format(root=root, url=url)
    child = subprocess.Popen([sys.executable, "-c", code], stdin=-1, stdout=-1, text=True)
    assert child.stdin is not None
    assert child.stdout is not None
    told = list(itertools.takewhile(lambda line: line != "torn\n", child.stdout))
    os.kill(child.pid, signal.SIGKILL)
    child.wait(10)
    child.stdin.close()
    child.stdout.close()
    assert told == ["1\n", "2\n", "3\n"], "the child stopped before it was in the middle of a transaction"
    rows = store.sizes().rows
    assert (rows["episodes"], rows["alerts"], rows["outbox"]) == (3, 60, 60)
    assert store.check_integrity() == []
    assert len(store.lease(NOW, "w", 1000, 60)) == 60


def test_a_crowd_of_writers_loses_no_update(store: Store, url: str) -> None:
    store.plan_tick("counter", NOW)
    faults: list[Exception] = []

    def count(rounds: int) -> None:
        try:
            with open_store(url) as own:
                for _ in range(rounds):
                    with own._write() as session:
                        lock = "" if own.diagnostics.engine == "sqlite" else " FOR UPDATE"
                        read = text(f"SELECT last_error FROM ticks WHERE name = 'counter'{lock}")
                        found = session.execute(read).scalar_one()
                        session.execute(
                            text("UPDATE ticks SET last_error = :n").bindparams(n=str(int(found or 0) + 1))
                        )
        except Exception as error:  # noqa: BLE001  # a thread's fault must reach the test
            faults.append(error)

    threads = [threading.Thread(target=count, args=(40,)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert faults == []
    assert store.ticks()[0].last_error == "160"


def test_readers_go_on_while_a_writer_holds_the_database(file_store: Store) -> None:
    file_store.heartbeat("clock", NOW)
    with file_store._write() as session:
        session.execute(text("DELETE FROM heartbeats"))
        assert file_store.heartbeats() == {"clock": NOW}
    assert file_store.heartbeats() == {}


def test_a_database_held_too_long_is_called_busy(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("alertd.store.engines.BUSY_TIMEOUT_S", 0.05)
    with open_store(f"sqlite:///{path}") as one, open_store(f"sqlite:///{path}") as two:
        with one._write() as session:
            session.execute(text("SELECT 1"))
            with pytest.raises(StoreBusy, match="try again"):
                two.heartbeat("clock", NOW)
            with pytest.raises(StoreBusy, match="try again"):
                one.heartbeat("clock", NOW)
        two.heartbeat("clock", NOW)
        assert one.heartbeats() == {"clock": NOW}


def test_a_full_disk_is_named_and_nothing_is_half_written(file_store: Store) -> None:
    file_store.save_weather(make_weather())
    with file_store._engines.writer.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")
    many = [make_weather(NOW + number * HOUR) for number in range(1, 400)]
    with pytest.raises(StoreUnusable, match="disk is full"):
        file_store.save_weather(many)
    assert file_store.sizes().rows["weather"] == 1
    with file_store._engines.writer.connect() as connection:
        connection.exec_driver_sql("PRAGMA max_page_count = 1000000")
    file_store.save_weather(many)
    assert file_store.sizes().rows["weather"] == 400


def test_many_processes_may_create_and_upgrade_at_once(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'new.db'}"
    opened: list[str] = []
    faults: list[Exception] = []

    def start() -> None:
        try:
            with open_store(url, create=True) as own:
                opened.append(own.diagnostics.schema)
        except Exception as error:  # noqa: BLE001  # a thread's fault must reach the test
            faults.append(error)

    threads = [threading.Thread(target=start) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert faults == []
    assert len(opened) == 4
