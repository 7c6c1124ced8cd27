from __future__ import annotations

import datetime as dt

from alertd.records.alert import MessageState
from alertd.records.keeping import Bounce, BounceKind, Notice, Settlement
from alertd.records.preferences import BriefKind
from alertd.store.store import Store
from tests.store.builders import CELL, HOUR, MINUTE, NOW, make_weather, queue
from tests.store.test_undelivered import RATION, brief, bury

DAY = dt.timedelta(days=1)


def test_old_weather_goes_in_bites_oldest_first_and_never_the_newest(store: Store) -> None:
    store.save_weather([make_weather(NOW + n * HOUR) for n in range(5)])
    assert store.forget_weather(NOW + DAY, most=3) == 3
    kept = store.weather_between(CELL.key, NOW, NOW + 99 * HOUR)
    assert [one.fetched_at for one in kept] == [NOW + 3 * HOUR, NOW + 4 * HOUR]
    assert store.forget_weather(NOW + DAY, most=3) == 1
    assert store.forget_weather(NOW + DAY, most=3) == 0


def test_single_tries_go_once_their_message_is_settled_and_history_tells_the_same(store: Store) -> None:
    queue(store, 3)
    sent, dead, _ = store.lease(NOW + HOUR, "one", 9, 60)
    store.mark_sent(sent, NOW + HOUR, "250 ok")
    store.mark_dead(dead, NOW + HOUR, "550 gone")
    before = store.history()
    assert store.forget_deliveries(NOW + HOUR, most=9) == 0, "not older than that"
    assert store.forget_deliveries(NOW + DAY, most=9) == 1
    assert store.deliveries("m0") == []
    assert len(store.deliveries("m1")) == 1, "a dead message may yet be requeued"
    after = store.history()
    told = {one.message_id: one for entry in after for one in entry.deliveries}
    assert told["m0"].state is MessageState.SENT
    assert told["m0"].at == NOW + HOUR
    assert [(e.alert, e.deliveries[0]._replace(detail="")) for e in after] == [
        (e.alert, e.deliveries[0]._replace(detail="")) for e in before
    ]


def test_letters_go_once_they_are_settled_a_bite_at_a_time(store: Store) -> None:
    queue(store, 1)
    for minutes in range(3):
        at = NOW + 2 * minutes * MINUTE
        store.queue_notice(Notice("", "u1", "crew@example.com", at, at + 9 * DAY), RATION, now=at)
        (notice,) = store.lease_notices(RATION, now=at, lease_s=60, limit=9)
        store.settle_notice(notice, MessageState.SENT, now=at)
    store.queue_notice(Notice("", "u1", "crew@example.com", NOW, NOW + 9 * DAY), RATION, now=NOW + HOUR)
    store.plan_briefs([brief("b1", BriefKind.WEEKLY)], now=NOW)
    (planned,) = store.lease_briefs(now=NOW, lease_s=60, limit=9)
    assert store.forget_briefs(NOW + DAY, most=9) == 0, "it is not settled"
    store.settle_brief(planned, MessageState.SENT, now=NOW)
    store.add_bounce(Bounce("m.m0", BounceKind.SOFT, "4.2.2", "delayed", NOW), "u1")
    assert store.forget_notices(NOW + DAY, most=2) == 2
    assert store.forget_notices(NOW + DAY, most=2) == 1
    assert [one.state for one in store.notices()] == [MessageState.PENDING]
    assert store.forget_briefs(NOW + DAY, most=9) == 1
    assert store.briefs() == []
    assert store.forget_bounces(NOW, most=9) == 0
    assert store.forget_bounces(NOW + DAY, most=9) == 1
    assert store.bounces("u1") == []


def test_more_rows_than_one_question_holds_go_at_once(store: Store) -> None:
    ids = queue(store, 620)
    bury(store, ids[:1], NOW + DAY)
    while leased := store.lease(NOW + DAY, "one", 500, 60):
        store.settle([Settlement(one, MessageState.SENT, NOW + DAY) for one in leased])
    assert store.forget_deliveries(NOW + 2 * DAY, most=1000) == 619
    assert store.forget_deliveries(NOW + 2 * DAY, most=1000) == 0
