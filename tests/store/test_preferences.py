from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from alertd.errors import InputError
from alertd.records.alert import MessageState
from alertd.records.assessment import Level
from alertd.records.keeping import Notice, Ration
from alertd.records.preferences import Brief, BriefKind, Preferences, SitePreferences
from alertd.records.site import Subscription
from alertd.store.store import Store
from tests.store.builders import (
    HOUR,
    MINUTE,
    NOW,
    make_alert,
    make_episode,
    make_message,
    make_site,
    make_subscriber,
    queue,
)
from tests.store.test_sites import add_firm

DAY = dt.timedelta(days=1)
RATION = Ration(MINUTE, 9, 9)


def wishes(**changes: object) -> Preferences:
    return Preferences("u1", "America/New_York", **changes)  # type: ignore[arg-type]  # a builder


def test_preferences_come_back_as_they_were_kept_and_the_last_word_counts(store: Store) -> None:
    queue(store, 1)
    store.add_subscriber(make_subscriber("Office", "u2"), now=NOW)
    assert store.preferences(["u1"]) == {}
    first = wishes(
        kinds=("water-short",),
        least_level=Level.HIGH,
        digest_hour=7,
        weekly_day=1,
        weekly_hour=14,
        evening_hour=18,
        hand_over_to="u2",
        hand_over_after_h=4,
        one_a_day=True,
        sites={"s1": SitePreferences(Level.NOTE, 9, at_once=False)},
    )
    kept = store.set_preferences(first, now=NOW)
    assert kept.changed_at == NOW
    assert store.preferences() == {"u1": kept} == store.preferences(["u1", "u2"])
    later = store.set_preferences(wishes(), now=NOW + HOUR)
    assert store.preferences(["u1"]) == {"u1": later}
    assert later.sites == {}


def test_nobody_hands_over_to_strangers(store: Store) -> None:
    add_firm(store, "other")
    store.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
    store.add_subscriber(make_subscriber("Theirs", "u3", "other"), now=NOW)
    for to in ("u3", "nobody"):
        with pytest.raises(InputError):
            store.set_preferences(wishes(hand_over_to=to, hand_over_after_h=1), now=NOW)
    with pytest.raises(InputError):
        store.set_preferences(Preferences("nobody"), now=NOW)
    assert store.preferences() == {}


def for_digest(store: Store, count: int, due_at: dt.datetime = NOW + DAY) -> list[str]:
    """Keep alerts that wait for a digest; each of an episode of its own."""
    store.add_site(make_site(site_id="s1"), now=NOW)
    store.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
    store.subscribe(Subscription("u1", "s1"))
    messages = [make_message("u1", f"m{n}", f"a{n}", due_at) for n in range(count)]
    store.commit_decisions(
        episodes=[make_episode("s1", f"e{n}", f"subject {n}") for n in range(count)],
        alerts=[make_alert("s1", f"a{n}", f"e{n}") for n in range(count)],
        messages=[replace(one, digest=True) for one in messages],
        now=NOW,
    )
    return [f"m{n}" for n in range(count)]


def brief(brief_id: str = "b1", due_at: dt.datetime = NOW + DAY, kind: BriefKind = BriefKind.DIGEST) -> Brief:
    expires_at = None if kind is BriefKind.DIGEST else due_at + DAY
    return Brief(brief_id, "u1", kind, due_at.date(), "America/New_York", 8, due_at, expires_at)


def test_what_waits_for_a_digest_is_nobodys_work_until_it_leaves_in_it(store: Store) -> None:
    ids = for_digest(store, 2)
    assert store.lease(NOW + 2 * DAY, "worker", 10, 60.0) == []
    assert store.expire(NOW + 2 * DAY) == 0
    assert store.waiting_for_digest("u1") == 2
    assert store.digests_due(NOW + DAY - MINUTE) == []
    assert store.digests_due(NOW + DAY) == [("u1", NOW + DAY, 0)]
    store.plan_briefs([brief()], now=NOW + DAY)
    assert store.digests_due(NOW + 3 * DAY) == [], "one is on its way"
    (leased,) = store.lease_briefs(now=NOW + DAY, lease_s=60, limit=9)
    assert [one.message_id for one in store.waiting_alerts(leased)] == ids
    assert store.settle_brief(leased, MessageState.SENT, now=NOW + DAY, told=ids[:1], dropped=ids[1:])
    assert store.waiting_alerts(leased) == []
    counts = store.outbox_counts()
    assert (counts[MessageState.SENT], counts[MessageState.EXPIRED]) == (1, 1)
    assert [one.outcome for one in store.deliveries(ids[0])] == ["sent"]


def test_a_plan_is_kept_moved_and_withdrawn_but_what_began_is_left_alone(store: Store) -> None:
    store.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
    weekly = brief("w", NOW + DAY, BriefKind.WEEKLY)
    store.plan_briefs([weekly], now=NOW)
    store.plan_briefs([brief("w", NOW + DAY + HOUR, BriefKind.WEEKLY)], now=NOW)
    assert store.lease_briefs(now=NOW + DAY, lease_s=60, limit=9) == []
    (leased,) = store.lease_briefs(now=NOW + DAY + HOUR, lease_s=60, limit=9)
    store.plan_briefs([weekly], now=NOW + DAY + HOUR)
    store.plan_briefs([], now=NOW + DAY + HOUR)
    assert store.settle_brief(leased, MessageState.SENT, now=NOW + DAY + HOUR)
    assert [one.state for one in store.briefs("u1")] == [MessageState.SENT]
    store.plan_briefs([weekly, brief("x", NOW + 3 * DAY, BriefKind.EVENING)], now=NOW + DAY + HOUR)
    assert store.lease_briefs(now=NOW + 2 * DAY, lease_s=60, limit=9) == []
    store.plan_briefs([], now=NOW + 2 * DAY)
    assert [one.id for one in store.briefs()] == ["w"]


def test_what_is_lent_comes_back_when_its_lease_runs_out_and_expires_when_too_late(store: Store) -> None:
    store.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
    store.plan_briefs([brief("w", NOW, BriefKind.WEEKLY)], now=NOW)
    (first,) = store.lease_briefs(now=NOW, lease_s=60, limit=9)
    assert store.lease_briefs(now=NOW + MINUTE / 2, lease_s=60, limit=9) == []
    (second,) = store.lease_briefs(now=NOW + MINUTE, lease_s=60, limit=9)
    assert (second.attempts, second.generation) == (2, 2)
    assert not store.settle_brief(first, MessageState.DEAD, now=NOW + MINUTE)
    assert store.lease_briefs(now=NOW + DAY, lease_s=60, limit=9) == []
    assert store.briefs()[0].state is MessageState.EXPIRED


def test_mails_are_counted_by_iso_week_and_a_digest_is_one(store: Store) -> None:
    """2026-12-28 and 2027-01-03 lie in week 53 of 2026, 2027-01-04 in week 1 of 2027 (ISO 8601)."""
    ids = for_digest(store, 3)
    sunday = dt.datetime(2027, 1, 3, 23, tzinfo=dt.UTC)
    monday = sunday + 2 * HOUR
    store.plan_briefs([brief()], now=sunday)
    (leased,) = store.lease_briefs(now=sunday, lease_s=60, limit=9)
    store.settle_brief(leased, MessageState.SENT, now=sunday, told=ids)
    asked = store.queue_notice(Notice("", "u1", "a@example.com", sunday, sunday + DAY), RATION, now=sunday)
    (lent,) = store.lease_notices(RATION, now=sunday, lease_s=60, limit=9)
    store.settle_notice(lent, MessageState.SENT, now=sunday)
    store.commit_decisions(
        alerts=[make_alert("s1", "b", "e0", 2), make_alert("s1", "c", "e0", 3)],
        messages=[make_message("u1", "mb", "b"), make_message("u1", "mc", "c")],
        now=NOW,
    )
    for at, message in zip((sunday, monday), store.lease(sunday, "worker", 9, 60.0), strict=True):
        store.mark_sent(message, at)
    first, second = store.week_counts("u1", NOW)
    assert first == (2027, 1, 1, 0, 0, 0)
    assert second == (2026, 53, 1, 1, 1, 3)
    assert (first.mails, second.mails) == (1, 3)
    assert store.week_counts("u1", monday + HOUR) == []
    assert asked.id == lent.id


def test_a_bounced_brief_is_traced_to_its_reader(store: Store) -> None:
    store.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
    store.plan_briefs([brief()], now=NOW)
    reader = store.recipient_of("b.b1")
    assert reader is not None
    assert reader.id == "u1"
    assert store.recipient_of("b.none") is None


def test_what_was_told_counts_from_when_it_was_due(store: Store) -> None:
    queue(store, 2)
    first, second = ("u1", "s1", NOW, False), ("u1", "s1", NOW + MINUTE, False)
    assert store.told_since(["s1"], NOW) == {first, second}
    assert store.told_since(["s1"], NOW + MINUTE) == {second}
    assert store.told_since(["s2"], NOW) == set()


def test_what_waits_for_a_digest_or_was_told_in_one_counts_as_a_mail_of_its_day(store: Store) -> None:
    ids = for_digest(store, 2)
    (due_at,) = {one.due_at for one in store.messages()}
    assert store.told_since(["s1"], due_at) == {("u1", "s1", due_at, True)}
    later = due_at + 3 * HOUR
    store.plan_briefs([brief(due_at=due_at)], now=later)
    (leased,) = store.lease_briefs(now=later, lease_s=60, limit=9)
    store.settle_brief(leased, MessageState.SENT, now=later, told=ids[:1], dropped=ids[1:])
    assert store.told_since(["s1"], due_at) == {("u1", "s1", later, False)}
    assert store.mails_since(due_at) == {"u1": 1}
    assert store.mails_since(later + MINUTE) == {}
