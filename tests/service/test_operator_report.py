from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from alertd.errors import DeliveryDeferred, DeliveryRejected
from alertd.records.keeping import DeadLetter
from alertd.service.operator_report import FIRST_LOOK, TICK, OperatorReport
from alertd.store.store import Store, open_store
from tests.store.builders import HOUR, NOW, queue

DAY = dt.timedelta(days=1)


class Post:
    """A way to the operator that fails as the test has set."""

    def __init__(self) -> None:
        self.told: list[tuple[list[str], int]] = []
        self.fault: Exception | None = None

    def send(self, new: Sequence[DeadLetter], dead: int, now: dt.datetime) -> str:
        if self.fault is not None:
            raise self.fault
        self.told.append(([one.id for one in new], dead))
        return "250 ok"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as opened:
        queue(opened, 3)
        yield opened


def bury(store: Store, message_id: str, at: dt.datetime) -> None:
    leased = store.lease(at, "one", 9, 60)
    store.mark_dead(next(one for one in leased if one.id == message_id), at, "550 gone")
    store.release([one for one in leased if one.id != message_id])


def run(store: Store, post: Post, at: dt.datetime) -> int:
    """Run the report as the daemon's clock does: the book knows whether it went well."""
    store.tick_started(TICK, at)
    try:
        told = OperatorReport(store, post).run(at)
    except (DeliveryDeferred, DeliveryRejected) as error:
        store.tick_finished(TICK, at, str(error))
        return -1
    store.tick_finished(TICK, at)
    return told


def test_nothing_is_mailed_while_nothing_was_given_up(store: Store) -> None:
    post = Post()
    assert run(store, post, NOW) == 0
    assert post.told == []


def test_each_dead_letter_is_told_once_and_the_rest_as_a_count(store: Store) -> None:
    post = Post()
    bury(store, "m0", NOW + HOUR)
    assert run(store, post, NOW + 2 * HOUR) == 1
    assert run(store, post, NOW + DAY) == 0, "the same dead letter is no news the next day"
    bury(store, "m1", NOW + DAY + HOUR)
    assert run(store, post, NOW + 2 * DAY) == 1
    assert post.told == [(["m0"], 1), (["m1"], 2)]


@pytest.mark.parametrize("fault", [DeliveryDeferred("451 later"), DeliveryRejected("550 no")])
def test_a_report_that_fails_is_told_with_the_next_and_makes_no_dead_letter(
    store: Store, fault: Exception
) -> None:
    post = Post()
    bury(store, "m0", NOW + HOUR)
    post.fault = fault
    for day in range(3):
        assert run(store, post, NOW + 2 * HOUR + day * DAY) == -1
        assert store.dead_count() == 1
    post.fault = None
    bury(store, "m2", NOW + 3 * DAY)
    run(store, post, NOW + 4 * DAY)
    assert post.told == [(["m2", "m0"], 2)]


def test_the_first_report_does_not_dig_up_what_is_long_over(store: Store) -> None:
    post = Post()
    bury(store, "m0", NOW + HOUR)
    assert run(store, post, NOW + HOUR + FIRST_LOOK + HOUR) == 0
