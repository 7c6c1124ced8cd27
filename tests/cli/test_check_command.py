from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from alertd.demo.sink import MailSink
from alertd.store.store import open_store
from alertd.weather.replay import Fault, ReplayServer, Trouble
from tests.cli.conftest import NOW, Program
from tests.store.builders import make_alert, make_episode, make_message

pytestmark = pytest.mark.enable_socket


@pytest.fixture
def sink(tmp_path: Path) -> Iterator[MailSink]:
    with MailSink(tmp_path / "mail") as running:
        yield running


@pytest.fixture
def ready(watching: Program, world: ReplayServer, sink: MailSink) -> Program:
    """The program with everything it needs."""
    watching.env |= {
        "ALERTD_WEATHER__OPENMETEO__BASE_URL": world.openmeteo_url,
        "ALERTD_SMTP__HOST": "127.0.0.1",
        "ALERTD_SMTP__PORT": str(sink.port),
        "ALERTD_SMTP__TLS": "none",
        "ALERTD_SMTP__FROM_ADDRESS": "alerts@example.com",
    }
    return watching


def faults(program: Program) -> dict[str, tuple[str, str]]:
    result = program("check", "--json")
    document = json.loads(result.stdout)
    found = {one["what"]: (one["detail"], one["fix"]) for one in document["findings"] if not one["ok"]}
    assert document["ok"] == (not found)
    assert result.exit_code == (1 if found else 0)
    assert all(fix for _, fix in found.values())
    return found


def test_everything_there_is_told_line_by_line_and_nothing_is_sent(ready: Program, sink: MailSink) -> None:
    told = ready.done("check")
    for what in ("settings", "database", "sites", "daemon", "mail", "weather openmeteo", "clock"):
        assert f"ok     {what}" in told
    assert "FAULT" not in told
    assert "agrees with openmeteo" in told
    assert sink.count == 0
    assert faults(ready) == {}


def test_a_fault_is_printed_with_its_fix_and_ends_with_1(ready: Program, world: ReplayServer) -> None:
    world.inject("openmeteo", Fault(Trouble.HTML))
    result = ready("check")
    assert result.exit_code == 1
    assert "FAULT  weather openmeteo" in result.stdout
    assert "fix: " in result.stdout
    assert "1 faults." in result.stdout


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        (Fault(Trouble.HTML), "JSON"),
        (Fault(Trouble.EMPTY), "empty"),
        (Fault(Trouble.TRUNCATED), "not whole JSON"),
        (Fault(Trouble.UNITS), "openmeteo"),
        (Fault(Trouble.STATUS, status=403, body='{"reason":"blocked"}'), "blocked"),
        (Fault(Trouble.STATUS, status=400, body='{"error":true,"reason":"wrong key"}'), "wrong key"),
    ],
)
def test_each_wrong_answer_of_a_provider_is_a_fault_or_told(
    ready: Program, world: ReplayServer, fault: Fault, told: str
) -> None:
    world.inject("openmeteo", fault)
    document = json.loads(ready("check", "--json").stdout)
    (found,) = [one for one in document["findings"] if one["what"] == "weather openmeteo"]
    assert told in found["detail"]


def test_a_provider_that_cannot_be_reached_is_a_fault(ready: Program) -> None:
    ready.env["ALERTD_WEATHER__OPENMETEO__BASE_URL"] = "http://127.0.0.1:9"
    found = faults(ready)
    assert set(found) == {"weather openmeteo"}
    assert ready("check").stderr == ""  # what the HTTP library grumbles about stays in the log


def test_a_mail_server_that_is_not_there_is_a_fault(ready: Program) -> None:
    ready.env["ALERTD_SMTP__PORT"] = "9"
    detail, fix = faults(ready)["mail"]
    assert "127.0.0.1:9 not reached" in detail
    assert "smtp.port" in fix


def test_a_mail_server_without_starttls_is_a_fault(ready: Program) -> None:
    ready.env["ALERTD_SMTP__TLS"] = "starttls"
    assert "STARTTLS" in faults(ready)["mail"][0]


def test_a_mail_server_that_wants_no_login_is_a_fault_where_one_is_set(ready: Program) -> None:
    ready.env |= {"ALERTD_SMTP__USERNAME": "alerts", "ALERTD_SMTP__PASSWORD": "not-to-be-printed"}
    detail, fix = faults(ready)["mail"]
    assert "login" in detail
    assert "smtp.username" in fix
    assert "not-to-be-printed" not in ready("check").output


def test_mail_not_set_up_is_a_fault_only_if_somebody_waits_for_it(ready: Program) -> None:
    ready.env["ALERTD_SMTP__HOST"] = None
    assert faults(ready) == {}
    ready.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    assert set(faults(ready)) == {"mail"}


def test_a_missing_database_is_a_fault_and_the_rest_is_still_looked_at(ready: Program) -> None:
    ready.env["ALERTD_DATABASE__URL"] = f"sqlite:///{ready.folder / 'none.db'}"
    found = faults(ready)
    assert set(found) == {"database"}
    assert "alertd db upgrade" in found["database"][1]
    assert not (ready.folder / "none.db").exists()


def test_a_corrupt_database_is_a_fault(ready: Program) -> None:
    ready.env["ALERTD_DATABASE__URL"] = f"sqlite:///{ready.folder / 'bad.db'}"
    (ready.folder / "bad.db").write_bytes(os.urandom(4096))
    assert set(faults(ready)) == {"database"}


def test_a_newer_database_is_a_fault(ready: Program) -> None:
    with closing(sqlite3.connect(ready.folder / "alertd.db")) as connection:
        connection.execute("UPDATE alembic_version SET version_num = 'r9999'")
        connection.commit()
    assert "newer" in faults(ready)["database"][0]


def test_wrong_settings_are_told_one_by_one(ready: Program) -> None:
    ready.env |= {"ALERTD_SMTP__PORT": "many", "ALERTD_WEATHER__PAST_DAYS": "400"}
    result = ready("check")
    assert result.exit_code == 1
    assert result.stdout.count("FAULT  settings") == 2
    assert "smtp.port" in result.stdout
    assert "weather.past_days" in result.stdout


def test_a_missing_contact_is_a_fault_of_the_settings(ready: Program) -> None:
    ready.env["ALERTD_WEATHER__PROVIDERS"] = "openmeteo,metno"
    ready.env["ALERTD_WEATHER__METNO__BASE_URL"] = "http://127.0.0.1:9"
    assert "weather.contact" in faults(ready)["settings"][0]


def test_messages_that_were_given_up_are_told_until_the_operator_has_seen_to_them(ready: Program) -> None:
    ready.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    with open_store(f"sqlite:///{ready.folder / 'alertd.db'}") as store:
        (site,), (reader,) = store.sites(), store.subscribers()
        store.commit_decisions(
            episodes=[make_episode(site.id)],
            alerts=[make_alert(site.id)],
            messages=[make_message(reader.id)],
            now=NOW,
        )
        (leased,) = store.lease(NOW, "one", 9, 60)
        store.mark_dead(leased, NOW, "550 gone")
    found = faults(ready)
    assert list(found) == ["outbox"]
    assert "550 gone" in found["outbox"][0]
    assert "alertd outbox list" in found["outbox"][1]
    ready.done("outbox", "discard", "m1")
    assert faults(ready) == {}
    assert "daemon.operator_address" in ready.done("check")
    ready.env["ALERTD_DAEMON__OPERATOR_ADDRESS"] = "operator@example.com"
    assert "operator@example.com is told once a day" in ready.done("check")
