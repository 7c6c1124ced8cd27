"""The general limits against the figures of their sources, in the units those print."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

import pytest

from alertd.catalog.figure import Figure, Status
from alertd.catalog.limits import SprayLimits, load_limits
from alertd.units import celsius_to_fahrenheit, m_s_to_km_h, m_s_to_mph

DEFAULT, STRICT = load_limits()["default"], load_limits()["strict"]


def same(value: float) -> float:
    return value


def feet(height_m: float) -> float:
    return height_m / 0.3048


@pytest.mark.parametrize(
    ("name", "convert", "published"),
    [
        ("wind_upper_block", m_s_to_mph, 10.0),  # EPA drift labelling, Clemson
        ("wind_upper_caution", m_s_to_mph, 8.0),  # US pesticide environmental stewardship
        ("wind_lower_block", m_s_to_mph, 3.0),  # the same
        ("gust_block", m_s_to_mph, 15.0),  # Iowa State ICM 2017, an older mean-wind cap
        ("inversion_override_wind", m_s_to_km_h, 11.0),  # Australian summer weed guide 2016
        ("inversion_before_sunset", same, 2.0),  # US label hours, AgProfessional 2019
        ("inversion_after_sunrise", same, 2.0),  # NDSU 2019; Western Australia DPIRD 2023
        ("inversion_override_ceiling", feet, 7000.0),  # Turner 1964
        ("wet_bulb_depression_block", same, 10.0),  # Wolf, sprayers101
        ("wet_bulb_depression_caution", same, 8.0),  # Wolf, sprayers101
        ("wet_bulb_depression_low", same, 2.0),  # Wolf, sprayers101
        ("hot_dry_humidity", same, 40.0),  # Ontario
        ("hot_dry_temperature", same, 25.0),  # Ontario
        ("leaf_wet_humidity", same, 90.0),  # Sentelhas et al.
        ("heat_sun_block", celsius_to_fahrenheit, 85.0),  # derived from Texas A&M, Short 1981
        ("heat_shade_caution", celsius_to_fahrenheit, 80.0),  # University of Nevada
        ("freeze_deciduous", celsius_to_fahrenheit, 32.0),  # Illinois HYG 2007
        ("freeze_evergreen", celsius_to_fahrenheit, 40.0),  # Illinois HYG 2007
        ("freeze_block_time", same, 24.0),  # Illinois HYG 2007
        ("bee_flight_temperature", celsius_to_fahrenheit, 50.0),  # WSU, Hopkins 2026
        ("sulfur_oil_gap", same, 30.0),  # Rutgers
        ("sulfur_oil_gap_floor", same, 14.0),  # UC IPM Pest Notes 7493
        ("washoff_half_rain", same, 25.0),  # OMAFRA 2020, K-State text
        ("washoff_all_rain", same, 50.0),  # OMAFRA 2020, K-State text
    ],
)
def test_a_limit_is_the_published_one(name: str, convert: Callable[[float], float], published: float) -> None:
    assert convert(getattr(DEFAULT, name).value) == pytest.approx(published, abs=0.02, rel=3e-4)


def test_the_floor_of_the_wind_at_ten_metres_is_four_miles_an_hour() -> None:
    # FAO-56 eq. 47: 3 mph at 2 m are 4 mph at 10 m
    assert m_s_to_mph(DEFAULT.wind_lower_block.value / DEFAULT.wind_height_factor.value) == pytest.approx(4.0)


def test_cautions_come_before_blocks() -> None:
    for one in (DEFAULT, STRICT):
        assert one.wind_upper_caution.value < one.wind_upper_block.value
        assert one.gust_caution.value < one.gust_block.value
        assert one.heat_sun_caution.value < one.heat_sun_block.value
        assert one.rain_ahead_chance_caution.value < one.rain_ahead_chance_block.value
        assert one.wind_lower_block.value / one.wind_height_factor.value < one.wind_upper_block.value


def test_every_limit_says_where_it_comes_from_and_how_firm_it_is() -> None:
    for profile in load_limits().values():
        for item in fields(SprayLimits):
            figure = getattr(profile, item.name)
            if isinstance(figure, Figure):
                assert len(figure.source) > 5, item.name
                assert figure.status in Status


def test_the_profiles_are_read_once() -> None:
    assert load_limits() is load_limits()
    assert set(load_limits()) == {"default", "strict"}
