"""Where a process can be killed: before, inside and after every step of the store, and around sends."""

from __future__ import annotations

import datetime as dt
import os
import signal
import threading
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import event

from alertd.store.store import Store

MOMENTS = ("before", "inside", "after")
"""'inside' is between the last statement and COMMIT."""
CYCLE_STEPS = ("save_weather", "save_errors", "commit_decisions", "heartbeat")
OUTBOX_STEPS = ("lease", "renew", "settle", "release", "expire")
BRIEF_STEPS = ("plan_briefs", "lease_briefs", "settle_brief")
NOTICE_STEPS = ("queue_notice", "lease_notices", "settle_notice")
LEAD_STEPS = ("take_lead",)
SENDS = ("send", "send_brief", "send_notice")


def points_of(steps: Iterable[str], moments: Iterable[str] = MOMENTS) -> tuple[str, ...]:
    return tuple(f"{moment}:{step}" for step in steps for moment in moments)


POINTS = (
    *points_of((*CYCLE_STEPS, *OUTBOX_STEPS, *BRIEF_STEPS, *NOTICE_STEPS)),
    *points_of(SENDS, ("before", "after")),
)
LEAD_POINTS = points_of(LEAD_STEPS)
_STEPS = {point.partition(":")[2] for point in (*POINTS, *LEAD_POINTS)}


@dataclass
class Reach:
    """Counts how often each point is passed and ends the process at the ``hit``-th time.

    ``met`` is memory shared with whoever started the process: set when the death was the planned one.
    """

    point: str
    hit: int = 1
    met: Any = None
    hits: Counter[str] = field(default_factory=Counter)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def __call__(self, point: str) -> None:
        with self.lock:
            self.hits[point] += 1
            if point == self.point and self.hits[point] == self.hit:
                if self.met is not None:
                    self.met.value = 1
                os.kill(os.getpid(), signal.SIGKILL)


class Watched:
    """The store, telling ``reach`` when a step begins, is about to commit, and has ended."""

    def __init__(self, store: Store, reach: Reach) -> None:
        self._store = store
        self._reach = reach
        self._step = threading.local()
        event.listen(store._engines.writer, "commit", self._inside)

    def _inside(self, _connection: object) -> None:
        name = getattr(self._step, "name", "")
        if name:
            self._reach(f"inside:{name}")

    def __getattr__(self, name: str) -> Any:
        method = getattr(self._store, name)
        if name not in _STEPS:
            return method

        def step(*args: Any, **kwargs: Any) -> Any:
            self._reach(f"before:{name}")
            self._step.name = name
            try:
                return method(*args, **kwargs)
            finally:
                self._step.name = ""
                self._reach(f"after:{name}")

        return step


class WatchedChannel:
    """A channel that tells ``reach`` before and after each send."""

    def __init__(self, channel: Any, reach: Reach, name: str) -> None:
        self._channel = channel
        self._reach = reach
        self._name = name

    def __enter__(self) -> WatchedChannel:
        self._channel.__enter__()
        return self

    def __exit__(self, *args: object) -> None:
        self._channel.__exit__(*args)

    def send(self, what: Any, now: dt.datetime) -> str:
        self._reach(f"before:{self._name}")
        said: str = self._channel.send(what, now)
        self._reach(f"after:{self._name}")
        return said
