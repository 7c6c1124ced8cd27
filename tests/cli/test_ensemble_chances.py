"""With an ensemble set, alert, outlook and explanation tell one chance and what it rests on."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread
from typing import Any

import pytest

from alertd.delivery.message import StopNotice
from alertd.delivery.render import render
from alertd.records.alert import Alert, AlertKind
from alertd.service.ensemble import ASKED_EVERY
from alertd.store.store import open_store
from alertd.weather.replay import ReplayServer
from tests.cli.conftest import NOW, Clock, Program
from tests.store.builders import make_subscriber
from tests.weather.documents import openmeteo_ensemble

pytestmark = pytest.mark.enable_socket
DAY = dt.timedelta(days=1)


class EnsembleHost(ThreadingHTTPServer):
    """Answers on loopback with twenty invented members, or with the page of a broken proxy."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Answering)
        self.asked: list[str] = []
        self.down = False
        self.spread = 0.4
        self.now = NOW

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}"


class Answering(BaseHTTPRequestHandler):
    server: EnsembleHost

    def do_GET(self) -> None:
        self.server.asked.append(self.path)
        start_s = int(self.server.now.replace(hour=0, minute=0).timestamp())
        document = openmeteo_ensemble(240, start_s, members=20, spread=self.server.spread)
        body = b"<html>Bad Gateway</html>" if self.server.down else json.dumps(document).encode()
        self.send_response(502 if self.server.down else 200)
        self.send_header("Content-Type", "text/html" if self.server.down else "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        """Stay quiet."""


@pytest.fixture
def host(watching: Program, world: ReplayServer) -> Iterator[EnsembleHost]:
    with EnsembleHost() as host:
        thread = Thread(target=host.serve_forever, kwargs={"poll_interval": 0.05})
        thread.start()
        watching.env["ALERTD_WEATHER__OPENMETEO__BASE_URL"] = world.openmeteo_url
        watching.env["ALERTD_WEATHER__OPENMETEO__ENSEMBLE_BASE_URL"] = host.url
        yield host
        host.shutdown()
        thread.join()


def told(program: Program) -> Alert:
    """Return the hot dry warning that the cycle made."""
    store = open_store(f"sqlite:///{program.folder / 'alertd.db'}")
    (entry,) = store.history(kinds=[AlertKind.HOT_DRY])
    store.close()
    return entry.alert


def words_of(program: Program, alert: Alert) -> str:
    store = open_store(f"sqlite:///{program.folder / 'alertd.db'}")
    site = store.site("Invented Court")
    store.close()
    return " ".join(render(alert, site, make_subscriber(), StopNotice("alerts@example.com")).text.split())


def chances_of(document: dict[str, Any]) -> list[float | None]:
    return [window["chance"] for material in document["materials"] for window in material["windows"]] + [
        spell["chance"] for spell in document.get("spells") or [document.get("spell")]
    ]


def test_without_a_model_no_ensemble_is_asked_for(watching: Program, host: EnsembleHost) -> None:
    watching.done("cycle")
    assert host.asked == []
    assert "(from the forecast alone)" in words_of(watching, told(watching))
    assert "chance_ensemble" not in told(watching).evidence


def test_alert_outlook_and_explanation_tell_the_chance_of_the_ensemble(
    watching: Program, host: EnsembleHost
) -> None:
    watching.env["ALERTD_WEATHER__OPENMETEO__ENSEMBLE_MODEL"] = "invented_eps"
    watching.done("cycle")
    assert len(host.asked) == 1
    assert "/v1/ensemble?" in host.asked[0]
    assert "models=invented_eps" in host.asked[0]
    alert = told(watching)
    assert alert.evidence["chance_ensemble"] == "invented_eps"
    assert "(from the forecast's ensemble)" in words_of(watching, alert)
    document = json.loads(watching.done("outlook", "Invented Court", "--json"))
    assert document["chance_ensemble"] == "invented_eps"
    told_chances = chances_of(json.loads(json.dumps(alert.evidence)))
    assert any(chance is not None for chance in told_chances)
    assert chances_of(document) == told_chances
    assert "from the forecast's ensemble; no promise" in " ".join(
        watching.done("outlook", "Invented Court").split()
    )
    explained = json.loads(watching.done("explain", "Invented Court", "--json"))
    sources = [one["source"] for one in explained["chances"]]
    assert len(sources) == 5
    assert all(source.startswith("members of the ensemble invented_eps") for source in sources)
    assert len(host.asked) == 1


def test_members_that_part_change_what_is_told(watching: Program, host: EnsembleHost, clock: Clock) -> None:
    host.now = clock.now = NOW - 9 * DAY  # before the spell
    watching.env["ALERTD_WEATHER__OPENMETEO__ENSEMBLE_MODEL"] = "invented_eps"
    found = []
    for spread in (0.05, 2.0):
        host.spread = spread
        watching.done("cycle")
        document = json.loads(watching.done("outlook", "Invented Court", "--json"))
        assert document["chance_ensemble"] == "invented_eps"
        found.append([chance for chance in chances_of(document) if chance is not None])
        host.now = clock.now = clock.now + ASKED_EVERY
    agreed, parted = found
    assert max(agreed[:-1]) > max(parted[:-1])  # the windows
    assert abs(agreed[-1] - 0.5) > abs(parted[-1] - 0.5)  # the spell
    assert len(host.asked) == 2


def test_a_broken_host_costs_one_request_and_leaves_the_chance_as_it_was(
    watching: Program, host: EnsembleHost
) -> None:
    watching.env["ALERTD_WEATHER__OPENMETEO__ENSEMBLE_MODEL"] = "invented_eps"
    host.down = True
    watching.done("cycle")
    assert len(host.asked) == 1
    assert "(from the forecast alone)" in words_of(watching, told(watching))
