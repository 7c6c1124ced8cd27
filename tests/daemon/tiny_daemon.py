"""A daemon of one tick for the tests that need a process: python tiny_daemon.py KIND PORT."""

from __future__ import annotations

import datetime as dt
import sys
import threading
import time
from typing import Any

from apscheduler.jobstores.memory import MemoryJobStore

from alertd.daemon.clock import Tick
from alertd.daemon.logs import configure_logs
from alertd.daemon.run import DaemonParts, RunSettings, run
from alertd.records.keeping import Tick as KeptTick


class NoBook:
    def tick_started(self, name: str, at: dt.datetime) -> None: ...
    def tick_finished(
        self, name: str, at: dt.datetime, error: str | None, due_at: dt.datetime | None
    ) -> None: ...
    def plan_tick(self, name: str, due_at: dt.datetime) -> KeptTick:
        return KeptTick(name, due_at)

    def heartbeat(self, name: str, at: dt.datetime) -> None: ...


def say(word: str) -> None:
    print(word, flush=True)


def work(_now: dt.datetime) -> None:
    say("begun")
    time.sleep(0.4)
    say("done")


def hang(_now: dt.datetime) -> None:
    say("begun")
    threading.Event().wait()


def kill_scheduler(_now: dt.datetime) -> None:
    def fail(*_args: Any) -> None:
        raise OSError("disk I/O error")

    MemoryJobStore.update_job = fail
    say("begun")


TICKS = {
    "idle": Tick("deliver", 60, lambda _now: say("begun")),
    "work": Tick("deliver", 60, work),
    "hang": Tick("deliver", 60, hang),
    "hung": Tick("deliver", 0.1, hang, limit_s=0.3),
    "dead": Tick("deliver", 0.1, kill_scheduler),
}

if __name__ == "__main__":
    configure_logs("info", "json")
    kind, port = sys.argv[1:]
    parts = DaemonParts([TICKS[kind]], NoBook(), lambda: None, close=lambda: say("closed"))
    settings = RunSettings(health_port=int(port), check_every_s=0.1, stop_within_s=1.0)
    sys.exit(run(parts, settings))
