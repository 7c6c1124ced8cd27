"""How calm alertd is: when an episode opens, eases, closes and may speak again."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Annotated

from alertd.catalog.figure import Figure
from alertd.catalog.loader import Between, load_record

Hours = Annotated[Figure, Between(0.0, 24.0 * 60, "h")]
Days = Annotated[Figure, Between(0.0, 60.0, "d")]
Score = Annotated[Figure, Between(0.0, 100.0, "points")]


@dataclass(frozen=True, slots=True)
class Calm:
    """The hysteresis of one alert kind.

    ``close_after`` and ``ease_after``: how long the condition must have been gone or lower before the
    episode closes or its level sinks. ``gap``: least time between two messages of one episode that
    are not a raise of level.
    """

    close_after: Hours
    ease_after: Hours
    gap: Hours


@dataclass(frozen=True, slots=True)
class SprayNotice:
    """When a spray-window notice is worth sending."""

    look_ahead: Days
    shortest_window: Hours
    need_pressure: Score
    announce_again_after: Hours


@dataclass(frozen=True, slots=True)
class WeatherAge:
    """How old weather may be."""

    missing_after: Hours
    useless_after: Hours


@dataclass(frozen=True, slots=True)
class AlertPolicy:
    """Every figure that decides whether something is said."""

    hot_dry: Calm
    spray_window: Calm
    weather_missing: Calm
    spray_notice: SprayNotice
    weather_age: WeatherAge
    warn_ahead: Days


@cache
def load_alert_policy() -> AlertPolicy:
    """Read ``alerts.toml``. Raises CatalogError naming file, key and fix."""
    return load_record("alerts", AlertPolicy)
