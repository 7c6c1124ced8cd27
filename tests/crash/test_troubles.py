"""Disk full, database locked, clocks that jump, clock changes, two processes at once: the same oracle."""

from __future__ import annotations

import datetime as dt
import sqlite3
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import text

from alertd.store.store import open_store
from tests.crash import world
from tests.crash.lives import DONE, KILLED, Life, Lives, Stage, staged
from tests.crash.oracle import Facts, Tally, judge
from tests.crash.points import LEAD_POINTS
from tests.crash.world import Plan

Urls = Callable[[str], Callable[[], str]]
Log = Callable[[str, object], None]
pytestmark = pytest.mark.enable_socket


def judged(plan: Plan, twin: Facts, stage: Stage, tally: Tally, title: str) -> str:
    """Judge the world at its end and return the line of counts."""
    with open_store(plan.url) as store:
        judge(store, plan, twin, stage.copies(), tally)
    assert tally.messages > 0
    return tally.line(title)


def killed_once(lives: Lives, plan: Plan, point: str, hit: int, tally: Tally) -> None:
    """Kill one life at a point, and live the next one to the end."""
    life = lives.start(replace(plan, kill_point=point, kill_hit=hit))
    assert (life.end(), life.was_met) == (KILLED, True)
    tally.kills[point] += 1
    lives.whole(plan)


def test_a_full_disk_stops_the_process_and_costs_nothing(lives: Lives, fresh_url: Urls, log: Log) -> None:
    fresh, tally = fresh_url("sqlite"), Tally()
    twin = lives.undisturbed(fresh)
    with staged(0.1, 3) as stage:
        plan = stage.plan(fresh())
        world.prepare(plan)
        path = Path(plan.url.removeprefix("sqlite:///"))
        ended = []
        for _ in range(4):
            full = replace(plan, file_bytes=path.stat().st_size + 90_000, tries=3)
            ended.append(lives.start(full).end())
        assert 3 in ended, "the disk never got full"
        lives.whole(plan)
        log("log", judged(plan, twin, stage, tally, "disk full"))


@pytest.mark.parametrize(
    ("held_s", "busy_timeout_s"), [(2.5, 0.3), pytest.param(30.0, 30.0, marks=pytest.mark.slow)]
)
def test_a_locked_database_is_waited_for(
    held_s: float, busy_timeout_s: float, lives: Lives, fresh_url: Urls, log: Log
) -> None:
    fresh, tally = fresh_url("sqlite"), Tally()
    twin = lives.undisturbed(fresh)
    with staged(0.1, 4) as stage:
        plan = stage.plan(fresh(), busy_timeout_s=busy_timeout_s, tries=2000)
        world.prepare(plan)
        life = lives.start(plan)
        with sqlite3.connect(plan.url.removeprefix("sqlite:///"), isolation_level=None, timeout=60) as other:
            while not other.execute("SELECT count(*) FROM alerts").fetchone()[0]:
                time.sleep(0.01)
            other.execute("BEGIN IMMEDIATE")
            threading.Event().wait(held_s)
            assert life.code is None, "it did not live while the database was locked"
            other.execute("ROLLBACK")
        other.close()
        assert life.end() == DONE
        log("log", judged(plan, twin, stage, tally, f"locked for {held_s:g} s"))


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_a_clock_that_jumps_an_hour_both_ways_loses_nothing(
    engine: str, lives: Lives, fresh_url: Urls, log: Log
) -> None:
    fresh, tally = fresh_url(engine), Tally()
    twin = lives.undisturbed(fresh)
    with staged(0.2, 5) as stage:
        plan = stage.plan(fresh(), clock_jumps=True)
        world.prepare(plan)
        killed_once(lives, plan, "after:send", 9, tally)
        log("log", judged(plan, twin, stage, tally, f"clock jumps, {engine}"))


CHANGES = {
    "America/New_York": (dt.date(2026, 3, 8), dt.date(2026, 11, 1)),
    "Europe/Berlin": (dt.date(2026, 3, 29), dt.date(2026, 10, 25)),
    "Australia/Lord_Howe": (dt.date(2026, 4, 5), dt.date(2026, 10, 4)),
}
"""Change-over days of 2026 by the IANA time zone database; Lord Howe shifts by half an hour."""


@pytest.mark.parametrize("zone", CHANGES)
@pytest.mark.parametrize("which", [0, 1])
def test_clock_changes_neither_lose_nor_wake_anybody(
    zone: str, which: int, lives: Lives, fresh_url: Urls, log: Log
) -> None:
    fresh, tally = fresh_url("sqlite"), Tally()
    day = CHANGES[zone][which]
    before, after = (
        dt.datetime.combine(day + dt.timedelta(days=n), dt.time(), tzinfo=ZoneInfo(zone)) for n in (0, 1)
    )
    assert after.astimezone(dt.UTC) - before.astimezone(dt.UTC) != dt.timedelta(hours=24)
    life = {
        "first_at": before.astimezone(dt.UTC).replace(minute=0) - dt.timedelta(hours=2),
        "step": dt.timedelta(hours=3),
        "rounds": 1,
        "steps": 10,
        "zones": True,
    }
    twin = lives.undisturbed(fresh, **life)
    with staged(0.1, 6) as stage:
        plan = stage.plan(fresh(), **life)
        world.prepare(plan)
        killed_once(lives, plan, "inside:settle", 3, tally)
        log("log", judged(plan, twin, stage, tally, f"{zone} {day}"))
        question = (
            "SELECT d.at, a.site_id FROM deliveries d JOIN outbox o ON o.id = d.message_id "
            "JOIN alerts a ON a.id = o.alert_id "
            "WHERE o.subscriber_id = 'u-day' AND d.attempt = 1 AND o.digest_id IS NULL"
        )
        with open_store(plan.url) as store, store._read() as session:
            rows = session.execute(text(question)).all()
    hours = [
        dt.datetime.fromisoformat(str(at))
        .replace(tzinfo=dt.UTC)
        .astimezone(ZoneInfo(world.ZONES[site][0]))
        .hour
        for at, site in rows
    ]
    assert hours
    assert all(6 <= hour <= 20 for hour in hours), "somebody was woken"


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_two_processes_on_one_database_do_the_work_once(
    engine: str, lives: Lives, fresh_url: Urls, log: Log
) -> None:
    fresh, tally = fresh_url(engine), Tally()
    twin = lives.undisturbed(fresh)
    with staged(0.1, 7) as stage:
        plan = stage.plan(fresh())
        world.prepare(plan)
        # Only who leads passes the points of a cycle; the lead itself is asked for by both.
        deaths = {
            "left": ["inside:commit_decisions", "inside:take_lead", "after:send", "before:settle_brief"],
            "right": ["before:take_lead", "after:take_lead", "after:lease", "before:commit_decisions"],
        }
        plans = {
            "left": replace(plan, owner="left", partner="right"),
            "right": replace(plan, owner="right", partner="left"),
        }
        running: dict[str, tuple[Life, str]] = {}
        while plans:
            for owner, life in list(plans.items()):
                if owner not in running:
                    death = deaths[owner].pop(0) if deaths[owner] else ""
                    running[owner] = lives.start(replace(life, kill_point=death, kill_hit=2)), death
                    continue
                process, death = running[owner]
                if process.code == DONE:
                    del plans[owner], running[owner]
                elif process.code is not None:
                    assert (process.code, process.was_met) == (KILLED, True)
                    tally.kills[death] += 1
                    del running[owner]
            time.sleep(0.02)
        log("log", judged(plan, twin, stage, tally, f"two processes, {engine}"))
    assert set(LEAD_POINTS) <= set(tally.kills)


@pytest.mark.parametrize(("days", "a_day"), [(30, 1), pytest.param(180, 1, marks=pytest.mark.nightly)])
def test_months_with_failing_providers_leave_no_stuck_row_and_flat_memory(
    days: int, a_day: int, lives: Lives, fresh_url: Urls, tmp_path: Path, log: Log
) -> None:
    fresh, tally, told = fresh_url("sqlite"), Tally(), tmp_path / "memory"
    life = {
        "first_at": dt.datetime(2026, 4, 15, 11, tzinfo=dt.UTC),
        "steps": days * a_day,
        "step": dt.timedelta(days=1) / a_day,
        "rounds": 2,
        "faults_pct": 5,
        "gaps_pct": 5,
    }
    twin = lives.undisturbed(fresh, **life)
    with staged(0.05, 8) as stage:
        plan = stage.plan(fresh(), **life, memory_file=str(told))
        world.prepare(plan)
        lives.whole(plan)
        line = judged(plan, twin, stage, tally, f"{days} days")
    resident = [int(one.split()[1]) for one in told.read_text().splitlines()]
    ratio = resident[-1] / resident[len(resident) // 4]
    log("log", f"{line}; resident {resident[-1]} kB at the end, {ratio:.3f} of a quarter in")
    assert ratio < 1.1
