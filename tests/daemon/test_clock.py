from __future__ import annotations

import datetime as dt
import threading
from typing import Any

import pytest
from apscheduler.jobstores.memory import MemoryJobStore

from alertd.daemon.clock import PULSE, Clock, Tick, TickState
from alertd.daemon.supervisor import Supervisor
from tests.daemon.fakes import FakeBook, FakeTime, eventually, idle, run_once


def failing(_now: dt.datetime) -> None:
    raise RuntimeError("the oven is cold")


def state_of(clock: Clock, name: str) -> TickState:
    return next(state for state in clock.states() if state.tick.name == name)


@pytest.fixture
def book() -> FakeBook:
    return FakeBook()


def test_every_tick_runs_at_once_and_again(book: FakeBook) -> None:
    runs: list[dt.datetime] = []
    clock = Clock([Tick("cycle", 0.02, runs.append)], book)
    clock.start()
    try:
        assert eventually(lambda: len(runs) >= 3)
    finally:
        assert clock.stop(5.0)
    assert all(at.tzinfo is dt.UTC for at in runs)
    assert runs == sorted(runs)
    assert book.of("cycle")[:2] == [("started", None), ("finished", None)]
    assert ("heartbeat", None) in book.of(PULSE)


def test_a_failing_tick_is_written_down_counted_and_tried_again(book: FakeBook) -> None:
    clock = Clock([Tick("cycle", 60, failing)], book)
    for _ in range(2):
        run_once(clock, clock.ticks[0])
    assert book.of("cycle")[1::2] == [("finished", "RuntimeError: the oven is cold")] * 2
    state = state_of(clock, "cycle")
    assert (state.runs, state.failures, state.failures_in_a_row, state.ok_s) == (2, 2, 2, None)


def test_a_success_ends_the_row_of_failures(book: FakeBook) -> None:
    moods = iter([True, False])
    tick = Tick("cycle", 60, lambda now: failing(now) if next(moods) else None)
    clock = Clock([tick], book)
    run_once(clock, tick)
    run_once(clock, tick)
    state = state_of(clock, "cycle")
    assert (state.failures, state.failures_in_a_row, state.last_error) == (1, 0, None)
    assert state.last_ok_at is not None


def test_a_book_that_cannot_be_written_does_not_stop_the_work(book: FakeBook) -> None:
    book.broken = True
    runs: list[dt.datetime] = []
    tick = Tick("cycle", 60, runs.append)
    clock = Clock([tick], book)
    run_once(clock, tick)
    assert len(runs) == 1
    assert state_of(clock, "cycle").failures == 0


def test_one_slow_tick_neither_overlaps_itself_nor_delays_another(book: FakeBook) -> None:
    gate, inside, quick = threading.Event(), [0], [0]
    most = [0]

    def slow(_now: dt.datetime) -> None:
        inside[0] += 1
        most[0] = max(most[0], inside[0])
        gate.wait(10)
        inside[0] -= 1

    def count(_now: dt.datetime) -> None:
        quick[0] += 1

    clock = Clock([Tick("slow", 0.02, slow), Tick("quick", 0.02, count)], book)
    clock.start()
    try:
        assert eventually(lambda: quick[0] >= 3 and state_of(clock, "slow").skipped >= 2)
    finally:
        gate.set()
        assert clock.stop(5.0)
    assert most[0] == 1


def test_stopping_waits_for_what_is_in_flight_and_begins_nothing_new(book: FakeBook) -> None:
    begun, gate = threading.Event(), threading.Event()

    def work(_now: dt.datetime) -> None:
        begun.set()
        gate.wait(10)

    tick = Tick("deliver", 0.01, work)
    clock = Clock([tick], book)
    clock.start()
    assert begun.wait(10)
    threading.Timer(0.1, gate.set).start()
    assert clock.stop(5.0)
    assert clock.in_flight == 0
    finished = len(book.of("deliver"))
    run_once(clock, tick)
    assert len(book.of("deliver")) == finished == 2


def test_stopping_gives_up_on_a_hung_tick_at_the_deadline(book: FakeBook) -> None:
    begun, gate = threading.Event(), threading.Event()

    def hang(_now: dt.datetime) -> None:
        begun.set()
        gate.wait(30)

    clock = Clock([Tick("deliver", 60, hang)], book)
    clock.start()
    assert begun.wait(10)
    assert not clock.stop(0.05)
    assert clock.in_flight == 1
    gate.set()
    assert eventually(lambda: clock.in_flight == 0)


def test_a_clock_that_never_started_stops(book: FakeBook) -> None:
    clock = Clock([Tick("cycle", 60, idle)], book)
    assert not clock.is_thread_alive()
    assert clock.stop(1.0)


@pytest.mark.parametrize("names", [["cycle", "cycle"], [PULSE]])
def test_two_ticks_of_one_name_are_refused(book: FakeBook, names: list[str]) -> None:
    with pytest.raises(ValueError, match="names must differ"):
        Clock([Tick(name, 60, idle) for name in names], book)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
@pytest.mark.parametrize("broken", ["update_job", "get_next_run_time"])
def test_a_dead_scheduler_thread_is_seen_though_the_scheduler_says_it_runs(
    book: FakeBook, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    # APScheduler guards the read of the due jobs, but neither the write-back nor the next-run query.
    def fail(*_args: Any) -> None:
        raise OSError("disk I/O error")

    clock = Clock([Tick("cycle", 0.02, idle)], book)
    clock.start()
    assert eventually(lambda: state_of(clock, "cycle").runs >= 2)
    assert Supervisor(clock).trouble() is None
    monkeypatch.setattr(MemoryJobStore, broken, fail)
    assert eventually(lambda: not clock.is_thread_alive())
    assert clock.scheduler.running
    assert Supervisor(clock).trouble() == "the scheduler's thread is dead"
    assert clock.stop(5.0)


@pytest.fixture
def living(book: FakeBook, monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Return a clock on a time of the test's own, its thread said to live."""
    monkeypatch.setattr(Clock, "is_thread_alive", lambda _self: True)
    return Clock([Tick("deliver", 30, idle), Tick("cycle", 3600, idle)], book, monotonic_s=FakeTime())


def advance(clock: Clock, seconds: float) -> None:
    assert isinstance(clock.monotonic_s, FakeTime)
    clock.monotonic_s.now_s += seconds


def test_a_clock_without_a_pulse_for_three_periods_is_in_trouble(living: Clock) -> None:
    advance(living, 44)
    assert Supervisor(living).trouble() is None
    advance(living, 2)
    assert Supervisor(living).trouble() == "tick clock does not come up: no sign of life for 46 s"


def test_a_tick_that_never_comes_back_is_in_trouble(living: Clock) -> None:
    living._note_started(living.ticks[1], dt.datetime(2026, 7, 1, tzinfo=dt.UTC))
    for _ in range(3 * 360):
        advance(living, 10)
        living.beat(PULSE)
        living.beat("deliver")
        assert Supervisor(living).trouble() is None
    advance(living, 1)
    assert "tick cycle is hung" in str(Supervisor(living).trouble())
    living.beat("cycle")
    assert Supervisor(living).trouble() is None


def test_a_step_of_the_wall_clock_is_no_hang(book: FakeBook, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Clock, "is_thread_alive", lambda _self: True)
    wall = [dt.datetime(2026, 7, 1, tzinfo=dt.UTC)]
    tick = Tick("cycle", 3600, idle)
    clock = Clock([tick], book, now=lambda: wall[0], monotonic_s=FakeTime())
    run_once(clock, tick)
    wall[0] += dt.timedelta(days=30)
    assert Supervisor(clock).trouble() is None
