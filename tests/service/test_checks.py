from __future__ import annotations

import datetime as dt
import shutil
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from alertd.delivery.email import SmtpSettings, Tls
from alertd.errors import ConfigError, StoreUnusable, WeatherInvalid, WeatherRefused, WeatherUnavailable
from alertd.records.site import Channel, Site, Subscriber
from alertd.records.weather import HourlyWeather, WeatherCell, cell_of, empty_table
from alertd.service.checks import (
    SAMPLE_CELL,
    check_clock,
    check_daemon,
    check_database,
    check_mail,
    check_operator,
    check_outbox,
    check_provider,
    fault_of,
    sample_cell,
)
from alertd.store.store import Store, open_store
from tests.store.builders import HOUR, MINUTE, queue

NOW = dt.datetime(2026, 7, 1, 12, tzinfo=dt.UTC)
CELL = cell_of(40.0, -74.0)


@pytest.fixture(scope="module")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("service") / "empty.db"
    open_store(f"sqlite:///{path}", create=True).close()
    return path


@pytest.fixture
def store(tmp_path: Path, empty_file: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{shutil.copy(empty_file, tmp_path / 'alertd.db')}") as opened:
        yield opened


class Provider:
    """Answers or fails as told."""

    name = "invented"
    attribution = ""

    def __init__(self, error: Exception | None = None) -> None:
        self.error = error

    def fetch(self, cell: WeatherCell, now: dt.datetime) -> HourlyWeather:
        if self.error is not None:
            raise self.error
        table = empty_table(now, 48)
        table["forecast"] = True
        return HourlyWeather(cell, self.name, now, now, table, "")


def test_what_follows_the_last_semicolon_is_the_fix() -> None:
    found = fault_of("database", StoreUnusable("database x: is corrupt; a; restore a backup"))
    assert (found.ok, found.detail, found.fix) == (False, "database x: is corrupt; a", "restore a backup")
    assert fault_of("x", StoreUnusable("broken")).detail == "broken"


def test_a_provider_that_answers_is_fine() -> None:
    found = check_provider("invented", Provider, CELL, NOW)
    assert found.ok
    assert "48 hours" in found.detail


@pytest.mark.parametrize(
    "error",
    [
        WeatherUnavailable("invented: not reached"),
        WeatherInvalid("invented: the answer is empty"),
        WeatherRefused("invented: wrong key", everywhere=True),
        ConfigError("invented: contact is missing; set weather.contact"),
    ],
)
def test_a_provider_that_fails_is_a_fault_with_a_fix(error: Exception) -> None:
    found = check_provider("invented", lambda: Provider(error), CELL, NOW)
    assert not found.ok
    assert found.fix


def test_a_provider_that_does_not_serve_this_place_is_no_fault() -> None:
    found = check_provider("invented", lambda: Provider(WeatherRefused("outside of coverage")), CELL, NOW)
    assert found.ok
    assert "does not serve this place" in found.detail


def test_the_first_site_is_asked_for_and_a_public_place_where_there_is_none() -> None:
    site = Site(id="", name="x", latitude_deg=50.0, longitude_deg=10.0, zone="Europe/Berlin")
    assert sample_cell([site], 0.02).latitude_deg == 50.0
    assert sample_cell([], 0.02) == SAMPLE_CELL


@pytest.mark.parametrize(
    ("off", "ok"),
    [(dt.timedelta(seconds=40), True), (dt.timedelta(minutes=6), False), (dt.timedelta(days=-400), False)],
)
def test_a_clock_that_differs_from_a_servers_is_a_fault(off: dt.timedelta, ok: bool) -> None:
    found = check_clock(NOW + off, {"one": None, "two": NOW})
    assert found.ok == ok
    assert bool(found.fix) == (not ok)


def test_a_clock_that_stands_before_the_program_was_made_is_a_fault() -> None:
    assert not check_clock(dt.datetime(1970, 1, 1, tzinfo=dt.UTC), {}).ok


def test_a_clock_that_cannot_be_compared_is_told_as_such() -> None:
    found = check_clock(NOW, {"one": None})
    assert found.ok
    assert "could not be compared" in found.detail


def test_a_sound_database_is_fine(store: Store) -> None:
    findings = list(check_database(store))
    assert all(found.ok for found in findings)
    assert "sound" in findings[0].detail


def test_a_damaged_database_is_a_fault(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Store, "check_integrity", lambda _self: ["row 3 missing from index"])
    (found,) = check_database(store)
    assert not found.ok
    assert "row 3 missing" in found.detail
    assert "backup" in found.fix


def test_a_daemon_is_judged_by_its_last_good_cycle(store: Store) -> None:
    (never,) = check_daemon(store, NOW, 60)
    assert never.ok
    store.tick_started("cycle", NOW)
    store.tick_finished("cycle", NOW)
    (good,) = check_daemon(store, NOW + dt.timedelta(hours=2), 60)
    assert good.ok
    (late,) = check_daemon(store, NOW + dt.timedelta(hours=4), 60)
    assert not late.ok
    assert "4 h ago" in late.detail
    assert late.fix


def test_a_daemon_that_never_succeeded_tells_its_last_error(store: Store) -> None:
    store.tick_started("cycle", NOW)
    store.tick_finished("cycle", NOW, "no cell got weather")
    (found,) = check_daemon(store, NOW, 60)
    assert not found.ok
    assert "never (no cell got weather)" in found.detail


def reader(channel: Channel) -> Subscriber:
    return Subscriber(id="s", name="Crew", channel=channel, address="crew@example.com")


def test_mail_is_needed_only_by_those_who_read_mail() -> None:
    assert [found.ok for found in check_mail(None, [])] == [True]
    assert [found.ok for found in check_mail(None, [reader(Channel.WEBHOOK)])] == [True]
    (found,) = check_mail(None, [reader(Channel.EMAIL)])
    assert not found.ok
    assert "smtp.host" in found.fix


def free_port() -> int:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        return int(listening.getsockname()[1])


class Counting:
    """A mail server that would count what is sent."""

    count = 0

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802  # aiosmtpd's name
        Counting.count += 1
        return "250 kept"


def smtp(server: Controller, **more: Any) -> SmtpSettings:
    return SmtpSettings(
        host="127.0.0.1",
        port=server.port,
        from_address="alerts@example.com",
        tls=Tls.NONE,
        timeout_s=5.0,
        **more,
    )


@pytest.mark.enable_socket
@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")  # loopback, invented password
def test_the_mail_server_is_greeted_and_signed_in_to_but_nothing_is_sent() -> None:
    def judge(_server: Any, _session: Any, _envelope: Any, _mechanism: Any, data: Any) -> AuthResult:
        return AuthResult(success=data.password == b"right", handled=False)

    server = Controller(
        Counting(),
        hostname="127.0.0.1",
        port=free_port(),
        authenticator=judge,
        auth_require_tls=False,
        auth_required=True,
    )
    server.start()
    try:
        (good,) = check_mail(smtp(server, username="alerts", password="right"), [])
        (bad,) = check_mail(smtp(server, username="alerts", password="wrong"), [])
    finally:
        server.stop()
    assert good.ok
    assert "signed in as alerts" in good.detail
    assert not bad.ok
    assert "refused the login" in bad.detail
    assert "smtp.password" in bad.fix
    assert "wrong" not in bad.detail
    assert Counting.count == 0


def outbox(store: Store, now: dt.datetime) -> list[tuple[bool, str]]:
    found = list(check_outbox(store, now, 60))
    assert all(one.what == "outbox" and (one.ok or one.fix) for one in found)
    return [(one.ok, one.detail) for one in found]


def test_messages_that_were_given_up_are_a_fault_until_they_are_seen_to(store: Store) -> None:
    assert outbox(store, NOW) == [(True, "no messages wait, none was given up")]
    queue(store, 2)
    first, second = store.lease(NOW + MINUTE, "one", 9, 60)
    assert outbox(store, NOW + MINUTE) == [(True, "2 messages wait, none was given up")]
    store.mark_dead(first, NOW + MINUTE, "550 5.1.1 no\r\nsuch " + "mailbox" * 99)
    ((ok, told),) = outbox(store, NOW + HOUR)
    assert not ok
    assert told.startswith("one message was given up, the last 59 min ago: 550 5.1.1 no such mailbox")
    assert len(told) < 240
    store.mark_dead(second, NOW + HOUR, "554 unwanted")
    assert outbox(store, NOW + HOUR) == [
        (False, "2 messages were given up, the last 0 min ago: 554 unwanted")
    ]
    for message_id in ("m0", "m1"):
        store.discard(message_id, now=NOW + HOUR)
    assert outbox(store, NOW + HOUR) == [(True, "no messages wait, none was given up")]


def test_a_message_that_should_have_left_long_ago_is_a_fault(store: Store) -> None:
    queue(store, 1)
    assert outbox(store, NOW + 3 * HOUR) == [(True, "one message waits, none was given up")]
    ((ok, told),) = outbox(store, NOW + 3 * HOUR + MINUTE)
    assert not ok
    assert "one has been due for 3 h" in told


def test_who_is_told_of_them_is_no_fault_unless_it_cannot_work() -> None:
    assert check_operator(None, None).ok
    assert "daemon.operator_address" in check_operator(None, None).detail
    broken = check_operator("operator@example.com", None)
    assert (broken.ok, broken.fix) == (False, "set smtp.host and smtp.from_address")
    smtp = SmtpSettings("localhost", 25, "alerts@example.com")
    assert check_operator("operator@example.com", smtp).ok
