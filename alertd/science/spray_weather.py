"""The gates that weather and clock set: those of every material, then those of one."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import FloatArray
from alertd.science.leaf_wetness import LeafWetness, leaf_wetness
from alertd.science.lookahead import beyond_end, maximum_ahead, minimum_ahead
from alertd.science.spray_board import Board, Look, by_site
from alertd.science.spray_hours import SprayHours, offered
from alertd.science.spray_reasons import Reason
from alertd.science.spray_rules import SprayRules
from alertd.science.stability import turner_class

HOUR_H = 1.0
ROUNDING_MM = 1e-9  # a running sum of rain is not exact
TURNER_NIGHT_H = 1.0
LEAST = 1e-6  # a limit tightened to nothing still divides
_GENERAL_LIMITS = tuple(
    item.name
    for item in fields(SprayRules)
    if item.name.startswith(("fine", "plain_water", "wind_", "gust_", "inversion_", "stability_", "wet_bulb_",
                             "hot_dry_", "crew_", "noise_", "rain_now_", "coarse_", "scale_"))
)  # fmt: skip


_RAIN_LIMITS = tuple(
    item.name
    for item in fields(SprayRules)
    if item.name.startswith(("rain_free", "rain_ahead", "rain_caution"))
)
_NOT_WEATHER = frozenset({
    "material", "profile", "loosened", "bee_category", "sulfur_oil", "conventional", "drought_sensitive",
    "drought_unknown_blocks", "dormant_only", "sensitivity", "bee_flight_temperature_c", "reapply_d",
    "season_max", "group_uses_in_a_row", "contact_review_d", "sulfur_oil_gap_d", "sulfur_oil_caution_d",
    "patch_test_wait_h",
})  # fmt: skip
_WEATHER_LIMITS = tuple(item.name for item in fields(SprayRules) if item.name not in _NOT_WEATHER)


def _key(rules: SprayRules, names: tuple[str, ...]) -> tuple[Any, ...]:
    return tuple(getattr(rules, name) for name in names)


def weather_board(look: Look, rules: SprayRules) -> Board:
    """Return a board with everything that weather and clock set; rules that agree on it share the work."""

    def work() -> Board:
        general = look.once(("general", *_key(rules, _GENERAL_LIMITS)), lambda: _general(look, rules))
        board = general.copy()
        _of_material(look, rules, board)
        return board

    return look.once(("weather", *_key(rules, _WEATHER_LIMITS)), work).copy()


def _general(look: Look, rules: SprayRules) -> Board:
    hours = look.hours
    board = Board(hours.shape)
    board.block(Reason.MISSING_WEATHER, hours.unknown_now)
    (board.block if rules.coarse_step_blocks else board.caution)(Reason.COARSE_STEP, hours.coarse)
    _wind(hours, rules, board)
    _gust(hours, rules, board)
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


def _gust(hours: SprayHours, rules: SprayRules, board: Board) -> None:
    unknown = np.isnan(hours.wind_gust_m_s)
    if hours.gust_expected is not None:
        expected = by_site(hours.gust_expected)
    else:
        # services that give gusts leave them out of their coarse steps
        expected = by_site(offered(hours.wind_gust_m_s)) & ~hours.coarse
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
    room_to_night_h = np.minimum(hours.hours_since_sunrise, hours.hours_to_sunset - HOUR_H)
    night = sun_down | (room_to_night_h < TURNER_NIGHT_H)
    stability = turner_class(hours.wind_speed_m_s, tenths, ceiling, hours.sun_altitude_deg, night)
    board.block(Reason.INVERSION_CLASS, stability >= rules.stability_block_class)
    board.block(Reason.MISSING_WEATHER, np.isnan(stability))
    board.caution(Reason.INVERSION_CLASS, stability >= rules.stability_caution_class)


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


def _of_material(look: Look, rules: SprayRules, board: Board) -> None:
    _cold(look.hours, rules, board)
    if rules.plain_water:
        return
    _heat(look, rules, board)
    _freeze(look, rules, board)
    board.add(look.once(("rain ahead", *_key(rules, _RAIN_LIMITS)), lambda: _rain_ahead(look, rules)))
    _wet_leaves(look, rules, board)
    slow = look.hours.wet_bulb_depression_c < rules.wet_bulb_depression_low_c
    (board.block if rules.slow_drying_blocks else board.caution)(Reason.DELTA_T_LOW, slow)
    needed_h = max(rules.heat_horizon_h, rules.rain_free_h, rules.freeze_block_time_h * rules.freeze_gate)
    board.block(Reason.HORIZON_END, beyond_end(look.hours.shape[1], needed_h))


def _cold(hours: SprayHours, rules: SprayRules, board: Board) -> None:
    temperature = hours.air_temperature_c
    board.block(Reason.COLD, temperature < rules.cold_block_c)
    board.caution(Reason.COLD, temperature < rules.cold_caution_c)
    board.room((temperature - rules.cold_block_c) / rules.scale_temperature_c)


def _heat(look: Look, rules: SprayRules, board: Board) -> None:
    temperature = look.hours.air_temperature_c
    sunlit = look.sunlit(rules.sun_cloud_pct)
    in_sun = min(rules.heat_block_c, rules.heat_sun_block_c)
    board.block(Reason.HEAT, temperature >= rules.heat_block_c)
    board.caution(Reason.HEAT, temperature >= rules.heat_shade_caution_c)
    board.block(Reason.SUN_HEAT, sunlit & (temperature >= in_sun))
    board.caution(Reason.SUN_HEAT, sunlit & (temperature >= rules.heat_sun_caution_c))

    def hottest_ahead(shade_c: float, sun_c: float) -> FloatArray:
        over = temperature - np.where(sunlit, min(shade_c, sun_c), shade_c)
        return maximum_ahead(over, rules.heat_horizon_h, skip_first=True)

    key = (rules.heat_horizon_h, rules.sun_cloud_pct)
    blocked = look.once(
        ("heat", *key, rules.heat_block_c, in_sun), lambda: hottest_ahead(rules.heat_block_c, in_sun)
    )
    warned = look.once(
        ("heat", *key, rules.heat_shade_caution_c, rules.heat_sun_caution_c),
        lambda: hottest_ahead(rules.heat_shade_caution_c, rules.heat_sun_caution_c),
    )
    board.block(Reason.HEAT_AHEAD, blocked >= 0.0)
    board.caution(Reason.HEAT_AHEAD, warned >= 0.0)
    board.block(Reason.MISSING_WEATHER, look.unknown("air_temperature_c", rules.heat_horizon_h))
    now = np.where(sunlit, in_sun, rules.heat_block_c) - temperature
    board.room(np.minimum(now, -blocked) / rules.scale_temperature_c)


def _freeze(look: Look, rules: SprayRules, board: Board) -> None:
    if not rules.freeze_gate:
        return
    temperature = look.hours.air_temperature_c
    evergreen = np.full(look.hours.shape[:1], rules.evergreen)
    if look.hours.evergreen is not None:
        evergreen = by_site(evergreen) | by_site(look.hours.evergreen)
    limit = np.where(by_site(evergreen), rules.freeze_evergreen_c, rules.freeze_deciduous_c)
    coldest = look.once(
        ("coldest", rules.freeze_block_time_h), lambda: minimum_ahead(temperature, rules.freeze_block_time_h)
    )
    later = look.once(
        ("coldest", rules.freeze_caution_time_h),
        lambda: minimum_ahead(temperature, rules.freeze_caution_time_h),
    )
    board.block(Reason.FREEZE_AHEAD, coldest < limit)
    board.caution(Reason.FREEZE_AHEAD, later < rules.freeze_deciduous_c)
    board.block(Reason.MISSING_WEATHER, look.unknown("air_temperature_c", rules.freeze_block_time_h))
    board.room((coldest - limit) / rules.scale_temperature_c)


def _rain_ahead(look: Look, rules: SprayRules) -> Board:
    hours, ahead_h = look.hours, rules.rain_free_h
    board = Board(hours.shape)
    rain = look.rain_sum(ahead_h)
    board.block(Reason.MISSING_WEATHER, look.unknown("precipitation_mm", ahead_h))
    chance_unknown = look.unknown("precipitation_probability_pct", ahead_h)
    given = hours.probability_expected
    expected = by_site(offered(hours.precipitation_probability_pct) if given is None else given)
    board.block(Reason.MISSING_WEATHER, chance_unknown & expected)
    board.caution(Reason.RAIN_CHANCE_UNKNOWN, chance_unknown & ~expected)
    amount = np.where(chance_unknown, rules.rain_ahead_amount_chance_unknown_mm, rules.rain_ahead_amount_mm)
    chance = look.once(
        ("chance", ahead_h), lambda: maximum_ahead(hours.precipitation_probability_pct, ahead_h)
    )
    board.block(
        Reason.RAIN_AHEAD, (rain >= amount - ROUNDING_MM) | (chance >= rules.rain_ahead_chance_block_pct)
    )
    later = look.rain_sum(max(rules.rain_caution_time_h, ahead_h)) >= rules.rain_ahead_amount_mm - ROUNDING_MM
    board.caution(Reason.RAIN_AHEAD, later | (chance >= rules.rain_ahead_chance_caution_pct))
    board.room(1.0 - rain / np.maximum(amount, LEAST))
    board.room(1.0 - np.maximum(chance, 0.0) / max(rules.rain_ahead_chance_block_pct, LEAST))
    return board


def _wet_leaves(look: Look, rules: SprayRules, board: Board) -> None:
    hours = look.hours
    limits = (
        rules.leaf_wet_humidity_pct,
        rules.leaf_wet_dew_point_depression_c,
        rules.leaf_wet_rain_time_h,
        rules.rain_now_block_mm,
    )
    leaves: LeafWetness = look.once(
        ("leaves", *limits),
        lambda: leaf_wetness(
            hours.air_temperature_c,
            hours.dew_point_c,
            hours.relative_humidity_pct,
            hours.precipitation_mm,
            humidity_wet_pct=rules.leaf_wet_humidity_pct,
            dew_point_depression_wet_c=rules.leaf_wet_dew_point_depression_c,
            rain_time_h=rules.leaf_wet_rain_time_h,
            rain_mm=rules.rain_now_block_mm,
        ),
    )
    if rules.leaf_wet_blocks:
        board.block(Reason.LEAF_WET, leaves.wet)
        board.block(Reason.MISSING_WEATHER, leaves.unknown)
    else:
        board.caution(Reason.LEAF_WET, leaves.wet | leaves.unknown)
