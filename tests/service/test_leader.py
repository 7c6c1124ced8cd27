"""One process leads, the others stand by, take over soon, and never decide behind the leader's back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest

from alertd.errors import StoreBusy, StoreConflict
from alertd.records.alert import Alert, AlertKind, Change, Episode
from alertd.records.assessment import Level
from alertd.records.keeping import Lead
from alertd.service.cycle import Cycle
from alertd.service.leader import LEASE_S, RENEW_EVERY_S, Leadership
from alertd.store.store import Store, open_store
from tests.assess.skies import HOT, truth_of
from tests.service.world import CELL_SIZE_DEG, Provider, World, site

NOW = dt.datetime(2026, 7, 10, 12, tzinfo=dt.UTC)
SECOND = dt.timedelta(seconds=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as found:
        yield found


def pair(store: Store) -> tuple[Leadership, Leadership]:
    return Leadership(store, "left"), Leadership(store, "right")


def test_the_first_to_ask_leads_and_the_other_stands_by(store: Store) -> None:
    left, right = pair(store)
    assert (left.seek(NOW), right.seek(NOW)) == (True, False)
    assert left.standing(NOW) == (True, "leads: this process decides")
    ok, detail = right.standing(NOW)
    assert ok
    assert detail.startswith("stands by: another process decides")
    assert left.held().owner == "left"
    with pytest.raises(StoreConflict, match="another process leads"):
        right.held()


def test_a_lead_that_is_renewed_is_kept_and_one_that_is_not_passes_on_within_its_lease(store: Store) -> None:
    left, right = pair(store)
    assert left.seek(NOW)
    kept_until = NOW + 10 * RENEW_EVERY_S * SECOND
    for n in range(1, 11):
        assert left.seek(NOW + n * RENEW_EVERY_S * SECOND)
        assert not right.seek(NOW + n * RENEW_EVERY_S * SECOND)
    # From here on the left one is silent, as if it had been killed.
    assert not right.seek(kept_until + (LEASE_S - 1) * SECOND)
    assert right.seek(kept_until + LEASE_S * SECOND)
    assert not left.seek(kept_until + LEASE_S * SECOND)


def test_an_orderly_end_lets_the_other_lead_at_once_and_is_final(store: Store) -> None:
    left, right = pair(store)
    left.seek(NOW)
    left.resign(NOW + SECOND)
    assert right.seek(NOW + SECOND)
    right.resign(NOW + 2 * SECOND)
    assert not left.seek(NOW + 3 * SECOND)


def test_who_stands_by_takes_nothing_away_by_resigning(store: Store) -> None:
    left, right = pair(store)
    left.seek(NOW)
    right.resign(NOW)
    assert store.holds_lead(left.held(), now=NOW + SECOND)


def test_who_never_asked_or_could_not_ask_or_let_it_run_out_says_so(store: Store) -> None:
    left, _ = pair(store)
    assert left.standing(NOW) == (False, "has not asked for the lead yet")
    left.seek(NOW)
    assert left.standing(NOW + LEASE_S * SECOND) == (False, "the lead ran out and was not renewed")

    class Shut:
        def take_lead(self, name: str, owner: str, *, now: dt.datetime, lease_s: float) -> Lead | None:
            raise StoreBusy("the database is busy")

        def give_up_lead(self, lead: Lead, *, now: dt.datetime) -> None:
            raise AssertionError("there is nothing to give up")

    blind = Leadership(Shut(), "blind")
    with pytest.raises(StoreBusy):
        blind.seek(NOW)
    assert blind.standing(NOW) == (False, "could not ask for the lead: StoreBusy")
    blind.resign(NOW)


def test_a_cycle_whose_lead_passed_on_meanwhile_commits_nothing(store: Store) -> None:
    truth = truth_of(NOW.date() - dt.timedelta(days=20), [HOT] * 40)
    World(store, Provider(truth)).add([site("a")], NOW)
    left, right = pair(store)
    assert left.seek(NOW)

    class Slow(Provider):
        def fetch_all(self, *args: object, **kwargs: object) -> object:  # type: ignore[override]
            assert right.seek(NOW + LEASE_S * SECOND)
            return super().fetch_all(*args, **kwargs)  # type: ignore[arg-type]

    slow = Cycle(store, Slow(truth), CELL_SIZE_DEG, lead_of=left.held)  # type: ignore[arg-type]
    with pytest.raises(StoreConflict, match="nothing was written"):
        slow.run(NOW)
    assert store.history() == []
    report = Cycle(store, Provider(truth), CELL_SIZE_DEG, lead_of=right.held).run(NOW)
    assert report.alerts > 0


def test_a_lead_that_its_own_holder_let_run_out_is_another_lead(store: Store) -> None:
    left, _ = pair(store)
    left.seek(NOW)
    before = left.held()
    assert left.seek(NOW + LEASE_S * SECOND)
    assert left.held().generation == before.generation + 1
    episode = Episode("e", "s", AlertKind.HOT_DRY, "", Level.HIGH, NOW, NOW, alerts=1)
    alert = Alert("a", "default", "s", "e", 1, AlertKind.HOT_DRY, "", Level.HIGH, Change.OPENED, NOW, {})  # type: ignore[typeddict-item]
    with pytest.raises(StoreConflict):
        store.commit_decisions(episodes=[episode], alerts=[alert], now=NOW, lead=before)
