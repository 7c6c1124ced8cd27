"""Builders shared by all tests."""

from __future__ import annotations

from typing import Any

from hypothesis import settings

# A busy machine is no failure: examples are not held to a wall clock.
settings.register_profile("alertd", deadline=None)
settings.load_profile("alertd")

LOGGED = "log"


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Print what tests kept with ``record_property("log", ...)``, from every worker, passed or not."""
    for outcome in ("passed", "failed"):
        for report in terminalreporter.stats.get(outcome, ()):
            for name, text in getattr(report, "user_properties", ()):
                if name == LOGGED and report.when == "call":
                    terminalreporter.write_line(str(text))
