"""Builders shared by all tests."""

from __future__ import annotations

import os
from typing import Any

from hypothesis import settings

# A busy machine is no failure: examples are not held to a wall clock. The gate repeats the same examples,
# so that a change is judged by its own faults; at a contributor's desk they differ from run to run.
settings.register_profile("alertd", deadline=None, derandomize="CI" in os.environ)
settings.load_profile("alertd")

LOGGED = "log"


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Print what tests kept with ``record_property("log", ...)``, from every worker, passed or not."""
    for outcome in ("passed", "failed"):
        for report in terminalreporter.stats.get(outcome, ()):
            for name, text in getattr(report, "user_properties", ()):
                if name == LOGGED and report.when == "call":
                    terminalreporter.write_line(str(text))
