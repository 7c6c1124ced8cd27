"""Reports shaped like the examples of RFC 3464, appendix E, and like common mail servers' (from memory)."""

from __future__ import annotations

import datetime as dt
import mailbox
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.delivery.bounce_folder import BounceFolder
from alertd.errors import ConfigError
from alertd.records.keeping import BounceKind
from alertd.records.site import Standing, Subscription
from alertd.service.bounces import HARD_LIMIT, Bounces, Line, Outcome, Reading, kind_of, read_report
from alertd.service.links import Links
from alertd.service.people import People
from alertd.store.store import Store, open_store
from tests.store.builders import NOW, make_alert, make_episode, make_message, make_site, make_subscriber

LINKS = Links("https://alerts.example.com", ["k" * 40])
DAY = dt.timedelta(days=1)


def report(
    ref: str = "m.m1",
    status: str = "5.1.1",
    action: str = "failed",
    returned: str = "message/rfc822",
    mark: str | None = None,
    extra: str = "",
) -> bytes:
    """Return a delivery report as a mail server writes it."""
    mark = LINKS.mark(ref) if mark is None else mark
    mark_line = f"X-Alertd-Return: {mark}\n" if mark else ""
    body = "" if returned == "text/rfc822-headers" else "\nThe spruce hedge is hot and dry.\n"
    return f"""\
Return-Path: <>
Date: Wed, 1 Jul 2026 12:05:00 +0000 (UTC)
From: MAILER-DAEMON@mx.example.com (Mail Delivery System)
Subject: Undelivered Mail Returned to Sender
To: alerts@example.com
Auto-Submitted: auto-replied
MIME-Version: 1.0
Content-Type: multipart/report; report-type=delivery-status;
\tboundary="4X7.1782907500/mx.example.com"
{extra}
This is a MIME-encapsulated message.

--4X7.1782907500/mx.example.com
Content-Description: Notification
Content-Type: text/plain; charset=us-ascii

I'm sorry to have to inform you that your message could not be delivered.

--4X7.1782907500/mx.example.com
Content-Description: Delivery report
Content-Type: message/delivery-status

Reporting-MTA: dns; mx.example.com
Arrival-Date: Wed, 1 Jul 2026 12:00:01 +0000 (UTC)

Final-Recipient: rfc822; crew@example.org
Original-Recipient: rfc822;crew@example.org
Action: {action}
Status: {status}
Remote-MTA: dns; mail.example.org
Diagnostic-Code: smtp; 550 5.1.1 <crew@example.org>: Recipient address rejected:
    User unknown in virtual mailbox table

--4X7.1782907500/mx.example.com
Content-Description: Undelivered Message
Content-Type: {returned}

Message-ID: <m1@example.com>
From: alertd <alerts@example.com>
To: crew@example.org
{mark_line}Subject: Invented Court: hot and dry
{body}
--4X7.1782907500/mx.example.com--
""".encode()


VACATION = b"""\
From: Crew Lead <crew@example.org>
To: alerts@example.com
Subject: Out of the office
Auto-Submitted: auto-replied
Precedence: bulk

Back on Monday.
"""
PERSON = b"From: crew@example.org\nTo: alerts@example.com\nSubject: Re: hot and dry\n\nThanks, will look.\n"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as opened:
        site = opened.add_site(make_site(site_id="s1"), now=NOW)
        opened.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
        opened.subscribe(Subscription("u1", "s1"))
        opened.commit_decisions(
            episodes=[make_episode(site.id)],
            alerts=[make_alert(site.id, f"a{n}", sequence=n) for n in range(1, 6)],
            messages=[make_message("u1", f"m{n}", f"a{n}") for n in range(1, 6)],
            now=NOW,
        )
        yield opened


@pytest.fixture
def bounces(store: Store) -> Bounces:
    return Bounces(store, People(store, confirms=True), LINKS)


@pytest.mark.parametrize("returned", ["message/rfc822", "text/rfc822-headers"])
def test_a_report_is_read_with_what_it_brings_back(returned: str) -> None:
    read = read_report(report(returned=returned))
    assert not isinstance(read, Reading)
    (line,) = read.lines
    assert (line.action, line.status) == ("failed", "5.1.1")
    assert line.detail.endswith("Recipient address rejected: User unknown in virtual mailbox table")
    assert read.message_ids == ("<m1@example.com>",)
    assert [LINKS.ref_of(mark) for mark in read.marks] == ["m.m1"]


def test_line_ends_of_the_wire_make_no_difference() -> None:
    assert read_report(report().replace(b"\n", b"\r\n")) == read_report(report())


@pytest.mark.parametrize(
    ("action", "status", "kind"),
    [
        ("failed", "5.1.1", BounceKind.HARD),
        ("failed", "5.1.2", BounceKind.HARD),
        ("failed", "5.4.4", BounceKind.HARD),
        ("failed", "5.2.2", BounceKind.SOFT),
        ("failed", "5.7.1", BounceKind.POLICY),
        ("failed", "5.7.515", BounceKind.POLICY),
        ("failed", "4.4.7", BounceKind.SOFT),
        ("delayed", "4.4.1", BounceKind.SOFT),
        ("delayed", "5.1.1", BounceKind.SOFT),
        ("relayed", "2.0.0", None),
        ("delivered", "2.1.5", None),
        ("expanded", "2.0.0", None),
    ],
)
def test_codes_mean_what_rfc_3463_and_3464_say(action: str, status: str, kind: BounceKind | None) -> None:
    assert kind_of(Line(action, status)) is kind


def test_an_unknown_mailbox_suspends_at_once_and_ends_what_waits(store: Store, bounces: Bounces) -> None:
    assert bounces.take(report(), NOW + DAY) is Outcome.COUNTED
    assert store.subscriber("u1").standing is Standing.SUSPENDED
    assert store.subscriptions_for(["s1"]) == []
    assert store.lease(NOW + DAY, "w", 10, 60) == []
    (kept,) = store.bounces("u1")
    assert (kept.status, kept.kind, kept.ref) == ("5.1.1", BounceKind.HARD, "m.m1")


def test_other_hard_ones_suspend_after_some_messages_within_a_month(store: Store, bounces: Bounces) -> None:
    for number in range(1, HARD_LIMIT):
        assert bounces.take(report(f"m.m{number}", "5.4.4"), NOW + number * DAY) is Outcome.COUNTED
        assert store.subscriber("u1").standing is Standing.ACTIVE
    assert bounces.take(report("m.m1", "5.4.4"), NOW + 3 * DAY) is Outcome.KNOWN, "the same one again"
    assert store.subscriber("u1").standing is Standing.ACTIVE
    assert bounces.take(report("m.m5", "5.4.4"), NOW + 4 * DAY) is Outcome.COUNTED
    assert store.subscriber("u1").standing is Standing.SUSPENDED


def test_hard_ones_far_apart_do_not_add_up(store: Store, bounces: Bounces) -> None:
    for number in range(1, HARD_LIMIT + 1):
        bounces.take(report(f"m.m{number}", "5.4.4"), NOW + number * 31 * DAY)
    assert store.subscriber("u1").standing is Standing.ACTIVE


def test_after_a_resume_the_counting_begins_anew(store: Store, bounces: Bounces) -> None:
    bounces.take(report(), NOW + DAY)
    people = People(store, confirms=False)
    people.resume(store.subscriber("u1"), NOW + 2 * DAY)
    assert store.subscriber("u1").standing is Standing.ACTIVE
    assert bounces.take(report(), NOW + 3 * DAY) is Outcome.KNOWN
    assert store.subscriber("u1").standing is Standing.ACTIVE, "an old report does not suspend again"
    bounces.take(report("m.m2"), NOW + 4 * DAY)
    assert store.subscriber("u1").standing is Standing.SUSPENDED


@pytest.mark.parametrize(
    ("action", "status"),
    [("failed", "5.7.1"), ("failed", "4.4.7"), ("delayed", "4.4.1"), ("failed", "5.2.2")],
)
def test_policy_and_passing_faults_never_suspend(
    store: Store, bounces: Bounces, action: str, status: str
) -> None:
    for number in range(1, 6):
        assert bounces.take(report(f"m.m{number}", status, action), NOW + DAY) is Outcome.COUNTED
    assert store.subscriber("u1").standing is Standing.ACTIVE
    assert sum(store.bounce_counts(NOW).values()) == 5


def test_a_policy_fault_alarms_the_operator(bounces: Bounces, capsys: pytest.CaptureFixture[str]) -> None:
    bounces.take(report(status="5.7.26"), NOW)
    assert "bounce-policy" in capsys.readouterr().out


@pytest.mark.parametrize(
    "mark",
    [
        "",
        "m.m1",
        "m.m1.AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA",
        Links("https://alerts.example.com", ["x" * 40]).mark("m.m1"),
        LINKS.mark("m.unknown"),
        LINKS.mark("x.m1"),
        "é" * 30,
    ],
)
def test_a_made_up_report_suspends_nobody(store: Store, bounces: Bounces, mark: str) -> None:
    """The Message-ID may be known to others from an answered mail; the signed mark is not."""
    before = store.subscriber("u1")
    assert bounces.take(report(mark=mark), NOW) is Outcome.UNPROVEN
    assert store.subscriber("u1") == before
    assert store.bounces("u1") == []


def test_a_stop_link_is_no_mark(bounces: Bounces) -> None:
    token = LINKS.stop("u1", "s1").rpartition("/")[2]
    assert bounces.take(report(mark=token), NOW) is Outcome.UNPROVEN


def test_a_mark_outside_the_returned_mail_proves_nothing(bounces: Bounces) -> None:
    raw = report(mark="", extra=f"X-Alertd-Return: {LINKS.mark('m.m1')}\n")
    assert bounces.take(raw, NOW) is Outcome.UNPROVEN


@pytest.mark.parametrize(
    ("raw", "outcome"),
    [
        (VACATION, Outcome.IGNORED),
        (PERSON, Outcome.UNREADABLE),
        (b"", Outcome.UNREADABLE),
        (report(status="a lot"), Outcome.UNREADABLE),
        (report(status=""), Outcome.UNREADABLE),
        (report(action="exploded"), Outcome.UNREADABLE),
        (report(action="relayed", status="2.0.0"), Outcome.ARRIVED),
        (report()[:700], Outcome.UNREADABLE),
        (
            b"Content-Type: multipart/report; boundary=x\n\n--x\n"
            b"Content-Type: message/disposition-notification\n\n"
            b"Disposition: automatic-action/MDN-sent-automatically; displayed\n\n--x--\n",
            Outcome.UNREADABLE,
        ),
    ],
)
def test_what_is_no_usable_report_is_never_guessed_at(
    store: Store, bounces: Bounces, raw: bytes, outcome: Outcome
) -> None:
    assert bounces.take(raw, NOW) is outcome
    assert store.bounces("u1") == []
    assert store.subscriber("u1").standing is Standing.ACTIVE


@given(raw=st.binary(max_size=400))
def test_no_bytes_at_all_raise(raw: bytes) -> None:
    read_report(raw)
    assert read_report(b"Content-Type: multipart/report; boundary=x\n\n--x\n" + raw) in tuple(Reading)


@given(at=st.integers(0, 2000), junk=st.binary(min_size=1, max_size=30))
def test_a_damaged_report_is_read_or_put_aside_but_never_raises(at: int, junk: bytes) -> None:
    raw = report()
    read = read_report(raw[:at] + junk + raw[at:])
    assert isinstance(read, Reading) or all(line.status[0] in "245" for line in read.lines)


def test_a_bounced_request_to_confirm_suspends_too(store: Store, bounces: Bounces) -> None:
    people = People(store, confirms=True)
    added, welcome = people.add(make_subscriber("New Lead"), [], [], NOW)
    assert welcome.notice is not None
    bounces.take(report(f"n.{welcome.notice.id}"), NOW + DAY)
    assert store.subscriber(added.subscriber.id).standing is Standing.SUSPENDED


def test_a_maildir_is_emptied_of_reports_and_keeps_the_rest_aside(
    tmp_path: Path, store: Store, bounces: Bounces
) -> None:
    box = mailbox.Maildir(tmp_path / "box")
    for raw in (report(), VACATION, PERSON):
        box.add(raw)
    folder = BounceFolder(tmp_path / "box")
    assert folder.take(lambda raw: bounces.take(raw, NOW).is_aside) == 3
    assert len(mailbox.Maildir(tmp_path / "box")) == 0
    assert [bytes(found) for found in mailbox.Maildir(tmp_path / "box" / ".aside")] == [
        bytes(mailbox.MaildirMessage(PERSON))
    ]
    assert store.subscriber("u1").standing is Standing.SUSPENDED
    assert folder.take(lambda _raw: True) == 0


def test_an_mbox_file_works_alike(tmp_path: Path, bounces: Bounces) -> None:
    box = mailbox.mbox(tmp_path / "box")
    for raw in (report(), VACATION, PERSON, report("m.m2")):
        box.add(raw)
    box.close()
    outcomes: list[Outcome] = []

    def handle(raw: bytes) -> bool:
        outcomes.append(bounces.take(raw, NOW))
        return outcomes[-1].is_aside

    assert BounceFolder(tmp_path / "box").take(handle, limit=3) == 3
    assert BounceFolder(tmp_path / "box").take(handle) == 1
    assert outcomes == [Outcome.COUNTED, Outcome.IGNORED, Outcome.UNREADABLE, Outcome.COUNTED]
    kept = mailbox.mbox(tmp_path / "box.aside")
    assert [found["Subject"] for found in kept] == ["Re: hot and dry"]
    kept.close()


def test_a_crash_while_handling_hands_the_mail_out_again(tmp_path: Path) -> None:
    box = mailbox.Maildir(tmp_path / "box")
    box.add(report())

    def crash(_raw: bytes) -> bool:
        raise RuntimeError("killed")

    folder = BounceFolder(tmp_path / "box")
    with pytest.raises(RuntimeError):
        folder.take(crash)
    assert folder.take(lambda _raw: False) == 1


@pytest.mark.parametrize("name", ["nothing", "folder"])
def test_a_folder_that_is_none_is_named_with_the_fix(tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(ConfigError, match=r"smtp\.bounce_folder: .* name a maildir or an mbox file"):
        BounceFolder(tmp_path / name).take(lambda _raw: False)
