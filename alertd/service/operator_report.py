"""The daily report to the operator: what was given up since the last one, and why.

It goes out directly, not through the outbox: a report that fails makes no dead letter of its own. It is tried
again with the next one, which begins where the last one that went well ended.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import structlog

from alertd.records.keeping import DeadLetter, Tick

TICK = "operator-report"
"""Its name among the due times; when it last went well is where the next one begins."""
FIRST_LOOK = dt.timedelta(days=7)
"""How far the first report looks back: own choice."""
LOOK_BACK_MAX = dt.timedelta(days=31)
OVERLAP = dt.timedelta(minutes=2)
"""What was given up while the last report was being written must not fall between two."""

log = structlog.get_logger("alertd.operator")


class ReportStore(Protocol):
    """What this module needs of the store."""

    def ticks(self) -> Sequence[Tick]:
        """Return every recurring piece of work and how it went."""
        ...

    def dead_letters(self, since: dt.datetime | None = ...) -> Sequence[DeadLetter]:
        """Return what was given up since an instant, newest first."""
        ...

    def dead_count(self) -> int:
        """Return how many messages are given up now."""
        ...


class ReportChannel(Protocol):
    """The way out."""

    def send(self, new: Sequence[DeadLetter], dead: int, now: dt.datetime) -> str:
        """Hand one report over. Raises DeliveryError."""
        ...


@dataclass(frozen=True, slots=True)
class OperatorReport:
    """The steps of one report."""

    store: ReportStore
    channel: ReportChannel

    def run(self, now: dt.datetime) -> int:
        """Mail the operator if there is anything new; returns how many letters were told.

        Raises DeliveryError if the mail was not taken: then nothing counts as told.
        """
        new = self.store.dead_letters(self._since(now))
        if not new:
            return 0
        self.channel.send(new, self.store.dead_count(), now)
        log.info("operator-told", letters=len(new))
        return len(new)

    def _since(self, now: dt.datetime) -> dt.datetime:
        last = next((tick.last_ok_at for tick in self.store.ticks() if tick.name == TICK), None)
        begins = now - FIRST_LOOK if last is None else last - OVERLAP
        return max(begins, now - LOOK_BACK_MAX)
