from __future__ import annotations

import threading
from dataclasses import replace

import pytest
from sqlalchemy import text

from alertd.errors import InputError
from alertd.records.alert import Delivery, MessageState
from alertd.records.keeping import LeasedMessage
from alertd.records.site import Channel
from alertd.store.store import Store, open_store
from tests.store.builders import HOUR, MINUTE, NOW, queue


def test_due_messages_are_lent_oldest_first_and_only_once(store: Store) -> None:
    queue(store, 5)
    first = store.lease(NOW + 2 * MINUTE, "one", 2, 60)
    second = store.lease(NOW + 2 * MINUTE, "two", 10, 60)
    assert [message.id for message in first] == ["m0", "m1"]
    assert [message.id for message in second] == ["m2"], "m3 and m4 are not due yet"
    assert all(message.state is MessageState.LEASED and message.attempts == 1 for message in first)
    assert first[0].lease_until == NOW + 3 * MINUTE
    assert store.lease(NOW + 2 * MINUTE, "three", 10, 60) == []


def test_a_lease_that_ran_out_is_lent_again_and_the_late_worker_settles_nothing(store: Store) -> None:
    queue(store, 1)
    (late,) = store.lease(NOW, "one", 10, 60)
    assert store.lease(NOW + MINUTE - 0.001 * MINUTE, "two", 10, 60) == []
    (again,) = store.lease(NOW + MINUTE, "two", 10, 60)
    assert (again.id, again.attempts, again.generation) == (late.id, 2, late.generation + 1)
    for settled in (
        store.mark_sent(late, NOW + MINUTE),
        store.mark_dead(late, NOW + MINUTE, "refused"),
        store.mark_deferred(late, NOW + MINUTE, NOW + HOUR, "busy"),
    ):
        assert not settled
    assert store.messages()[0].state is MessageState.LEASED
    assert store.mark_sent(again, NOW + MINUTE, "250 ok")
    assert store.messages()[0].state is MessageState.SENT
    outcomes = [(delivery.attempt, delivery.outcome) for delivery in store.deliveries("m0")]
    assert outcomes[0] == (1, "sent, lease lost"), "the copy went out, so it is on record"
    assert outcomes[-1] == (2, "sent")


def test_a_late_worker_may_still_settle_what_nobody_else_took(store: Store) -> None:
    queue(store, 1)
    (leased,) = store.lease(NOW, "one", 10, 60)
    assert store.mark_sent(leased, NOW + HOUR)
    assert store.lease(NOW + HOUR, "two", 10, 60) == []


def test_the_same_owner_leasing_again_gets_a_new_generation(store: Store) -> None:
    queue(store, 1)
    (old,) = store.lease(NOW, "one", 10, 60)
    (new,) = store.lease(NOW + MINUTE, "one", 10, 60)
    assert not store.mark_sent(old, NOW + MINUTE)
    assert store.mark_sent(new, NOW + MINUTE)


def test_a_deferred_message_waits_for_its_time_and_a_dead_one_for_ever(store: Store) -> None:
    queue(store, 2)
    first, second = store.lease(NOW + MINUTE, "one", 10, 60)
    assert store.mark_deferred(first, NOW, NOW + HOUR, "421 later\x00\ud800" + "x" * 2000)
    assert store.mark_dead(second, NOW, "550 no such user")
    assert store.lease(NOW + 0.9 * HOUR, "one", 10, 60) == []
    (again,) = store.lease(NOW + HOUR, "one", 10, 60)
    assert (again.id, again.attempts) == ("m0", 2)
    assert again.last_error.startswith("421 later?x")
    assert len(again.last_error) <= 1000
    assert store.outbox_counts()[MessageState.DEAD] == 1


def test_settling_a_message_that_was_never_lent_is_a_mistake(store: Store) -> None:
    queue(store, 1)
    with pytest.raises(TypeError, match="was not leased"):
        store.mark_sent(store.messages()[0], NOW)
    assert store.deliveries("m0") == []


def test_a_message_whose_time_has_passed_expires_instead_of_going_out(store: Store) -> None:
    queue(store, 3, expires_at=NOW + 2 * HOUR)
    (held,) = store.lease(NOW, "one", 1, 10 * 3600)
    assert store.expire(NOW + HOUR) == 0
    assert store.lease(NOW + 2 * HOUR, "two", 10, 60) == []
    counts = store.outbox_counts()
    assert (counts[MessageState.EXPIRED], counts[MessageState.LEASED]) == (2, 1)
    assert store.mark_sent(held, NOW + 2 * HOUR), "what is on its way may arrive"


def test_an_expired_lease_on_an_expired_message_is_not_lent_again(store: Store) -> None:
    queue(store, 1, expires_at=NOW + HOUR)
    store.lease(NOW, "one", 1, 60)
    assert store.expire(NOW + 2 * HOUR) == 1


def test_a_message_that_kills_its_workers_is_parked_and_blocks_nobody(store: Store) -> None:
    queue(store, 1)
    now = NOW
    for attempt in range(1, 4):
        (leased,) = store.lease(now, "doomed", 10, 60, crash_limit=3)
        assert leased.attempts == attempt
        now += MINUTE
    assert store.lease(now, "doomed", 10, 60, crash_limit=3) == []
    (parked,) = store.messages(MessageState.DEAD)
    assert "3 times in a row" in parked.last_error


def test_a_clean_failure_between_crashes_starts_the_count_anew(store: Store) -> None:
    queue(store, 1)
    store.lease(NOW, "w", 1, 60)
    (leased,) = store.lease(NOW + MINUTE, "w", 1, 60, crash_limit=2)
    store.mark_deferred(leased, NOW + MINUTE, NOW + MINUTE, "busy")
    store.lease(NOW + MINUTE, "w", 1, 60, crash_limit=2)
    assert len(store.lease(NOW + 2 * MINUTE, "w", 1, 60, crash_limit=2)) == 1


def test_released_messages_are_as_if_never_lent(store: Store) -> None:
    queue(store, 2)
    leased = store.lease(NOW + MINUTE, "one", 10, 60)
    store.mark_sent(leased[0], NOW)
    assert store.release(leased) == 1
    (again,) = store.lease(NOW + MINUTE, "two", 10, 60)
    assert (again.id, again.attempts) == ("m1", 1)


def test_only_a_dead_message_can_be_requeued(store: Store) -> None:
    queue(store, 2, expires_at=NOW + 24 * HOUR)
    leased, other = store.lease(NOW + MINUTE, "one", 10, 60)
    store.mark_dead(leased, NOW, "550")
    with pytest.raises(InputError, match="only dead"):
        store.requeue(other.id, now=NOW)
    with pytest.raises(InputError, match="no message"):
        store.requeue("none", now=NOW)
    with pytest.raises(InputError, match="no message"):
        store.requeue(leased.id, now=NOW, firm_id="other")
    with pytest.raises(InputError, match="passed"):
        store.requeue(leased.id, now=NOW + 25 * HOUR)
    assert store.requeue(leased.id, now=NOW + HOUR).attempts == 0
    again = next(one for one in store.lease(NOW + HOUR, "two", 10, 60) if one.id == leased.id)
    assert again.attempts == 1
    assert not store.mark_sent(leased, NOW + HOUR), "a worker from before the requeue is late as well"


def test_a_parcel_holds_what_is_needed_to_write_the_message(store: Store) -> None:
    queue(store, 3)
    leased = store.lease(NOW + HOUR, "one", 10, 60)
    parcels = store.parcels(list(reversed(leased)))
    assert [parcel.message for parcel in parcels] == list(reversed(leased))
    assert {parcel.site.name for parcel in parcels} == {"Invented Court"}
    assert {parcel.subscriber.address for parcel in parcels} == {"crew@example.com"}
    assert [parcel.alert.id for parcel in parcels] == ["a2", "a1", "a0"]
    assert store.parcels([]) == []
    assert len({id(parcel.site) for parcel in parcels}) == 1, "what messages share is read once"


def test_a_message_whose_alert_or_reader_is_gone_has_no_parcel_and_stops_no_other(store: Store) -> None:
    queue(store, 3)
    first, second, third = store.lease(NOW + HOUR, "one", 10, 60)
    lost = [replace(first, alert_id="gone"), replace(second, subscriber_id="gone"), third]
    assert [parcel.message for parcel in store.parcels(lost)] == [third]


def test_a_channel_can_be_worked_on_its_own(store: Store) -> None:
    queue(store, 2)
    assert store.lease(NOW + HOUR, "w", 10, 60, channel=Channel.WEBHOOK) == []
    assert len(store.lease(NOW + HOUR, "w", 10, 60, channel=Channel.EMAIL)) == 2


def test_states_are_counted_and_the_oldest_waiting_is_known(store: Store) -> None:
    assert store.oldest_pending() is None
    assert store.outbox_counts() == dict.fromkeys(MessageState, 0)
    queue(store, 3)
    (leased,) = store.lease(NOW, "one", 1, 60)
    assert store.oldest_pending() == NOW
    store.mark_sent(leased, NOW)
    assert store.oldest_pending() == NOW + MINUTE
    assert store.outbox_counts()[MessageState.PENDING] == 2
    assert [message.id for message in store.messages(MessageState.PENDING)] == ["m1", "m2"]
    assert store.messages(firm_id="other") == []


def test_a_delivery_settled_by_other_means_is_kept(store: Store) -> None:
    queue(store, 1)
    delivery = Delivery("m0", 3, NOW, "bounced", "5.1.1")
    store.record_delivery(delivery)
    assert store.deliveries("m0") == [delivery]


def test_many_workers_never_get_the_same_message(store: Store, url: str) -> None:
    queue(store, 240)
    taken: list[list[LeasedMessage]] = [[] for _ in range(4)]
    faults: list[Exception] = []

    def work(number: int) -> None:
        try:
            with open_store(url) as own:
                while lot := own.lease(NOW + 240 * MINUTE, f"worker-{number}", 7, 600):
                    taken[number].extend(lot)
        except Exception as error:  # noqa: BLE001  # a thread's fault must reach the test
            faults.append(error)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert faults == []
    ids = [message.id for lot in taken for message in lot]
    assert len(ids) == len(set(ids)) == 240


def test_a_lease_walks_the_narrow_index_and_not_the_pile(store: Store) -> None:
    queue(store, 1)
    explain = "EXPLAIN QUERY PLAN" if store.diagnostics.engine == "sqlite" else "EXPLAIN"
    with store._write() as session:
        if store.diagnostics.engine == "postgresql":
            session.execute(text("SET LOCAL enable_seqscan = off"))
        plan = session.execute(
            text(
                f"{explain} SELECT id FROM outbox WHERE ready_at <= :now ORDER BY ready_at, id LIMIT 100"
            ).bindparams(now=NOW if store.diagnostics.engine == "postgresql" else "2026-07-01")
        ).fetchall()
    words = " ".join(str(row) for row in plan)
    assert "ix_outbox_ready" in words
    assert "TEMP B-TREE" not in words
