from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest

from alertd.records.alert import MessageState
from alertd.records.site import Standing
from alertd.service.dead_letters import all_dead, discard, requeue
from alertd.store.store import Store, open_store
from tests.store.builders import HOUR, NOW, queue

LATER = NOW + HOUR


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Four messages: m0 and m1 given up, m2 handed over, m3 waiting."""
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as opened:
        queue(opened, 4, expires_at=NOW + 9 * HOUR)
        first, second, third, fourth = opened.lease(LATER, "one", 9, 60)
        opened.mark_dead(first, LATER, "550 gone")
        opened.mark_dead(second, LATER, "554 unwanted")
        opened.mark_sent(third, LATER)
        opened.release([fourth])
        yield opened


def states(store: Store) -> dict[str, MessageState]:
    return {one.id: one.state for one in store.messages()}


def test_what_can_be_sent_again_is_and_the_rest_is_told_why_not(store: Store) -> None:
    handled = requeue(store, ["m0", "m2", "nope", "m0"], LATER)
    assert handled.done == ("m0",)
    assert len(handled.refused) == 2
    assert "m2' is sent; only dead" in handled.refused[0]
    assert "no message 'nope'" in handled.refused[1]
    again = store.outbox_line("m0").message
    assert (again.state, again.due_at, again.attempts) == (MessageState.PENDING, LATER, 0)
    assert states(store)["m1"] is MessageState.DEAD


def test_a_message_about_a_time_that_has_passed_is_not_sent_again(store: Store) -> None:
    handled = requeue(store, all_dead(store), NOW + dt.timedelta(days=1))
    assert handled.done == ()
    assert all("time that has passed" in reason for reason in handled.refused)


@pytest.mark.parametrize("standing", [one for one in Standing if one is not Standing.ACTIVE])
def test_nothing_goes_again_to_somebody_who_left_or_was_suspended(store: Store, standing: Standing) -> None:
    store.set_standing("u1", standing, now=LATER)
    handled = requeue(store, all_dead(store), LATER)
    assert handled.done == ()
    assert all(f"who is {standing}" in reason for reason in handled.refused)
    assert states(store)["m0"] is MessageState.DEAD


def test_nothing_goes_again_to_somebody_removed_or_switched_off(store: Store) -> None:
    reader = store.subscriber("u1")
    store.edit_subscriber(dataclasses.replace(reader, active=False), now=LATER)
    assert requeue(store, ["m0"], LATER).done == ()
    store.edit_subscriber(reader, now=LATER)
    assert requeue(store, ["m0"], LATER).done == ("m0",)
    store.remove_subscriber("u1", now=LATER)
    assert "removed or switched off" in requeue(store, ["m1"], LATER).refused[0]


def test_all_that_is_dead_can_be_closed_and_nothing_else(store: Store) -> None:
    assert sorted(all_dead(store)) == ["m0", "m1"]
    handled = discard(store, [*sorted(all_dead(store)), "m3"], LATER)
    assert handled.done == ("m0", "m1")
    assert "m3' is pending" in handled.refused[0]
    assert all_dead(store) == []
    assert states(store)["m3"] is MessageState.PENDING
