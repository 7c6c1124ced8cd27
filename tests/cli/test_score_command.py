from __future__ import annotations

import datetime as dt
import json

import pytest

from tests.cli.conftest import Clock, Program

pytestmark = pytest.mark.enable_socket


@pytest.fixture
def watched(fetched: Program, clock: Clock) -> Program:
    """Weather of three mornings, and of a later day that tells what came of them."""
    start = clock.now.replace(hour=9, minute=50)  # ten minutes before six at the site
    for days in (1, 2, 8):
        clock.now = start + dt.timedelta(days=days)
        fetched.done("cycle")
    return fetched


def test_the_score_says_plainly_that_there_are_too_few_cases(watched: Program) -> None:
    told = watched.done("score", "--since", "2026-07-14")
    assert "Too few cases" in told
    assert "POD" in told
    assert "not a gauge" in told


def test_forecasts_that_came_true_are_hits(watched: Program) -> None:
    # the replayed service forecasts without error, so that every judged day comes as forecast
    (found,) = json.loads(watched.done("score", "--since", "2026-07-14", "--json"))["scores"]
    assert found["mornings"] >= 2
    events = {one["event"]: one for one in found["events"]}
    assert events["window"]["cases"] > 0
    assert events["window"]["counts"]["false_alarms"] == 0
    assert events["window"]["counts"]["misses"] == 0


def test_a_lead_time_keeps_its_own_cases(watched: Program) -> None:
    (found,) = json.loads(watched.done("score", "--since", "2026-07-14", "--lead", "2", "--json"))["scores"]
    events = {one["event"]: one for one in found["events"]}
    assert {one["lead_d"] for one in events["window"]["by_lead_d"]} == {2}


def test_nothing_stored_is_told_as_such(watching: Program) -> None:
    assert "can be judged yet" in watching.done("score", "--since", "2026-07-10")


def test_a_future_day_is_refused(watching: Program) -> None:
    assert "future" in watching.refused(2, "score", "--since", "2027-01-01")
