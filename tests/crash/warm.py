"""Everything a life needs, loaded and used once: processes forked from here begin within a moment."""

from __future__ import annotations

import itertools
import logging
import tempfile
from contextlib import ExitStack
from pathlib import Path
from unittest import mock

import structlog

from tests.crash import world
from tests.crash.points import Reach


class _Nowhere:
    """A way out that takes whatever was rendered and sends nothing."""

    def __init__(self, *_: object) -> None:
        self.send = lambda *_: "nowhere"

    def close(self) -> None:
        """Have nothing to close."""


def _use_once() -> None:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    with ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory())
        for way in ("channels.EmailTransport", "channels.WebhookTransport", "letter.EmailTransport",
                    "notice.EmailTransport"):  # fmt: skip
            stack.enter_context(mock.patch(f"alertd.delivery.{way}", _Nowhere))
        plan = world.Plan(f"sqlite:///{Path(folder) / 'warm.db'}", 9, (9,), gaps_pct=0, faults_pct=0)
        world.prepare(plan)
        store = stack.enter_context(world.open_store(plan.url))
        parts = world.build(store, plan, Reach(""))
        for number in range(5):
            now = plan.first_at + number * plan.step
            world.welcome(parts, number, now)
            parts.cycle.run(now)
            world.tell(parts, now + world.ROUND, plan, itertools.count(1))


_use_once()
