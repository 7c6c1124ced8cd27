"""Evapotranspiration and the soil-water account against the worked examples of FAO-56.

FAO-56 is Allen, Pereira, Raes and Smith 1998, Crop evapotranspiration, FAO Irrigation and Drainage Paper 56.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.science import humidity, radiation, water

NAN = float("nan")


def test_pressure_and_psychrometric_constant_are_those_of_example_2() -> None:
    assert humidity.standard_pressure(1800.0) / 10.0 == pytest.approx(81.8, abs=0.05)
    assert water.psychrometric_constant(1800.0) == pytest.approx(0.054, abs=0.0005)


def test_extraterrestrial_radiation_and_daylight_are_those_of_examples_8_and_9() -> None:
    assert water.extraterrestrial_radiation(-20.0, 246) == pytest.approx(32.2, abs=0.05)
    assert radiation.daylight_hours(-20.0, 246) == pytest.approx(11.7, abs=0.05)


def test_wind_at_2_m_is_that_of_example_14() -> None:
    assert water.wind_at_2m(3.2, 10.0) == pytest.approx(2.4, abs=0.05)
    assert water.wind_at_2m(10.0 / 3.6, 10.0) == pytest.approx(2.078, abs=0.001)  # Example 18
    assert water.wind_at_2m(1.0, 10.0) == pytest.approx(0.748, abs=0.0005)


def test_wind_below_the_profile_is_refused() -> None:
    with pytest.raises(ValueError, match="height_m"):
        water.wind_at_2m(3.0, 0.1)


def test_example_17_bangkok_in_april_is_met_at_every_step() -> None:
    latitude = 13.0 + 44.0 / 60.0
    above = water.extraterrestrial_radiation(latitude, 105)
    assert above == pytest.approx(38.06, abs=0.005)
    daylight = radiation.daylight_hours(latitude, 105)
    assert daylight == pytest.approx(12.31, abs=0.005)
    shortwave = radiation.shortwave_from_sunshine(8.5, daylight, above)
    assert shortwave == pytest.approx(22.65, abs=0.01)
    clear = water.clear_sky_radiation(above, 2.0)
    assert clear == pytest.approx(28.54, abs=0.01)
    assert water.net_radiation(25.6, 34.8, 2.85, shortwave, clear) == pytest.approx(14.33, abs=0.01)
    demand = water.reference_evapotranspiration(
        25.6, 34.8, 2.85, shortwave, 2.0, 2.0, latitude, 105, soil_heat_mj_m2=0.14
    )
    assert demand == pytest.approx(5.72, abs=0.01)


def test_example_18_uccle_on_6_july_is_met_at_every_step() -> None:
    vapour = humidity.vapour_pressure_from_extremes(12.3, 21.5, 63.0, 84.0)
    assert vapour == pytest.approx(1.409, abs=0.001)
    saturation = humidity.saturation_vapour_pressure([12.3, 21.5]).mean()
    assert saturation == pytest.approx(1.997, abs=0.001)
    assert saturation - vapour == pytest.approx(0.589, abs=0.001)
    assert humidity.standard_pressure(100.0) / 10.0 == pytest.approx(100.1, abs=0.05)
    assert water.slope_of_saturation(16.9) == pytest.approx(0.122, abs=0.0005)
    assert water.psychrometric_constant(100.0) == pytest.approx(0.0666, abs=0.0001)
    above = water.extraterrestrial_radiation(50.8, 187)
    assert above == pytest.approx(41.09, abs=0.005)
    daylight = radiation.daylight_hours(50.8, 187)
    assert daylight == pytest.approx(16.1, abs=0.05)
    shortwave = radiation.shortwave_from_sunshine(9.25, daylight, above)
    assert shortwave == pytest.approx(22.07, abs=0.01)
    clear = water.clear_sky_radiation(above, 100.0)
    assert clear == pytest.approx(30.90, abs=0.005)
    assert 0.77 * shortwave == pytest.approx(17.0, abs=0.01)
    net = water.net_radiation(12.3, 21.5, vapour, shortwave, clear)
    assert net == pytest.approx(13.28, abs=0.01)
    assert 0.77 * shortwave - net == pytest.approx(3.71, abs=0.01)
    demand = water.reference_evapotranspiration(12.3, 21.5, vapour, shortwave, 2.078, 100.0, 50.8, 187)
    assert demand == pytest.approx(3.88, abs=0.005)


def test_example_19_n_diaye_by_day_and_by_night() -> None:
    latitude, longitude, day = 16.0 + 13.0 / 60.0, -(16.0 + 15.0 / 60.0), 274
    # The local clock of the example is 1 h behind UTC.
    above = water.extraterrestrial_radiation_hourly(latitude, longitude, day, 15.5)
    assert above == pytest.approx(3.543, abs=0.005)
    assert water.clear_sky_radiation(above, 8.0) == pytest.approx(2.658, abs=0.005)
    vapour = humidity.vapour_pressure([38.0, 28.0], [52.0, 90.0])
    assert vapour == pytest.approx([3.445, 3.402], abs=0.001)
    assert water.slope_of_saturation([38.0, 28.0]) == pytest.approx([0.358, 0.220], abs=0.0005)
    assert water.psychrometric_constant(8.0) == pytest.approx(0.0673, abs=0.0001)
    demand = water.reference_evapotranspiration_hourly(
        [38.0, 28.0], vapour, [2.450, 0.0], [3.3, 1.9], 8.0, latitude, longitude, day, [15.5, 3.5], 0.8
    )
    assert demand == pytest.approx([0.63, 0.00], abs=0.005)
    assert demand == pytest.approx([0.6269, 0.0043], abs=0.0005)


def test_example_20_lyon_in_july_from_temperature_alone() -> None:
    latitude = 45.0 + 43.0 / 60.0
    above = water.extraterrestrial_radiation(latitude, 196)
    assert above == pytest.approx(40.55, abs=0.01)
    shortwave = radiation.shortwave_from_temperature_range(14.8, 26.6, above, 200.0, 0.16)
    assert shortwave == pytest.approx(22.29, abs=0.01)
    vapour = humidity.saturation_vapour_pressure(14.8)
    assert vapour == pytest.approx(1.68, abs=0.005)
    # The results for 2, 1 and 3 m/s and the 5.0 of Hargreaves.
    demand = water.reference_evapotranspiration(
        14.8, 26.6, vapour, shortwave, [2.0, 1.0, 3.0], 200.0, latitude, 196
    )
    assert demand == pytest.approx([4.56, 4.2, 4.8], abs=0.05)
    assert demand[0] == pytest.approx(4.56, abs=0.005)
    assert water.hargreaves(14.8, 26.6, latitude, 196) == pytest.approx(5.0, abs=0.05)


def test_hargreaves_agrees_with_two_libraries_within_two_hundredths() -> None:
    # pyet 1.5: 5.0307 (Lyon); eto 2.2: 4.06 (Uccle).
    assert water.hargreaves(14.8, 26.6, 45.0 + 43.0 / 60.0, 196) == pytest.approx(5.0307, abs=0.02)
    assert water.hargreaves(12.3, 21.5, 50.8, 187) == pytest.approx(4.06, abs=0.02)


def test_fallon_is_within_a_percent_of_the_asce_value() -> None:
    # Fallon NV, 1 July 2015, of the RefET test suite: ASCE short reference 7.942 mm; the daily FAO form
    # differs only in constants.
    demand = water.reference_evapotranspiration(
        (66.65 - 32) / 1.8, (102.80 - 32) / 1.8, 1.22067, 674.07 * 0.041868, 1.97611, 1208.5, 39.4575, 182
    )
    assert demand == pytest.approx(7.94223, rel=0.01)


# Daily Penman-Monteith and Hargreaves by the library eto 2.2.1 (its Hargreaves rounds to 0.01):
# minimum, maximum, vapour pressure, shortwave, wind at 2 m, height, latitude, day; the two answers.
ETO_DAILY = [
    (1.1, 9.3, 0.582, 9.61, 5.02, 1794, 13.76, 212, 2.2362, 2.35),
    (3.2, 11.1, 0.415, 12.79, 3.28, 936, 32.68, 284, 2.9262, 1.78),
    (11.8, 29.6, 0.718, 11.78, 3.87, 1991, 5.88, 295, 6.3637, 5.44),
    (8.9, 19.4, 1.031, 18.49, 3.33, 71, -50.17, 290, 3.578, 3.18),
    (0.2, 13.9, 0.316, 15.58, 0.52, 495, -0.34, 363, 2.2752, 3.09),
    (2.2, 18.5, 0.487, 11.02, 4.02, 309, 36.31, 5, 3.541, 1.75),
    (8.7, 24.9, 0.674, 19.38, 0.83, 183, 26.59, 90, 3.6025, 4.61),
    (-0.9, 14.5, 0.348, 21.34, 3.74, 646, -12.36, 198, 3.9196, 2.62),
    (-0.9, 9.3, 0.304, 16.93, 1.03, 1276, 11.56, 200, 2.4934, 2.47),
    (13.1, 21.3, 1.328, 16.44, 1.22, 430, 51.46, 247, 2.7609, 2.66),
    (10.4, 16.4, 0.638, 27.0, 3.54, 1890, 37.96, 222, 5.1847, 2.71),
    (12.3, 24.3, 0.868, 19.7, 1.82, 1768, -35.14, 330, 4.8239, 5.08),
]


@pytest.mark.parametrize("row", ETO_DAILY)
def test_daily_demand_agrees_with_the_library_eto_to_two_thousandths(row: tuple[float, ...]) -> None:
    low, high, vapour, shortwave, wind, height, latitude, day, demand, hargreaves = row
    ours = water.reference_evapotranspiration(low, high, vapour, shortwave, wind, height, latitude, day)
    assert ours == pytest.approx(demand, abs=0.002)
    assert water.hargreaves(low, high, latitude, day) == pytest.approx(hargreaves, abs=0.0055)


def test_hourly_demand_agrees_with_the_library_eto_to_a_thousandth() -> None:
    # eto 2.2.1 for an invented day (196) at 40 N, 96.8 W, 350 m, night ratio 0.75, hours from 00 UTC.
    air = [28.3, 26.9, 25.1, 23.0, 21.0, 18.9, 17.1, 15.7, 14.6, 14.1, 14.1, 14.6]
    air = [*air, 15.7, 17.1, 18.9, 21.0, 23.0, 25.1, 26.9, 28.3, 29.4, 29.9, 29.9, 29.4]
    vapour = [1.539, 1.595, 1.593, 1.601, 1.567, 1.529, 1.463, 1.427, 1.379, 1.368, 1.368, 1.379]
    vapour = [*vapour, 1.427, 1.463, 1.529, 1.567, 1.601, 1.593, 1.595, 1.539, 1.517, 1.477, 1.477, 1.517]
    sun = [0.66, 0.17, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0.13]
    sun = [*sun, 0.61, 1.11, 1.58, 1.98, 2.29, 2.49, 2.56, 2.5, 2.31, 2.01, 1.62, 1.16]
    wind = [3.0, 2.5, 1.6, 1.0, 1.3, 2.3, 3.0, 2.8, 1.9, 1.1, 1.2, 2.0]
    wind = [*wind, 2.8, 2.9, 2.1, 1.2, 1.0, 1.7, 2.7, 3.0, 2.4, 1.5, 1.0, 1.5]
    theirs = [
        0.2303,
        0.1129,
        0.0473,
        0.0152,
        0.0184,
        0.0309,
        0.0312,
        0.0187,
        0.0042,
        -0.0065,
        -0.0054,
        0.0158,
    ]
    theirs = [*theirs, 0.0881, 0.1706, 0.2586, 0.3492, 0.4256, 0.4905, 0.5387, 0.5582]
    theirs = [*theirs, 0.5284, 0.4499, 0.3506, 0.2742]
    ours = water.reference_evapotranspiration_hourly(
        air, vapour, sun, wind, 350.0, 40.0, -96.8, 196, np.arange(24) + 0.5, 0.75
    )
    assert ours == pytest.approx(theirs, abs=0.001)


EXAMPLE_36 = [
    # mm/m, root depth m, p, TAW, RAW
    (90, 0.4, 0.30, 36, 11),
    (90, 0.8, 0.40, 72, 29),
    (90, 1.2, 0.55, 108, 59),
    (170, 0.4, 0.30, 68, 20),
    (170, 0.8, 0.40, 136, 54),
    (170, 1.2, 0.55, 204, 112),
    (120, 0.4, 0.30, 48, 14),
    (120, 0.8, 0.40, 96, 38),
    (120, 1.2, 0.55, 144, 79),
]


@pytest.mark.parametrize(("available", "depth", "fraction", "total", "readily"), EXAMPLE_36)
def test_total_and_readily_available_water_are_those_of_example_36(
    available: float, depth: float, fraction: float, total: float, readily: float
) -> None:
    ours = water.total_available_water(available, depth)
    assert ours == pytest.approx(total, abs=1e-9)
    assert water.readily_available_water(ours, fraction) == pytest.approx(readily, abs=0.51)


def test_ten_days_without_rain_are_those_of_example_37() -> None:
    ends = water.root_zone_depletion_daily(55.0, np.zeros(10), 0.0, 6.0, 160.0, [64.0])
    printed = [61.0, 67.0, 72.8, 78.3, 83.4, 88.2, 92.6, 96.9, 100.8, 104.5]
    assert ends == pytest.approx(printed, abs=0.1)
    stress = water.stress_coefficient([55.0, *ends[:-1]], 160.0, 64.0)
    assert stress == pytest.approx([1, 1, 0.97, 0.91, 0.85, 0.80, 0.75, 0.70, 0.66, 0.62], abs=0.006)


def test_example_38_drains_before_the_plant_draws() -> None:
    # Day 1 of Example 38: 23 mm short, 40 mm of irrigation, 5.5 mm drawn; printed depletion 5.
    assert water.root_zone_depletion(23.0, 0.0, 40.0, 5.5, 39.0, 23.4) == pytest.approx(5.5)


def test_a_turf_bucket_dries_rains_and_dries_again() -> None:
    # FAO-56 eqs. 82-86 by hand: TAW 45, RAW 18, Kc 0.95, 6 mm/d, 25 mm on day 15.
    rain = np.zeros(16)
    rain[14] = 25.0
    ends = water.root_zone_depletion_daily(0.0, rain, 0.0, 5.7, 45.0, [18.0])
    first = [5.70, 11.40, 17.10, 22.80, 27.487, 31.184, 34.101, 36.402, 38.217, 39.649]
    assert ends[:10] == pytest.approx(first, abs=0.001)
    assert ends[13:] == pytest.approx([42.927, 18.365, 23.988], abs=0.001)
    assert water.stress_coefficient(ends[[3, 4, 8, 13, 14]], 45.0, 18.0) == pytest.approx(
        [0.822, 0.649, 0.251, 0.077, 0.986], abs=0.001
    )


def test_bare_loam_dries_in_two_stages_as_in_example_31() -> None:
    # TEW 20, REW 9, ETo 4.5 mm/d and the largest coefficient 1.05.
    depletion, drawn = 0.0, []
    for _ in range(10):
        lost = float(water.stress_coefficient(depletion, 20.0, 9.0)) * 1.05 * 4.5
        drawn.append(lost)
        depletion += lost
    printed = [4.73, 4.73, 4.53, 2.59, 1.47, 0.84, 0.48, 0.27, 0.16, 0.09]
    assert drawn == pytest.approx(printed, abs=0.01)


@pytest.mark.parametrize(("demand", "fraction"), [(5.0, 0.50), (2.5, 0.60), (10.0, 0.30), (0.0, 0.70)])
def test_the_readily_available_share_follows_demand(demand: float, fraction: float) -> None:
    # FAO-56 Table 22, footnote 2, by hand for p = 0.50.
    assert water.readily_available_fraction(0.5, demand) == pytest.approx(fraction)


def test_the_readily_available_share_stays_within_its_bounds() -> None:
    assert water.readily_available_fraction([0.7, 0.1], [0.0, 15.0]).tolist() == [0.8, 0.1]


# Days from field capacity to stress at p 0.5 (adjusted) and ETo 4, 6 and 8 mm/d, computed from FAO-56
# eqs. 82-86 for available water in mm/m, root depth in m and a plant factor.
DAYS_TO_STRESS = [
    (80, 0.30, 0.5, (7.4, 4.6, 3.2)),
    (80, 0.45, 0.5, (11.2, 7.0, 4.9)),
    (80, 0.60, 0.5, (14.9, 9.3, 6.5)),
    (80, 0.45, 0.7, (7.6, 4.6, 3.1)),
    (130, 0.30, 0.5, (12.1, 7.5, 5.3)),
    (130, 0.45, 0.5, (18.1, 11.3, 7.9)),
    (130, 0.60, 0.5, (24.2, 15.1, 10.5)),
    (130, 0.45, 0.7, (12.3, 7.4, 5.0)),
    (155, 0.30, 0.5, (14.4, 9.0, 6.3)),
    (155, 0.45, 0.5, (21.6, 13.5, 9.4)),
    (155, 0.60, 0.5, (28.8, 18.0, 12.6)),
    (155, 0.45, 0.7, (14.6, 8.8, 5.9)),
]


@pytest.mark.parametrize(("available", "depth", "factor", "days"), DAYS_TO_STRESS)
def test_days_until_stress_depend_on_soil_roots_and_demand(
    available: float, depth: float, factor: float, days: tuple[float, ...]
) -> None:
    crop = factor * np.array([4.0, 6.0, 8.0])
    total = water.total_available_water(available, depth)
    readily = water.readily_available_water(total, water.readily_available_fraction(0.5, crop))
    assert readily / crop == pytest.approx(days, abs=0.06)


@pytest.mark.parametrize(
    ("rain", "counted"),
    # Texas A&M, Texas ET Network: 0.1, 0.25, 0.5, 1, 1.5 and 2 in of rain, and 4 in.
    [(2.5, 0.0), (6.3, 3.8), (12.7, 10.2), (25.4, 22.9), (38.1, 31.3), (50.8, 39.8), (101.6, 39.8)],
)
def test_rain_counts_by_the_texas_ladder(rain: float, counted: float) -> None:
    assert water.effective_rain(rain, 5.0) == pytest.approx(counted, abs=0.06)


def test_rain_below_a_fifth_of_the_demand_counts_for_nothing() -> None:
    # FAO-56 p. 170.
    assert water.effective_rain(2.9, 15.0) == 0.0
    assert water.effective_rain(3.1, 15.0) == pytest.approx(0.56)


def test_the_polar_night_gives_a_finite_demand() -> None:
    demand = water.reference_evapotranspiration(-20.0, -12.0, 0.1, 0.0, 2.0, 10.0, 78.0, 355)
    assert np.isfinite(demand)
    assert water.extraterrestrial_radiation(78.0, 355) == 0.0
    hourly = water.reference_evapotranspiration_hourly(
        -15.0, 0.1, 0.0, 2.0, 10.0, 78.0, 15.0, 355, np.arange(24) + 0.5, 0.6
    )
    assert np.isfinite(hourly).all()


def test_hours_of_a_clear_day_add_up_to_the_day() -> None:
    hours = np.arange(24) + 0.5
    above = water.extraterrestrial_radiation_hourly(40.0, -96.8, 196, hours)
    assert above.sum() == pytest.approx(water.extraterrestrial_radiation(40.0, 196), rel=2e-3)


def test_missing_in_is_missing_out() -> None:
    good = [15.0, 27.0, 1.4, 22.0, 2.0, 100.0, 40.0, 196.0]
    for position in range(len(good)):
        broken = list(good)
        broken[position] = NAN
        assert np.isnan(water.reference_evapotranspiration(*broken)), position
    hour = [25.0, 1.4, 2.0, 2.0, 100.0, 40.0, -90.0, 196.0, 18.5]
    for position in range(len(hour)):
        broken = list(hour)
        broken[position] = NAN
        assert np.isnan(water.reference_evapotranspiration_hourly(*broken, 0.6)), position
    assert np.isnan(water.hargreaves([NAN, 15.0, 28.0], [27.0, NAN, 27.0], 40.0, 196)).all()
    assert np.isnan(water.effective_rain([NAN, 5.0], [5.0, NAN])).all()
    bucket = [10.0, 0.0, 0.0, 4.0, 45.0, 18.0]
    for position in range(len(bucket)):
        broken = list(bucket)
        broken[position] = NAN
        assert np.isnan(water.root_zone_depletion(*broken)), position


def test_an_unknown_day_makes_the_rest_of_the_account_unknown() -> None:
    ends = water.root_zone_depletion_daily(0.0, [0.0, NAN, 30.0], 0.0, 4.0, 45.0, [18.0])
    assert ends[0] == 4.0
    assert np.isnan(ends[1:]).all()


def test_single_precision_stays_single_and_plantings_broadcast() -> None:
    low, high = np.full((3, 5), 15, dtype=np.float32), np.full((3, 5), 27, dtype=np.float32)
    demand = water.reference_evapotranspiration(low, high, 1.4, 22.0, 2.0, 100.0, 40.0, 196)
    assert demand.dtype == np.float32
    wide = water.reference_evapotranspiration(15.0, 27.0, 1.4, 22.0, 2.0, 100.0, 40.0, 196)
    assert demand == pytest.approx(np.full((3, 5), wide), abs=1e-4)
    assert water.hargreaves(low, high, 40.0, 196).dtype == np.float32
    start = np.zeros(3, dtype=np.float32)
    ends = water.root_zone_depletion_daily(start, low * 0, 0.0, demand, np.float32(45.0), np.float32(18.0))
    assert ends.shape == (3, 5)
    assert ends.dtype == np.float32


depths = st.lists(st.floats(0.0, 60.0), min_size=2, max_size=12)


@given(depths, st.floats(0.0, 45.0), st.floats(0.0, 12.0), st.integers(1, 11))
def test_splitting_the_days_into_two_runs_changes_nothing(
    rain: list[float], start: float, demand: float, cut: int
) -> None:
    cut = min(cut, len(rain) - 1)
    whole = water.root_zone_depletion_daily(start, rain, 0.0, demand, 45.0, [18.0])
    first = water.root_zone_depletion_daily(start, rain[:cut], 0.0, demand, 45.0, [18.0])
    rest = water.root_zone_depletion_daily(first[-1], rain[cut:], 0.0, demand, 45.0, [18.0])
    assert np.concatenate([first, rest]) == pytest.approx(whole, abs=1e-9)
    assert (whole >= 0.0).all()
    assert (whole <= 45.0).all()


@given(st.floats(0.0, 45.0), st.floats(0.0, 60.0), st.floats(0.0, 10.0), st.floats(0.0, 12.0))
def test_more_water_never_leaves_the_soil_drier(
    start: float, rain: float, more: float, demand: float
) -> None:
    less = water.root_zone_depletion(start, rain, 0.0, demand, 45.0, 18.0)
    assert water.root_zone_depletion(start, rain + more, 0.0, demand, 45.0, 18.0) <= less
    assert water.root_zone_depletion(start, rain, more, demand, 45.0, 18.0) <= less


@given(st.floats(0.0, 120.0), st.floats(0.0, 20.0), st.floats(0.0, 15.0))
def test_effective_rain_rises_with_rain_and_never_exceeds_it(rain: float, more: float, demand: float) -> None:
    counted = water.effective_rain(rain, demand)
    assert 0.0 <= counted <= rain
    assert water.effective_rain(rain + more, demand) >= counted


@given(
    st.floats(5.0, 25.0),
    st.floats(0.0, 20.0),
    st.floats(0.3, 1.0),
    st.floats(2.0, 30.0),
    st.floats(0.0, 10.0),
)
def test_demand_rises_with_radiation_and_with_dry_air(
    low: float, spread: float, share: float, shortwave: float, wind: float
) -> None:
    vapour = share * float(humidity.saturation_vapour_pressure(low))

    def demand(vapour_kpa: float, radiation_mj: float) -> float:
        return float(
            water.reference_evapotranspiration(
                low, low + spread, vapour_kpa, radiation_mj, wind, 100.0, 40.0, 172
            )
        )

    assert demand(vapour, shortwave + 1.0) > demand(vapour, shortwave)
    # With a long-wave term that falls with humidity this holds once there is wind.
    if wind >= 1.0:
        assert demand(0.9 * vapour, shortwave) >= demand(vapour, shortwave) - 0.25
