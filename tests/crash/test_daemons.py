"""Whole daemons, ``alertd run`` as a process of its own: killed at random, and two of them on one database.

Real are the program, its settings, its clock, HTTP to a local weather server and SMTP and webhooks to local
receivers. Where a wait would cost minutes, the test puts due times back, as if they had gone by.
"""

from __future__ import annotations

import datetime as dt
import http.client
import json
import os
import random
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from sqlalchemy import text

from alertd.records.alert import MessageState
from alertd.records.site import Channel, Irrigation, Planting, Site, Subscriber, Subscription
from alertd.records.weather import WeatherCell, cell_of
from alertd.service.leader import LEASE_S, RENEW_EVERY_S
from alertd.store.store import Store, open_store
from alertd.weather.replay import ReplayServer
from tests.assess.skies import HOT, truth_of
from tests.crash.lives import Stage, staged
from tests.crash.oracle import Tally, judge
from tests.crash.world import SECRET

pytestmark = pytest.mark.enable_socket
Log = Callable[[str, object], None]
Urls = Callable[[str], Callable[[], str]]
ROOT = Path(__file__).parents[2]
ZONE = "America/New_York"
DEATHS = 4
PATIENCE_S = 120.0
"""For what takes seconds; a slow machine may take its time. What must be quick is asserted by itself."""


def places(count: int) -> list[Site]:
    return [
        Site(f"s-{n}", f"Invented yard {n}", 40.0 + n / 2, -75.0, ZONE, 20.0, materials=("soap",),
             plantings=(Planting(f"p-{n}", "rose", "beds", 20, irrigation=Irrigation.NONE),))
        for n in range(count)
    ]  # fmt: skip


def sky(sites: list[Site]) -> dict[WeatherCell, pd.DataFrame]:
    first = dt.datetime.now(dt.UTC).date() - dt.timedelta(days=100)
    truth = truth_of(first, [HOT] * 120)
    return {cell_of(one.latitude_deg, one.longitude_deg, one.elevation_m): truth for one in sites}


def now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)


@dataclass
class Daemon:
    """One ``alertd run``."""

    process: subprocess.Popen[bytes]
    port: int
    log: Path

    def readiness(self) -> tuple[bool, dict[str, Any]]:
        """Return whether it is ready and what it says of each check; nothing while it does not answer."""
        try:
            with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)) as connection:
                connection.request("GET", "/readyz")
                answer = json.loads(connection.getresponse().read())
        except (OSError, http.client.HTTPException):
            assert self.process.poll() is None, self.log.read_text()
            return False, {}
        return bool(answer["ok"]), answer["checks"]

    def stands(self, words: str) -> bool:
        """Whether it is ready and says of the lead what begins so."""
        ready, checks = self.readiness()
        return ready and str(checks["lead"]["detail"]).startswith(words)

    def is_up(self) -> bool:
        return bool(self.readiness()[1])


@dataclass
class Yard:
    """A database, its weather and its receivers, and the daemons that run there."""

    url: str
    folder: Path
    weather: ReplayServer
    stage: Stage
    store: Store
    stack: ExitStack

    def environ(self, port: int) -> dict[str, str]:
        """Return the settings of a daemon that tells its health on this port."""
        plan = self.stage.plan(self.url)
        return os.environ | {
            "ALERTD_DATABASE__URL": self.url,
            "ALERTD_WEATHER__PROVIDERS": "openmeteo",
            "ALERTD_WEATHER__OPENMETEO__BASE_URL": self.weather.openmeteo_url,
            "ALERTD_SMTP__HOST": "127.0.0.1",
            "ALERTD_SMTP__PORT": str(plan.mail_port),
            "ALERTD_SMTP__TLS": "none",
            "ALERTD_SMTP__FROM_ADDRESS": "alerts@example.com",
            "ALERTD_WEBHOOK__ALLOW_PRIVATE_CIDRS": "127.0.0.0/8",
            "ALERTD_WEBHOOK__PORTS": ",".join(map(str, plan.hook_ports)),
            "ALERTD_DAEMON__HEALTH_PORT": str(port),
            "ALERTD_DAEMON__DELIVER_EVERY_S": "5",
            "ALERTD_LOG__FORMAT": "json",
            "PYTHONPATH": str(ROOT),
        }

    def cycle(self) -> None:
        """Do everything once, undisturbed."""
        subprocess.run(
            [sys.executable, "-m", "alertd", "cycle"], cwd=self.folder, env=self.environ(0), check=True,
            capture_output=True, timeout=PATIENCE_S,
        )  # fmt: skip

    def start(self) -> Daemon:
        """Start ``alertd run``; it is killed when the test is over."""
        with closing(socket.create_server(("127.0.0.1", 0))) as free:
            port = free.getsockname()[1]
        log = self.folder / f"{port}.log"
        with log.open("wb") as told:
            process = subprocess.Popen(
                [sys.executable, "-m", "alertd", "run"], cwd=self.folder, env=self.environ(port),
                stdout=told, stderr=told,
            )  # fmt: skip
        self.stack.callback(process.wait)
        self.stack.callback(process.kill)
        return Daemon(process, port, log)

    def add(self, site: Site) -> None:
        """Watch one more site; everybody hears about it."""
        self.store.add_site(site, now=now())
        for reader in self.store.subscribers():
            self.store.subscribe(Subscription(reader.id, site.id))

    def let_go_by(self) -> None:
        """Make what is due later due now: cycles, retries, and the leases of processes that are gone."""
        with self.store._write() as session:
            session.execute(text("UPDATE ticks SET due_at = :now WHERE name = 'cycle'"), {"now": _at(self)})
        self.hurry(leased=True)

    def hurry(self, *, leased: bool = False) -> None:
        states = "('pending', 'leased')" if leased else "('pending')"
        with self.store._write() as session:
            session.execute(
                text(f"UPDATE outbox SET ready_at = :now WHERE ready_at > :now AND state IN {states}"),
                {"now": _at(self)},
            )

    def is_told(self, site_ids: set[str]) -> bool:
        """Whether each site has alerts and every message is out."""
        counts = self.store.outbox_counts()
        heard = {entry.alert.site_id for entry in self.store.history(limit=None)}
        if counts[MessageState.PENDING]:
            self.hurry()
        return heard >= site_ids and not counts[MessageState.PENDING] and not counts[MessageState.LEASED]

    def alerts(self) -> Counter[tuple[str, ...]]:
        """Return what was told of each site, without what depends on the instant."""
        return Counter(
            (one.alert.site_id, str(one.alert.kind), one.alert.subject, str(one.alert.change))
            for one in self.store.history(limit=None)
        )

    def judged(self, tally: Tally) -> None:
        plan = self.stage.plan(self.url, first_at=now())
        judge(self.store, plan, {}, self.stage.copies(), tally)
        assert max(self.alerts().values()) == 1, "the same was told twice"


def _at(yard: Yard) -> str | dt.datetime:
    """Return now as this database keeps instants."""
    return now().strftime("%Y-%m-%d %H:%M:%S.%f") if yard.url.startswith("sqlite") else now()


@contextmanager
def yard_at(url: str, folder: Path, sites: list[Site], share: float, seed: int) -> Iterator[Yard]:
    folder.mkdir()
    with ExitStack() as stack:
        weather = stack.enter_context(ReplayServer(sky(sites), now))
        stage = stack.enter_context(staged(share, seed, boards=1))
        store = stack.enter_context(open_store(url))
        readers = [
            Subscriber("u-one", "One", Channel.EMAIL, "one@example.com", wake_hour=0, rest_hour=24),
            Subscriber("u-two", "Two", Channel.EMAIL, "two@example.com", wake_hour=0, rest_hour=24),
            Subscriber("w-0", "Board", Channel.WEBHOOK, f"http://127.0.0.1:{stage.hooks[0].port}/w-0",
                       secret=SECRET, wake_hour=0, rest_hour=24),
        ]  # fmt: skip
        for reader in readers:
            store.add_subscriber(reader, now=now())
        yield Yard(url, folder, weather, stage, store, stack)


def eventually(holds: Callable[[], bool], within_s: float = PATIENCE_S) -> float:
    """Wait until something holds and return how long that took."""
    began = time.monotonic()
    while not holds():
        assert time.monotonic() - began < within_s, "waited in vain"
        time.sleep(0.1)
    return time.monotonic() - began


@pytest.mark.parametrize("engine", ["sqlite", pytest.param("postgresql", marks=pytest.mark.nightly)])
def test_of_two_daemons_one_leads_and_the_other_takes_over(
    engine: str, fresh_url: Urls, tmp_path: Path, log: Log
) -> None:
    tally, sites = Tally(), places(3)
    with yard_at(fresh_url(engine)(), tmp_path / engine, sites, 0.0, 1) as yard:
        yard.add(sites[0])
        left = yard.start()
        eventually(lambda: left.stands("leads"))
        right = yard.start()
        eventually(lambda: right.stands("stands by: another process decides"))
        eventually(lambda: yard.is_told({"s-0"}))

        left.process.kill()
        killed_s = time.monotonic()
        yard.add(sites[1])
        yard.let_go_by()
        eventually(lambda: right.stands("leads"))
        took_s = time.monotonic() - killed_s
        assert took_s < LEASE_S + RENEW_EVERY_S + 5.0
        tally.kills["the leader"] += 1
        eventually(lambda: yard.is_told({"s-0", "s-1"}))
        told_s = time.monotonic() - killed_s

        left = yard.start()
        eventually(lambda: left.stands("stands by"))
        yard.add(sites[2])
        right.process.send_signal(signal.SIGTERM)
        assert right.process.wait(PATIENCE_S) == 0
        handed_s = eventually(lambda: left.stands("leads"))
        assert handed_s < LEASE_S, "an orderly end waits for no lease"
        yard.let_go_by()
        eventually(lambda: yard.is_told({"s-0", "s-1", "s-2"}))
        left.process.send_signal(signal.SIGTERM)
        assert left.process.wait(PATIENCE_S) == 0
        yard.judged(tally)
    line = tally.line(f"two daemons, {engine}")
    log("log", f"{line}; took over {took_s:.1f} s after the kill, all told after {told_s:.1f} s; "
        f"after an orderly end within {handed_s:.1f} s")  # fmt: skip


def test_a_daemon_killed_at_random_times_loses_and_doubles_nothing(
    fresh_url: Urls, tmp_path: Path, log: Log
) -> None:
    tally, draw, sites, fresh = Tally(), random.Random(11), places(DEATHS + 1), fresh_url("sqlite")
    everywhere = {site.id for site in sites}
    with yard_at(fresh(), tmp_path / "twin", sites, 0.0, 0) as yard:
        for site in sites:
            yard.add(site)
        yard.cycle()
        assert yard.is_told(everywhere)
        twin = yard.alerts()
    with yard_at(fresh(), tmp_path / "killed", sites, 0.2, 2) as yard:
        for site in sites[:DEATHS]:
            yard.add(site)
            yard.let_go_by()
            daemon = yard.start()
            eventually(daemon.is_up)
            time.sleep(draw.uniform(0.0, 4.0))
            daemon.process.kill()
            daemon.process.wait()
            tally.kills["at random"] += 1
        yard.add(sites[-1])
        yard.let_go_by()
        yard.stage.calm()  # a server that hung up is left alone for a minute, too long for a test
        last = yard.start()
        eventually(lambda: yard.is_told(everywhere))
        last.process.send_signal(signal.SIGTERM)
        assert last.process.wait(PATIENCE_S) == 0
        assert yard.alerts() == twin
        yard.judged(tally)
    log("log", tally.line("a whole daemon"))
