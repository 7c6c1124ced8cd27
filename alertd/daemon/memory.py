"""How the daemon treats its memory: what is searched for circular garbage, and what goes back unused."""

from __future__ import annotations

import ctypes
import gc
import sys

YOUNG_OBJECTS = 50_000
"""New objects after which the collector looks for circles; Python's own 700 suits small programs."""


def settle() -> None:
    """Leave what is loaded by now out of every later search for circles, and search less often.

    A cycle makes some hundreds of records a site and none of them lies in a circle: they go when the last
    reference to them goes. Searching them again and again while they are made takes a sixth of the time.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(YOUNG_OBJECTS, 20, 10)


def give_back() -> bool:
    """Return to the system what is free inside the heap; returns whether the C library can (glibc).

    A cycle frees large and small pieces in many threads, which leaves holes that glibc keeps: over 70
    cycles a fifth more was resident while the number of objects stood still.
    """
    if not sys.platform.startswith("linux"):
        return False
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    return trim is not None and bool(trim(0))
