"""What strangers and slips of the hand may try: crowds, endless names, names that want to be code."""

from __future__ import annotations

import datetime as dt
import email
import email.policy
import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from email.message import EmailMessage
from pathlib import Path
from typing import cast

import pytest

from alertd.delivery.email import SmtpSettings
from alertd.delivery.message import ReaderLinks
from alertd.delivery.shared import SharedRendering
from alertd.delivery.trial import trial_body, trial_mail
from alertd.errors import InputError
from alertd.records.alert import MessageState
from alertd.records.keeping import Parcel
from alertd.records.site import Channel, Subscriber
from alertd.service.deliver import Delivery
from alertd.service.route import route
from alertd.service.sites import parse_planting
from alertd.store.models import PreferencesRow, SubscriberRow, SubscriptionRow
from alertd.store.rows import subscriber_values
from alertd.store.store import Store, open_store
from tests.delivery.evidence import STOP, make_hot_dry
from tests.store.builders import NOW, make_alert, make_episode, make_site

CROWD = 10_000
SMTP = SmtpSettings("localhost", 25, "alerts@example.com", from_name="Invented Plant Care")
MEGABYTE = "x" * 1_000_000
DAY = dt.timedelta(days=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as opened:
        opened.add_site(make_site(site_id="s1"), now=NOW)
        yield opened


def crowd(store: Store) -> None:
    """Sign a crowd up for the one site, each with the usual wishes of somebody new."""
    readers = [
        Subscriber(f"u{n}", f"Reader {n}", Channel.EMAIL, f"reader{n}@example.org") for n in range(CROWD)
    ]
    with store._write() as session:
        session.add_all(
            SubscriberRow(
                id=one.id, firm_id=one.firm_id, added_at=NOW, changed_at=NOW, removed_at=None,
                standing="active", standing_at=NOW, old_secret="", old_secret_until=None,
                **subscriber_values(one),
            )
            for one in readers
        )  # fmt: skip
        session.flush()
        session.add_all(SubscriptionRow(subscriber_id=one.id, site_id="s1", kinds=[]) for one in readers)
        session.add_all(
            PreferencesRow(
                subscriber_id=one.id, zone="America/New_York", kinds=[], least_level=0, digest_hour=None,
                weekly_day=3, weekly_hour=None, evening_hour=None, evening_quiet=False, hand_over_to=None,
                hand_over_after_h=0, one_a_day=True, changed_at=NOW,
            )
            for one in readers
        )  # fmt: skip


class Post:
    """A way out that renders every mail and counts whom it went to."""

    def __init__(self) -> None:
        self.to: Counter[str] = Counter()
        self.ids: set[str] = set()
        self.words = SharedRendering()

    def __enter__(self) -> Post:
        return self

    def __exit__(self, *_: object) -> None: ...

    def send(self, parcel: Parcel, now: dt.datetime) -> str:
        message = self.words.message(parcel.alert, parcel.site, parcel.subscriber, STOP)
        assert f"goes to {parcel.subscriber.name}," in " ".join(message.text.split())
        self.to[parcel.subscriber.address] += 1
        self.ids.add(parcel.message.id)
        return "250 taken"


def test_ten_thousand_readers_of_one_site_get_one_mail_each(store: Store) -> None:
    crowd(store)
    site = store.site("s1")
    episode = make_episode("s1")
    alert = replace(make_alert(site.id), evidence=make_hot_dry(site))
    people = store.subscriptions_for(["s1"])
    wishes = store.preferences([reader.id for _, reader in people])
    assert len(people) == len(wishes) == CROWD
    messages = route([alert], people, {"s1": "America/New_York"}, NOW, wishes)
    store.commit_decisions(episodes=[episode], alerts=[alert], messages=messages, now=NOW)
    post = Post()
    delivery = Delivery(store, {Channel.EMAIL: lambda: post}, owner="w1", round_s=300.0)
    report = delivery.run(max(one.due_at for one in messages))
    assert (report.sent, report.deferred, report.dead) == (CROWD, 0, 0)
    assert set(post.to.values()) == {1}
    assert len(post.to) == len(post.ids) == CROWD
    assert store.outbox_counts()[MessageState.SENT] == CROWD
    # The second alert of the day finds what each of them got, and waits.
    told = {(reader, place) for reader, place, _, waits in store.told_since(["s1"], NOW - DAY) if not waits}
    assert told == {(f"u{n}", "s1") for n in range(CROWD)}


@pytest.mark.parametrize("name", [MEGABYTE, "", "a\r\nBcc: x@example.org", "a\x00b", "a\u202eb", "a\nb"])
def test_no_name_is_kept_that_is_endless_or_more_than_a_line(store: Store, name: str) -> None:
    attempts = (
        lambda: store.add_site(make_site(name), now=NOW),
        lambda: store.add_subscriber(make_reader(name), now=NOW),
        lambda: parse_planting(f"spruce:label={name}", lambda: "p1"),
    )
    for attempt in attempts:
        with pytest.raises(InputError):
            attempt()
    assert [one.id for one in store.sites(active=None)] == ["s1"]
    assert store.subscribers(active=None) == []


def make_reader(name: str) -> Subscriber:
    return Subscriber("", name, Channel.EMAIL, "crew@example.com")


NASTY = "<script>alert(1)</script>{{7*7}}{% x %}\"'"


def test_a_name_that_wants_to_be_code_stays_letters_in_a_test_message() -> None:
    reader = make_reader(NASTY)
    sent = trial_mail(reader, "t1", SMTP, ReaderLinks(), NOW)
    mail = email.message_from_bytes(sent.content, policy=email.policy.default)
    html, text = (cast("EmailMessage", mail.get_body((kind,))).get_content() for kind in ("html", "plain"))
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;{{7*7}}" in html
    assert "{{7*7}}" in text
    assert json.loads(trial_body(reader, NOW))["data"]["subscriber_name"] == NASTY
