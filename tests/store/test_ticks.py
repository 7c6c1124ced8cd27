from __future__ import annotations

from alertd.store.store import Store
from tests.store.builders import HOUR, MINUTE, NOW


def test_a_planned_tick_keeps_its_due_time_over_a_restart(store: Store) -> None:
    store.plan_tick("cycle", NOW)
    assert store.plan_tick("cycle", NOW + HOUR).due_at == NOW


def test_ticks_are_listed_the_longest_due_first(store: Store) -> None:
    for name, hours in (("future", 1), ("late", -2), ("later", -1)):
        store.plan_tick(name, NOW + hours * HOUR)
    assert [tick.name for tick in store.ticks()] == ["late", "later", "future"]


def test_a_tick_remembers_how_it_went(store: Store) -> None:
    store.tick_started("cycle", NOW)
    store.tick_finished("cycle", NOW + MINUTE, None, NOW + HOUR)
    (good,) = store.ticks()
    assert (good.last_started_at, good.last_finished_at, good.last_ok_at) == (NOW, NOW + MINUTE, NOW + MINUTE)
    assert (good.due_at, good.last_error) == (NOW + HOUR, "")
    store.tick_finished("cycle", NOW + HOUR, "provider down")
    (bad,) = store.ticks()
    assert (bad.last_ok_at, bad.last_error, bad.due_at) == (NOW + MINUTE, "provider down", NOW + HOUR)


def test_the_last_sign_of_life_is_kept_for_every_loop(store: Store) -> None:
    store.heartbeat("clock", NOW)
    store.heartbeat("clock", NOW + MINUTE)
    store.heartbeat("delivery", NOW)
    assert store.heartbeats() == {"clock": NOW + MINUTE, "delivery": NOW}


def test_one_process_leads_until_its_lease_runs_out(store: Store) -> None:
    first = store.take_lead("cycle", "one", now=NOW, lease_s=60)
    assert first is not None
    assert store.take_lead("cycle", "two", now=NOW + 0.5 * MINUTE, lease_s=60) is None
    prolonged = store.take_lead("cycle", "one", now=NOW + 0.5 * MINUTE, lease_s=60)
    assert prolonged is not None
    assert prolonged.generation == first.generation
    assert store.holds_lead(first, now=NOW + MINUTE)
    second = store.take_lead("cycle", "two", now=NOW + 2 * MINUTE, lease_s=60)
    assert second is not None
    assert second.generation == first.generation + 1
    assert not store.holds_lead(first, now=NOW + 2 * MINUTE)
    assert store.holds_lead(second, now=NOW + 2 * MINUTE)


def test_a_lead_given_up_is_free_at_once_and_cannot_be_given_up_for_others(store: Store) -> None:
    first = store.take_lead("cycle", "one", now=NOW, lease_s=600)
    assert first is not None
    store.give_up_lead(first, now=NOW + MINUTE)
    second = store.take_lead("cycle", "two", now=NOW + MINUTE, lease_s=600)
    assert second is not None
    store.give_up_lead(first, now=NOW + MINUTE)
    assert store.holds_lead(second, now=NOW + 2 * MINUTE)
