from __future__ import annotations

import datetime as dt
import threading
from typing import Any

import pytest
from apscheduler.jobstores.memory import MemoryJobStore

from alertd.daemon.clock import PULSE, Clock, StaysDue, Tick, TickState
from alertd.daemon.health import Health
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


NOON = dt.datetime(2026, 7, 1, 12, tzinfo=dt.UTC)
MINUTE, HOUR = dt.timedelta(minutes=1), dt.timedelta(hours=1)


class Lives:
    """Lives of a daemon over one book, on a wall clock that the test moves."""

    def __init__(self, book: FakeBook) -> None:
        self.book = book
        self.wall = NOON
        self.runs: list[dt.datetime] = []
        self.leads = True
        self.fails = False
        self.undone = 0
        self.begin()

    def begin(self) -> None:
        self.tick = Tick(
            "cycle", 3600, self._work, ready_periods=3, ask_every_s=15, may_begin=lambda _now: self.leads
        )
        self.clock = Clock([self.tick], self.book, now=lambda: self.wall, monotonic_s=FakeTime())

    def _work(self, now: dt.datetime) -> None:
        if self.fails:
            raise RuntimeError("no weather")
        if self.undone:
            self.undone -= 1
            raise StaysDue("another leads")
        self.runs.append(now)

    def go(self, span: dt.timedelta) -> None:
        """Let time go on, asking every minute."""
        until = self.wall + span
        while self.wall < until:
            run_once(self.clock, self.tick)
            self.wall += MINUTE
            advance(self.clock, 60)

    @property
    def ready(self) -> bool:
        return all(check.ok for check in Health(self.clock, lambda: None).ready() if check.name != "clock")


def test_kept_due_times_hold_their_rhythm_over_restarts_and_downtime(book: FakeBook) -> None:
    lives = Lives(book)
    lives.go(2.5 * HOUR)
    assert lives.runs == [NOON, NOON + HOUR, NOON + 2 * HOUR]
    lives.begin()
    lives.go(HOUR)
    assert lives.runs[3:] == [NOON + 3 * HOUR], "a restart between two due times doubles nothing"
    lives.wall += 5 * HOUR
    lives.begin()
    back_at = lives.wall
    lives.go(2 * HOUR)
    assert lives.runs[4:] == [back_at, NOON + 9 * HOUR, NOON + 10 * HOUR], "what fell due is done once"


def test_a_run_cut_short_is_due_at_once_in_the_next_life(book: FakeBook) -> None:
    lives = Lives(book)
    lives.clock._note_started(lives.tick, lives.wall)
    book.plan_tick("cycle", NOON)
    lives.wall += MINUTE
    lives.begin()
    lives.go(10 * MINUTE)
    assert lives.runs == [NOON + MINUTE]


def test_empty_looks_neither_count_as_runs_nor_keep_the_daemon_ready(book: FakeBook) -> None:
    lives = Lives(book)
    lives.go(2 * MINUTE)
    assert lives.ready
    lives.fails = True
    lives.go(2.9 * HOUR)
    assert lives.ready
    lives.go(0.2 * HOUR)
    assert not lives.ready
    state = state_of(lives.clock, "cycle")
    assert (state.runs, state.failures) == (4, 3)
    assert [what for what, _ in book.of("cycle")] == ["started", "finished"] * 4


def test_a_new_life_is_as_ready_as_the_last_success_in_the_book_is_young(book: FakeBook) -> None:
    lives = Lives(book)
    lives.go(MINUTE)
    lives.begin()
    assert not lives.ready
    lives.go(MINUTE)
    assert lives.ready
    assert lives.runs == [NOON]


def test_what_another_process_does_stays_due_for_this_one(book: FakeBook) -> None:
    lives = Lives(book)
    lives.leads = False
    lives.go(HOUR)
    assert (lives.runs, lives.ready) == ([], False)
    book.tick_finished("cycle", lives.wall, None, lives.wall + HOUR)
    lives.go(MINUTE)
    assert lives.ready, "the work is done, by whomever"
    lives.wall += 2 * HOUR
    lives.leads = True
    lives.go(MINUTE)
    assert len(lives.runs) == 1


def test_what_stays_due_is_done_again_at_the_next_look_and_not_a_period_later(book: FakeBook) -> None:
    lives = Lives(book)
    lives.undone = 2
    lives.go(5 * MINUTE)
    assert lives.runs == [NOON + 2 * MINUTE]
    state = state_of(lives.clock, "cycle")
    assert (state.runs, state.failures, state.failures_in_a_row) == (3, 2, 0)
    assert book.kept["cycle"].due_at == NOON + HOUR
    assert [error for what, error in book.of("cycle") if what == "finished"] == ["another leads"] * 2 + [None]


def test_a_tick_without_kept_due_times_that_stays_due_merely_fails(book: FakeBook) -> None:
    def undone(_now: dt.datetime) -> None:
        raise StaysDue("another leads")

    tick = Tick("deliver", 30, undone)
    clock = Clock([tick], book)
    run_once(clock, tick)
    assert state_of(clock, "deliver").failures == 1


def test_a_wall_clock_set_back_does_not_silence_the_work(book: FakeBook) -> None:
    lives = Lives(book)
    lives.go(MINUTE)
    lives.wall = NOON - 24 * HOUR
    lives.go(2 * MINUTE)
    assert lives.runs == [NOON, NOON - 24 * HOUR]
    assert book.kept["cycle"].due_at == NOON - 23 * HOUR


def test_a_book_that_cannot_be_read_is_a_sign_of_life_and_no_run(book: FakeBook) -> None:
    lives = Lives(book)
    book.broken = True
    lives.go(MINUTE)
    assert lives.runs == []
    assert state_of(lives.clock, "cycle").beat_s == 1000.0
    book.broken = False
    lives.go(MINUTE)
    assert len(lives.runs) == 1
