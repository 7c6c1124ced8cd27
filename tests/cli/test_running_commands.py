from __future__ import annotations

import datetime as dt
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller

from alertd.demo.season import season
from alertd.demo.sink import MailSink
from alertd.records.weather import cell_of
from alertd.service.cycle import Cycle, CycleReport
from alertd.weather.replay import Fault, ReplayServer, Trouble
from tests.cli.conftest import COURT, NOW, Clock, Program, invented_place


class Refusing:
    """A mail server that answers every message with the same words."""

    def __init__(self, answer: str) -> None:
        self.answer = answer

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802  # aiosmtpd's name
        return self.answer


def mail_settings(port: int) -> dict[str, str | None]:
    return {
        "ALERTD_SMTP__HOST": "127.0.0.1",
        "ALERTD_SMTP__PORT": str(port),
        "ALERTD_SMTP__TLS": "none",
        "ALERTD_SMTP__FROM_ADDRESS": "alerts@example.com",
    }


@pytest.fixture
def mailing(watching: Program, world: ReplayServer) -> Program:
    """The program with one site, a reader of its mails and a weather service."""
    watching.env["ALERTD_WEATHER__OPENMETEO__BASE_URL"] = world.openmeteo_url
    watching.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    return watching


@pytest.fixture
def sink(tmp_path: Path) -> Iterator[MailSink]:
    with MailSink(tmp_path / "mail") as running:
        yield running


@pytest.mark.enable_socket
def test_a_cycle_warns_and_the_mail_arrives(mailing: Program, sink: MailSink) -> None:
    mailing.env |= mail_settings(sink.port)
    report = json.loads(mailing.done("cycle", "--json"))
    assert report["ok"] is True
    assert (report["sites"], report["cells"], report["fetched"], report["assessed"]) == (1, 1, 1, 1)
    assert report["alerts"] >= 1
    assert report["delivery"]["sent"] == sink.count == report["messages"]
    again = json.loads(mailing.done("cycle", "--json"))
    assert (again["alerts"], again["delivery"]["sent"]) == (0, 0)


@pytest.mark.enable_socket
def test_a_cycle_also_sends_the_requests_to_confirm_and_the_briefs_that_are_due(
    watching: Program, world: ReplayServer, sink: MailSink, clock: Clock
) -> None:
    watching.env |= mail_settings(sink.port)
    watching.env["ALERTD_WEATHER__OPENMETEO__BASE_URL"] = world.openmeteo_url
    watching.env["ALERTD_WEB__BASE_URL"] = "https://alerts.example.com"
    watching.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    assert json.loads(watching.done("cycle", "--no-deliver", "--json"))["requests_to_confirm"] is None
    told = watching.done("cycle")
    assert "Requests to confirm: 1 sent, 0 put off, 0 given up" in told
    assert sink.count == 1
    watching.done("subscriber", "confirm", "Crew")
    watching.done("subscriber", "prefs", "Crew", "--weekly", "--weekly-day", "tuesday", "--weekly-hour", "9")
    watching.done("cycle")
    clock.now = NOW + dt.timedelta(hours=1)  # Tuesday, 09:10 in New York
    report = json.loads(watching.done("cycle", "--json"))
    assert report["briefs"]["sent"] == 1
    assert report["requests_to_confirm"]["sent"] == 0


@pytest.mark.enable_socket
def test_a_request_that_is_refused_is_told_with_the_servers_words(
    watching: Program, world: ReplayServer
) -> None:
    watching.env["ALERTD_WEATHER__OPENMETEO__BASE_URL"] = world.openmeteo_url
    watching.env["ALERTD_WEB__BASE_URL"] = "https://alerts.example.com"
    watching.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    server = Controller(Refusing("451 4.3.0 try later"), hostname="127.0.0.1", port=free_port())
    server.start()
    try:
        watching.env |= mail_settings(server.port)
        result = watching("cycle")
    finally:
        server.stop()
    assert result.exit_code == 75
    assert "Requests to confirm: 0 sent, 1 put off, 0 given up" in result.stdout
    assert "451 4.3.0 try later" in result.stderr


@pytest.mark.enable_socket
def test_a_cycle_may_leave_the_messages_to_the_daemon(mailing: Program, sink: MailSink) -> None:
    mailing.env |= mail_settings(sink.port)
    told = mailing.done("cycle", "--no-deliver")
    assert "1 sites in 1 weather cells: 1 cells fetched" in told
    assert sink.count == 0
    mailing.done("cycle")
    assert sink.count >= 1


@pytest.mark.enable_socket
@pytest.mark.parametrize("answer", ["451 try later", "550 no such user"])
def test_mail_that_is_refused_is_told_with_the_servers_words(mailing: Program, answer: str) -> None:
    server = Controller(Refusing(answer), hostname="127.0.0.1", port=free_port())
    server.start()
    try:
        mailing.env |= mail_settings(server.port)
        result = mailing("cycle")
    finally:
        server.stop()
    assert result.exit_code == 75
    assert answer in result.stderr
    assert answer in mailing.done("history", "--csv")


@pytest.mark.enable_socket
def test_a_cycle_without_weather_ends_with_75_and_says_why(mailing: Program, world: ReplayServer) -> None:
    world.inject("openmeteo", Fault(Trouble.HTML))
    result = mailing("cycle", "--no-deliver")
    assert result.exit_code == 75
    assert "no new weather for cell 40.2400,-74.1800" in result.stderr
    assert "JSON" in result.stderr


@pytest.mark.enable_socket
def test_a_site_that_breaks_the_program_is_told_by_name(
    mailing: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    def run(cycle: Cycle, now: dt.datetime, *_more: object) -> CycleReport:
        (site,) = cycle.store.sites()
        return CycleReport(now, sites=1, cells=1, fetched=1, failed_sites={site.id: "broken part"})

    monkeypatch.setattr(Cycle, "run", run)
    result = mailing("cycle", "--no-deliver")
    assert result.exit_code == 70
    assert "'Invented Court'" in result.stderr
    assert "broken part" in result.stderr


@pytest.mark.enable_socket
def test_a_cycle_can_look_after_one_site(mailing: Program) -> None:
    mailing.done(
        "site", "add", "Invented Yard", "--lat", "41.9", "--lon", "-74.2", "--zone", "America/New_York",
        "--plant", "rose",
    )  # fmt: skip
    report = json.loads(mailing.done("cycle", "--site", "invented court", "--no-deliver", "--json"))
    assert (report["sites"], report["cells"], report["fetched"]) == (1, 1, 1)
    assert "there is no site" in mailing.refused(2, "cycle", "--site", "Elsewhere")


@pytest.mark.enable_socket
def test_a_look_back_tells_what_would_have_been_told_and_writes_nothing(
    mailing: Program, world: ReplayServer, clock: Clock
) -> None:
    mailing.done("cycle", "--no-deliver")
    before = mailing.done("history", "--json")
    asked = world.counts.copy()
    clock.now = NOW + dt.timedelta(days=2)
    (look,) = json.loads(mailing.done("cycle", "--at", NOW.isoformat(), "--json"))
    assert look["site"]["name"] == "Invented Court"
    assert look["data_as_of"] is not None
    assert "nothing was fetched" in mailing.done("cycle", "--at", "2026-07-14T08:10")
    assert world.counts == asked
    assert mailing.done("history", "--json") == before


@pytest.mark.enable_socket
def test_a_look_back_before_any_weather_ends_with_75(fetched: Program) -> None:
    result = fetched("cycle", "--at", "2026-07-01T06:00")
    assert result.exit_code == 75
    assert "no weather was stored" in result.stderr


def test_a_cycle_without_sites_says_how_to_add_one(program: Program) -> None:
    program.env["ALERTD_WEATHER__OPENMETEO__BASE_URL"] = "http://127.0.0.1:9"
    assert "alertd site add" in program.done("cycle", "--no-deliver")


@pytest.mark.parametrize("command", ["cycle", "run"])
def test_without_a_contact_nothing_begins(program: Program, command: str) -> None:
    program.env["ALERTD_WEATHER__PROVIDERS"] = None
    assert "weather.contact" in program.refused(78, command)


def test_the_daemon_does_not_begin_while_readers_wait_for_mail_that_is_not_set_up(watching: Program) -> None:
    watching.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    result = watching("run")
    assert result.exit_code == 78
    assert "smtp.host" in result.stderr


def test_the_demo_gets_a_folder_of_its_own(program: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    played: list[tuple[str, int | None]] = []

    def play(folder: Path, *, days: int | None, progress: bool) -> int:
        assert progress
        played.append((folder.name, days))
        folder.mkdir()
        return 0

    monkeypatch.setattr("alertd.demo.play.play", play)
    program.done("demo", "--days", "3")
    program.done("demo")
    program.done("demo", "--folder", "june")
    assert played == [("alertd-demo", 3), ("alertd-demo-2", None), ("june", None)]


def test_a_demo_folder_that_holds_something_is_left_alone(program: Program) -> None:
    (program.folder / "taken").mkdir()
    (program.folder / "taken" / "note.txt").write_text("precious")
    assert "is not empty" in program.refused(2, "demo", "--folder", "taken")


def free_port() -> int:
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        return int(listening.getsockname()[1])


def is_ready(port: int) -> bool:
    with closing(HTTPConnection("127.0.0.1", port, timeout=2.0)) as connection:
        try:
            connection.request("GET", "/readyz")
            return connection.getresponse().status == 200
        except OSError:
            return False


@pytest.mark.enable_socket
def test_the_daemon_becomes_ready_on_real_parts_and_ends_with_0_on_sigterm(
    program: Program, tmp_path: Path
) -> None:
    today = dt.datetime.now(dt.UTC)
    truth = season(
        invented_place(), today.date() - dt.timedelta(days=12), today.date() + dt.timedelta(days=20), 3
    )
    port = free_port()
    with (
        ReplayServer({cell_of(40.24, -74.18): truth}, lambda: dt.datetime.now(dt.UTC)) as world,
        MailSink(tmp_path / "mail") as sink,
    ):
        program.env |= {
            **mail_settings(sink.port),
            "ALERTD_WEATHER__OPENMETEO__BASE_URL": world.openmeteo_url,
            "ALERTD_DAEMON__HEALTH_PORT": str(port),
        }
        program.done("site", "add", *COURT, "--plant", "spruce", "--material", "soap")
        program.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
        env = {key: value for key, value in program.env.items() if value is not None}
        daemon = subprocess.Popen(
            [sys.executable, "-m", "alertd", "run"],
            env=env | {"PYTHONPATH": str(Path(__file__).parents[2]), "PATH": os.environ["PATH"]},
            cwd=tmp_path,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            until = time.monotonic() + 40.0
            while not is_ready(port) and daemon.poll() is None and time.monotonic() < until:
                time.sleep(0.1)
            assert is_ready(port), daemon.stderr.read() if daemon.poll() is not None and daemon.stderr else ""
            began = time.monotonic()
            daemon.send_signal(signal.SIGTERM)
            _, log = daemon.communicate(timeout=20.0)
            assert time.monotonic() - began < 10.0
        finally:
            daemon.kill()
            daemon.wait()
    assert daemon.returncode == 0, log
    assert "daemon_ready" in log
    assert "cycle-done" in log
    assert "Traceback" not in log
    assert world.counts["openmeteo"] >= 1
