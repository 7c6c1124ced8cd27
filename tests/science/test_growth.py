"""Growth and degree-days of days, looked up once for all species, are those of the hourly curves."""

from __future__ import annotations

import datetime as dt

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.catalog.species import load_species
from alertd.science import days, degree_days, growth
from alertd.science.development import intrinsic_rate
from alertd.science.growth import NEVER_C, daily_degrees, daily_growth, of_sites, warm_hours

SPECIES = tuple(load_species())
AXIS = days.local_days(dt.datetime(2025, 3, 7, 5, tzinfo=dt.UTC), 4 * 24 - 1, "America/New_York")
Floats = npt.NDArray[np.float64]


def weather(seed: int, sites: int = 3) -> Floats:
    draw = np.random.default_rng(seed)
    hourly = np.round(draw.uniform(-30.0, 55.0, (sites, AXIS.hour_of_day.size)), int(draw.integers(0, 3)))
    hourly[draw.random(hourly.shape) < draw.choice([0.0, 0.1, 0.3])] = np.nan
    return hourly


@given(seed=st.integers(0, 10_000), species=st.sampled_from(SPECIES), first=st.integers(0, 3))
def test_the_growth_of_a_day_is_the_mean_over_its_known_hours(seed: int, species: str, first: int) -> None:
    hourly = weather(seed)
    wanted = days.daily_mean(intrinsic_rate(hourly, species), AXIS)[:, first:]
    np.testing.assert_allclose(daily_growth(warm_hours(hourly, AXIS, first), species), wanted, atol=1e-13)


@given(
    seed=st.integers(0, 10_000),
    lower=st.floats(0.0, 15.0),
    upper=st.none() | st.floats(20.0, 35.0),
    first=st.integers(0, 3),
)
def test_the_degree_days_of_a_day_are_the_sum_over_its_known_hours(
    seed: int, lower: float, upper: float | None, first: int
) -> None:
    hourly = weather(seed)
    warm = degree_days.above_threshold(hourly, lower, upper) / 24.0
    wanted = days.daily_sum(warm, AXIS)[:, first:]
    np.testing.assert_allclose(
        daily_degrees(warm_hours(hourly, AXIS, first), lower, upper), wanted, atol=1e-12
    )


@pytest.mark.parametrize("species", SPECIES)
def test_every_hundredth_of_a_degree_grows_as_the_curve_says_and_none_beyond_its_ends(species: str) -> None:
    axis = days.local_days(dt.datetime(2025, 7, 1, tzinfo=dt.UTC), 24, "UTC")
    for temperature in np.arange(-70.0, 75.0, 0.01):
        hours = warm_hours(np.full((1, 24), temperature), axis)
        if not 0.0 <= temperature <= 45.0 and round(temperature * 100) % 25:
            continue  # far outside a quarter of a degree is fine enough
        found = daily_growth(hours, species)[0, 0]
        assert found == pytest.approx(float(intrinsic_rate(temperature, species)), abs=1e-13)


def test_a_species_with_knots_within_a_tenth_is_searched(monkeypatch: pytest.MonkeyPatch) -> None:
    hourly = weather(5)
    wanted = daily_growth(warm_hours(hourly, AXIS), "twospotted")
    monkeypatch.setattr(growth, "CELLS_PER_C", 1 / 3)
    growth._line.cache_clear()
    try:
        assert growth._line("twospotted") is None
        np.testing.assert_allclose(daily_growth(warm_hours(hourly, AXIS), "twospotted"), wanted, atol=1e-13)
    finally:
        growth._line.cache_clear()


def test_some_of_the_sites_have_the_hours_they_have_among_all() -> None:
    hours = warm_hours(weather(7, 5), AXIS)
    rows = np.array([4, 1], dtype=np.int64)
    np.testing.assert_array_equal(
        daily_growth(of_sites(hours, rows), "spruce"), daily_growth(hours, "spruce")[rows]
    )
    assert of_sites(hours, np.arange(5, dtype=np.int64)) is hours
    assert (hours.temperature_c == NEVER_C).any()
