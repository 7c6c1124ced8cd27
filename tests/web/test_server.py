"""The real server on loopback, and the whole way of one reader through real mail and real pages."""

from __future__ import annotations

import datetime as dt
import email
import email.policy
import os
import re
import signal
import socket
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
import requests
from aiosmtpd.controller import Controller
from pydantic import SecretStr

from alertd.app import App
from alertd.daemon.clock import Tick
from alertd.daemon.run import DaemonParts, RunSettings, run
from alertd.errors import ConfigError
from alertd.records.alert import MessageState
from alertd.records.keeping import Tick as KeptTick
from alertd.records.site import Standing
from alertd.service.bounces import Outcome
from alertd.settings import (
    DatabaseSettings,
    ProviderName,
    Settings,
    SmtpSettings,
    Tls,
    WeatherSettings,
    WebSettings,
)
from alertd.store.store import open_store
from alertd.web.server import ListenSettings, WebServer
from tests.delivery.evidence import make_hot_dry
from tests.store.builders import HOUR, NOW, make_alert, make_episode, make_message, make_site, make_subscriber
from tests.web.conftest import House

pytestmark = pytest.mark.enable_socket


@contextmanager
def serving(server: WebServer) -> Iterator[str]:
    server.start()
    try:
        yield f"http://127.0.0.1:{server.port}"
    finally:
        server.stop()


def test_pages_are_served_until_stopped_and_the_port_is_given_back(house: House) -> None:
    server = WebServer(house.app, ListenSettings("127.0.0.1", 0))
    path = house.path(house.links.stop(house.reader.id, house.site.id))
    with serving(server) as base:
        assert server.is_alive
        answer = requests.get(base + path, timeout=10)
        assert (answer.status_code, "server" in answer.headers) == (200, False)
        port = server.port
    assert not server.is_alive
    with closing(socket.create_server(("127.0.0.1", port))):
        pass


def test_a_taken_port_names_setting_and_fix(house: House) -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as taken:
        server = WebServer(house.app, ListenSettings("127.0.0.1", taken.getsockname()[1]))
        with pytest.raises(ConfigError, match=r"web\.listen_port: .* another port"):
            server.start()
        server.stop()


def test_the_visitors_address_comes_from_a_trusted_server_in_front_alone(house: House) -> None:
    path = house.path(house.links.stop(house.reader.id, house.site.id))

    def refused(proxies: tuple[str, ...]) -> int:
        house.now += HOUR
        with (
            serving(WebServer(house.app, ListenSettings("127.0.0.1", 0, proxies))) as base,
            requests.Session() as session,
        ):
            statuses = [
                session.get(
                    base + path, headers={"X-Forwarded-For": f"198.51.100.{n}"}, timeout=10
                ).status_code
                for n in range(64)
            ]
        return statuses.count(429)

    assert refused(("127.0.0.1",)) == 0
    assert refused(("192.0.2.1",)) == 4


class Inbox:
    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802  # aiosmtpd's name
        self.mails.append(email.message_from_bytes(envelope.content, policy=email.policy.default))
        return "250 ok"


@pytest.fixture
def inbox() -> Iterator[tuple[Inbox, int]]:
    with closing(socket.create_server(("127.0.0.1", 0))) as free:
        port = free.getsockname()[1]
    found = Inbox()
    controller = Controller(found, hostname="127.0.0.1", port=port)
    controller.start()
    yield found, port
    controller.stop()


def plain(mail: EmailMessage) -> str:
    part = mail.get_body(preferencelist=("plain",))
    assert part is not None
    return str(part.get_content())


def test_a_reader_confirms_hears_acknowledges_snoozes_and_leaves(
    tmp_path: Path, inbox: tuple[Inbox, int]
) -> None:
    box, port = inbox
    settings = Settings(
        database=DatabaseSettings(url=SecretStr(f"sqlite:///{tmp_path / 'alertd.db'}")),
        smtp=SmtpSettings(host="127.0.0.1", port=port, tls=Tls.NONE, from_address="alerts@example.com"),
        web=WebSettings(base_url="https://alerts.example.com/a", listen_port=0),
    )
    with open_store(settings.database.url.get_secret_value(), create=True) as store:
        app = App(settings, store)
        server, notices = app.web_server, app.notices
        assert server is not None
        assert notices is not None
        site = store.add_site(make_site(site_id="s1"), now=NOW)
        reader = app.people.add(make_subscriber(), [site], [], NOW)[0].subscriber
        with serving(server) as base:

            def follow(url: str) -> str:
                assert url.startswith("https://alerts.example.com/a/")
                return base + url.removeprefix("https://alerts.example.com/a")

            assert notices.run(NOW).sent == 1
            (link,) = re.findall(r"https://\S+/confirm/\S+", plain(box.mails[0]))
            # The application itself reads the real clock: links made in 2026 by a test are old by then.
            fresh = app.links.confirm(store.subscriber(reader.id), _now() + HOUR)
            assert link.rpartition("/")[0] == fresh.rpartition("/")[0]
            assert requests.get(follow(fresh), timeout=10).status_code == 200
            assert store.subscriber(reader.id).standing is Standing.PENDING
            assert "signed up" in requests.post(follow(fresh), timeout=10).text

            store.commit_decisions(
                episodes=[make_episode(site.id)],
                alerts=[replace(make_alert(site.id), evidence=make_hot_dry(site))],
                messages=[make_message(reader.id)],
                now=NOW,
            )
            assert app.delivery.run(_now()).sent == 1
            mail = box.mails[1]
            text = plain(mail)
            urls = {url.split("/")[4]: url for url in re.findall(r"https://alerts\.example\.com/a/\S+", text)}
            assert set(urls) == {"stop", "seen", "snooze"}
            assert requests.post(follow(urls["seen"]), timeout=10).status_code == 200
            assert store.acknowledged_at(reader.id, "e1") is not None
            assert requests.get(follow(urls["snooze"]), timeout=10).status_code == 200

            # RFC 8058: what a mail program does with the two headers.
            assert mail["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
            one_click = re.findall(r"<(https://[^>]+)>", str(mail["List-Unsubscribe"]))[0]
            answer = requests.post(follow(one_click), data={"List-Unsubscribe": "One-Click"}, timeout=10)
            assert answer.status_code == 200
            assert store.subscriptions(reader.id) == []
        assert app.links.ref_of(str(mail["X-Alertd-Return"])) == "m.m1"
        assert store.outbox_counts()[MessageState.SENT] == 1


def _now() -> Any:
    from alertd.daemon.clock import utc_now

    return utc_now()


def test_pages_and_bounces_follow_the_settings(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'alertd.db'}"
    weather = WeatherSettings(contact="https://weather.landscaper.invented", providers=(ProviderName.METNO,))
    base = Settings(database=DatabaseSettings(url=SecretStr(url)), weather=weather)
    (tmp_path / "box").mkdir()
    with open_store(url, create=True) as store:
        bare = App(base, store)
        assert (bare.web_server, bare.notices, bare.people.confirms) == (None, None, False)
        assert {tick.name for tick in bare.daemon_parts().ticks}.isdisjoint({"notices", "bounces"})
        smtp = SmtpSettings(host="localhost", from_address="a@example.com", bounce_folder=tmp_path / "box")
        web = WebSettings(base_url="https://alerts.example.com", bounce_secret=SecretStr("b" * 40))
        full = App(base.model_copy(update={"smtp": smtp, "web": web}), store)
        parts = full.daemon_parts()
        assert {tick.name for tick in parts.ticks} >= {"notices", "bounces"}
        assert [one.name for one in parts.servers] == ["web"]
        elsewhere = web.model_copy(update={"enabled": False})
        quiet = App(base.model_copy(update={"web": elsewhere}), store)
        assert (quiet.web_server, quiet.people.confirms) == (None, True)
        assert full.links.mark("m.1") == quiet.links.mark("m.1"), "the key is made once and kept"
        given = App(base.model_copy(update={"web": WebSettings(secret=SecretStr("s" * 40))}), store)
        assert given.links.mark("m.1") != full.links.mark("m.1")
        assert given.bounces.take(b"", NOW) is Outcome.UNREADABLE


class NoBook:
    def tick_started(self, name: str, at: dt.datetime) -> None: ...
    def tick_finished(
        self, name: str, at: dt.datetime, error: str | None, due_at: dt.datetime | None
    ) -> None: ...
    def plan_tick(self, name: str, due_at: dt.datetime) -> KeptTick:
        return KeptTick(name, due_at)

    def heartbeat(self, name: str, at: dt.datetime) -> None: ...


def test_the_daemon_serves_the_pages_and_stops_them_at_sigterm(house: House) -> None:
    server = WebServer(house.app, ListenSettings("127.0.0.1", 0))
    seen: list[int] = []

    def visit(_now: dt.datetime) -> None:
        url = f"http://127.0.0.1:{server.port}" + house.path(house.links.stop(house.reader.id))
        seen.append(requests.get(url, timeout=10).status_code)
        os.kill(os.getpid(), signal.SIGTERM)

    parts = DaemonParts([Tick("deliver", 60, visit)], NoBook(), lambda: None, servers=[server])
    assert run(parts, RunSettings(health_port=0, check_every_s=0.1)) == 0
    assert seen == [200]
    assert not server.is_alive


def test_the_daemon_ends_with_70_when_the_pages_are_gone(house: House) -> None:
    server = WebServer(house.app, ListenSettings("127.0.0.1", 0))
    parts = DaemonParts(
        [Tick("deliver", 60, lambda _now: server.stop())], NoBook(), lambda: None, servers=[server]
    )
    assert run(parts, RunSettings(health_port=0, check_every_s=0.1)) == 70


def test_a_taken_port_ends_the_daemon_before_it_says_that_it_is_ready(house: House) -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as taken:
        servers = [
            WebServer(house.app, ListenSettings("127.0.0.1", 0)),
            WebServer(house.app, ListenSettings("127.0.0.1", taken.getsockname()[1])),
        ]
        parts = DaemonParts([Tick("deliver", 60, lambda _now: None)], NoBook(), lambda: None, servers=servers)
        with pytest.raises(ConfigError, match=r"web\.listen_port"):
            run(parts, RunSettings(health_port=0))
        assert not servers[0].is_alive
