from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest

from alertd.records.alert import MessageState
from alertd.records.keeping import CachedResponse
from alertd.service import prune
from alertd.service.prune import Keep, Prune, Pruned
from alertd.service.skill import tables_as_of
from alertd.settings.sections import WEATHER_DAYS_MIN, DatabaseSettings
from alertd.store.store import Store, open_store
from tests.store.builders import CELL, HOUR, NOW, make_weather, queue

DAY = dt.timedelta(days=1)
KEEP = Keep(weather_days=400, answers_days=7, letters_days=180, tries_days=800)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as opened:
        yield opened


def test_what_is_old_goes_and_the_record_of_alerts_stays(store: Store) -> None:
    queue(store, 2)
    sent, _ = store.lease(NOW + HOUR, "one", 9, 60)
    store.mark_sent(sent, NOW + HOUR)
    store.save_weather([make_weather(NOW - n * DAY) for n in (0, 399, 401, 500)])
    store.responses.put("a", CachedResponse("u", b"", 200, {}, NOW - 8 * DAY, NOW))
    store.responses.put("b", CachedResponse("u", b"", 200, {}, NOW - 6 * DAY, NOW))
    history = store.history()
    assert Prune(store, KEEP).run(NOW) == Pruned(forecasts=2, answers=1)
    assert Prune(store, KEEP).run(NOW) == Pruned()
    assert store.responses.get("b") is not None
    assert store.history() == history
    assert Prune(store, KEEP).run(NOW + 900 * DAY).tries == 1
    assert [entry.alert for entry in store.history()] == [entry.alert for entry in history]
    assert {one.id: one.state for one in store.messages()}["m0"] is MessageState.SENT


def test_bites_are_taken_until_all_is_gone(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prune, "BITE", 2)
    store.save_weather([make_weather(NOW - 500 * DAY + n * HOUR) for n in range(6)])
    assert Prune(store, KEEP).run(NOW).forecasts == 5


def test_a_stop_ends_it_between_two_bites(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prune, "BITE", 2)
    store.save_weather([make_weather(NOW - 500 * DAY + n * HOUR) for n in range(6)])
    bites = iter([False])
    pruned = Prune(store, KEEP, stopping=lambda: next(bites, True)).run(NOW)
    assert pruned.forecasts == 2
    assert Prune(store, KEEP).run(NOW).forecasts == 3


def test_the_least_that_can_be_set_leaves_all_that_scores_and_learning_read(store: Store) -> None:
    # `alertd score` and learning judge 30 days and learn errors from the 60 before them.
    mornings = [NOW - n * DAY for n in range(90, -1, -1)]
    store.save_weather([make_weather(NOW - n * DAY) for n in range(200)])
    before = tables_as_of(store, [CELL.key], mornings)[CELL.key]
    least = DatabaseSettings.model_fields["keep_weather_days"].metadata[0].ge
    assert least == WEATHER_DAYS_MIN
    assert Prune(store, Keep(least, 7, 180, 800)).run(NOW).forecasts == 199 - WEATHER_DAYS_MIN
    after = tables_as_of(store, [CELL.key], mornings)[CELL.key]
    assert [one.fetched_at for one in after] == [one.fetched_at for one in before]
