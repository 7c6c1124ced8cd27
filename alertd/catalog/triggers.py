"""The hot-dry triggers: when a spell counts, when it asks for watching, and when it is over."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Annotated

from alertd.catalog.figure import Figure
from alertd.catalog.loader import Between, load_record
from alertd.errors import CatalogError

Days = Annotated[Figure, Between(0.0, 60.0, "d")]
Temperature = Annotated[Figure, Between(15.0, 50.0, "degC")]
Rain = Annotated[Figure, Between(0.0, 200.0, "mm")]
Humidity = Annotated[Figure, Between(0.0, 100.0, "%")]


@dataclass(frozen=True, slots=True)
class Spell:
    """A hot dry spell: days in a row that are hot and dry, with a few break days allowed."""

    days_min: Days
    hot_day_c: Temperature
    dry_day_mm: Rain
    break_days: Days
    break_day_mm: Rain
    severe_days: Days
    severe_heat_sum: Annotated[Figure, Between(0.0, 500.0, "degC d")]
    severe_vapour_pressure_deficit: Annotated[Figure, Between(0.0, 12.0, "kPa")]


@dataclass(frozen=True, slots=True)
class HotDays:
    """At least ``days`` of the last ``window`` reach ``temperature_max_c``."""

    days: Days
    window: Days
    temperature_max_c: Temperature


@dataclass(frozen=True, slots=True)
class Watch:
    """The first step: hot days with next to no rain."""

    hot: HotDays
    precipitation_max: Rain


@dataclass(frozen=True, slots=True)
class High:
    """The second step: either count of hot days, next to no rain, and dry afternoons."""

    long: HotDays
    hotter: HotDays
    precipitation_max: Rain
    humidity_afternoon_below: Humidity


@dataclass(frozen=True, slots=True)
class Severe:
    """The third step: mite generations within the window, with hardly any rain and no moist spell."""

    window: Days
    generations: Annotated[Figure, Between(0.0, 10.0, "1")]
    precipitation_max: Rain
    moist_humidity_above: Humidity
    moist_hours: Annotated[Figure, Between(0.0, 400.0, "h")]


@dataclass(frozen=True, slots=True)
class Clearing:
    """What ends an episode: one wetting rain, or cooler days in a row."""

    wetting_rain: Rain
    cool_days: Days
    cool_day_below_c: Temperature


@dataclass(frozen=True, slots=True)
class Triggers:
    """Every figure of the hot-dry warnings."""

    spell: Spell
    watch: Watch
    high: High
    severe: Severe
    clearing: Clearing


@cache
def load_triggers(*, text: str | None = None) -> Triggers:
    """Return the triggers. Raises CatalogError naming file, key and fix."""
    triggers = load_record("triggers", Triggers, text=text)
    for name, hot in (
        ("watch.hot", triggers.watch.hot),
        ("high.long", triggers.high.long),
        ("high.hotter", triggers.high.hotter),
    ):
        if float(hot.days) > float(hot.window):
            raise CatalogError(f"triggers.toml: {name}.days: more days than the window has; lower it")
    if float(triggers.clearing.cool_day_below_c) > float(triggers.spell.hot_day_c):
        raise CatalogError("triggers.toml: clearing.cool_day_below_c: above spell.hot_day_c; lower it")
    return triggers
