from __future__ import annotations

import datetime as dt
import json

import pytest

from alertd.records.weather import cell_of
from alertd.store.store import open_store
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


def test_what_was_learnt_is_kept_and_every_command_reads_the_same(watched: Program, clock: Clock) -> None:
    long_ago = clock.now - dt.timedelta(days=100)
    with open_store(str(watched.env["ALERTD_DATABASE__URL"])) as store:
        (site,) = store.sites()
        fixes = store.corrections_of(site.id, long_ago)
        key = cell_of(site.latitude_deg, site.longitude_deg, site.elevation_m, 0.02).key
        (errors,) = store.learnt_errors([key], long_ago, clock.now).values()
    assert len(fixes) == 2, "at the first cycle and once it was a week old"
    assert errors.learnt_at == fixes[-1].learnt_at == clock.now
    assert errors.days > 0
    outlook = json.loads(watched.done("outlook", "Invented Court", "--json"))
    assert outlook["chance_days"] == errors.days
    explained = json.loads(watched.done("explain", "Invented Court", "--json"))
    assert dt.datetime.fromisoformat(explained["correction"]["learnt_at"]) == fixes[-1].learnt_at
    assert explained["correction"]["window_pairs"] == fixes[-1].window_pairs
    told = {tuple(one["verified_days"]) for one in explained["chances"]}
    assert told == {spread.days for spread in errors.errors.values()}
    assert "as looked at Wed Jul 22" in watched.done("explain", "Invented Court")


def test_a_lead_time_keeps_its_own_cases(watched: Program) -> None:
    (found,) = json.loads(watched.done("score", "--since", "2026-07-14", "--lead", "2", "--json"))["scores"]
    events = {one["event"]: one for one in found["events"]}
    assert {one["lead_d"] for one in events["window"]["by_lead_d"]} == {2}


def test_nothing_stored_is_told_as_such(watching: Program) -> None:
    assert "can be judged yet" in watching.done("score", "--since", "2026-07-10")


def test_a_future_day_is_refused(watching: Program) -> None:
    assert "future" in watching.refused(2, "score", "--since", "2027-01-01")
