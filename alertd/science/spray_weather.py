"""The gates that weather and clock set: those of every material, then those of one."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import fields
from typing import Any

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import FloatArray
from alertd.science.leaf_wetness import LeafWetness, leaf_wetness
from alertd.science.lookahead import beyond_end
from alertd.science.spray_board import Board, Look, by_site
from alertd.science.spray_hours import SprayHours
from alertd.science.spray_reasons import Reason
from alertd.science.spray_rules import SprayRules
from alertd.science.stability import turner_class

HOUR_H = 1.0
ROUNDING_MM = 1e-9  # a running sum of rain is not exact
TURNER_NIGHT_H = 1.0
LEAST = 1e-6  # a limit tightened to nothing still divides

Gate = Callable[[Look, SprayRules], Board]


def _limits(*beginnings: str) -> tuple[str, ...]:
    return tuple(item.name for item in fields(SprayRules) if item.name.startswith(beginnings))


def _key(rules: SprayRules, names: tuple[str, ...]) -> tuple[Any, ...]:
    return tuple(getattr(rules, name) for name in names)


def gates_of(rules: SprayRules) -> tuple[tuple[Gate, tuple[Any, ...]], ...]:
    """Return the gates of weather and clock with the limits each of them reads.

    Rules that agree on those limits agree on what the gate sets. What most materials share comes first.
    """
    gates = _WATER_GATES if rules.plain_water else _GATES
    return tuple((gate, _key(rules, names)) for gate, names in gates)


def general(look: Look, rules: SprayRules) -> Board:
    """Return what holds for every material: gaps, wind, hours of work, inversion, dry air, rain."""
    hours = look.now
    board = Board()
    board.block(Reason.MISSING_WEATHER, hours.unknown_now)
    (board.block if rules.coarse_step_blocks else board.caution)(Reason.COARSE_STEP, hours.coarse)
    _wind(hours, rules, board)
    _gust(look, rules, board)
    _hours_of_work(hours, rules, board)
    if not rules.plain_water:
        _inversion(hours, rules, board)
        _dry_air(hours, rules, board)
        board.block(Reason.RAIN_NOW, hours.precipitation_mm >= rules.rain_now_block_mm)
    return board


def _wind(hours: SprayHours, rules: SprayRules, board: Board) -> None:
    wind = hours.wind_speed_m_s
    board.block(Reason.WIND_HIGH, wind > rules.wind_upper_block_m_s)
    board.caution(Reason.WIND_HIGH, wind > rules.wind_upper_caution_m_s)
    board.room((rules.wind_upper_block_m_s - wind) / rules.scale_wind_m_s)
    if not rules.plain_water:
        at_nozzle = wind * rules.wind_height_factor
        board.block(Reason.WIND_LOW, at_nozzle < rules.wind_lower_block_m_s)
        board.room(
            (at_nozzle - rules.wind_lower_block_m_s) / (rules.scale_wind_m_s * rules.wind_height_factor)
        )


def _gust(look: Look, rules: SprayRules, board: Board) -> None:
    hours = look.now
    unknown, expected = np.isnan(hours.wind_gust_m_s), look.gust_expected
    # some services report a gust below the mean wind
    gust = np.maximum(hours.wind_gust_m_s, hours.wind_speed_m_s)
    board.block(Reason.GUST, gust > rules.gust_block_m_s)
    board.caution(Reason.GUST, gust > rules.gust_caution_m_s)
    board.room((rules.gust_block_m_s - gust) / rules.scale_gust_m_s)
    board.block(Reason.MISSING_WEATHER, unknown & expected)
    too_windy = hours.wind_speed_m_s > rules.wind_upper_gust_unknown_m_s
    board.block(Reason.GUST_UNKNOWN, unknown & ~expected & too_windy)
    board.caution(Reason.GUST_UNKNOWN, unknown & ~expected)


def _inversion(hours: SprayHours, rules: SprayRules, board: Board) -> None:
    tenths = hours.cloud_cover_pct / 10.0
    ceiling = np.full(hours.shape, np.inf) if hours.ceiling_m is None else hours.ceiling_m
    ceiling = np.where(np.isnan(ceiling), np.inf, ceiling)
    evening: npt.NDArray[Any] | float = rules.inversion_before_sunset_h
    if hours.dry_spell is not None:
        evening = np.where(by_site(hours.dry_spell), rules.inversion_before_sunset_dry_h, evening)
    room_h = np.minimum(
        hours.hours_since_sunrise - rules.inversion_after_sunrise_h, hours.hours_to_sunset - HOUR_H - evening
    )
    lifted = (
        (np.round(tenths) >= rules.inversion_override_cloud_tenths)
        & (ceiling < rules.inversion_override_ceiling_m)
        & (hours.wind_speed_m_s > rules.inversion_override_wind_m_s)
    )
    sun_down = hours.sun_altitude_deg <= 0.0  # polar night has no clock to read
    board.block(Reason.INVERSION_CLOCK, ((room_h < 0.0) | sun_down) & ~lifted)
    board.room(np.where(lifted, 1.0, room_h / rules.scale_clock_h))
    stability = stability_of(hours)
    board.block(Reason.INVERSION_CLASS, stability >= rules.stability_block_class)
    board.block(Reason.MISSING_WEATHER, np.isnan(stability))
    board.caution(Reason.INVERSION_CLASS, stability >= rules.stability_caution_class)


def stability_of(hours: SprayHours) -> FloatArray:
    """Turner class of each hour; an unknown ceiling counts as none."""
    ceiling = np.full(hours.shape, np.inf) if hours.ceiling_m is None else hours.ceiling_m
    room_to_night_h = np.minimum(hours.hours_since_sunrise, hours.hours_to_sunset - HOUR_H)
    night = (hours.sun_altitude_deg <= 0.0) | (room_to_night_h < TURNER_NIGHT_H)
    return turner_class(
        hours.wind_speed_m_s,
        hours.cloud_cover_pct / 10.0,
        np.where(np.isnan(ceiling), np.inf, ceiling),
        hours.sun_altitude_deg,
        night,
    )


def _dry_air(hours: SprayHours, rules: SprayRules, board: Board) -> None:
    depression = hours.wet_bulb_depression_c
    board.block(Reason.DELTA_T_HIGH, depression > rules.wet_bulb_depression_block_c)
    board.caution(Reason.DELTA_T_HIGH, depression > rules.wet_bulb_depression_caution_c)
    board.room((rules.wet_bulb_depression_block_c - depression) / rules.scale_wet_bulb_depression_c)
    hot_dry = (hours.relative_humidity_pct < rules.hot_dry_humidity_pct) & (
        hours.air_temperature_c > rules.hot_dry_temperature_c
    )
    (board.block if rules.hot_dry_blocks else board.caution)(Reason.HOT_DRY_AIR, hot_dry)


def _hours_of_work(hours: SprayHours, rules: SprayRules, board: Board) -> None:
    start, end = rules.crew_start, rules.crew_end
    if rules.fine:
        start, end = max(start, rules.noise_start), min(end, rules.noise_end)
    board.block(Reason.OUTSIDE_HOURS, (hours.local_hour < start) | (hours.local_hour + HOUR_H > end))


def cold(look: Look, rules: SprayRules) -> Board:
    """Return what the temperature of the hour forbids at its lower end."""
    temperature = look.now.air_temperature_c
    board = Board()
    board.block(Reason.COLD, temperature < rules.cold_block_c)
    board.caution(Reason.COLD, temperature < rules.cold_caution_c)
    board.room((temperature - rules.cold_block_c) / rules.scale_temperature_c)
    return board


def warmth(look: Look, rules: SprayRules) -> Board:
    """Return the cautions of heat, in the hour and after it, and the gaps that leave heat unknown."""
    temperature, horizon_h = look.now.air_temperature_c, rules.heat_horizon_h
    board = Board()
    shade_c, sun_c = rules.heat_shade_caution_c, rules.heat_sun_caution_c
    board.block(Reason.MISSING_WEATHER, look.unknown("air_temperature_c", horizon_h))
    board.caution(Reason.HEAT, temperature >= shade_c)
    board.caution(Reason.SUN_HEAT, look.sunlit_now(rules.sun_cloud_pct) & (temperature >= sun_c))
    ahead = look.hottest(horizon_h) >= shade_c
    ahead |= look.hottest(horizon_h, rules.sun_cloud_pct) >= min(shade_c, sun_c)
    board.caution(Reason.HEAT_AHEAD, ahead)
    return board


def heat(look: Look, rules: SprayRules) -> Board:
    """Return what heat forbids, in the hour and after it, in sun and shade."""
    temperature, horizon_h = look.now.air_temperature_c, rules.heat_horizon_h
    board = Board()
    sunlit = look.sunlit_now(rules.sun_cloud_pct)
    in_sun = min(rules.heat_block_c, rules.heat_sun_block_c)
    over = look.hottest(horizon_h, rules.sun_cloud_pct) - in_sun
    over_now = np.where(sunlit, temperature, -np.inf) - in_sun
    board.block(Reason.SUN_HEAT, over_now >= 0.0)
    if math.isfinite(rules.heat_block_c):
        in_shade = temperature - rules.heat_block_c
        board.block(Reason.HEAT, in_shade >= 0.0)
        over = np.maximum(over, look.hottest(horizon_h) - rules.heat_block_c)
        over_now = np.fmax(over_now, in_shade)
    board.block(Reason.HEAT_AHEAD, over >= 0.0)
    board.room(np.maximum(over, over_now) * (-1.0 / rules.scale_temperature_c))
    return board


def freeze(look: Look, rules: SprayRules) -> Board:
    """Return what frost to follow forbids."""
    board = Board()
    if not rules.freeze_gate:
        return board
    evergreen = np.full((look.now.shape[0], 1), rules.evergreen)
    if look.now.evergreen is not None:
        evergreen = evergreen | by_site(look.now.evergreen)
    limit = np.where(evergreen, rules.freeze_evergreen_c, rules.freeze_deciduous_c)
    coldest = look.coldest(rules.freeze_block_time_h)
    board.block(Reason.FREEZE_AHEAD, coldest < limit)
    board.caution(Reason.FREEZE_AHEAD, look.coldest(rules.freeze_caution_time_h) < rules.freeze_deciduous_c)
    board.block(Reason.MISSING_WEATHER, look.unknown("air_temperature_c", rules.freeze_block_time_h))
    board.room((coldest - limit) / rules.scale_temperature_c)
    return board


def rain_ahead(look: Look, rules: SprayRules) -> Board:
    """Return what rain to follow forbids, by amount and by chance."""
    ahead_h = rules.rain_free_h
    board = Board()
    rain = look.rain_sum(ahead_h)
    board.block(Reason.MISSING_WEATHER, look.unknown("precipitation_mm", ahead_h))
    chance_unknown, expected = (
        look.unknown("precipitation_probability_pct", ahead_h),
        look.probability_expected,
    )
    board.block(Reason.MISSING_WEATHER, chance_unknown & expected)
    board.caution(Reason.RAIN_CHANCE_UNKNOWN, chance_unknown & ~expected)
    amount = np.where(chance_unknown, rules.rain_ahead_amount_chance_unknown_mm, rules.rain_ahead_amount_mm)
    chance = look.rain_chance(ahead_h)
    board.block(
        Reason.RAIN_AHEAD, (rain >= amount - ROUNDING_MM) | (chance >= rules.rain_ahead_chance_block_pct)
    )
    later = look.rain_sum(max(rules.rain_caution_time_h, ahead_h)) >= rules.rain_ahead_amount_mm - ROUNDING_MM
    board.caution(Reason.RAIN_AHEAD, later | (chance >= rules.rain_ahead_chance_caution_pct))
    board.room(1.0 - rain / np.maximum(amount, LEAST))
    board.room(1.0 - np.maximum(chance, 0.0) / max(rules.rain_ahead_chance_block_pct, LEAST))
    return board


def drying(look: Look, rules: SprayRules) -> Board:
    """Return what wet leaves and damp air forbid."""
    board = Board()
    leaves = _leaves(look, rules)
    if rules.leaf_wet_blocks:
        board.block(Reason.LEAF_WET, leaves.wet)
        board.block(Reason.MISSING_WEATHER, leaves.unknown)
    else:
        board.caution(Reason.LEAF_WET, leaves.wet | leaves.unknown)
    slow = look.now.wet_bulb_depression_c < rules.wet_bulb_depression_low_c
    (board.block if rules.slow_drying_blocks else board.caution)(Reason.DELTA_T_LOW, slow)
    return board


def _leaves(look: Look, rules: SprayRules) -> LeafWetness:
    hours = look.hours
    limits = (
        rules.leaf_wet_humidity_pct,
        rules.leaf_wet_dew_point_depression_c,
        rules.leaf_wet_rain_time_h,
        rules.rain_now_block_mm,
    )

    def work() -> LeafWetness:
        leaves = leaf_wetness(
            hours.air_temperature_c,
            hours.dew_point_c,
            hours.relative_humidity_pct,
            hours.precipitation_mm,
            humidity_wet_pct=rules.leaf_wet_humidity_pct,
            dew_point_depression_wet_c=rules.leaf_wet_dew_point_depression_c,
            rain_time_h=rules.leaf_wet_rain_time_h,
            rain_mm=rules.rain_now_block_mm,
        )
        return LeafWetness(look.cut(leaves.wet), look.cut(leaves.unknown))

    return look.once(("leaves", *limits), work)


def horizon(look: Look, rules: SprayRules) -> Board:
    """Return the hours whose look-ahead runs past the end of the forecast."""
    board = Board()
    needed_h = max(rules.heat_horizon_h, rules.rain_free_h, rules.freeze_block_time_h * rules.freeze_gate)
    board.block(Reason.HORIZON_END, beyond_end(look.hours.shape[1], needed_h)[np.newaxis, look.judged])
    return board


_GENERAL = (
    general,
    _limits("fine", "plain_water", "wind_", "gust_", "inversion_", "stability_", "wet_bulb_", "hot_dry_",
            "crew_", "noise_", "rain_now_", "coarse_", "scale_"),
)  # fmt: skip
_COLD = (cold, (*_limits("cold_"), "scale_temperature_c"))
_WATER_GATES: tuple[tuple[Gate, tuple[str, ...]], ...] = (_GENERAL, _COLD)
_GATES: tuple[tuple[Gate, tuple[str, ...]], ...] = (
    _GENERAL,
    (warmth, ("heat_shade_caution_c", "heat_sun_caution_c", "heat_horizon_h", "sun_cloud_pct")),
    (drying, _limits("leaf_wet_", "rain_now_", "slow_drying_", "wet_bulb_depression_low")),
    (rain_ahead, _limits("rain_free_", "rain_ahead_", "rain_caution_")),
    (horizon, ("heat_horizon_h", "rain_free_h", "freeze_block_time_h", "freeze_gate")),
    (freeze, (*_limits("freeze_"), "evergreen", "scale_temperature_c")),
    (heat, ("heat_block_c", "heat_sun_block_c", "heat_horizon_h", "sun_cloud_pct", "scale_temperature_c")),
    _COLD,
)
