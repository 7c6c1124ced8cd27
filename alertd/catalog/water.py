"""When rain counts, when a planting is short of water, and how often new plants must drink."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Annotated

from alertd.catalog.figure import Figure
from alertd.catalog.loader import Between, load_record

Share = Annotated[Figure, Between(0.0, 2.0, "1")]
Depth = Annotated[Figure, Between(0.0, 200.0, "mm")]
Days = Annotated[Figure, Between(0.0, 4000.0, "d")]


@dataclass(frozen=True, slots=True)
class ExposureFactors:
    """Multipliers of the landscape coefficient by exposure."""

    shade: Share
    open: Share
    reflected_heat: Share


@dataclass(frozen=True, slots=True)
class NewPlanting:
    """How long a planting counts as new and the longest time it may go without water."""

    first_days: Days
    first_interval: Days
    second_days: Days
    second_interval: Days
    established_after: Days
    third_interval: Days
    root_ball_depth: Annotated[Figure, Between(0.05, 1.0, "m")]


@dataclass(frozen=True, slots=True)
class WaterRules:
    """The figures of the soil-water account that are not the soil's or the plant's."""

    dry_day: Depth
    wetting_rain: Depth
    caution_share: Share
    stressed_share: Share
    unknown_rain_after: Days
    feel_class: Share
    feel_holds: Days
    wilt_relief: Depth
    exposure: ExposureFactors
    new_planting: NewPlanting


@cache
def load_water_rules() -> WaterRules:
    """Read ``water.toml``. Raises CatalogError naming file, key and fix."""
    return load_record("water", WaterRules)
