"""Leaf wetness by its three rules, each at its limit, and unknown where it cannot be told."""

from __future__ import annotations

import numpy as np
import pytest

from alertd.catalog.limits import load_limits
from alertd.science.leaf_wetness import LeafWetness, leaf_wetness

LIMITS = load_limits()["default"]


def judge(
    humidity: float = 60.0, depression: float = 8.0, rain: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
) -> LeafWetness:
    hours = len(rain)
    return leaf_wetness(
        np.full(hours, 20.0),
        np.full(hours, 20.0 - depression),
        np.full(hours, humidity),
        np.array(rain),
        humidity_wet_pct=float(LIMITS.leaf_wet_humidity),
        dew_point_depression_wet_c=float(LIMITS.leaf_wet_dew_point_depression),
        rain_time_h=float(LIMITS.leaf_wet_rain_time),
        rain_mm=0.1,
    )


@pytest.mark.parametrize(("humidity", "wet"), [(89.9, False), (90.0, True), (100.0, True)])
def test_ninety_per_cent_is_wet(humidity: float, wet: bool) -> None:
    # Sentelhas et al.: RH >= 90 %, the best of three simple rules
    assert bool(judge(humidity=humidity).wet[-1]) is wet


@pytest.mark.parametrize(("depression", "wet"), [(2.01, False), (2.0, True), (0.0, True)])
def test_two_degrees_above_the_dew_point_is_wet(depression: float, wet: bool) -> None:
    assert bool(judge(depression=depression).wet[-1]) is wet  # from memory


def test_rain_leaves_leaves_wet_in_its_hour_and_two_more() -> None:
    wet = judge(rain=(0.0, 0.0, 0.0, 0.1, 0.0, 0.0, 0.0)).wet
    assert wet.tolist() == [False, False, False, True, True, True, False]


def test_less_than_the_least_rain_does_not_wet() -> None:
    assert not judge(rain=(0.09,) * 5).wet.any()


def test_the_hours_before_the_data_are_unknown_until_they_no_longer_matter() -> None:
    assert judge().unknown.tolist() == [True, True, False, False]


def test_a_gap_is_unknown_and_never_dry() -> None:
    assert judge(rain=(0.0, 0.0, np.nan, 0.0, 0.0, 0.0)).unknown.tolist() == [
        True,
        True,
        True,
        True,
        True,
        False,
    ]
    assert judge(humidity=np.nan).unknown.all()
    assert judge(depression=np.nan).unknown.all()


def test_what_one_rule_finds_wet_is_not_unknown() -> None:
    found = judge(humidity=95.0, depression=np.nan)
    assert found.wet.all()
    assert not found.unknown.any()
