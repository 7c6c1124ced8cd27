"""The weights of the mite pressure and the levels read from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Annotated

from alertd.catalog.figure import Figure, Series
from alertd.catalog.loader import Between, load_record
from alertd.errors import CatalogError

Points = Annotated[Figure, Between(0.0, 100.0, "points")]
Share = Annotated[Figure, Between(0.0, 1.0, "1")]
Days = Annotated[Figure, Between(1.0, 60.0, "d")]
Rain = Annotated[Figure, Between(0.0, 300.0, "mm")]
Deficit = Annotated[Figure, Between(0.0, 12.0, "kPa")]


@dataclass(frozen=True, slots=True)
class Heat:
    """How growth turns into points, as shares of the flare rate of the species."""

    points: Points
    none_at: Share
    full_at: Share


@dataclass(frozen=True, slots=True)
class Dryness:
    """How little rain and dry air turn into points, weighted by the heat."""

    points: Points
    rain_none_at: Rain
    deficit_none_at: Deficit
    deficit_full_at: Deficit


@dataclass(frozen=True, slots=True)
class Run:
    """How a run of fast days without a wetting rain turns into points."""

    points: Points
    fast_day_at: Share
    dry_day: Rain
    ending_rain: Rain
    full_at: Days


@dataclass(frozen=True, slots=True)
class Relief:
    """How much of the pressure rain and moist days take away, and for how long."""

    loss: Annotated[Series, Between(0.0, 0.95, "1")]
    fades_after: Days
    moist_day_humidity: Annotated[Figure, Between(50.0, 100.0, "%")]
    moist_days: Days
    moist_loss: Annotated[Figure, Between(0.0, 0.95, "1")]


@dataclass(frozen=True, slots=True)
class Levels:
    """Scores from which a reader is told more."""

    note: Points
    watch: Points
    high: Points
    severe: Points


@dataclass(frozen=True, slots=True)
class Pressure:
    """Every figure of the mite pressure."""

    window: Days
    known_days_min: Days
    heat: Heat
    dryness: Dryness
    run: Run
    relief: Relief
    levels: Levels
    irrigation: Mapping[str, Annotated[Figure, Between(0.1, 1.0, "1")]]


@cache
def load_pressure(*, text: str | None = None) -> Pressure:
    """Return the weights. Raises CatalogError naming file, key and fix."""
    pressure = load_record("pressure", Pressure, text=text)
    total = sum(float(part.points) for part in (pressure.heat, pressure.dryness, pressure.run))
    if abs(total - 100.0) > 1e-9:
        raise CatalogError(
            f"pressure.toml: heat.points, dryness.points, run.points: add up to {total}; make them 100"
        )
    if not float(pressure.heat.none_at) < float(pressure.heat.full_at):
        raise CatalogError("pressure.toml: heat.full_at: not above heat.none_at; raise it")
    if not float(pressure.dryness.deficit_none_at) < float(pressure.dryness.deficit_full_at):
        raise CatalogError("pressure.toml: dryness.deficit_full_at: not above deficit_none_at; raise it")
    levels = pressure.levels
    steps = [float(level) for level in (levels.note, levels.watch, levels.high, levels.severe)]
    if steps != sorted(steps):
        raise CatalogError("pressure.toml: levels: do not rise; sort note, watch, high, severe")
    return pressure
