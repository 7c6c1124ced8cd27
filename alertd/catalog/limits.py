"""The general spraying limits: one profile for ordinary work, one that is strict throughout."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Annotated

from alertd.catalog.figure import Figure
from alertd.catalog.loader import Between, load_table

Speed = Annotated[Figure, Between(0.0, 20.0, "m/s")]
Share = Annotated[Figure, Between(0.1, 1.0, "1")]
Clock = Annotated[Figure, Between(0.0, 8.0, "h")]
Ahead = Annotated[Figure, Between(0.0, 168.0, "h")]
LocalHour = Annotated[Figure, Between(0.0, 24.0, "local hour")]
Temperature = Annotated[Figure, Between(-10.0, 45.0, "degC")]
Difference = Annotated[Figure, Between(0.0, 20.0, "degC")]
Percent = Annotated[Figure, Between(0.0, 100.0, "%")]
Tenths = Annotated[Figure, Between(0.0, 10.0, "tenths")]
Height = Annotated[Figure, Between(0.0, 10000.0, "m")]
TurnerClass = Annotated[Figure, Between(1.0, 8.0, "1")]
Rain = Annotated[Figure, Between(0.0, 200.0, "mm")]
Days = Annotated[Figure, Between(0.0, 120.0, "d")]
Count = Annotated[Figure, Between(1.0, 20.0, "count")]


@dataclass(frozen=True, slots=True)
class SprayLimits:
    """The gates that hold for every material, as figures with their sources."""

    wind_upper_block: Speed
    wind_upper_caution: Speed
    wind_lower_block: Speed
    wind_height_factor: Share
    gust_block: Speed
    gust_caution: Speed
    wind_upper_gust_unknown: Speed
    inversion_before_sunset: Clock
    inversion_before_sunset_dry: Clock
    inversion_after_sunrise: Clock
    inversion_override_wind: Speed
    inversion_override_cloud: Tenths
    inversion_override_ceiling: Height
    stability_block_class: TurnerClass
    stability_block_class_fine: TurnerClass
    stability_caution_class: TurnerClass
    wet_bulb_depression_block: Difference
    wet_bulb_depression_caution: Difference
    wet_bulb_depression_low: Difference
    hot_dry_humidity: Percent
    hot_dry_temperature: Temperature
    hot_dry_blocks_hand: bool
    rain_now_block: Rain
    rain_ahead_amount: Rain
    rain_ahead_amount_chance_unknown: Rain
    rain_ahead_chance_block: Percent
    rain_ahead_chance_caution: Percent
    rain_caution_time: Ahead
    leaf_wet_humidity: Percent
    leaf_wet_dew_point_depression: Difference
    leaf_wet_rain_time: Clock
    heat_sun_block: Temperature
    heat_sun_caution: Temperature
    heat_shade_caution: Temperature
    heat_horizon: Ahead
    sun_cloud: Percent
    freeze_deciduous: Temperature
    freeze_evergreen: Temperature
    freeze_block_time: Ahead
    freeze_caution_time: Ahead
    drought_unknown_blocks: bool
    bee_flight_temperature: Temperature
    crew_start: LocalHour
    crew_end: LocalHour
    noise_start: LocalHour
    noise_end: LocalHour
    sulfur_oil_gap: Days
    sulfur_oil_gap_floor: Days
    sulfur_oil_caution: Days
    contact_review: Days
    group_uses_in_a_row: Count
    coarse_step_blocks: bool
    washoff_half_rain: Rain
    washoff_all_rain: Rain
    scale_temperature: Difference
    scale_wind: Speed
    scale_gust: Speed
    scale_wet_bulb_depression: Difference
    scale_clock: Clock


@cache
def load_limits() -> Mapping[str, SprayLimits]:
    """Return the limits by profile, ``default`` and ``strict``. Raises CatalogError naming file, key, fix."""
    return MappingProxyType(load_table("limits", SprayLimits, base="default"))
