"""A mailbox that the server refuses while a mail is handed over counts like one whose mail came back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from alertd.delivery.channels import EmailChannel
from alertd.delivery.email import SmtpSettings
from alertd.delivery.notice import NoticeChannel
from alertd.errors import DeliveryRejected, StoreBusy
from alertd.records.alert import MessageState
from alertd.records.keeping import Bounce, BounceKind
from alertd.records.site import Channel, Standing, Subscription
from alertd.service.bounces import HARD_LIMIT, Bounces
from alertd.service.deliver import Delivery
from alertd.service.links import Links
from alertd.service.notices import NoticeRound
from alertd.service.people import People
from alertd.store.store import Store, open_store
from tests.delivery.conftest import Mailbox, mail_server
from tests.delivery.evidence import make_hot_dry
from tests.store.builders import NOW, make_alert, make_episode, make_message, make_site, make_subscriber

__all__ = ["mail_server"]
Start = Callable[..., tuple[Mailbox, SmtpSettings]]
LINKS = Links("https://alerts.example.com", ["k" * 40])
MINUTE, DAY = dt.timedelta(minutes=1), dt.timedelta(days=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as opened:
        site = opened.add_site(make_site(site_id="s1"), now=NOW)
        opened.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
        opened.subscribe(Subscription("u1", "s1"))
        evidence = make_hot_dry(site)
        opened.commit_decisions(
            episodes=[make_episode(site.id)],
            alerts=[
                replace(make_alert(site.id, f"a{n}", sequence=n), evidence=evidence) for n in range(1, 6)
            ],
            messages=[
                replace(make_message("u1", f"m{n}", f"a{n}"), due_at=NOW + n * MINUTE) for n in range(1, 6)
            ],
            now=NOW,
        )
        yield opened


def deliver(store: Store, settings: SmtpSettings, now: dt.datetime) -> None:
    """Run one round over a real mail server."""
    Delivery(
        store,
        {Channel.EMAIL: lambda: EmailChannel(settings)},
        owner="w1",
        refused=Bounces(store, People(store, confirms=True), LINKS).refused,
    ).run(now)


@pytest.mark.enable_socket
@pytest.mark.parametrize("stage", ["RCPT", "DATA"])
def test_one_refusal_for_want_of_the_mailbox_suspends(store: Store, mail_server: Start, stage: str) -> None:
    mailbox, settings = mail_server()
    mailbox.answers[stage] = "550 5.1.1 no such person here"
    deliver(store, settings, NOW + MINUTE)
    (bounce,) = store.bounces("u1")
    assert (bounce.ref, bounce.kind, bounce.status) == ("m.m1", BounceKind.HARD, "5.1.1")
    assert "no such person here" in bounce.detail
    assert store.subscriber("u1").standing is Standing.SUSPENDED
    counts = store.outbox_counts()
    assert counts[MessageState.DEAD] == 1
    assert counts[MessageState.EXPIRED] == 4  # nothing more is tried at a dead address


@pytest.mark.enable_socket
@pytest.mark.parametrize("status", ["5.2.1", "5.1.2", "5.1.3", "5.1.6", "5.1.10"])
def test_other_refusals_of_the_mailbox_suspend_at_the_third_message(
    store: Store, mail_server: Start, status: str
) -> None:
    mailbox, settings = mail_server()
    mailbox.answers["RCPT"] = f"550 {status} mailbox disabled"
    for n in range(1, HARD_LIMIT + 1):
        assert store.subscriber("u1").standing is Standing.ACTIVE
        deliver(store, settings, NOW + n * MINUTE)
    assert store.subscriber("u1").standing is Standing.SUSPENDED
    assert store.bounced_messages("u1", BounceKind.HARD, NOW) == HARD_LIMIT


@pytest.mark.enable_socket
@pytest.mark.parametrize(
    ("stage", "answer", "kind"),
    [
        ("RCPT", "550 5.7.1 your address is on a list", BounceKind.POLICY),
        ("DATA", "554 5.7.26 not authenticated", BounceKind.POLICY),
        ("RCPT", "550 relaying denied", None),
        ("RCPT", "553 sorry, no mailbox here by that name", None),
        ("RCPT", "550 5.1.8 bad sender domain", None),
        ("RCPT", "552 5.2.2 mailbox full", None),
        ("RCPT", "550 5.3.0 other trouble", None),
        ("DATA", "554 5.6.0 cannot read this", None),
        ("MAIL", "550 5.1.1 we do not know the sender", None),
        ("RCPT", "450 4.1.1 mailbox unknown just now", None),
        ("RCPT", "450 4.2.1 mailbox disabled just now", None),
        ("RCPT", "550 5.1.11 no such code", None),
    ],
)
def test_what_is_not_the_readers_mailbox_never_suspends(
    store: Store, mail_server: Start, stage: str, answer: str, kind: BounceKind | None
) -> None:
    """A server that is set up wrongly says such things of every address."""
    mailbox, settings = mail_server()
    mailbox.answers[stage] = answer
    for n in range(1, 6):
        deliver(store, settings, NOW + n * MINUTE)
    assert store.subscriber("u1").standing is Standing.ACTIVE
    assert {bounce.kind for bounce in store.bounces("u1")} == ({kind} if kind else set())


@pytest.mark.enable_socket
def test_a_request_to_confirm_at_a_dead_mailbox_suspends_too(store: Store, mail_server: Start) -> None:
    mailbox, settings = mail_server()
    mailbox.answers["RCPT"] = "550 5.1.1 no such person here"
    people = People(store, confirms=True)
    added, _ = people.add(make_subscriber("New Lead"), [], [], NOW)
    bounces = Bounces(store, people, LINKS)
    NoticeRound(store, LINKS, lambda: NoticeChannel(settings), refused=bounces.refused).run(NOW + MINUTE)
    assert store.subscriber(added.subscriber.id).standing is Standing.SUSPENDED


def test_the_same_refusal_counts_once(store: Store) -> None:
    bounces = Bounces(store, People(store, confirms=True), LINKS)
    for n in range(4):
        bounces.refused("m.m1", DeliveryRejected("refused", "5.2.1"), NOW + n * MINUTE)
    assert len(store.bounces("u1")) == 1
    assert store.subscriber("u1").standing is Standing.ACTIVE


def test_what_was_refused_before_a_resume_is_forgiven(store: Store) -> None:
    people = People(store, confirms=False)
    bounces = Bounces(store, people, LINKS)
    bounces.refused("m.m1", DeliveryRejected("refused", "5.1.1"), NOW)
    people.resume(store.subscriber("u1"), NOW + DAY)
    bounces.refused("m.m2", DeliveryRejected("refused", "5.2.1"), NOW + 2 * DAY)
    assert store.subscriber("u1").standing is Standing.ACTIVE


def test_a_count_that_cannot_be_written_stops_no_delivery(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: Bounce | str) -> bool:
        raise StoreBusy("locked")

    monkeypatch.setattr(store, "add_bounce", busy)
    Bounces(store, People(store, confirms=True), LINKS).refused(
        "m.m1", DeliveryRejected("refused", "5.1.1"), NOW
    )
    assert store.subscriber("u1").standing is Standing.ACTIVE
