"""Ticks at fixed intervals: APScheduler as the clock alone, everything that must last kept elsewhere.

A tick asks the store "what is due?" and does it, so that a lost or a doubled tick is harmless. Work that
is itself due at certain times has them in the book of ticks, where a restart finds them again.
"""

from __future__ import annotations

import datetime as dt
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Protocol

import structlog
from apscheduler.events import EVENT_JOB_MAX_INSTANCES, JobSubmissionEvent
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from alertd.records.keeping import Tick as KeptTick

PULSE = "clock"
PULSE_EVERY_S = 15.0
ERROR_LENGTH_MAX = 500

log = structlog.get_logger(__name__)


def utc_now() -> dt.datetime:
    """Return the present instant; the clock is where the daemon reads it."""
    return dt.datetime.now(dt.UTC)


class StaysDue(Exception):
    """Raised by a tick whose due times are kept: what was due is not done and is to be done again soon."""


@dataclass(frozen=True, slots=True)
class Tick:
    """One thing done every ``every_s`` seconds, beginning at once.

    ``limit_s`` is how long one run may take before it counts as hung (three periods, five minutes at
    least, where left out). With ``ready_periods`` the daemon is ready only while the last success is
    younger than so many periods.

    With ``ask_every_s`` its due times are kept in the book, which is asked so often: a restart goes on
    where the last life stood, and what fell due meanwhile is done once. ``may_begin`` then says whether
    it is for this process to do what is due; what it is not stays due.
    """

    name: str
    every_s: float
    run: Callable[[dt.datetime], object]
    limit_s: float | None = None
    ready_periods: int = 0
    ask_every_s: float | None = None
    may_begin: Callable[[dt.datetime], bool] = lambda _now: True

    @property
    def interval_s(self) -> float:
        """Seconds between two signs of life of a tick that has nothing to do."""
        return self.every_s if self.ask_every_s is None else self.ask_every_s

    @property
    def stale_after_s(self) -> float:
        """Seconds without a sign of life after which this tick counts as hung."""
        limit_s = self.limit_s if self.limit_s is not None else max(2 * self.every_s, 300.0)
        return self.interval_s + limit_s

    def is_due(self, due_at: dt.datetime, now: dt.datetime) -> bool:
        """Return whether a due time has come, or lies so far ahead that the clock must have been set back."""
        return not now < due_at <= now + dt.timedelta(seconds=self.every_s)

    def due_after(self, due_at: dt.datetime, now: dt.datetime) -> dt.datetime:
        """Return the next due time: of the same rhythm, the first that lies ahead."""
        period = dt.timedelta(seconds=self.every_s)
        return due_at + ((now - due_at) // period + 1) * period


class TickBook(Protocol):
    """Where the ticks are written down for other processes and later days to read."""

    def tick_started(self, name: str, at: dt.datetime) -> None:
        """Write down that a run began."""
        ...

    def tick_finished(
        self, name: str, at: dt.datetime, error: str | None, due_at: dt.datetime | None
    ) -> None:
        """Write down that a run ended, how, and when it is due again if that is kept."""
        ...

    def plan_tick(self, name: str, due_at: dt.datetime) -> KeptTick:
        """Return what is known of a tick; one not heard of before becomes due at ``due_at``."""
        ...

    def heartbeat(self, name: str, at: dt.datetime) -> None:
        """Write down that the clock is alive."""
        ...


@dataclass(frozen=True, slots=True)
class TickState:
    """What is known about one tick. ``beat_s`` and ``ok_s`` are readings of the monotonic clock."""

    tick: Tick
    beat_s: float
    ok_s: float | None = None
    last_ok_at: dt.datetime | None = None
    running_since_at: dt.datetime | None = None
    runs: int = 0
    failures: int = 0
    failures_in_a_row: int = 0
    skipped: int = 0
    last_error: str | None = None


@dataclass
class Clock:
    """Runs the ticks, each in a thread of its own and never twice at a time, until told to stop.

    ``stopping`` is set when no new work may begin; long ticks look at it between two pieces of work.
    """

    ticks: Sequence[Tick]
    book: TickBook
    stopping: threading.Event = field(default_factory=threading.Event)
    now: Callable[[], dt.datetime] = utc_now
    monotonic_s: Callable[[], float] = time.monotonic
    pulse_every_s: float = PULSE_EVERY_S

    def __post_init__(self) -> None:
        names = [tick.name for tick in self.ticks]
        if len({PULSE, *names}) != len(names) + 1:
            raise ValueError(f"ticks: names must differ from each other and from {PULSE!r}, got {names}")
        # Two missed pulses after the one that is due, plus the supervisor's own step: found within a minute.
        pulse = Tick(PULSE, self.pulse_every_s, self._pulse, limit_s=2 * self.pulse_every_s)
        self._states = {tick.name: TickState(tick, self.monotonic_s()) for tick in (pulse, *self.ticks)}
        self._changed = threading.Condition()
        self._in_flight = 0
        # One thread a tick, so that no tick ever waits for another one.
        executor = ThreadPoolExecutor(len(self._states))
        self.scheduler = BackgroundScheduler(timezone=dt.UTC, executors={"default": executor})
        self.scheduler.add_listener(self._on_skipped, EVENT_JOB_MAX_INSTANCES)

    def start(self) -> None:
        """Begin ticking; every tick runs once at once."""
        start_at = self.now()
        for state in self._states.values():
            self.scheduler.add_job(
                self._run,
                "interval",
                args=[state.tick],
                id=state.tick.name,
                seconds=state.tick.interval_s,
                next_run_time=start_at,
                coalesce=True,
                max_instances=1,
                misfire_grace_time=None,
            )
        self.scheduler.start()

    def stop(self, deadline_s: float) -> bool:
        """Begin no new work, wait for what is in flight, and return whether all of it finished."""
        self.stopping.set()
        until_s = self.monotonic_s() + deadline_s
        with self._changed:
            finished = self._changed.wait_for(lambda: self._in_flight == 0, timeout=deadline_s)
        # In a thread of its own: with the scheduler's thread stuck, its shutdown would wait for ever.
        ending = threading.Thread(target=self._shut_down, name="clock-shutdown", daemon=True)
        ending.start()
        ending.join(max(until_s - self.monotonic_s(), 0.5))
        return finished and not ending.is_alive()

    def states(self) -> tuple[TickState, ...]:
        """Return what is known about every tick now, the clock's own pulse first."""
        with self._changed:
            return tuple(self._states.values())

    @property
    def in_flight(self) -> int:
        """The number of runs that have not come back."""
        with self._changed:
            return self._in_flight

    def is_thread_alive(self) -> bool:
        """Return whether the scheduler's thread lives, which ``scheduler.running`` does not say."""
        thread = self.scheduler._thread  # 3.x has no public way to ask
        return thread is not None and thread.is_alive()

    def beat(self, name: str) -> None:
        """Take a sign of life from a tick that runs for long."""
        with self._changed:
            self._states[name] = replace(self._states[name], beat_s=self.monotonic_s())

    def _shut_down(self) -> None:
        if self.scheduler.running:
            self.scheduler.shutdown(wait=False)

    def _pulse(self, now: dt.datetime) -> None:
        self.book.heartbeat(PULSE, now)

    def _run(self, tick: Tick) -> None:
        with self._flying() as may_fly:
            if not may_fly:
                return
            started_at = self.now()
            if tick.ask_every_s is None:
                self._note_started(tick, started_at)
                self._note_finished(tick, self._guarded(tick, started_at))
                return
            kept = self._ask(tick, started_at)
            if kept is not None:
                self._note_started(tick, started_at)
                due_at: dt.datetime | None = tick.due_after(kept.due_at, started_at)
                try:
                    error = self._guarded(tick, started_at)
                except StaysDue as undone:
                    log.warning("tick_stays_due", tick=tick.name, reason=str(undone))
                    error, due_at = str(undone)[:ERROR_LENGTH_MAX], None
                self._note_finished(tick, error, due_at)

    def _ask(self, tick: Tick, now: dt.datetime) -> KeptTick | None:
        """Look into the book; return what is kept of the tick if it is due and for this process to do.

        A look is a sign of life and no success: what counts as that is what the book says.
        """
        self.beat(tick.name)
        try:
            kept = self.book.plan_tick(tick.name, now)
            due = tick.is_due(kept.due_at, now) and tick.may_begin(now)
        except Exception:
            log.exception("tick_not_looked_up", tick=tick.name)
            return None
        if kept.last_ok_at is not None:
            ok_s = self.monotonic_s() - max((now - kept.last_ok_at).total_seconds(), 0.0)
            with self._changed:
                state = self._states[tick.name]
                if state.ok_s is None or ok_s > state.ok_s:
                    self._states[tick.name] = replace(state, ok_s=ok_s, last_ok_at=kept.last_ok_at)
        return kept if due else None

    @contextmanager
    def _flying(self) -> Iterator[bool]:
        """Count one run in flight; yield whether it may begin at all."""
        with self._changed:
            may_fly = not self.stopping.is_set()
            self._in_flight += 1
        try:
            yield may_fly
        finally:
            with self._changed:
                self._in_flight -= 1
                self._changed.notify_all()

    def _guarded(self, tick: Tick, started_at: dt.datetime) -> str | None:
        """Run a tick and return what went wrong; the one place where every exception ends.

        Raises StaysDue where due times are kept.
        """
        try:
            tick.run(started_at)
        except Exception as error:
            if isinstance(error, StaysDue) and tick.ask_every_s is not None:
                raise
            log.exception("tick_failed", tick=tick.name)
            return f"{type(error).__name__}: {error}"[:ERROR_LENGTH_MAX]
        return None

    def _note_started(self, tick: Tick, at: dt.datetime) -> None:
        with self._changed:
            state = self._states[tick.name]
            self._states[tick.name] = replace(
                state, beat_s=self.monotonic_s(), running_since_at=at, runs=state.runs + 1
            )
        if tick.name != PULSE:
            self._write(tick, lambda: self.book.tick_started(tick.name, at))

    def _note_finished(self, tick: Tick, error: str | None, due_at: dt.datetime | None = None) -> None:
        at = self.now()
        with self._changed:
            state = replace(
                self._states[tick.name], beat_s=self.monotonic_s(), running_since_at=None, last_error=error
            )
            if error is None:
                state = replace(state, ok_s=state.beat_s, last_ok_at=at, failures_in_a_row=0)
            else:
                state = replace(
                    state, failures=state.failures + 1, failures_in_a_row=state.failures_in_a_row + 1
                )
            self._states[tick.name] = state
        if tick.name != PULSE:
            self._write(tick, lambda: self.book.tick_finished(tick.name, at, error, due_at))

    def _write(self, tick: Tick, entry: Callable[[], None]) -> None:
        """Write into the book; a book that cannot be written must not stop the work itself."""
        try:
            entry()
        except Exception:
            log.exception("tick_not_written_down", tick=tick.name)

    def _on_skipped(self, event: JobSubmissionEvent) -> None:
        with self._changed:
            state = self._states[event.job_id]
            if state.tick.ask_every_s is not None:
                return  # what is due stays so in the book; no run is lost
            self._states[event.job_id] = replace(state, skipped=state.skipped + 1)
        log.warning("tick_skipped", tick=event.job_id, reason="the run before has not ended")
