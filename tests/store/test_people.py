from __future__ import annotations

import datetime as dt
from concurrent.futures import ThreadPoolExecutor

import pytest

from alertd.errors import InputError
from alertd.records.alert import MessageState
from alertd.records.keeping import Bounce, BounceKind, Notice, Ration
from alertd.records.site import Standing, Subscription
from alertd.store.store import Store
from tests.store.builders import (
    HOUR,
    MINUTE,
    NOW,
    make_episode,
    make_site,
    make_subscriber,
    queue,
)
from tests.store.test_sites import add_firm

RATION = Ration(pause=10 * MINUTE, per_day=5, per_hour_in_all=3)
DAY = dt.timedelta(days=1)


def test_only_who_is_active_by_their_own_word_is_told(store: Store) -> None:
    queue(store, 2)
    store.subscribe(Subscription("u1", "s1"))
    for standing in (Standing.PENDING, Standing.SUSPENDED):
        store.set_standing("u1", standing, now=NOW)
        assert store.subscriptions_for(["s1"]) == []
    assert store.outbox_counts()[MessageState.EXPIRED] == 2
    store.set_standing("u1", Standing.ACTIVE, now=NOW + HOUR)
    ((_, told),) = store.subscriptions_for(["s1"])
    assert (told.standing, told.standing_at) == (Standing.ACTIVE, NOW + HOUR)


def test_a_standing_is_left_only_where_the_caller_expects_it(store: Store) -> None:
    store.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
    store.set_standing("u1", Standing.LEFT, now=NOW + HOUR)
    kept = store.set_standing("u1", Standing.ACTIVE, now=NOW + DAY, only_from=(Standing.PENDING,))
    assert (kept.standing, kept.standing_at) == (Standing.LEFT, NOW + HOUR)
    with pytest.raises(InputError):
        store.set_standing("nobody", Standing.ACTIVE, now=NOW)


def test_an_edit_by_the_operator_does_not_speak_for_the_reader(store: Store) -> None:
    kept = store.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
    store.set_standing("u1", Standing.LEFT, now=NOW)
    store.edit_subscriber(kept, now=NOW)
    assert store.subscriber("u1").standing is Standing.LEFT


def test_snooze_and_stop_touch_one_subscription(store: Store) -> None:
    queue(store, 1)
    store.add_site(make_site("Other", "s2"), now=NOW)
    for site_id in ("s1", "s2"):
        store.subscribe(Subscription("u1", site_id))
    assert store.snooze("u1", "s1", NOW + DAY, now=NOW)
    assert [one.snoozed_until for one in store.subscriptions("u1")] == [NOW + DAY, None]
    assert store.outbox_counts()[MessageState.EXPIRED] == 1
    assert store.stop_site("u1", "s1", now=NOW)
    assert not store.stop_site("u1", "s1", now=NOW)
    assert not store.snooze("u1", "s1", NOW + DAY, now=NOW)
    assert [one.site_id for one in store.subscriptions("u1")] == ["s2"]


def test_episodes_are_acknowledged_within_one_firm(store: Store) -> None:
    add_firm(store, "other")
    site = store.add_site(make_site(firm_id="other"), now=NOW)
    store.commit_decisions(episodes=[make_episode(site.id)], now=NOW)
    store.add_subscriber(make_subscriber(subscriber_id="mine"), now=NOW)
    store.add_subscriber(make_subscriber(subscriber_id="theirs", firm_id="other"), now=NOW)
    with pytest.raises(InputError):
        store.acknowledge("mine", "e1", now=NOW)
    assert store.acknowledge("theirs", "e1", now=NOW).id == "e1"
    assert store.acknowledged_at("mine", "e1") is None
    assert store.acknowledged_at("theirs", "e1") == NOW


def notice(subscriber_id: str, address: str = "a@example.com") -> Notice:
    return Notice("", subscriber_id, address, NOW, NOW + DAY)


def test_an_address_gets_its_ration_whoever_asks(store: Store) -> None:
    add_firm(store, "other")
    store.add_subscriber(make_subscriber("One", "u1"), now=NOW)
    store.add_subscriber(make_subscriber("Two", "u2", "other"), now=NOW)
    first = store.queue_notice(notice("u1"), RATION, now=NOW)
    assert store.queue_notice(notice("u1"), RATION, now=NOW + MINUTE) == first
    with pytest.raises(InputError, match="try again in 9 minutes"):
        store.queue_notice(notice("u2", "A+x@EXAMPLE.com"), RATION, now=NOW + MINUTE)
    for n in range(1, 5):
        now = NOW + n * DAY / 10
        (leased,) = store.lease_notices(RATION, now=now, lease_s=60, limit=9)
        assert store.settle_notice(leased, MessageState.SENT, now=now)
        store.queue_notice(notice("u1"), RATION, now=now)
    with pytest.raises(InputError, match="try again in"):
        store.queue_notice(notice("u2"), RATION, now=NOW + DAY / 2)
    assert len(store.notices()) == 5
    assert store.queue_notice(notice("u2"), RATION, now=NOW + DAY + MINUTE).subscriber_id == "u2"


def test_two_processes_asking_at_once_queue_one_mail(store: Store) -> None:
    store.add_subscriber(make_subscriber("One", "u1"), now=NOW)

    def ask(_n: int) -> str:
        return store.queue_notice(notice("u1"), RATION, now=NOW).id

    with ThreadPoolExecutor(4) as pool:
        assert len(set(pool.map(ask, range(8)))) == 1
    assert len(store.notices()) == 1


def test_leases_hold_run_out_and_respect_the_hour(store: Store) -> None:
    for n in range(5):
        store.add_subscriber(make_subscriber(f"Name {n}", f"u{n}"), now=NOW)
        store.queue_notice(notice(f"u{n}", f"a{n}@example.com"), RATION, now=NOW)
    held = store.lease_notices(RATION, now=NOW, lease_s=60, limit=9)
    assert len(held) == 3
    assert store.lease_notices(RATION, now=NOW + MINUTE, lease_s=60, limit=9) == []
    again = store.lease_notices(RATION, now=NOW + HOUR, lease_s=60, limit=9)
    assert len(again) == 3
    lent_again = {one.id for one in held} & {one.id for one in again}
    for one in held:
        assert store.settle_notice(one, MessageState.SENT, now=NOW) == (one.id not in lent_again)
    assert store.lease_notices(RATION, now=NOW + DAY, lease_s=60, limit=9) == []
    assert {one.state for one in store.notices()} <= {MessageState.EXPIRED, MessageState.SENT}


def test_a_bounce_is_kept_once_and_found_by_what_was_sent(store: Store) -> None:
    queue(store, 1)
    first = store.queue_notice(notice("u1"), RATION, now=NOW)
    for ref in ("m.m0", f"n.{first.id}"):
        reader = store.recipient_of(ref)
        assert reader is not None
        assert reader.id == "u1"
    for ref in ("m.none", "x.m0", "m0", ""):
        assert store.recipient_of(ref) is None
    bounce = Bounce("m.m0", BounceKind.HARD, "5.4.4", "failed", NOW, "x" * 5000)
    assert store.add_bounce(bounce, "u1")
    assert not store.add_bounce(bounce, "u1")
    assert store.bounced_messages("u1", BounceKind.HARD, NOW) == 1
    assert store.bounced_messages("u1", BounceKind.HARD, NOW + MINUTE) == 0
    assert store.bounce_counts(NOW) == {BounceKind.HARD: 1, BounceKind.SOFT: 0, BounceKind.POLICY: 0}
    assert len(store.bounces("u1")[0].detail) == 1000


def test_a_key_is_made_once(store: Store) -> None:
    with ThreadPoolExecutor(4) as pool:
        keys = set(pool.map(lambda n: store.kept_key("links", lambda: f"key {n}", now=NOW), range(8)))
    assert len(keys) == 1
    assert store.kept_key("links", lambda: "another", now=NOW) in keys
