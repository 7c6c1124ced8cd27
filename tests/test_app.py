"""The composition root wires digests and briefs to a mail server and runs them on a tick of their own."""

from __future__ import annotations

import datetime as dt
import email
import email.policy
import socket
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller

from alertd.app import App, build_app
from alertd.demo.scenario import load_scenario
from alertd.demo.season import season
from alertd.records.preferences import Preferences
from alertd.records.site import Subscription
from alertd.records.weather import cell_of
from alertd.service.links import Link, Purpose
from alertd.settings import load_settings
from alertd.weather.replay import ReplayServer
from tests.delivery.evidence import every_alert
from tests.store.builders import NOW, make_episode, make_message, make_site, make_subscriber

DAY = dt.timedelta(days=1)


class Mailbox:
    """Takes every mail."""

    def __init__(self) -> None:
        self.mails: list[bytes] = []

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802  # aiosmtpd's name
        self.mails.append(envelope.content)
        return "250 OK"


@pytest.fixture
def mailbox() -> Iterator[tuple[Mailbox, int]]:
    box = Mailbox()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    controller = Controller(box, hostname="127.0.0.1", port=port)
    controller.start()
    yield box, port
    controller.stop()


def opened(folder: Path, port: int | None = None) -> App:
    environ = {
        "HOME": str(folder),
        "ALERTD_DATABASE__URL": f"sqlite:///{folder / 'alertd.db'}",
        "ALERTD_WEATHER__PROVIDERS": "openmeteo",
    }
    if port is not None:
        environ |= {
            "ALERTD_SMTP__HOST": "127.0.0.1",
            "ALERTD_SMTP__PORT": str(port),
            "ALERTD_SMTP__TLS": "none",
            "ALERTD_SMTP__FROM_ADDRESS": "alerts@example.com",
            "ALERTD_WEB__BASE_URL": "https://alerts.example.com",
        }
    return build_app(load_settings(environ=environ, working_directory=folder))


@pytest.mark.enable_socket
@pytest.mark.allow_hosts(["127.0.0.1"])
def test_digest_and_brief_reach_the_mail_server(tmp_path: Path, mailbox: tuple[Mailbox, int]) -> None:
    box, port = mailbox
    app = opened(tmp_path, port)
    store = app.store
    store.add_site(make_site(site_id="s1"), now=NOW - DAY)
    store.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW - DAY)
    store.subscribe(Subscription("u1", "s1"))
    store.set_preferences(Preferences("u1", "UTC", weekly_day=2, weekly_hour=12), now=NOW - DAY)
    # Evidence that the templates can word.
    worded = every_alert(make_site())["scouting"]
    alert = replace(worded, id="a1", episode_id="e1", site_id="s1", made_at=NOW - DAY, expires_at=None)
    waits = replace(make_message("u1"), digest=True)
    store.commit_decisions(episodes=[make_episode("s1")], alerts=[alert], messages=[waits], now=NOW - DAY)
    assert app.briefs is not None
    assert app.briefs.run(NOW).sent == 2
    assert app.briefs.run(NOW + DAY / 24).sent == 0
    mails = [email.message_from_bytes(one, policy=email.policy.default) for one in box.mails]
    subjects = {str(one["Subject"]): one for one in mails}
    assert set(subjects) == {"News from 1 site, highest level note", "The week ahead at 1 site"}
    digest, weekly = (subjects[name] for name in sorted(subjects))
    # A digest can be left by one click, which ends everything; a brief's must not end the warnings.
    assert digest["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    assert weekly["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    token = str(weekly["List-Unsubscribe"]).partition(">")[0].rpartition("/")[2]
    link = app.links.read(Purpose.STOP, token, NOW)
    assert link == Link(Purpose.STOP, "u1", "weekly-brief")
    assert app.store.recipient_of(str(app.links.ref_of(digest["X-Alertd-Return"]))) is not None
    app.close()


def test_the_daemon_runs_briefs_only_where_there_is_mail(tmp_path: Path) -> None:
    for port, there in ((None, False), (2525, True)):
        app = opened(tmp_path, port)
        assert ("briefs" in {tick.name for tick in app.daemon_parts().ticks}) == there
        app.close()


@pytest.mark.enable_socket
def test_met_norway_is_not_asked_again_before_its_answer_expires_even_after_a_restart(tmp_path: Path) -> None:
    """Terms of api.met.no: do not ask again before ``Expires``."""
    site = replace(make_site(), latitude_deg=40.24, longitude_deg=-74.18, elevation_m=20.0)
    clock = [NOW]
    cell = cell_of(site.latitude_deg, site.longitude_deg, site.elevation_m)
    demo = load_scenario().sites[0]
    truth = season(demo, NOW.date() - 2 * DAY, NOW.date() + 12 * DAY, 1)
    with ReplayServer({cell: truth}, lambda: clock[0]) as world:
        environ = {
            "HOME": str(tmp_path),
            "ALERTD_DATABASE__URL": f"sqlite:///{tmp_path / 'alertd.db'}",
            "ALERTD_WEATHER__PROVIDERS": "metno",
            "ALERTD_WEATHER__METNO__BASE_URL": world.metno_url,
        }
        for minutes, asked in ((0, 1), (5, 1), (90, 2)):
            clock[0] = NOW + dt.timedelta(minutes=minutes)
            app = build_app(load_settings(environ=environ, working_directory=tmp_path))
            if minutes == 0:
                app.store.add_site(site, now=NOW)
            assert app.cycle.run(clock[0]).fetched == 1
            app.close()
            assert world.counts["metno"] == asked


@pytest.mark.enable_socket
@pytest.mark.allow_hosts(["127.0.0.1"])
def test_the_operator_is_mailed_what_was_given_up_where_one_is_named(
    tmp_path: Path, mailbox: tuple[Mailbox, int]
) -> None:
    box, port = mailbox
    app = opened(tmp_path, port)
    assert app.operator_report is None, "nobody is named"
    daemon = app.settings.daemon.model_copy(update={"operator_address": "operator@example.com"})
    app.settings = app.settings.model_copy(update={"daemon": daemon})
    store = app.store
    store.add_site(make_site(site_id="s1"), now=NOW)
    store.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
    alert = replace(every_alert(make_site())["scouting"], id="a1", episode_id="e1", site_id="s1", made_at=NOW)
    store.commit_decisions(
        episodes=[make_episode("s1")], alerts=[alert], messages=[make_message("u1")], now=NOW
    )
    report = app.operator_report
    assert report is not None
    assert report.run(NOW) == 0
    (leased,) = store.lease(NOW, "one", 9, 60)
    store.mark_dead(leased, NOW, "550 no such mailbox")
    assert report.run(NOW + DAY) == 1
    (mail,) = (email.message_from_bytes(one, policy=email.policy.default) for one in box.mails)
    assert mail["To"] == "operator@example.com"
    assert "550 no such mailbox" in mail.get_content()
    assert [one.state for one in store.messages()] == ["dead"], "the report itself is in no outbox"
    app.close()


def test_pruning_keeps_what_the_settings_say(tmp_path: Path) -> None:
    app = opened(tmp_path)
    kept = app.settings.database
    keep = app.prune.keep
    assert (keep.weather_days, keep.answers_days) == (kept.keep_weather_days, kept.keep_answers_days)
    assert (keep.letters_days, keep.tries_days) == (kept.keep_letters_days, kept.keep_tries_days)
    app.close()
