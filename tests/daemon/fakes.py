from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from alertd.daemon.clock import Clock, Tick
from alertd.records.keeping import Tick as KeptTick


@dataclass
class FakeBook:
    """A tick book in memory; ``broken`` makes every entry fail."""

    entries: list[tuple[str, str, str | None]] = field(default_factory=list)
    broken: bool = False
    kept: dict[str, KeptTick] = field(default_factory=dict)

    def tick_started(self, name: str, at: dt.datetime) -> None:
        self._add("started", name, at, None)

    def tick_finished(
        self, name: str, at: dt.datetime, error: str | None, due_at: dt.datetime | None
    ) -> None:
        self._add("finished", name, at, error)
        if due_at is not None:
            known = self.kept[name]
            self.kept[name] = replace(
                known, due_at=due_at, last_ok_at=at if error is None else known.last_ok_at
            )

    def plan_tick(self, name: str, due_at: dt.datetime) -> KeptTick:
        if self.broken:
            raise OSError("the book is shut")
        return self.kept.setdefault(name, KeptTick(name, due_at))

    def heartbeat(self, name: str, at: dt.datetime) -> None:
        self._add("heartbeat", name, at, None)

    def of(self, name: str) -> list[tuple[str, str | None]]:
        return [(what, error) for what, whose, error in self.entries if whose == name]

    def _add(self, what: str, name: str, at: dt.datetime, error: str | None) -> None:
        if self.broken:
            raise OSError("the book is shut")
        assert at.tzinfo is not None
        self.entries.append((what, name, error))


@dataclass
class FakeTime:
    """A monotonic clock that a test moves."""

    now_s: float = 1000.0

    def __call__(self) -> float:
        return self.now_s


def idle(_now: dt.datetime) -> None:
    """Do nothing, successfully."""


def eventually(holds: Callable[[], bool], within_s: float = 10.0) -> bool:
    """Return whether a condition comes true soon; polls, so that a busy machine only takes longer."""
    until_s = time.monotonic() + within_s
    while not holds():
        if time.monotonic() > until_s:
            return False
        time.sleep(0.005)
    return True


def run_once(clock: Clock, tick: Tick) -> None:
    """Run a tick as the scheduler would, in this thread."""
    clock._run(tick)
