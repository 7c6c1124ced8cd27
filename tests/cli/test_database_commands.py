from __future__ import annotations

import datetime as dt
import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from alertd.store.store import open_store
from tests.cli.conftest import NOW, Program
from tests.store.builders import make_weather


def database(program: Program) -> Path:
    return program.folder / "alertd.db"


def test_an_upgrade_makes_the_database_and_may_be_repeated(program: Program) -> None:
    assert "up to date" in program.done("db", "upgrade")
    assert database(program).exists()
    assert "up to date" in program.done("db", "upgrade")


def test_a_missing_database_says_how_to_make_it(program: Program) -> None:
    assert "alertd db upgrade" in program.refused(74, "site", "list")


def test_a_database_newer_than_the_program_is_left_alone(watching: Program) -> None:
    with closing(sqlite3.connect(database(watching))) as connection:
        connection.execute("UPDATE alembic_version SET version_num = 'r9999'")
        connection.commit()
    for words in (("site", "list"), ("db", "upgrade"), ("cycle",)):
        told = watching.refused(74, *words)
        assert "newer than this program" in told
        assert "upgrade alertd" in told


def test_a_corrupt_database_is_told_with_what_to_do(program: Program) -> None:
    database(program).write_bytes(os.urandom(8192))
    told = program.refused(74, "site", "list")
    assert "is not an SQLite database" in told
    assert "backup" in told


@pytest.mark.parametrize(
    ("url", "told"),
    [
        ("sqlite:////proc/alertd.db", "cannot be"),
        ("sqlite:////no/such/folder/alertd.db", "does not exist"),
        ("sqlite:////", "is a directory"),
    ],
)
def test_a_place_that_cannot_be_written_is_named(program: Program, url: str, told: str) -> None:
    program.env["ALERTD_DATABASE__URL"] = url
    assert told in program.refused(74, "db", "upgrade")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_database_is_named(watching: Program) -> None:
    database(watching).chmod(0o400)
    assert "cannot be written" in watching.refused(74, "site", "remove", "Invented Court")


def test_a_wrong_database_url_is_a_setting_at_fault(program: Program) -> None:
    program.env["ALERTD_DATABASE__URL"] = "mysql://db.example.com/alertd"
    assert "database.url" in program.refused(78, "site", "list")


def test_the_default_place_of_the_database_is_made_when_it_is_missing(program: Program) -> None:
    program.env["ALERTD_DATABASE__URL"] = None
    program.env["XDG_DATA_HOME"] = str(program.folder / "share")
    program.done("db", "upgrade")
    found = program.folder / "share" / "alertd" / "alertd.db"
    assert found.exists()
    assert found.parent.stat().st_mode & 0o077 == 0


def test_a_backup_can_be_opened_and_holds_the_sites(watching: Program) -> None:
    told = watching.done("backup", "copy.db")
    assert "checked" in told
    with open_store(f"sqlite:///{watching.folder / 'copy.db'}") as store:
        assert [site.name for site in store.sites()] == ["Invented Court"]


def test_a_backup_into_a_folder_gets_a_dated_name(watching: Program) -> None:
    (watching.folder / "copies").mkdir()
    watching.done("backup", "copies")
    assert [path.name for path in (watching.folder / "copies").iterdir()] == ["alertd-20260714T121000Z.db"]


def test_a_backup_never_replaces_a_file(watching: Program) -> None:
    (watching.folder / "copy.db").write_text("precious")
    assert "exists already" in watching.refused(74, "backup", "copy.db")
    assert (watching.folder / "copy.db").read_text() == "precious"


def test_pruning_says_what_went_and_keeps_what_the_settings_say(watching: Program) -> None:
    assert "Nothing is old enough" in watching.done("db", "prune")
    with open_store(f"sqlite:///{database(watching)}") as store:
        store.save_weather([make_weather(NOW - dt.timedelta(days=days)) for days in (0, 150, 500)])
    told = watching.done("db", "prune")
    assert "forecasts dropped  1" in told
    assert "seasons" not in told
    watching.env["ALERTD_DATABASE__KEEP_WEATHER_DAYS"] = "120"
    assert "forecasts dropped  1" in watching.done("db", "prune")
    watching.env["ALERTD_DATABASE__KEEP_WEATHER_DAYS"] = "30"
    assert "keep_weather_days" in watching.refused(78, "db", "prune")
