"""What is loaded is left alone by the collector, and circles are still found."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Iterator

import pytest

from alertd.daemon.memory import YOUNG_OBJECTS, settle


class Knot:
    """An object that holds itself."""

    def __init__(self) -> None:
        self.itself = self


@pytest.fixture(autouse=True)
def usual_collector() -> Iterator[None]:
    before = gc.get_threshold()
    yield
    gc.unfreeze()
    gc.set_threshold(*before)


def test_what_is_loaded_is_left_out_of_later_searches() -> None:
    before = gc.get_freeze_count()
    settle()
    assert gc.get_freeze_count() > before
    assert gc.get_threshold()[0] == YOUNG_OBJECTS


def test_circles_made_afterwards_are_still_collected_by_themselves() -> None:
    settle()
    gone = weakref.ref(Knot())
    kept = [[] for _ in range(2 * YOUNG_OBJECTS)]  # type: ignore[var-annotated]  # only their number matters
    assert gone() is None
    assert len(kept) == 2 * YOUNG_OBJECTS
