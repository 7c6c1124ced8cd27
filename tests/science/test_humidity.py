"""Humidity against FAO-56, ASHRAE by way of psychrolib, and printed tables."""

from __future__ import annotations

import itertools

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.science import humidity

psychrolib.SetUnitSystem(psychrolib.SI)

temperatures = st.floats(-10.0, 45.0)
humidities = st.floats(5.0, 100.0)
pressures = st.floats(700.0, 1050.0)


@pytest.mark.parametrize(
    ("temperature_c", "pressure_kpa"),
    # FAO-56 (Allen et al. 1998), Example 3 and Annex 2 Table 2.3 through Example 19 (38 and 28 degC).
    [(24.5, 3.075), (15.0, 1.705), (38.0, 6.625), (28.0, 3.780), (26.6, 3.483), (14.8, 1.683)],
)
def test_saturation_follows_the_worked_examples_of_fao_56(temperature_c: float, pressure_kpa: float) -> None:
    assert humidity.saturation_vapour_pressure(temperature_c) == pytest.approx(pressure_kpa, abs=0.001)


def test_mean_saturation_of_a_day_is_that_of_fao_56_example_3() -> None:
    mean = humidity.saturation_vapour_pressure([15.0, 24.5]).mean()
    assert mean == pytest.approx(2.39, abs=0.005)
    assert humidity.saturation_vapour_pressure(19.75) == pytest.approx(2.30, abs=0.005)


@pytest.mark.parametrize(("temperature_c", "pascal"), [(5.0, 872.6), (25.0, 3169.7)])
def test_saturation_is_within_an_eighth_of_a_percent_of_ashrae(temperature_c: float, pascal: float) -> None:
    # ASHRAE Handbook of Fundamentals 2017, chapter 1, Table 3.
    assert humidity.saturation_vapour_pressure(temperature_c) == pytest.approx(pascal / 1000.0, rel=1.25e-3)


def test_saturation_stays_within_0_12_percent_of_psychrolib_from_0_to_45_degrees() -> None:
    grid = np.arange(0.1, 45.1, 1.0)
    reference = np.array([psychrolib.GetSatVapPres(t) for t in grid]) / 1000.0
    assert np.max(np.abs(humidity.saturation_vapour_pressure(grid) / reference - 1.0)) < 1.2e-3


def test_vapour_pressure_and_deficit_are_those_of_fao_56_examples_5_and_6() -> None:
    vapour = humidity.vapour_pressure_from_extremes(18.0, 25.0, 54.0, 82.0)
    assert vapour == pytest.approx(1.70, abs=0.005)
    saturation = humidity.saturation_vapour_pressure([18.0, 25.0]).mean()
    assert saturation - vapour == pytest.approx(0.91, abs=0.005)
    assert saturation * 0.68 == pytest.approx(1.78, abs=0.005)  # eq. 19, from the mean humidity


@pytest.mark.parametrize(
    ("temperature_c", "humidity_pct", "deficit_kpa"),
    # 38 degC / 52 %: FAO-56 Example 19; 28/90: the same, night; the rest from eq. 11 by hand.
    [
        (38.0, 52.0, 3.180),
        (28.0, 90.0, 0.378),
        (30.0, 30.0, 2.9701),
        (20.0, 50.0, 1.1691),
        (35.0, 20.0, 4.4981),
    ],
)
def test_deficit_follows_the_worked_examples(
    temperature_c: float, humidity_pct: float, deficit_kpa: float
) -> None:
    assert humidity.vapour_pressure_deficit(temperature_c, humidity_pct) == pytest.approx(
        deficit_kpa, abs=6e-4
    )


def test_standard_pressure_is_that_of_fao_56_examples_2_and_18() -> None:
    assert humidity.standard_pressure([1800.0, 100.0, 0.0]) == pytest.approx([818.0, 1001.0, 1013.0], abs=1.0)


def test_dew_point_is_within_a_twentieth_of_a_degree_of_psychrolib_above_freezing() -> None:
    cases = [
        (t, rh, psychrolib.GetTDewPointFromRelHum(t, rh / 100.0))
        for t, rh in itertools.product(np.arange(0.5, 45.1, 4.0), np.arange(5.0, 100.1, 5.0))
    ]
    t, rh, reference = np.array([case for case in cases if case[2] > 0.0]).T
    assert len(reference) > 150
    assert np.max(np.abs(humidity.dew_point(t, rh) - reference)) < 0.05


def test_dew_point_below_freezing_is_the_one_over_water_not_the_frost_point() -> None:
    # 5 degC / 60 %: -2.10 over water (FAO-56 inverse), -1.87 over ice.
    assert humidity.dew_point(5.0, 60.0) == pytest.approx(-2.103, abs=1e-3)


def _two_answers(temperature_c: float, humidity_pct: float, pressure_hpa: float) -> bool:
    """Whether both a wet and a frozen bulb fit: psychrolib's bisection falls on either."""
    ratio = psychrolib.GetHumRatioFromRelHum(temperature_c, humidity_pct / 100.0, pressure_hpa * 100.0)
    frozen = psychrolib.GetHumRatioFromTWetBulb(temperature_c, -1e-9, pressure_hpa * 100.0)
    wet = psychrolib.GetHumRatioFromTWetBulb(temperature_c, 0.0, pressure_hpa * 100.0)
    return bool(wet - 1e-5 <= ratio <= frozen + 1e-5)


def test_wet_bulb_is_within_a_fiftieth_of_a_degree_of_psychrolib_over_the_whole_grid() -> None:
    grid = [
        (t, rh, p)
        for t, rh, p in itertools.product(
            np.arange(-10.0, 45.1, 2.5), np.arange(5.0, 100.1, 5.0), (700.0, 850.0, 1013.25)
        )
        if t < 0.0 or not _two_answers(t, rh, p)
    ]
    assert len(grid) > 1350
    reference = np.array([psychrolib.GetTWetBulbFromRelHum(t, rh / 100.0, p * 100.0) for t, rh, p in grid])
    t, rh, p = np.array(grid).T
    assert np.max(np.abs(humidity.wet_bulb(t, rh, p) - reference)) < 0.02


@pytest.mark.parametrize(
    ("temperature_c", "humidity_pct", "pressure_hpa", "bulb_c"),
    # Computed with CoolProp 8.0 (real humid air), which shares no code with psychrolib.
    [
        (30.0, 30.0, 1013.25, 17.961),
        (20.0, 50.0, 1013.25, 13.776),
        (25.0, 80.0, 1013.25, 22.379),
        (35.0, 20.0, 1013.25, 18.857),
        (38.0, 12.0, 1013.25, 18.180),
        (40.0, 50.0, 1013.25, 30.306),
        (27.0, 35.0, 1013.25, 16.804),
        (10.0, 90.0, 1013.25, 9.156),
        (5.0, 60.0, 1013.25, 2.109),
        (15.0, 60.0, 900.0, 10.598),
        (30.0, 30.0, 850.0, 17.254),
        (30.0, 30.0, 700.0, 16.506),
        (30.0, 100.0, 1013.25, 30.0),
    ],
)
def test_wet_bulb_is_within_a_twentieth_of_a_degree_of_real_humid_air(
    temperature_c: float, humidity_pct: float, pressure_hpa: float, bulb_c: float
) -> None:
    assert humidity.wet_bulb(temperature_c, humidity_pct, pressure_hpa) == pytest.approx(bulb_c, abs=0.05)


def test_wet_bulb_is_near_the_psychrometer_of_fao_56_example_4() -> None:
    # Dry bulb 25.6, wet bulb 19.5 degC at 87.9 kPa: vapour pressure 1.91 kPa. A real psychrometer, so 0.15.
    humidity_pct = 100.0 * 1.91 / humidity.saturation_vapour_pressure(25.6)
    assert humidity.wet_bulb(25.6, humidity_pct, 879.0) == pytest.approx(19.5, abs=0.15)


def test_depression_gives_the_humidity_of_a_printed_psychrometric_table() -> None:
    # ASHRAE 2017 chapter 1 Example 1: 40 degC dry, 20 degC wet, 14 %.
    assert humidity.wet_bulb_depression(40.0, 14.0, 1013.25) == pytest.approx(20.0, abs=0.3)
    # School psychrometric table (whole per cents): depression 1..9 K at 30 degC.
    printed = [93, 86, 80, 73, 67, 61, 56, 50, 45]
    depression = humidity.wet_bulb_depression(30.0, printed, 1013.25)
    assert depression == pytest.approx(np.arange(1.0, 10.0), abs=0.2)


def test_wet_bulb_is_finite_and_right_in_any_weather_there_is() -> None:
    # psychrolib over the whole possible range of the weather table, far beyond the stated validity.
    t, rh, p = (
        part.ravel()
        for part in np.meshgrid(
            [-60.0, -40.0, -25.0, 25.0, 50.0, 60.0], [0.0, 1.0, 50.0, 100.0], [500.0, 1090.0]
        )
    )
    bulb = humidity.wet_bulb(t, rh, p)
    known = rh >= 1.0
    reference = [
        psychrolib.GetTWetBulbFromRelHum(*case)
        for case in zip(t[known], rh[known] / 100.0, p[known] * 100.0, strict=True)
    ]
    assert np.isfinite(bulb).all()
    assert np.max(np.abs(bulb[known] - reference)) < 0.1


def test_missing_in_is_missing_out() -> None:
    nan = float("nan")
    for function in (humidity.vapour_pressure_deficit, humidity.dew_point, humidity.vapour_pressure):
        assert np.isnan(function([nan, 20.0], [50.0, nan])).all()
    assert np.isnan(humidity.relative_humidity([nan, 20.0], [5.0, nan])).all()
    for function in (humidity.wet_bulb, humidity.wet_bulb_depression):
        assert np.isnan(function([nan, 20.0, 20.0], [50.0, nan, 50.0], [1000.0, 1000.0, nan])).all()
    assert np.isnan(humidity.saturation_vapour_pressure(nan))
    assert np.isnan(humidity.standard_pressure(nan))


def test_there_is_no_dew_point_in_air_without_water() -> None:
    assert np.isnan(humidity.dew_point(20.0, [0.0, -1.0])).all()


def test_single_precision_stays_single_and_agrees() -> None:
    t = np.linspace(-10.0, 45.0, 50, dtype=np.float32)[:, None]
    rh = np.linspace(5.0, 100.0, 20, dtype=np.float32)
    narrow = humidity.wet_bulb(t, rh, np.float32(1000.0))
    assert narrow.dtype == np.float32
    assert narrow.shape == (50, 20)
    wide = humidity.wet_bulb(t.astype(np.float64), rh.astype(np.float64), 1000.0)
    # Where 0 degC is all but met single precision may see the other kind of bulb.
    assert np.quantile(np.abs(narrow - wide), 0.99) < 1e-3
    assert humidity.vapour_pressure_deficit(t, rh).dtype == np.float32
    assert humidity.dew_point(t, 50.0).dtype == np.float32


@given(temperatures, humidities, pressures)
def test_dew_point_wet_bulb_and_air_temperature_keep_their_order(t: float, rh: float, p: float) -> None:
    bulb = humidity.wet_bulb(t, rh, p)
    assert bulb <= t + 1e-9
    # A frozen bulb stands below the dew point over water in nearly saturated frost, hence from 0 degC.
    if t >= 0.0:
        assert humidity.dew_point(t, rh) <= bulb + 0.4


@given(temperatures, humidities)
def test_dew_point_and_humidity_invert_each_other(t: float, rh: float) -> None:
    assert humidity.relative_humidity(t, humidity.dew_point(t, rh)) == pytest.approx(rh, abs=1e-6)


@given(st.floats(1.0, 45.0), humidities, st.floats(0.1, 10.0), pressures)
def test_drier_air_is_colder_on_the_bulb_and_thirstier(t: float, rh: float, less: float, p: float) -> None:
    drier = max(rh - less, 0.0)
    assert humidity.vapour_pressure_deficit(t, drier) >= humidity.vapour_pressure_deficit(t, rh)
    assert humidity.wet_bulb(t, drier, p) <= humidity.wet_bulb(t, rh, p) + 1e-6


@given(st.floats(-20.0, 50.0), st.floats(-10.0, 130.0))
def test_humidity_outside_its_range_is_cut_and_never_gives_a_negative_deficit(t: float, rh: float) -> None:
    assert humidity.vapour_pressure_deficit(t, rh) >= 0.0
    assert 0.0 <= humidity.relative_humidity(t, rh / 3.0) <= 100.0
