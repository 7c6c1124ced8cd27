"""The comparisons that are shown say the same as the bits that were decided."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.catalog.materials import load_materials
from alertd.science.spray import Reason, SprayHours, blackout, figure_of, rules_for
from alertd.science.spray_board import Look
from alertd.science.spray_room import cold_room, comparisons, heat_room
from tests.science.spray_cases import fair_hours, set_hours

SHOWN = (
    Reason.INVERSION_CLASS, Reason.WIND_HIGH, Reason.WIND_LOW, Reason.GUST, Reason.HEAT, Reason.SUN_HEAT,
    Reason.HEAT_AHEAD, Reason.COLD, Reason.FREEZE_AHEAD, Reason.DELTA_T_HIGH, Reason.DELTA_T_LOW,
    Reason.HOT_DRY_AIR, Reason.RAIN_NOW, Reason.RAIN_AHEAD, Reason.OUTSIDE_HOURS, Reason.HORIZON_END,
    Reason.INVERSION_CLOCK,
)  # fmt: skip


def random_hours(seed: int) -> SprayHours:
    """Four sites of invented weather round every limit, without gaps."""
    draw = np.random.default_rng(seed)
    shape = (4, 60)
    hour = np.broadcast_to(np.arange(60) % 24, shape).astype(float)
    temperature = draw.uniform(-4.0, 38.0, (4, 1)) + 5.0 * np.cos((hour - 15.0) / 24.0 * 2 * np.pi)
    wind = draw.gamma(2.0, 1.4, shape)
    fair = fair_hours(4, 60)
    return replace(
        fair,
        air_temperature_c=temperature,
        relative_humidity_pct=draw.uniform(10.0, 100.0, shape),
        dew_point_c=temperature - draw.uniform(0.1, 15.0, shape),
        wet_bulb_depression_c=draw.uniform(0.5, 14.0, shape),
        wind_speed_m_s=wind,
        wind_gust_m_s=wind * draw.uniform(0.8, 2.0, shape),
        precipitation_mm=np.where(draw.random(shape) < 0.03, draw.gamma(1.0, 2.0, shape), 0.0),
        precipitation_probability_pct=draw.uniform(0.0, 60.0, shape),
        cloud_cover_pct=draw.uniform(0.0, 95.0, shape),
        sun_altitude_deg=50.0 * np.sin((hour - 6.0) / 12.0 * np.pi),
        hours_since_sunrise=hour - 6.0,
        hours_to_sunset=20.0 - hour,
        local_hour=hour,
        full_sun=draw.random(4) < 0.5,
        dry_spell=draw.random(4) < 0.5,
    )


@given(
    seed=st.integers(0, 2**31),
    material=st.sampled_from(sorted(load_materials())),
    profile=st.sampled_from(["default", "strict"]),
    method=st.sampled_from(["hand", "mist-blower"]),
    plants=st.sampled_from([(), ("spruce",), ("rose",)]),
)
def test_what_is_compared_closes_exactly_the_hours_that_were_closed(
    seed: int, material: str, profile: str, method: str, plants: tuple[str, ...]
) -> None:
    hours = random_hours(seed)
    rules = rules_for(material, profile, method, plants)
    verdict = blackout(hours, rules)
    blocked = {reason: np.zeros(hours.shape, dtype=bool) for reason in SHOWN}
    warned = {reason: np.zeros(hours.shape, dtype=bool) for reason in SHOWN}
    for one in comparisons(Look(hours), rules):
        if one.reason in blocked:
            (blocked if one.blocks else warned)[one.reason] |= one.violated
    for reason in SHOWN:
        bits = (verdict.block_bits & np.int64(reason)) != 0
        np.testing.assert_array_equal(bits, blocked[reason], err_msg=reason.name)
        cautions = (verdict.caution_bits & np.int64(reason)) != 0
        np.testing.assert_array_equal(
            cautions, warned[reason] & ~blocked[reason], err_msg=f"{reason.name} caution"
        )


@pytest.mark.parametrize("material", sorted(load_materials()))
def test_every_limit_that_is_shown_is_known_to_the_catalog(material: str) -> None:
    rules = rules_for(material, "default", "mist-blower")
    names = {one.limit_name for one in comparisons(Look(fair_hours()), rules)} - {""}
    assert {"wind_upper_block_m_s", "cold_block_c", "crew_start"} <= names
    for name in names:
        figure = figure_of(name, material)
        assert figure is None or figure.source


def test_room_is_the_distance_to_the_nearest_heat_limit_now_and_within_the_horizon() -> None:
    # oil: 29.44 degC in shade; 27 degC now, 28.5 degC three hours later: 0.94 degC are left
    rules = rules_for("horticultural_oil")
    hours = set_hours(fair_hours(air_temperature_c=27.0), 7, air_temperature_c=28.5)
    assert heat_room(Look(hours), rules)[0, 4] == pytest.approx(0.94, abs=0.01)
    assert heat_room(Look(hours), rules)[0, 8] == pytest.approx(2.44, abs=0.01)


def test_room_to_the_cold_counts_a_freeze_to_follow_for_oil_but_not_for_water() -> None:
    hours = set_hours(fair_hours(air_temperature_c=15.0), 20, air_temperature_c=1.0)
    assert cold_room(Look(hours), rules_for("horticultural_oil"))[0, 4] == pytest.approx(1.0)
    assert cold_room(Look(hours), rules_for("water_spray"))[0, 4] > 4.0


def test_an_unknown_value_is_on_neither_side() -> None:
    hours = set_hours(fair_hours(), 4, wind_speed_m_s=np.nan)
    found = [one for one in comparisons(Look(hours), rules_for("soap")) if one.reason is Reason.WIND_HIGH]
    assert np.isnan(found[0].margin[0, 4])
    assert not found[0].violated[0, 4]
