from __future__ import annotations

import dataclasses
import datetime as dt
from typing import Any

import pytest

from alertd.errors import InputError, StoreConflict
from alertd.records.alert import Alert, AlertKind, MessageState
from alertd.records.assessment import Level
from alertd.records.season import SeasonState
from alertd.store.store import Store
from tests.store.builders import (
    EVIDENCE,
    HOUR,
    NOW,
    make_alert,
    make_episode,
    make_message,
    make_site,
    make_subscriber,
    queue,
)


@pytest.fixture
def site_id(store: Store) -> str:
    store.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
    return store.add_site(make_site(site_id="s1"), now=NOW).id


def test_what_is_committed_is_found_again(store: Store, site_id: str) -> None:
    episode, alert, message = make_episode(site_id), make_alert(site_id), make_message("u1")
    state = SeasonState(site_id, dt.date(2026, 6, 30), NOW)
    new = store.commit_decisions(
        episodes=[episode], alerts=[alert], messages=[message], seasons=[state], now=NOW
    )
    assert new == 1
    assert store.open_episodes([site_id, "none"]) == [episode]
    assert store.alert("a1") == alert
    assert store.messages() == [message]
    assert store.season(site_id, NOW) == state


def test_a_repeat_is_harmless_even_under_other_ids(store: Store, site_id: str) -> None:
    decision: dict[str, Any] = {"episodes": [make_episode(site_id)], "now": NOW}
    first = store.commit_decisions(alerts=[make_alert(site_id)], messages=[make_message("u1")], **decision)
    same = store.commit_decisions(alerts=[make_alert(site_id)], messages=[make_message("u1")], **decision)
    renamed = store.commit_decisions(
        alerts=[make_alert(site_id, "a2")], messages=[make_message("u1", "m2", "a2")], **decision
    )
    assert (first, same, renamed) == (1, 0, 0)
    assert [entry.alert.id for entry in store.history()] == ["a1"]
    assert [message.id for message in store.messages()] == ["m1"]


def test_a_repeat_still_tells_whoever_was_not_told(store: Store, site_id: str) -> None:
    store.add_subscriber(make_subscriber("Second", "u2"), now=NOW)
    store.commit_decisions(
        episodes=[make_episode(site_id)], alerts=[make_alert(site_id)], messages=[make_message("u1")], now=NOW
    )
    store.commit_decisions(
        alerts=[make_alert(site_id, "a2")],
        messages=[make_message("u1", "m2", "a2"), make_message("u2", "", "a2")],
        now=NOW,
    )
    assert {(one.subscriber_id, one.alert_id) for one in store.messages()} == {("u1", "a1"), ("u2", "a1")}


def test_a_commit_that_fails_in_the_middle_leaves_nothing(store: Store, site_id: str) -> None:
    with pytest.raises(StoreConflict):
        store.commit_decisions(
            episodes=[make_episode(site_id)],
            alerts=[make_alert(site_id)],
            messages=[make_message("nobody")],
            now=NOW,
        )
    assert store.open_episodes([site_id]) == []
    assert store.history() == []


def test_two_deciders_cannot_both_open_the_same_episode(store: Store, site_id: str) -> None:
    store.commit_decisions(episodes=[make_episode(site_id, "e1")], now=NOW)
    with pytest.raises(StoreConflict):
        store.commit_decisions(episodes=[make_episode(site_id, "e2")], now=NOW)
    store.commit_decisions(episodes=[make_episode(site_id, "e3", subject="oil")], now=NOW)
    assert [episode.id for episode in store.open_episodes([site_id])] == ["e1", "e3"]


def test_one_commit_may_close_an_episode_and_open_the_next(store: Store, site_id: str) -> None:
    store.commit_decisions(episodes=[make_episode(site_id, "e1")], now=NOW)
    closed = dataclasses.replace(make_episode(site_id, "e1"), closed_at=NOW + HOUR)
    store.commit_decisions(episodes=[make_episode(site_id, "e2"), closed], now=NOW + HOUR)
    assert [episode.id for episode in store.open_episodes([site_id])] == ["e2"]


def test_an_episode_never_goes_back(store: Store, site_id: str) -> None:
    high = dataclasses.replace(make_episode(site_id, alerts=2), level=Level.HIGH, changed_at=NOW - HOUR)
    store.commit_decisions(episodes=[make_episode(site_id)], now=NOW)
    store.commit_decisions(episodes=[high], now=NOW)
    assert store.open_episodes([site_id]) == [high], "a clock set back an hour must not undo a change"
    store.commit_decisions(episodes=[make_episode(site_id)], now=NOW)
    assert store.open_episodes([site_id]) == [high]
    store.commit_decisions(episodes=[dataclasses.replace(high, closed_at=NOW)], now=NOW)
    store.commit_decisions(episodes=[dataclasses.replace(high, alerts=9)], now=NOW)
    assert store.open_episodes([site_id]) == []


def test_a_number_that_json_cannot_hold_does_not_lose_the_alert(store: Store, site_id: str) -> None:
    odd: Any = {
        **EVIDENCE,
        "age_h": float("nan"),
        "place": {**EVIDENCE["place"], "latitude_deg": float("inf")},
    }
    store.commit_decisions(
        episodes=[make_episode(site_id)],
        alerts=[dataclasses.replace(make_alert(site_id), evidence=odd)],
        now=NOW,
    )
    evidence = store.alert("a1").evidence
    assert evidence["age_h"] is None
    assert evidence["place"]["latitude_deg"] is None
    assert evidence["place"]["name"] == "Invented Court"


def test_only_the_leader_may_commit(store: Store, site_id: str) -> None:
    lead = store.take_lead("cycle", "one", now=NOW, lease_s=60)
    assert lead is not None
    store.commit_decisions(episodes=[make_episode(site_id)], now=NOW, lead=lead)
    later = NOW + 2 * HOUR
    assert store.take_lead("cycle", "two", now=later, lease_s=60) is not None
    with pytest.raises(StoreConflict, match="another process leads"):
        store.commit_decisions(episodes=[make_episode(site_id, "e2", "oil")], now=later, lead=lead)
    with pytest.raises(StoreConflict):
        store.commit_decisions(now=NOW, lead=dataclasses.replace(lead, name="unheard of"))
    assert len(store.open_episodes([site_id])) == 1


def test_history_is_filtered_newest_first_and_tells_how_alerts_reached_people(store: Store) -> None:
    queue(store, 2)
    (leased,) = store.lease(NOW, "w", 1, 60)
    store.mark_deferred(leased, NOW, NOW + HOUR, "mailbox full")
    closing = dataclasses.replace(make_alert("s1", "a9", sequence=9, at=NOW + HOUR), kind=AlertKind.ALL_CLEAR)
    store.commit_decisions(alerts=[closing], now=NOW)
    entries = store.history()
    assert [entry.alert.id for entry in entries] == ["a9", "a1", "a0"]
    assert entries[0].deliveries == ()
    (summary,) = entries[2].deliveries
    assert (summary.subscriber, summary.state, summary.attempts) == ("Crew Lead", MessageState.PENDING, 1)
    assert (summary.at, summary.detail) == (NOW, "mailbox full")
    alert, name, deliveries = entries[1]
    assert isinstance(alert, Alert)
    assert (name, len(deliveries)) == ("Invented Court", 1)
    ids = [entry.alert.id for entry in store.history(kinds=["all-clear"])]
    assert ids == ["a9"]
    assert [entry.alert.id for entry in store.history(since=NOW + HOUR)] == ["a9"]
    assert [entry.alert.id for entry in store.history(until=NOW + HOUR)] == ["a1", "a0"]
    assert len(store.history(limit=1)) == 1
    assert len(store.history("invented court", limit=None)) == 3
    assert store.history(firm_id="other") == []
    with pytest.raises(InputError):
        store.history("elsewhere")


def test_an_alert_of_another_firm_is_not_there(store: Store) -> None:
    queue(store, 1)
    assert store.alert("a0", firm_id=None).id == "a0"
    with pytest.raises(InputError):
        store.alert("a0", firm_id="other")
