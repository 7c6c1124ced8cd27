"""How the collector of circular garbage treats what the daemon holds."""

from __future__ import annotations

import gc

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
