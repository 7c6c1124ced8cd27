"""Killed at every commit boundary and at random: every alert once in history, at every reader at least once.

With the nightly ones over 200 kills; ``ALERTD_CRASH_KILLS`` asks for more (row 1 of the project's
figures: 1,000 at night). Run with ``-s`` or look at the captured output for the counts.
"""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest

from tests.crash.lives import Lives, kill_course
from tests.crash.points import POINTS

KILLS = int(os.environ.get("ALERTD_CRASH_KILLS", "208"))
SHARDS = 4
"""Two for each engine; together they meet every point on both."""


def test_the_shards_of_an_engine_meet_every_point() -> None:
    assert {*POINTS[0::2], *POINTS[1::2]} == set(POINTS)


@pytest.mark.enable_socket
@pytest.mark.parametrize(
    ("engine", "half"),
    [
        ("sqlite", 0),
        ("postgresql", 1),
        # With these two every point is met on both engines; without, every point on one.
        pytest.param("sqlite", 1, marks=pytest.mark.nightly),
        pytest.param("postgresql", 0, marks=pytest.mark.nightly),
    ],
)
def test_killed_at_every_boundary_nothing_is_lost_or_doubled(
    engine: str,
    half: int,
    lives: Lives,
    fresh_url: Callable[[str], Callable[[], str]],
    record_property: Callable[[str, object], None],
) -> None:
    share, points = -(-KILLS // SHARDS), POINTS[half::2]
    tally = kill_course(lives, fresh_url(engine), points, share, seed=half + 1)
    record_property("log", tally.line(f"killed on {engine}, {'other' if half else 'one'} half of the points"))
    print(dict(tally.kills))
    assert tally.killed >= share
    assert set(points) <= set(tally.kills), "a point was never met"
    assert tally.messages > 20
    assert tally.briefs > 2
    assert tally.notices > 2
