"""How calm alertd is: when an episode opens, eases, closes and may speak again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Annotated

from alertd.catalog.figure import Figure
from alertd.catalog.loader import Between, load_record

Hours = Annotated[Figure, Between(0.0, 24.0 * 60, "h")]
Days = Annotated[Figure, Between(0.0, 60.0, "d")]
Score = Annotated[Figure, Between(0.0, 100.0, "points")]
Count = Annotated[Figure, Between(0.0, 60.0, "count")]


@dataclass(frozen=True, slots=True)
class Calm:
    """The hysteresis of one alert kind in time; its limits in size belong to the kind.

    ``close_after`` and ``ease_after``: how long the condition must have been gone or lower before the
    episode closes or its level sinks. ``gap``: least time between two messages of one episode that
    are not a raise of level. ``settle``: how long changed advice must stand before it is told.
    ``forget_after``: how long the level must have been lower before reaching it again is a raise.
    ``hold_at_most``: how long the off limits alone may keep an episode open. ``alone_after``: how long
    what is not worth a message of its own waits for company before it gets one.
    """

    close_after: Hours
    ease_after: Hours
    gap: Hours
    settle: Hours
    forget_after: Hours
    hold_at_most: Hours
    alone_after: Hours


@dataclass(frozen=True, slots=True)
class HotDryNotice:
    """When an announced spell that never began counts as called off."""

    called_off_hot_days: Count


@dataclass(frozen=True, slots=True)
class SprayNotice:
    """When a spray-window notice is worth sending."""

    look_ahead: Days
    shortest_window: Hours
    need_pressure: Score
    need_pressure_off: Score
    announce_again_after: Hours
    withdraw_at_once: Hours


@dataclass(frozen=True, slots=True)
class PressureNotice:
    """How far the mite pressure must fall below a level before the level is left."""

    off_below: Score


@dataclass(frozen=True, slots=True)
class ScoutingNotice:
    """When the next look is due, and which looks make one round."""

    need_pressure: Score
    weekly_pressure: Score
    round_within: Days


@dataclass(frozen=True, slots=True)
class WaterNotice:
    """How far ahead a planting that will run short of water is worth a message."""

    ahead: Days


@dataclass(frozen=True, slots=True)
class MilestoneNotice:
    """Which milestones of a species' year are told."""

    adults_ahead: Days
    generations_told: Count
    generation_fresh: Annotated[Figure, Between(0.0, 1.0, "1")]


@dataclass(frozen=True, slots=True)
class WeatherAge:
    """How old weather may be."""

    missing_after: Hours
    useless_after: Hours


@dataclass(frozen=True, slots=True)
class AlertPolicy:
    """Every figure that decides whether something is said. ``calm`` is keyed by alert kind."""

    calm: Mapping[str, Calm]
    day_turns_at: Annotated[Figure, Between(0.0, 24.0, "local hour")]
    warn_ahead: Days
    hot_dry: HotDryNotice
    spray_notice: SprayNotice
    mite_pressure: PressureNotice
    scouting: ScoutingNotice
    water_short: WaterNotice
    milestone: MilestoneNotice
    weather_age: WeatherAge


@cache
def load_alert_policy() -> AlertPolicy:
    """Read ``alerts.toml``. Raises CatalogError naming file, key and fix."""
    return load_record("alerts", AlertPolicy)
