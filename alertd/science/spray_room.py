"""How far each hour is from each limit, in the limit's own unit: what the gates compare, made visible.

Nothing is decided here: which hours are closed is what ``spray.blackouts`` says. A test holds the two
together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import BoolArray, FloatArray
from alertd.science.lookahead import maximum_ahead, minimum_ahead, steps, sum_ahead
from alertd.science.spray_board import Look, by_site
from alertd.science.spray_reasons import Reason
from alertd.science.spray_rules import SprayRules
from alertd.science.spray_weather import HOUR_H, stability_of

Pick = Callable[[FloatArray], FloatArray]


class Side(StrEnum):
    """On which side of its limit a value keeps the hour open."""

    AT_MOST = "at most"
    BELOW = "below"
    AT_LEAST = "at least"
    ABOVE = "above"


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """One value held against one limit, [site, hour].

    ``limit_name`` is the name of the rule that ``figure_of`` knows. ``blocks`` tells a block from a
    caution. ``applies`` marks the hours in which the comparison is made at all.
    """

    reason: Reason
    what: str
    unit: str
    value: FloatArray
    side: Side
    limit_name: str
    limit: FloatArray | float
    blocks: bool = True
    applies: BoolArray | None = None

    @property
    def margin(self) -> FloatArray:
        """Distance from the limit in its unit, positive on the open side; NaN where unknown."""
        upwards = self.side in (Side.AT_MOST, Side.BELOW)
        room = self.limit - self.value if upwards else self.value - self.limit
        return np.asarray(room)

    @property
    def violated(self) -> BoolArray:
        """Whether the value lies on the closed side; an unknown value does not."""
        strict = self.side in (Side.BELOW, Side.ABOVE)
        over = self.margin <= 0.0 if strict else self.margin < 0.0
        return np.asarray(over if self.applies is None else over & self.applies)


def _everywhere(values: FloatArray) -> FloatArray:
    return values


def heat_room(look: Look, rules: SprayRules, at: Pick = _everywhere) -> FloatArray:
    """Degrees left to the nearest heat limit, now and within the horizon, in sun or shade; [degC].

    ``at`` picks hours out of what is known of all of them; so it does below.
    """
    horizon_h, cloud_pct = rules.heat_horizon_h, rules.sun_cloud_pct
    over = at(look.warmest(horizon_h, cloud_pct)) - min(rules.heat_block_c, rules.heat_sun_block_c)
    if math.isfinite(rules.heat_block_c):
        over = np.maximum(over, at(look.warmest(horizon_h)) - rules.heat_block_c)
    return -over


def cold_room(look: Look, rules: SprayRules, at: Pick = _everywhere) -> FloatArray:
    """Degrees left to the nearest cold limit, now and, for oils, of a freeze to follow; [degC]."""
    temperature = look.hours.air_temperature_c
    room = at(temperature) - rules.cold_block_c
    if rules.freeze_gate and not rules.plain_water:
        ahead_h = rules.freeze_block_time_h
        coldest = look.once(("coldest from now", ahead_h), lambda: minimum_ahead(temperature, ahead_h))
        limit = np.broadcast_to(_freeze_limit(look, rules), temperature.shape)
        room = np.minimum(room, at(coldest) - at(limit))
    return np.asarray(room)


def _freeze_limit(look: Look, rules: SprayRules) -> FloatArray:
    evergreen = np.full(look.hours.shape[:1], rules.evergreen)
    if look.hours.evergreen is not None:
        evergreen = by_site(evergreen) | by_site(look.hours.evergreen)
    limit: FloatArray = np.where(by_site(evergreen), rules.freeze_evergreen_c, rules.freeze_deciduous_c)
    return limit


def comparisons(look: Look, rules: SprayRules) -> Iterator[Comparison]:
    """Yield every comparison of a number with a limit that the gates make, in the order of deciding."""
    if not rules.plain_water:
        yield from _inversion(look, rules)
    yield from _wind(look, rules)
    if not rules.plain_water:
        yield from _heat(look, rules)
    yield from _cold(look, rules)
    if not rules.plain_water:
        yield from _air(look, rules)
        yield from _leaves(look, rules)
        yield from _rain(look, rules)
    yield from _work(look, rules)
    if not rules.plain_water:
        yield _horizon(look, rules)


def _inversion(look: Look, rules: SprayRules) -> Iterator[Comparison]:
    hours, reason = look.hours, Reason.INVERSION_CLOCK
    yield Comparison(
        reason, "time since sunrise", "h", hours.hours_since_sunrise, Side.AT_LEAST,
        "inversion_after_sunrise_h", rules.inversion_after_sunrise_h,
    )  # fmt: skip
    left = hours.hours_to_sunset - HOUR_H
    dry = np.zeros(hours.shape[:1], dtype=np.bool_) if hours.dry_spell is None else hours.dry_spell
    dry_hours = np.broadcast_to(by_site(dry), hours.shape)
    what = "time to sunset at the end of the hour"
    for name, applies in (
        ("inversion_before_sunset_h", ~dry_hours),
        ("inversion_before_sunset_dry_h", dry_hours),
    ):
        yield Comparison(reason, what, "h", left, Side.AT_LEAST, name, getattr(rules, name), applies=applies)
    yield Comparison(
        reason, "altitude of the sun", "deg", hours.sun_altitude_deg, Side.ABOVE, "", 0.0
    )  # fmt: skip
    stability = stability_of(hours)
    for name, blocks in (("stability_block_class", True), ("stability_caution_class", False)):
        yield Comparison(
            Reason.INVERSION_CLASS, "stability class of Turner", "1", stability, Side.BELOW, name,
            getattr(rules, name), blocks,
        )  # fmt: skip


def _wind(look: Look, rules: SprayRules) -> Iterator[Comparison]:
    hours = look.hours
    wind = hours.wind_speed_m_s
    for name, blocks in (("wind_upper_block_m_s", True), ("wind_upper_caution_m_s", False)):
        yield Comparison(
            Reason.WIND_HIGH, "wind at 10 m", "m/s", wind, Side.AT_MOST, name, getattr(rules, name), blocks
        )
    if not rules.plain_water:
        yield Comparison(
            Reason.WIND_LOW, f"wind at the nozzle ({rules.wind_height_factor:g} of that at 10 m)", "m/s",
            wind * rules.wind_height_factor, Side.AT_LEAST, "wind_lower_block_m_s",
            rules.wind_lower_block_m_s,
        )  # fmt: skip
    gust = np.maximum(hours.wind_gust_m_s, wind)
    for name, blocks in (("gust_block_m_s", True), ("gust_caution_m_s", False)):
        yield Comparison(Reason.GUST, "gust", "m/s", gust, Side.AT_MOST, name, getattr(rules, name), blocks)


def _heat(look: Look, rules: SprayRules) -> Iterator[Comparison]:
    temperature = look.hours.air_temperature_c
    sunlit = look.sunlit(rules.sun_cloud_pct)
    for name, blocks in (("heat_block_c", True), ("heat_shade_caution_c", False)):
        yield Comparison(
            Reason.HEAT,
            "air temperature",
            "degC",
            temperature,
            Side.BELOW,
            name,
            getattr(rules, name),
            blocks,
        )
    for name, blocks in (("heat_sun_block_c", True), ("heat_sun_caution_c", False)):
        yield Comparison(
            Reason.SUN_HEAT, "air temperature in full sun", "degC", temperature, Side.BELOW, name,
            min(getattr(rules, name), rules.heat_block_c) if blocks else getattr(rules, name), blocks, sunlit,
        )  # fmt: skip
    ahead = f"warmest of the {rules.heat_horizon_h:g} h after"
    for name, sun_name, blocks in (
        ("heat_block_c", "heat_sun_block_c", True),
        ("heat_shade_caution_c", "heat_sun_caution_c", False),
    ):
        shade, sun = getattr(rules, name), min(getattr(rules, name), getattr(rules, sun_name))
        for where, limit, limit_name in ((~sunlit, shade, name), (sunlit, sun, sun_name)):
            later = maximum_ahead(np.where(where, temperature, np.nan), rules.heat_horizon_h, skip_first=True)
            yield Comparison(
                Reason.HEAT_AHEAD, f"{ahead} in {'full sun' if limit_name == sun_name else 'shade or cloud'}",
                "degC", later, Side.BELOW, limit_name, limit, blocks, later > -np.inf,
            )  # fmt: skip


def _cold(look: Look, rules: SprayRules) -> Iterator[Comparison]:
    temperature = look.hours.air_temperature_c
    for name, blocks in (("cold_block_c", True), ("cold_caution_c", False)):
        yield Comparison(
            Reason.COLD,
            "air temperature",
            "degC",
            temperature,
            Side.AT_LEAST,
            name,
            getattr(rules, name),
            blocks,
        )
    if rules.freeze_gate and not rules.plain_water:
        limit = np.broadcast_to(_freeze_limit(look, rules), temperature.shape)
        name = "freeze_evergreen_c" if rules.evergreen else "freeze_deciduous_c"
        yield Comparison(
            Reason.FREEZE_AHEAD, f"coldest of the {rules.freeze_block_time_h:g} h after", "degC",
            minimum_ahead(temperature, rules.freeze_block_time_h), Side.AT_LEAST, name, limit,
        )  # fmt: skip
        yield Comparison(
            Reason.FREEZE_AHEAD, f"coldest of the {rules.freeze_caution_time_h:g} h after", "degC",
            minimum_ahead(temperature, rules.freeze_caution_time_h), Side.AT_LEAST, "freeze_deciduous_c",
            rules.freeze_deciduous_c, False,
        )  # fmt: skip


def _air(look: Look, rules: SprayRules) -> Iterator[Comparison]:
    hours = look.hours
    depression, what = hours.wet_bulb_depression_c, "dry less wet bulb (Delta T)"
    for name, blocks in (("wet_bulb_depression_block_c", True), ("wet_bulb_depression_caution_c", False)):
        yield Comparison(
            Reason.DELTA_T_HIGH, what, "degC", depression, Side.AT_MOST, name, getattr(rules, name), blocks
        )
    yield Comparison(
        Reason.DELTA_T_LOW, what, "degC", depression, Side.AT_LEAST, "wet_bulb_depression_low_c",
        rules.wet_bulb_depression_low_c, rules.slow_drying_blocks,
    )  # fmt: skip
    hot = hours.air_temperature_c > rules.hot_dry_temperature_c
    dry = hours.relative_humidity_pct < rules.hot_dry_humidity_pct
    yield Comparison(
        Reason.HOT_DRY_AIR, "humidity of hot air", "%", hours.relative_humidity_pct, Side.AT_LEAST,
        "hot_dry_humidity_pct", rules.hot_dry_humidity_pct, rules.hot_dry_blocks, hot,
    )  # fmt: skip
    yield Comparison(
        Reason.HOT_DRY_AIR, "temperature of dry air", "degC", hours.air_temperature_c, Side.AT_MOST,
        "hot_dry_temperature_c", rules.hot_dry_temperature_c, rules.hot_dry_blocks, dry,
    )  # fmt: skip


def _leaves(look: Look, rules: SprayRules) -> Iterator[Comparison]:
    hours, blocks = look.hours, rules.leaf_wet_blocks
    yield Comparison(
        Reason.LEAF_WET, "relative humidity", "%", hours.relative_humidity_pct, Side.BELOW,
        "leaf_wet_humidity_pct", rules.leaf_wet_humidity_pct, blocks,
    )  # fmt: skip
    yield Comparison(
        Reason.LEAF_WET, "temperature above the dew point", "degC",
        hours.air_temperature_c - hours.dew_point_c, Side.ABOVE, "leaf_wet_dew_point_depression_c",
        rules.leaf_wet_dew_point_depression_c, blocks,
    )  # fmt: skip
    back = maximum_ahead(hours.precipitation_mm[..., ::-1], rules.leaf_wet_rain_time_h)[..., ::-1]
    yield Comparison(
        Reason.LEAF_WET, f"most rain of an hour, this one and {rules.leaf_wet_rain_time_h:g} h before", "mm",
        back, Side.BELOW, "rain_now_block_mm", rules.rain_now_block_mm, blocks,
    )  # fmt: skip


def _rain(look: Look, rules: SprayRules) -> Iterator[Comparison]:
    hours, ahead_h = look.hours, rules.rain_free_h
    yield Comparison(
        Reason.RAIN_NOW, "rain in the hour", "mm", hours.precipitation_mm, Side.BELOW,
        "rain_now_block_mm", rules.rain_now_block_mm,
    )  # fmt: skip
    unknown = look.unknown("precipitation_probability_pct", ahead_h)
    what = f"rain in this hour and {ahead_h:g} h after"
    depth = np.round(look.rain_sum(ahead_h), 9)  # a running sum is not exact
    for name, applies in (
        ("rain_ahead_amount_mm", ~unknown),
        ("rain_ahead_amount_chance_unknown_mm", unknown),
    ):
        yield Comparison(
            Reason.RAIN_AHEAD, what, "mm", depth, Side.BELOW, name, getattr(rules, name), applies=applies
        )
    later_h = max(rules.rain_caution_time_h, ahead_h)
    yield Comparison(
        Reason.RAIN_AHEAD, f"rain in this hour and {later_h:g} h after", "mm",
        np.round(sum_ahead(hours.precipitation_mm, later_h), 9), Side.BELOW, "rain_ahead_amount_mm",
        rules.rain_ahead_amount_mm, False,
    )  # fmt: skip
    chance = rain_chance_ahead(look, rules)
    for name, blocks in (("rain_ahead_chance_block_pct", True), ("rain_ahead_chance_caution_pct", False)):
        yield Comparison(
            Reason.RAIN_AHEAD, f"largest chance of rain, this hour and {ahead_h:g} h after", "%", chance,
            Side.BELOW, name, getattr(rules, name), blocks, chance > -np.inf,
        )  # fmt: skip


def rain_chance_ahead(look: Look, rules: SprayRules, at: Pick = _everywhere) -> FloatArray:
    """Largest hourly chance of rain from each hour to the end of the rain-free time; -inf unknown, in %."""
    values, ahead_h = look.hours.precipitation_probability_pct, rules.rain_free_h
    return at(look.once(("chance from now", ahead_h), lambda: maximum_ahead(values, ahead_h)))


def _work(look: Look, rules: SprayRules) -> Iterator[Comparison]:
    hours, reason = look.hours, Reason.OUTSIDE_HOURS
    names = [("crew_start", "crew_end")]
    if rules.fine:
        names.append(("noise_start", "noise_end"))
    for start, end in names:
        yield Comparison(
            reason, "start of the hour, local", "local hour", hours.local_hour, Side.AT_LEAST, start,
            getattr(rules, start),
        )  # fmt: skip
        yield Comparison(
            reason, "end of the hour, local", "local hour", hours.local_hour + HOUR_H, Side.AT_MOST, end,
            getattr(rules, end),
        )  # fmt: skip


def _horizon(look: Look, rules: SprayRules) -> Comparison:
    needs = {
        "heat_horizon_h": rules.heat_horizon_h,
        "rain_free_h": rules.rain_free_h,
        "freeze_block_time_h": rules.freeze_block_time_h * rules.freeze_gate,
    }
    name = max(needs, key=lambda key: needs[key])
    n_hours = look.hours.shape[1]
    left: npt.NDArray[np.float64] = np.broadcast_to(np.arange(n_hours - 1, -1, -1.0), look.hours.shape)
    return Comparison(
        Reason.HORIZON_END, "hours of forecast after this one", "h", left, Side.AT_LEAST, name,
        float(steps(needs[name])),
    )  # fmt: skip
