"""The bound: one mail a site and local day, whatever is decided and whenever; the digest takes the rest."""

from __future__ import annotations

import datetime as dt
import itertools
import shutil
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from alertd.records.alert import Alert, AlertKind, Change, MessageState
from alertd.records.assessment import Level
from alertd.records.brief import Letter
from alertd.records.site import Subscription
from alertd.service.briefs import BriefRound
from alertd.service.cycle import Cycle
from alertd.service.preferences import Wish, begin, change
from alertd.service.route import cannot_wait, route
from alertd.store.store import Store, open_store
from tests.store.builders import make_alert, make_episode, make_site, make_subscriber

ZONE = "America/New_York"
HOUR, MINUTE = dt.timedelta(hours=1), dt.timedelta(minutes=1)
START = dt.datetime(2026, 7, 1, 4, tzinfo=dt.UTC)  # midnight at the site, a Wednesday
SITES = ("s1", "s2")


@dataclass
class World:
    """One reader of two sites; every mail is taken at once and noted with the sites that it is about."""

    store: Store
    mails: list[tuple[dt.datetime, tuple[Alert, ...]]] = field(default_factory=list)
    now: dt.datetime = START
    numbers: Iterator[int] = field(default_factory=itertools.count)

    def tell(self, site_id: str, level: Level, change: Change, kind: AlertKind) -> None:
        """Decide an alert now, as a cycle would, and let everything leave that is due."""
        number = next(self.numbers)
        episode = make_episode(site_id, f"e{number}", subject=f"{number}")
        made = make_alert(site_id, f"a{number}", episode.id, at=self.now)
        alert = replace(made, level=level, change=change, kind=kind)
        people = self.store.subscriptions_for([site_id])
        wishes = self.store.preferences([reader.id for _, reader in people])
        told_on, digests_on = Cycle(self.store, cast("Any", None), 0.1)._mail_days(
            dict.fromkeys(SITES, ZONE), wishes.values(), self.now
        )
        messages = route(
            [alert], people, dict.fromkeys(SITES, ZONE), self.now, wishes, told_on, digests_on=digests_on
        )
        self.store.commit_decisions(episodes=[episode], alerts=[alert], messages=messages, now=self.now)

    def until(self, then: dt.datetime) -> None:
        """Let time pass, looking at what is due at the waking hour of each day."""
        days = (then - START).days + 1
        for six in (START + dt.timedelta(days=n, hours=6) for n in range(days)):
            if self.now < six <= then:
                self.now = six
                self.leave()
        self.now = then

    def leave(self) -> None:
        """Send what is due: the digest and briefs, and the messages that go by themselves."""
        BriefRound(self.store, lambda _sites, _now: {}, lambda: self._post()).run(self.now)
        leased = self.store.lease(self.now, "w1", 99, 60.0)
        for parcel in self.store.parcels(leased):
            self.store.mark_sent(parcel.message, self.now)
            self.mails.append((self.now, (parcel.alert,)))

    @contextmanager
    def _post(self) -> Iterator[World]:
        yield self

    def send(self, letter: Letter, now: dt.datetime) -> str:
        if letter.entries:
            self.mails.append((now, tuple(one.alert for one in letter.entries)))
        return "250 taken"

    def crowded(self) -> dict[tuple[str, dt.date], int]:
        """Return how many mails beyond one each site and day got, those apart that must not wait."""
        days: dict[tuple[str, dt.date], int] = defaultdict(int)
        for at, alerts in self.mails:
            day = at.astimezone(ZoneInfo(ZONE)).date()
            waits = [one for one in alerts if len(alerts) > 1 or not _hurried(one)]
            for site_id in {one.site_id for one in waits}:
                days[site_id, day] += 1
        return {key: count for key, count in days.items() if count > 1}


def _hurried(alert: Alert) -> bool:
    return cannot_wait(alert) or (alert.change is Change.RAISED and alert.level >= Level.HIGH)


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("bound") / "empty.db"
    open_store(f"sqlite:///{path}", create=True).close()
    return path


@contextmanager
def world(empty: Path) -> Iterator[World]:
    path = empty.with_name("alertd.db")
    for rest in empty.parent.glob("alertd.db*"):
        rest.unlink()
    shutil.copy(empty, path)
    with open_store(f"sqlite:///{path}") as store:
        for site_id in SITES:
            store.add_site(replace(make_site(f"Invented {site_id}", site_id), zone=ZONE), now=START)
        store.add_subscriber(make_subscriber(subscriber_id="u1"), now=START)
        for site_id in SITES:
            store.subscribe(Subscription("u1", site_id))
        begin(store, store.subscriber("u1"), START)
        change(store, "u1", Wish(weekly=False, evening=False, zone=ZONE), START)
        yield World(store)


TOLD = st.tuples(
    st.integers(0, 11),  # hours until then
    st.sampled_from(SITES),
    st.sampled_from([Level.NOTE, Level.WATCH, Level.HIGH, Level.SEVERE]),
    st.sampled_from([Change.OPENED, Change.RAISED, Change.CHANGED]),
    st.sampled_from([AlertKind.HOT_DRY, AlertKind.SPRAY_WINDOW]),
)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(told=st.lists(TOLD, min_size=2, max_size=14))
def test_no_site_gets_a_second_mail_on_a_day_unless_it_must_not_wait(
    empty: Path,
    told: list[tuple[int, str, Level, Change, AlertKind]],
) -> None:
    with world(empty) as here:
        for after_h, site_id, level, how, kind in told:
            here.until(here.now + after_h * HOUR)
            here.tell(site_id, level, how, kind)
            here.leave()
        here.until(here.now + 72 * HOUR)
        assert here.crowded() == {}
        assert len({one.id for _, alerts in here.mails for one in alerts}) == len(told)
        assert here.store.outbox_counts()[MessageState.PENDING] == 0


def test_a_digest_of_the_morning_is_the_mail_of_that_day(
    empty: Path,
) -> None:
    """Nothing that is open need have spoken for a site to have had its mail: the outbox knows."""
    with world(empty) as here:
        for hour in (9, 10, 33):  # two on Wednesday, one on Thursday at nine, after the digest of six
            here.until(START + hour * HOUR)
            here.tell("s1", Level.WATCH, Change.OPENED, AlertKind.HOT_DRY)
            here.leave()
        here.until(START + 60 * HOUR)
        hours = [(at - START) / HOUR for at, _ in here.mails]
        assert hours == [9.0, 30.0, 54.0]
        assert here.store.mails_since(START) == {"u1": 3}
