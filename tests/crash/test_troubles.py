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
from tests.crash.oracle import DONE, KILLED, Lives, Tally, judge, staged, undisturbed

Urls = Callable[[str], Callable[[], str]]
pytestmark = pytest.mark.enable_socket


def test_a_full_disk_stops_the_process_and_costs_nothing(lives: Lives, fresh_url: Urls) -> None:
    fresh, tally = fresh_url("sqlite"), Tally()
    twin = undisturbed(lives, fresh(), steps=16)
    with staged(0.1, 3) as stage:
        plan = stage.plan(fresh(), steps=16)
        world.prepare(plan)
        path = Path(plan.url.removeprefix("sqlite:///"))
        ended = []
        for _ in range(4):
            full = replace(plan, file_bytes=path.stat().st_size + 90_000, tries=3)
            ended.append(lives.end(lives.start(full)))
        assert 3 in ended, "the disk never got full"
        assert lives.end(lives.start(plan)) == DONE
        with open_store(plan.url) as store:
            judge(store, twin, stage.copies(), tally)
            assert store.check_integrity() == []
    print(tally.line("disk full"))


@pytest.mark.parametrize(
    ("held_s", "busy_timeout_s"), [(2.5, 0.3), pytest.param(30.0, 30.0, marks=pytest.mark.slow)]
)
def test_a_locked_database_is_waited_for(
    held_s: float, busy_timeout_s: float, lives: Lives, fresh_url: Urls
) -> None:
    fresh, tally = fresh_url("sqlite"), Tally()
    twin = undisturbed(lives, fresh(), steps=10)
    with staged(0.1, 4) as stage:
        plan = stage.plan(fresh(), steps=10, busy_timeout_s=busy_timeout_s)
        world.prepare(plan)
        process = lives.start(plan)
        time.sleep(0.5)
        with sqlite3.connect(plan.url.removeprefix("sqlite:///"), isolation_level=None, timeout=20) as other:
            other.execute("BEGIN IMMEDIATE")
            threading.Event().wait(held_s)
            other.execute("ROLLBACK")
        other.close()
        assert lives.end(process) == DONE
        with open_store(plan.url) as store:
            judge(store, twin, stage.copies(), tally)
    print(tally.line(f"locked for {held_s:g} s"))


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_a_clock_that_jumps_an_hour_both_ways_loses_nothing(
    engine: str, lives: Lives, fresh_url: Urls
) -> None:
    fresh, tally = fresh_url(engine), Tally()
    twin = undisturbed(lives, fresh(), steps=16)
    with staged(0.2, 5) as stage:
        plan = stage.plan(fresh(), steps=16, clock_jumps=True)
        world.prepare(plan)
        assert lives.end(lives.start(replace(plan, kill_point="after:send", kill_hit=9))) == KILLED
        tally.kills["after:send"] += 1
        assert lives.end(lives.start(plan)) == DONE
        with open_store(plan.url) as store:
            judge(store, twin, stage.copies(), tally)
    print(tally.line(f"clock jumps, {engine}"))


CHANGES = {
    "America/New_York": (dt.date(2026, 3, 8), dt.date(2026, 11, 1)),
    "Europe/Berlin": (dt.date(2026, 3, 29), dt.date(2026, 10, 25)),
    "Australia/Lord_Howe": (dt.date(2026, 4, 5), dt.date(2026, 10, 4)),
}
"""Change-over days of 2026 by the IANA time zone database; Lord Howe shifts by half an hour."""


@pytest.mark.parametrize("zone", CHANGES)
@pytest.mark.parametrize("which", [0, 1])
def test_clock_changes_neither_lose_nor_wake_anybody(
    zone: str, which: int, lives: Lives, fresh_url: Urls
) -> None:
    fresh, tally = fresh_url("sqlite"), Tally()
    day = CHANGES[zone][which]
    before, after = (
        dt.datetime.combine(day + dt.timedelta(days=n), dt.time(), tzinfo=ZoneInfo(zone)) for n in (0, 1)
    )
    assert after.astimezone(dt.UTC) - before.astimezone(dt.UTC) != dt.timedelta(hours=24)
    life = {"first_at": before.astimezone(dt.UTC).replace(minute=0) - dt.timedelta(hours=2), "steps": 28}
    twin = undisturbed(lives, fresh(), **life)
    with staged(0.1, 6) as stage:
        plan = stage.plan(fresh(), **life)
        world.prepare(plan)
        assert lives.end(lives.start(replace(plan, kill_point="inside:settle", kill_hit=8))) == KILLED
        tally.kills["inside:settle"] += 1
        assert lives.end(lives.start(plan)) == DONE
        with open_store(plan.url) as store:
            judge(store, twin, stage.copies(), tally)
            question = (
                "SELECT d.at, a.site_id FROM deliveries d JOIN outbox o ON o.id = d.message_id "
                "JOIN alerts a ON a.id = o.alert_id WHERE o.subscriber_id = 'u-day' AND d.attempt = 1"
            )
            with store._read() as session:
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
    print(tally.line(f"{zone} {day}"))


@pytest.mark.parametrize("engine", ["sqlite", "postgresql"])
def test_two_processes_on_one_database_do_the_work_once(engine: str, lives: Lives, fresh_url: Urls) -> None:
    fresh, tally = fresh_url(engine), Tally()
    twin = undisturbed(lives, fresh(), steps=12)
    with staged(0.1, 7) as stage:
        plan = stage.plan(fresh(), steps=12)
        world.prepare(plan)
        pair = {
            "left": replace(plan, owner="left", partner="right"),
            "right": replace(plan, owner="right", partner="left"),
        }
        deaths = {
            "left": ["inside:commit_decisions", "after:send"],
            "right": ["after:lease", "before:settle"],
        }
        running = {}
        while pair:
            for owner, life in list(pair.items()):
                process = running.get(owner)
                if process is None:
                    death = deaths[owner].pop(0) if deaths[owner] else ""
                    running[owner] = lives.start(replace(life, kill_point=death, kill_hit=3))
                elif process.exitcode == DONE:
                    del pair[owner]
                elif process.exitcode is not None:
                    assert process.exitcode == KILLED
                    tally.kills["two at once"] += 1
                    running[owner] = None
            time.sleep(0.02)
        with open_store(plan.url) as store:
            judge(store, twin, stage.copies(), tally)
    assert tally.killed >= 2
    print(tally.line(f"two processes, {engine}"))


def test_half_a_year_with_failing_providers_leaves_no_stuck_row_and_flat_memory(
    lives: Lives, fresh_url: Urls, tmp_path: Path
) -> None:
    fresh, tally, told = fresh_url("sqlite"), Tally(), tmp_path / "memory"
    life = {"steps": 180, "step": dt.timedelta(days=1), "faults_pct": 5}
    twin = undisturbed(lives, fresh(), **life)
    with staged(0.05, 8) as stage:
        plan = stage.plan(fresh(), **life, memory_file=str(told))
        world.prepare(plan)
        assert lives.end(lives.start(plan), limit_s=200.0) == DONE
        with open_store(plan.url) as store:
            judge(store, twin, stage.copies(), tally)
    resident = [int(line.split()[1]) for line in told.read_text().splitlines()]
    ratio = resident[-1] / resident[len(resident) // 4]
    print(tally.line("180 days"), f"; resident {resident[-1]} kB at the end, {ratio:.3f} of a quarter in")
    assert ratio < 1.1
