"""What is loaded is left alone by the collector, and circles are still found."""

from __future__ import annotations

import gc
import sys
import weakref
from collections.abc import Iterator
from pathlib import Path

import pytest

from alertd.daemon.memory import YOUNG_OBJECTS, give_back, settle


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


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only glibc is asked to")
def test_what_is_free_in_the_heap_goes_back_to_the_system() -> None:
    def resident_kb() -> int:
        status = Path("/proc/self/status").read_text(encoding="ascii")
        return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS"))

    pieces = [bytes(1000) for _ in range(200_000)]  # some 200 MB, each piece below what glibc maps by itself
    holes = pieces[::400]  # what is left keeps the heap from shrinking at its end
    del pieces
    before_kb = resident_kb()
    assert give_back()
    assert resident_kb() < before_kb - 50_000
    assert len(holes) == 500
