from __future__ import annotations

import dataclasses
import datetime as dt
import email
import email.policy
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path

import pytest

from alertd.delivery.email import SmtpSettings
from alertd.delivery.notice import Confirmation, build_confirmation
from alertd.errors import DeliveryDeferred, DeliveryRejected
from alertd.records.alert import MessageState
from alertd.records.site import Standing
from alertd.service.links import Link, Links, Purpose
from alertd.service.notices import LEASE_S, NoticeRound
from alertd.service.people import People
from alertd.store.store import Store, open_store
from tests.store.builders import HOUR, MINUTE, NOW, make_site, make_subscriber

LINKS = Links("https://alerts.example.com/pages", ["k" * 40])
SMTP = SmtpSettings("localhost", 25, "alerts@example.com", from_name="Invented Plant Care")


class Post:
    """A way out that answers what the test has set."""

    def __init__(self) -> None:
        self.asked: list[Confirmation] = []
        self.fault: Exception | None = None

    def __enter__(self) -> Post:
        return self

    def __exit__(self, *_: object) -> None: ...

    def send(self, asked: Confirmation, now: dt.datetime) -> str:
        self.asked.append(asked)
        if self.fault is not None:
            raise self.fault
        return "250 ok"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as opened:
        opened.add_site(make_site(site_id="s1"), now=NOW)
        people = People(opened, confirms=True)
        people.add(make_subscriber(subscriber_id="u1"), [opened.site("s1")], [], NOW)
        yield opened


@pytest.fixture
def post() -> Post:
    return Post()


@pytest.fixture
def round_(store: Store, post: Post) -> NoticeRound:
    return NoticeRound(store, LINKS, lambda: post)


def test_a_request_goes_out_once_with_a_link_that_confirms(
    store: Store, round_: NoticeRound, post: Post
) -> None:
    assert round_.run(NOW).sent == 1
    assert round_.run(NOW + HOUR).sent == 0
    (asked,) = post.asked
    assert asked.site_names == ("Invented Court",)
    link = LINKS.read(Purpose.CONFIRM, asked.url.rpartition("/")[2], NOW)
    assert isinstance(link, Link)
    people = People(store, confirms=True)
    assert people.confirm(link.subscriber_id, link.target, NOW).standing is Standing.ACTIVE


def test_a_deferred_request_is_tried_again_under_the_same_id_until_its_time_is_over(
    store: Store, round_: NoticeRound, post: Post
) -> None:
    post.fault = DeliveryDeferred("421 later", retry_after_s=600)
    assert round_.run(NOW).deferred == 1
    assert round_.run(NOW + 9 * MINUTE).deferred == 0
    post.fault = None
    assert round_.run(NOW + 11 * MINUTE).sent == 1
    assert len({asked.notice_id for asked in post.asked}) == 1
    assert post.asked[0].url == post.asked[1].url


def test_a_refused_one_is_dead_and_one_that_cannot_be_worded_does_not_stop_the_others(
    store: Store, round_: NoticeRound, post: Post
) -> None:
    post.fault = DeliveryRejected("550 no")
    assert round_.run(NOW).dead == 1
    assert store.notices("u1")[0].state is MessageState.DEAD
    other = dataclasses.replace(make_subscriber("Other", "u2"), address="other@example.com")
    People(store, confirms=True).add(other, [], [], NOW)
    post.fault = KeyError("a template")
    assert round_.run(NOW).deferred == 1


def test_a_request_that_no_longer_fits_is_not_sent(store: Store, round_: NoticeRound, post: Post) -> None:
    reader = store.subscriber("u1")
    store.edit_subscriber(dataclasses.replace(reader, address="new@example.com"), now=NOW)
    assert round_.run(NOW).needless == 1
    assert post.asked == []


def test_a_worker_that_died_leaves_the_request_to_the_next(
    store: Store, round_: NoticeRound, post: Post
) -> None:
    (lost,) = store.lease_notices(round_.ration, now=NOW, lease_s=LEASE_S, limit=10)
    assert round_.run(NOW + dt.timedelta(seconds=LEASE_S - 1)).sent == 0
    assert round_.run(NOW + dt.timedelta(seconds=LEASE_S)).sent == 1
    assert not store.settle_notice(lost, MessageState.DEAD, now=NOW), "the late worker settles nothing"
    assert store.notices("u1")[0].state is MessageState.SENT


def test_an_overdue_request_is_not_sent_any_more(store: Store, round_: NoticeRound) -> None:
    assert round_.run(NOW + dt.timedelta(days=7)).sent == 0
    assert store.notices("u1")[0].state is MessageState.EXPIRED


def built(**changes: object) -> EmailMessage:
    asked = Confirmation(
        notice_id="n1",
        to_address="crew@example.com",
        reader_name="Crew Lead",
        site_names=("Invented Court",),
        url="https://alerts.example.com/pages/confirm/abc",
        expires_at=NOW + dt.timedelta(days=7),
        zone="America/New_York",
        mark=LINKS.mark("n.n1"),
    )
    mail = build_confirmation(dataclasses.replace(asked, **changes), SMTP, NOW)  # type: ignore[arg-type]  # a builder
    return email.message_from_bytes(mail.as_bytes(), policy=email.policy.default)


def text_of(mail: EmailMessage, kind: str) -> str:
    part = mail.get_body(preferencelist=(kind,))
    assert part is not None
    return str(part.get_content())


def test_the_mail_says_who_asks_what_to_do_and_what_if_not() -> None:
    mail = built()
    assert mail["Subject"] == "Please confirm: alerts from Invented Plant Care"
    assert mail["Message-ID"] == "<notice-n1@example.com>"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert LINKS.ref_of(mail["X-Alertd-Return"]) == "n.n1"
    for kind in ("plain", "html"):
        text = text_of(mail, kind)
        for words in (
            "Invented Court",
            "alerts.example.com/pages/confirm/abc",
            "Wednesday 8 July 2026",
            "do nothing",
        ):
            assert words in text
    assert len(mail.as_bytes()) < 10_000
    assert "src=" not in text_of(mail, "html")


@pytest.mark.parametrize(
    "name", ["A\r\nBcc: victim@example.org", "<img src=x>{{7*7}}", "x" * 1_000_000, "\x00\u202e"]
)
def test_names_cannot_write_headers_markup_or_a_book(name: str) -> None:
    mail = built(reader_name=name, site_names=(name,) * 50)
    assert mail["Bcc"] is None
    assert "<img" not in text_of(mail, "html")
    assert "49" not in text_of(mail, "plain")
    assert "and 45 more" in text_of(mail, "plain")
    assert len(mail.as_bytes()) < 20_000


def test_an_address_that_is_none_is_refused() -> None:
    with pytest.raises(DeliveryRejected):
        built(to_address="crew@example.com\nBcc: victim@example.org")
