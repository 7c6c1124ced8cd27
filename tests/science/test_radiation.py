"""Radiation against the worked examples of FAO-56 (Allen et al. 1998) and by its properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.science import radiation, water

NAN = float("nan")


def test_sunshine_gives_the_radiation_of_fao_56_example_10() -> None:
    # Rio de Janeiro in May, 22 degrees 54 minutes S: Ra 25.1, N 10.9, n 7.1, Rs 14.5 (from memory).
    latitude = -(22.0 + 54.0 / 60.0)
    above = radiation.extraterrestrial_radiation(latitude, 135)
    assert above == pytest.approx(25.1, abs=0.05)
    daylight = radiation.daylight_hours(latitude, 135)
    assert daylight == pytest.approx(10.9, abs=0.05)
    assert radiation.shortwave_from_sunshine(7.1, daylight, above) == pytest.approx(14.5, abs=0.05)
    assert radiation.clear_sky_radiation(above, 0.0) == pytest.approx(18.8, abs=0.05)


def test_net_radiation_is_that_of_fao_56_examples_11_and_12() -> None:
    # The same place and month: 25.1/19.1 degC, 2.1 kPa; longwave 3.5, shortwave 11.1, net 7.6 (from memory).
    net = water.net_radiation(19.1, 25.1, 2.1, 14.5, 18.8)
    assert net == pytest.approx(7.6, abs=0.1)
    assert 0.77 * 14.5 - net == pytest.approx(3.5, abs=0.1)


def test_radiation_above_the_air_is_that_of_the_worked_examples() -> None:
    # Examples 8, 17, 18 and 20.
    above = radiation.extraterrestrial_radiation([-20.0, 13.7333, 50.8, 45.7167], [246, 105, 187, 196])
    assert above == pytest.approx([32.2, 38.06, 41.09, 40.55], abs=0.05)


def test_a_temperature_range_never_gives_more_than_a_clear_sky() -> None:
    above = radiation.extraterrestrial_radiation(45.7167, 196)
    assert radiation.shortwave_from_temperature_range(14.8, 26.6, above, 200.0, 0.16) == pytest.approx(
        22.29, abs=0.01
    )
    wide = radiation.shortwave_from_temperature_range(0.0, 40.0, above, 200.0, 0.19)
    assert wide == radiation.clear_sky_radiation(above, 200.0)
    assert np.isnan(radiation.shortwave_from_temperature_range(20.0, 10.0, above, 200.0, 0.16))


def test_a_full_cloud_cover_leaves_a_quarter_of_the_clear_sky() -> None:
    # Kasten and Czeplak 1980 (from memory): G0 = 910 sin h - 30, factor 1 - 0.75 (N/8)^3.4.
    clear, half, full = radiation.shortwave(30.0, [0.0, 50.0, 100.0])
    assert clear == pytest.approx(425.0)
    assert half == pytest.approx(425.0 * (1.0 - 0.75 * 0.5**3.4))
    assert full == pytest.approx(425.0 / 4.0)


def test_a_clear_day_by_cloud_cover_agrees_with_the_clear_sky_of_fao_56_within_a_sixth() -> None:
    hours = np.arange(0.0, 24.0, 0.25)
    sine = radiation.solar_altitude_sine(45.0, 0.0, 172, hours)
    day_mj = radiation.shortwave(np.degrees(np.arcsin(sine)), 0.0).sum() * 0.25 * 0.0036
    fao = radiation.clear_sky_radiation(radiation.extraterrestrial_radiation(45.0, 172), 0.0)
    assert day_mj == pytest.approx(fao, rel=1.0 / 6.0)


def test_missing_in_is_missing_out() -> None:
    assert np.isnan(radiation.shortwave([NAN, 40.0], [0.0, NAN])).all()
    assert np.isnan(radiation.extraterrestrial_radiation([NAN, 40.0], [100.0, NAN])).all()
    assert np.isnan(radiation.daylight_hours(NAN, 100.0))
    assert np.isnan(radiation.extraterrestrial_radiation_hourly(40.0, 0.0, 100.0, NAN))
    assert np.isnan(radiation.shortwave_from_temperature_range(NAN, 20.0, 30.0, 0.0, 0.16))


def test_single_precision_stays_single() -> None:
    sun = np.linspace(-10, 80, 10, dtype=np.float32)
    assert radiation.shortwave(sun, 30.0).dtype == np.float32
    assert radiation.extraterrestrial_radiation(sun, 100).dtype == np.float32
    hourly = radiation.extraterrestrial_radiation_hourly(sun, np.float32(10.0), 100, 12.5)
    assert hourly.dtype == np.float32


def test_the_poles_have_long_days_and_long_nights() -> None:
    assert radiation.daylight_hours([85.0, -85.0], 172).tolist() == pytest.approx([24.0, 0.0])
    assert radiation.extraterrestrial_radiation(-85.0, 172) == 0.0
    assert radiation.extraterrestrial_radiation(85.0, 172) > 40.0


@given(st.floats(-90.0, 90.0), st.floats(0.0, 100.0), st.floats(0.0, 20.0))
def test_more_cloud_never_gives_more_sun(altitude: float, cloud: float, more: float) -> None:
    less = radiation.shortwave(altitude, min(cloud + more, 100.0))
    assert 0.0 <= less <= radiation.shortwave(altitude, cloud) <= 880.0
    if altitude <= 0.0:
        assert less == 0.0


@given(st.floats(-66.0, 66.0), st.integers(1, 365), st.floats(-180.0, 180.0))
def test_the_hours_of_a_day_add_up_to_the_day(latitude: float, day: int, longitude: float) -> None:
    hours = np.arange(24) + 0.5
    total = radiation.extraterrestrial_radiation_hourly(latitude, longitude, day, hours).sum()
    assert total == pytest.approx(radiation.extraterrestrial_radiation(latitude, day), rel=1e-2, abs=0.05)
