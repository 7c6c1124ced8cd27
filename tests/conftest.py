"""Builders shared by all tests."""

from __future__ import annotations

from hypothesis import settings

# A busy machine is no failure: examples are not held to a wall clock.
settings.register_profile("alertd", deadline=None)
settings.load_profile("alertd")
