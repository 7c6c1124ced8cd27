from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import pytest

from alertd.errors import InputError
from alertd.records.alert import MessageState
from alertd.records.keeping import Notice, Ration
from alertd.records.preferences import Brief, BriefKind
from alertd.store.store import Store
from tests.store.builders import HOUR, MINUTE, NOW, queue

RATION = Ration(MINUTE, 9, 99)
LATER = NOW + HOUR


def bury(store: Store, ids: Sequence[str], at: dt.datetime = LATER, why: str = "550 no such user") -> None:
    leased = {one.id: one for one in store.lease(at, "one", 100, 60)}
    for message_id in ids:
        assert store.mark_dead(leased[message_id], at, why)
    store.release([one for key, one in leased.items() if key not in ids])


def test_a_line_tells_who_where_why_and_since_when(store: Store) -> None:
    queue(store, 3)
    bury(store, ["m1"])
    (line,) = store.outbox_lines(MessageState.DEAD)
    assert (line.message.id, line.message.attempts, line.message.last_error) == ("m1", 1, "550 no such user")
    assert (line.site, line.subscriber.name, line.kind) == ("Invented Court", "Crew Lead", "hot-dry-warning")
    assert (line.since, line.made_at, line.waits_for_digest) == (LATER, NOW, False)
    assert store.outbox_line("m1") == line
    assert [one.message.id for one in store.outbox_lines()] == ["m1", "m0", "m2"]
    assert [one.message.id for one in store.outbox_lines(limit=1)] == ["m1"]
    assert store.outbox_line("m0").since == NOW


def test_messages_of_another_firm_are_not_there(store: Store) -> None:
    queue(store, 1)
    bury(store, ["m0"])
    assert store.outbox_lines(firm_id="other") == []
    with pytest.raises(InputError, match="no message 'm0'"):
        store.outbox_line("m0", firm_id="other")
    with pytest.raises(InputError, match="no message 'm0'"):
        store.discard("m0", now=LATER, firm_id="other")
    assert [one.id for one in store.dead_letters()] == ["m0"], "the operator of the machine hears of all"


def test_a_discarded_message_is_no_dead_letter_any_more_and_keeps_its_reason(store: Store) -> None:
    queue(store, 2)
    bury(store, ["m0"])
    assert store.dead_count() == 1
    store.discard("m0", now=LATER + HOUR)
    line = store.outbox_line("m0")
    assert (line.message.state, line.message.last_error) == (MessageState.EXPIRED, "550 no such user")
    assert line.since == LATER + HOUR
    assert (store.dead_count(), store.dead_letters()) == (0, [])
    for message_id in ("m0", "m1"):
        with pytest.raises(InputError, match="only dead"):
            store.discard(message_id, now=LATER)


def test_dead_letters_come_newest_first_and_only_the_new_ones_where_asked(store: Store) -> None:
    queue(store, 3)
    bury(store, ["m0"])
    bury(store, ["m2"], LATER + HOUR, "554 unwanted")
    assert [one.id for one in store.dead_letters()] == ["m2", "m0"]
    (new,) = store.dead_letters(LATER)
    assert (new.id, new.what, new.subscriber, new.site, new.at, new.attempts, new.reason) == (
        "m2", "hot-dry-warning", "Crew Lead", "Invented Court", LATER + HOUR, 1, "554 unwanted",
    )  # fmt: skip
    assert [one.id for one in store.dead_letters(limit=1)] == ["m2"]


def test_briefs_and_requests_that_were_given_up_are_told_once_and_digests_by_their_alerts(
    store: Store,
) -> None:
    queue(store, 1)
    wanted = Notice("", "u1", "crew@example.com", NOW, NOW + 99 * HOUR)
    store.queue_notice(wanted, RATION, now=NOW)
    (notice,) = store.lease_notices(RATION, now=NOW, lease_s=60, limit=9)
    store.settle_notice(notice, MessageState.DEAD, now=LATER, error="550 gone")
    store.plan_briefs([brief("b1", BriefKind.WEEKLY), brief("b2", BriefKind.DIGEST)], now=NOW)
    for one in store.lease_briefs(now=NOW, lease_s=60, limit=9):
        store.settle_brief(one, MessageState.DEAD, now=LATER, error="550 gone")
    found = {(one.what, one.subscriber, one.site, one.reason) for one in store.dead_letters(NOW)}
    assert found == {
        ("weekly-brief", "Crew Lead", "", "550 gone"),
        ("request to confirm", "Crew Lead", "", "550 gone"),
    }
    assert store.dead_letters() == []
    assert store.dead_letters(LATER) == []


def brief(brief_id: str, kind: BriefKind) -> Brief:
    return Brief(brief_id, "u1", kind, NOW.date(), "America/New_York", 6, NOW)
