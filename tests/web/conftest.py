"""A whole installation in a temporary file: store, people, links, pages; the clock is moved by hand."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from alertd.records.site import Channel, Site, Standing, Subscriber, Subscription
from alertd.service.bounces import Bounces
from alertd.service.links import Links
from alertd.service.people import People
from alertd.store.models import FirmRow
from alertd.store.store import Store, open_store
from alertd.web.app import WebParts, create_app
from alertd.web.reader import Reader
from tests.store.builders import NOW, make_episode, make_site

KEY = "k" * 40
BOUNCE_KEY = "b" * 40
BASE = "https://alerts.example.com"


@dataclass
class House:
    """Everything behind the pages. ``now`` is what the application takes for the present."""

    store: Store
    site: Site
    other_site: Site
    reader: Subscriber
    foreign_site: Site
    foreign_reader: Subscriber
    links: Links = field(default_factory=lambda: Links(BASE, [KEY]))
    now: dt.datetime = NOW

    def __post_init__(self) -> None:
        self.people = People(self.store, confirms=True)
        self.bounces = Bounces(self.store, self.people, self.links)
        parts = WebParts(Reader(self.links, self.people), True, self.bounces, BOUNCE_KEY)
        self.app: FastAPI = create_app(parts, lambda: self.now)
        self.client = self.visitor()

    def visitor(self, host: str = "192.0.2.1") -> TestClient:
        """Return a browser at another address."""
        return TestClient(self.app, BASE, client=(host, 50000), follow_redirects=False)

    def path(self, url: str) -> str:
        return url.removeprefix(BASE)

    def everything(self) -> list[object]:
        """Return what a visit could have changed."""
        people = self.store.subscribers(active=None)
        seen = [
            self.store.acknowledged_at(one.id, episode) for one in people for episode in ("e1", "foreign-e")
        ]
        return [
            people,
            [self.store.subscriptions(one.id) for one in people],
            seen,
            [self.store.bounces(one.id) for one in people],
            self.store.notices(),
            self.store.outbox_counts(),
        ]


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sqlite") / "empty.db"
    open_store(f"sqlite:///{path}", create=True).close()
    return path


@pytest.fixture
def house(tmp_path: Path, empty_file: Path) -> Iterator[House]:
    path = shutil.copy(empty_file, tmp_path / "alertd.db")
    with open_store(f"sqlite:///{path}") as store:
        with store._write() as session:
            session.add(FirmRow(id="other", name="other"))
        site = store.add_site(make_site("Invented Court"), now=NOW)
        second = store.add_site(make_site("Second Court"), now=NOW)
        foreign_site = store.add_site(make_site("Foreign Court", firm_id="other"), now=NOW)
        reader = store.add_subscriber(subscriber("Crew Lead"), now=NOW)
        foreign = store.add_subscriber(subscriber("Foreign Lead", firm_id="other"), now=NOW)
        for one, where in ((reader, site), (reader, second), (foreign, foreign_site)):
            store.subscribe(Subscription(one.id, where.id))
        episodes = [make_episode(site.id), make_episode(foreign_site.id, "foreign-e")]
        store.commit_decisions(episodes=episodes, now=NOW)
        yield House(store, site, second, reader, foreign_site, foreign)


def subscriber(
    name: str,
    address: str = "crew@example.com",
    standing: Standing = Standing.ACTIVE,
    firm_id: str = "default",
) -> Subscriber:
    return Subscriber(
        id="", name=name, channel=Channel.EMAIL, address=address, standing=standing, firm_id=firm_id
    )
