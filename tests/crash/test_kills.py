"""Killed at every commit boundary and at random: every alert once in history, at every reader at least once.

By default a little over 200 kills in all; ``ALERTD_CRASH_KILLS`` asks for more (row 1 of the project's
figures: 1,000 at night). Run with ``-s`` or look at the captured output for the counts.
"""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest

from tests.crash.oracle import Lives, kill_course
from tests.crash.world import POINTS

KILLS = int(os.environ.get("ALERTD_CRASH_KILLS", "208"))
SHARDS = 8


@pytest.mark.enable_socket
@pytest.mark.parametrize("shard", range(SHARDS))
def test_killed_at_every_boundary_nothing_is_lost_or_doubled(
    shard: int, lives: Lives, fresh_url: Callable[[str], Callable[[], str]]
) -> None:
    engine = "sqlite" if shard % 2 == 0 else "postgresql"
    share = -(-KILLS // SHARDS)
    first_point = (shard // 2) * share * 4 // 5 % len(POINTS)
    tally = kill_course(lives, fresh_url(engine), share, first_point=first_point, seed=shard, steps=20)
    print(tally.line(engine))
    print(dict(tally.kills))
    assert tally.killed >= share
    assert tally.messages > 20
