"""The names and arguments that others call: each is there, broadcasts over [site, hour], keeps NaN."""

from __future__ import annotations

import datetime as dt
import importlib
import inspect
from typing import Any

import numpy as np
import pytest

from alertd.catalog.species import load_species

DAY = ("air_temperature_min_c", "air_temperature_max_c")
LIMITS = ("lower_c", "upper_c", "cutoff")
AIR = ("air_temperature_c", "relative_humidity_pct")

PUBLIC: dict[str, tuple[str, ...]] = {
    "humidity.saturation_vapour_pressure": ("air_temperature_c",),
    "humidity.vapour_pressure_deficit": AIR,
    "humidity.dew_point": AIR,
    "humidity.relative_humidity": ("air_temperature_c", "dew_point_c"),
    "humidity.wet_bulb": (*AIR, "pressure_hpa"),
    "humidity.wet_bulb_depression": (*AIR, "pressure_hpa"),
    "degree_days.simple_average": (*DAY, *LIMITS),
    "degree_days.single_sine": (*DAY, *LIMITS),
    "degree_days.double_sine": (*DAY, "next_min_c", *LIMITS),
    "degree_days.single_triangle": (*DAY, *LIMITS),
    "degree_days.double_triangle": (*DAY, "next_min_c", *LIMITS),
    "degree_days.hourly": ("air_temperature_c", *LIMITS),
    "development.linear": ("air_temperature_c", "lower_c", "constant_c_d"),
    "development.briere": ("air_temperature_c", "a", "lower_c", "lethal_c"),
    "development.lactin": ("air_temperature_c", "rho", "lethal_c", "delta", "shift"),
    "development.development_rate": ("air_temperature_c", "species"),
    "development.intrinsic_rate": ("air_temperature_c", "species"),
    "water.reference_evapotranspiration": (
        *DAY, "vapour_pressure_kpa", "shortwave_mj_m2", "wind_speed_2m_m_s", "elevation_m", "latitude_deg",
        "day_of_year",
    ),
    "water.hargreaves": (*DAY, "latitude_deg", "day_of_year"),
    "water.stress_coefficient": ("depletion_mm", "total_mm", "readily_mm"),
    "sun.altitude": ("latitude_deg", "longitude_deg", "at"),
    "sun.sunrise_sunset": ("latitude_deg", "longitude_deg", "day"),
    "sun.day_length": ("latitude_deg", "day_of_year", "twilight"),
    "stability.turner_class": ("wind_speed_m_s", "cloud_tenths", "ceiling_m", "sun_altitude_deg", "night"),
}  # fmt: skip
"""Every public function whose arguments are fixed, in their order."""
NAMED_ONLY = (
    "water.reference_evapotranspiration_hourly", "water.root_zone_depletion", "spells.hot_dry_spells",
    "counts.prior", "counts.grow", "counts.update", "counts.exceedance",
)  # fmt: skip
"""Public functions whose names are fixed, and whose arguments are their own."""

#: A sound value of each argument; the first is widened to [site, hour].
SOUND: dict[str, float] = {
    "air_temperature_c": 25.0, "relative_humidity_pct": 50.0, "dew_point_c": 12.0, "pressure_hpa": 1000.0,
    "air_temperature_min_c": 15.0, "air_temperature_max_c": 28.0, "next_min_c": 14.0, "lower_c": 10.0,
    "constant_c_d": 128.0, "a": 7.86e-5, "lethal_c": 40.3, "rho": 0.0069, "delta": 2.49, "shift": -1.078,
    "vapour_pressure_kpa": 1.4, "shortwave_mj_m2": 22.0, "wind_speed_2m_m_s": 2.0, "elevation_m": 100.0,
    "latitude_deg": 40.0, "longitude_deg": -75.0, "day_of_year": 200.0, "depletion_mm": 30.0,
    "total_mm": 60.0, "readily_mm": 25.0, "wind_speed_m_s": 2.0, "cloud_tenths": 3.0, "ceiling_m": 5000.0,
    "sun_altitude_deg": 40.0, "night": 0.0,
}  # fmt: skip


def function(name: str) -> Any:
    module, _, attribute = name.partition(".")
    return getattr(importlib.import_module(f"alertd.science.{module}"), attribute)


def arguments(name: str, **changes: Any) -> dict[str, Any]:
    given: dict[str, Any] = {}
    for argument in PUBLIC[name]:
        if argument in SOUND:
            given[argument] = SOUND[argument]
        elif argument == "species":
            given[argument] = "twospotted"
        elif argument == "at":
            given[argument] = dt.datetime(2025, 7, 15, 17, tzinfo=dt.UTC)
        elif argument == "day":
            given[argument] = dt.date(2025, 7, 15)
    return given | changes


EVERY = pytest.mark.parametrize("name", PUBLIC)
ARRAYS = tuple(name for name in PUBLIC if name not in ("degree_days.hourly", "sun.sunrise_sunset"))
EVERY_ARRAY = pytest.mark.parametrize("name", ARRAYS)


@EVERY
def test_the_arguments_have_their_fixed_names_and_order(name: str) -> None:
    parameters = inspect.signature(function(name)).parameters
    wanted = PUBLIC[name]
    assert tuple(parameters)[: len(wanted)] == wanted
    further = list(parameters.values())[len(wanted) :]
    assert all(one.default is not inspect.Parameter.empty for one in further), "what is more has a default"
    assert all(parameters[one].kind is inspect.Parameter.POSITIONAL_OR_KEYWORD for one in wanted)


def test_the_cutoffs_are_the_three_of_the_literature_and_the_defaults_hold() -> None:
    for name in PUBLIC:
        if "cutoff" in PUBLIC[name]:
            parameters = inspect.signature(function(name)).parameters
            assert parameters["upper_c"].default is None
            assert parameters["cutoff"].default == "horizontal"
            day = (
                arguments(name) if name != "degree_days.hourly" else arguments(name, air_temperature_c=[20.0])
            )
            for cutoff in ("horizontal", "intermediate", "vertical"):
                assert np.isfinite(function(name)(**day, upper_c=30.0, cutoff=cutoff)).all()
    assert inspect.signature(function("sun.day_length")).parameters["twilight"].default == "none"
    assert function("sun.day_length")(40.0, 200, "civil") > function("sun.day_length")(40.0, 200)


@pytest.mark.parametrize("name", NAMED_ONLY)
def test_the_functions_without_fixed_arguments_are_there(name: str) -> None:
    assert callable(function(name))


@EVERY_ARRAY
def test_sites_and_hours_broadcast(name: str) -> None:
    call, given = function(name), arguments(name)
    numbers = [key for key in given if key in SOUND and key not in _PARAMETERS]
    assert numbers
    flat = np.asarray(call(**given))
    first = numbers[0]
    table = np.full((3, 4), given[first])
    found = np.asarray(call(**(given | {first: table})))
    assert found.shape == (3, 4)
    assert found == pytest.approx(np.full((3, 4), float(flat)))
    if len(numbers) > 1:
        second = np.asarray(call(**(given | {first: table, numbers[1]: np.full(4, given[numbers[1]])})))
        assert second.shape == (3, 4)


_PARAMETERS = frozenset({"lower_c", "constant_c_d", "a", "lethal_c", "rho", "delta", "shift"})
"""Figures of a curve, which are one number each in the development curves."""
_MAY_BE_MISSING = {"stability.turner_class": {"ceiling_m", "cloud_tenths", "sun_altitude_deg", "night"}}
"""What may not decide: a ceiling under a clear sky, say. Its own tests say which and when."""


@EVERY_ARRAY
def test_unknown_in_is_unknown_out(name: str) -> None:
    call, given = function(name), arguments(name)
    for argument in given:
        excused = argument in _PARAMETERS or argument in _MAY_BE_MISSING.get(name, ())
        if argument in SOUND and not excused:
            assert np.isnan(np.asarray(call(**(given | {argument: np.nan})))).all(), argument


def test_degrees_of_hours_are_summed_over_the_last_axis_and_a_gap_makes_the_sum_unknown() -> None:
    hourly = function("degree_days.hourly")
    table = np.full((3, 24), 20.0)
    assert hourly(table, 10.0) == pytest.approx(np.full(3, 10.0))
    table[1, 5] = np.nan
    assert np.isnan(hourly(table, 10.0)).tolist() == [False, True, False]


def test_rise_and_set_are_instants_of_utc() -> None:
    rise, down = function("sun.sunrise_sunset")(40.0, -75.0, dt.date(2025, 7, 15))
    assert rise.utcoffset() == down.utcoffset() == dt.timedelta(0)
    assert rise < down


def test_the_species_that_others_name_are_in_the_catalog() -> None:
    assert {"twospotted", "spruce", "southern_red", "european_red", "honeylocust"} <= set(load_species())


@pytest.mark.parametrize("name", [*PUBLIC, *NAMED_ONLY])
def test_every_public_function_says_shapes_units_and_what_comes_back(name: str) -> None:
    told = inspect.getdoc(function(name)) or ""
    for part in ("Parameters\n", "Returns\n"):
        assert part in told
    assert "shape" in told.lower()
    assert "[" in told.partition("Parameters\n")[2], "units stand in brackets"


@EVERY
def test_every_fixed_function_names_its_source(name: str) -> None:
    told = inspect.getdoc(function(name)) or ""
    module = inspect.getdoc(inspect.getmodule(function(name))) or ""
    assert any(mark in told + module for mark in ("References\n", "FAO-56", "eq."))


VALIDITY = (
    "humidity.saturation_vapour_pressure", "humidity.dew_point", "humidity.relative_humidity",
    "humidity.wet_bulb", "humidity.wet_bulb_depression", "development.linear", "development.briere",
    "development.lactin", "development.development_rate", "development.intrinsic_rate",
    "water.reference_evapotranspiration", "water.reference_evapotranspiration_hourly", "water.hargreaves",
    "water.stress_coefficient", "sun.altitude",
)  # fmt: skip


@pytest.mark.parametrize("name", VALIDITY)
def test_models_with_a_range_say_where_they_hold(name: str) -> None:
    assert "valid" in (inspect.getdoc(function(name)) or "").lower()
