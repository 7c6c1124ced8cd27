"""The year of each species: rest, hatch, activity, summer rest, end."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.catalog.species import load_species
from alertd.science.season import (
    SeasonPhase,
    biofix_day,
    critical_day_length,
    northern_day,
    season_phase,
)

SPECIES = tuple(load_species())


def phase_of(species: str, previous: int | None = None, **changed: float) -> SeasonPhase:
    """Phase on a mild 1 May at 40 degrees north with plenty of degree-days, but for what is changed."""
    mild = {
        "degree_days_c_d": 800.0,
        "temperature_mean_7d_c": 15.0,
        "temperature_max_7d_c": 20.0,
        "temperature_mean_10d_c": 15.0,
        "temperature_min_10d_c": 8.0,
        "day_length_civil_h": 14.8,
        "day_of_year": 121.0,
        "latitude_deg": 40.0,
    }
    return SeasonPhase(int(season_phase(species=species, previous=previous, **(mild | changed))))


@pytest.mark.parametrize("species", SPECIES)
def test_every_species_rests_until_its_first_degree_days(species: str) -> None:
    first = float(load_species()[species].season.active_from)
    assert phase_of(species, degree_days_c_d=first - 0.1) is SeasonPhase.WINTER_REST
    assert phase_of(species, degree_days_c_d=first) is SeasonPhase.ACTIVE


def test_spruce_mites_hatch_long_before_twospotted_mites_emerge() -> None:
    # 60 degree-days Celsius are 108 Fahrenheit: inside Cornell's hatch window 50-121, far from UMass's 363.
    assert phase_of("spruce", degree_days_c_d=60.0) is SeasonPhase.ACTIVE
    assert phase_of("twospotted", degree_days_c_d=60.0) is SeasonPhase.WINTER_REST


HEAT = {"temperature_mean_7d_c": 28.0, "temperature_max_7d_c": 34.0, "temperature_mean_10d_c": 27.0}


def test_a_july_heat_wave_sends_spruce_mites_to_rest_and_leaves_twospotted_mites_active() -> None:
    july = HEAT | {"day_of_year": 196.0, "temperature_min_10d_c": 18.0}
    assert phase_of("spruce", SeasonPhase.ACTIVE, **july) is SeasonPhase.SUMMER_REST
    assert phase_of("southern_red", SeasonPhase.ACTIVE, **july) is SeasonPhase.SUMMER_REST
    assert phase_of("twospotted", SeasonPhase.ACTIVE, **july) is SeasonPhase.ACTIVE


def test_a_cool_april_finds_spruce_mites_active() -> None:
    april = {"degree_days_c_d": 40.0, "day_of_year": 110.0, "temperature_min_10d_c": -3.0}
    assert phase_of("spruce", **april) is SeasonPhase.ACTIVE


@pytest.mark.parametrize(
    ("mean_c", "max_c", "expected"),
    [
        (24.5, 28.0, SeasonPhase.SUMMER_REST),
        (22.0, 26.0, SeasonPhase.SUMMER_REST),  # one of the two has cooled, not both
        (20.0, 28.0, SeasonPhase.SUMMER_REST),
        (20.0, 26.0, SeasonPhase.ACTIVE),  # autumn: highs in the 60s and 70s degF, Delaware 2008
    ],
)
def test_summer_rest_ends_when_means_and_maxima_have_cooled(
    mean_c: float, max_c: float, expected: SeasonPhase
) -> None:
    september = {"temperature_mean_7d_c": mean_c, "temperature_max_7d_c": max_c, "day_of_year": 260.0}
    assert phase_of("spruce", SeasonPhase.SUMMER_REST, **september) is expected


def test_spruce_mites_never_rest_where_it_never_gets_hot() -> None:
    # North Carolina State University: in the mountains active from March to November.
    for day in range(100, 300, 10):
        mountain = {"temperature_mean_7d_c": 18.0, "temperature_max_7d_c": 24.0, "day_of_year": float(day)}
        assert phase_of("spruce", SeasonPhase.ACTIVE, **mountain) is SeasonPhase.ACTIVE


def test_with_no_memory_of_yesterday_high_summer_counts_as_rest_and_spring_does_not() -> None:
    between = {"temperature_mean_7d_c": 22.0, "temperature_max_7d_c": 28.0}
    assert phase_of("spruce", None, day_of_year=215.0, **between) is SeasonPhase.SUMMER_REST
    assert phase_of("spruce", None, day_of_year=150.0, **between) is SeasonPhase.ACTIVE


def test_short_cool_days_end_the_twospotted_season_and_short_warm_days_do_not() -> None:
    # At 40 degrees the line with its margin gives 11.8 h; civil-twilight day length falls below in October.
    october = {"day_of_year": 290.0, "day_length_civil_h": 11.5}
    assert phase_of("twospotted", temperature_mean_10d_c=14.0, **october) is SeasonPhase.SEASON_OVER
    assert phase_of("twospotted", temperature_mean_10d_c=19.0, **october) is SeasonPhase.ACTIVE
    assert (
        phase_of("twospotted", temperature_mean_10d_c=14.0, day_of_year=250.0, day_length_civil_h=13.5)
        is SeasonPhase.ACTIVE
    )


def test_cool_season_mites_go_on_to_hard_frost() -> None:
    november = {"day_of_year": 310.0, "day_length_civil_h": 11.0, "temperature_mean_10d_c": 8.0}
    assert phase_of("spruce", temperature_min_10d_c=-1.0, **november) is SeasonPhase.ACTIVE
    assert phase_of("spruce", temperature_min_10d_c=-4.0, **november) is SeasonPhase.SEASON_OVER


def test_a_warm_november_does_not_open_a_season_that_is_over() -> None:
    warm = {"day_of_year": 320.0, "temperature_mean_10d_c": 20.0, "temperature_min_10d_c": 5.0}
    assert phase_of("twospotted", SeasonPhase.SEASON_OVER, **warm) is SeasonPhase.SEASON_OVER


def test_the_new_year_begins_with_winter_rest() -> None:
    january = {"day_of_year": 1.0, "degree_days_c_d": 0.0, "temperature_min_10d_c": -8.0}
    assert phase_of("twospotted", SeasonPhase.SEASON_OVER, **january) is SeasonPhase.WINTER_REST


def test_a_late_frost_in_april_ends_no_season() -> None:
    assert phase_of("spruce", day_of_year=105.0, temperature_min_10d_c=-5.0) is SeasonPhase.ACTIVE


def test_the_south_has_its_year_half_a_year_later() -> None:
    south = {"latitude_deg": -35.0, "day_of_year": 15.0} | HEAT
    assert phase_of("spruce", SeasonPhase.ACTIVE, **south) is SeasonPhase.SUMMER_REST
    june = {
        "latitude_deg": -40.0,
        "day_of_year": 150.0,
        "day_length_civil_h": 10.5,
        "temperature_mean_10d_c": 9.0,
    }
    assert phase_of("twospotted", SeasonPhase.ACTIVE, **june) is SeasonPhase.SEASON_OVER
    assert biofix_day([40.0, -35.0], "twospotted").tolist() == [1, 182]


def test_northern_days_keep_their_number() -> None:
    assert northern_day(196, 40.0) == 196
    assert northern_day(196, -40.0) == 13
    assert northern_day(13, -40.0) == 196


@pytest.mark.parametrize(
    ("latitude_deg", "published_h", "off"),
    [
        (59.9, 16.30, 0.5),  # St Petersburg
        (52.2, 13.77, 0.5),  # Warsaw
        (51.8, 14.02, 0.5),  # Voorne
        (51.1, 13.28, 0.5),  # near Calais
        (45.4, 12.54, 0.5),  # Padua
        (40.6, 10.97, 0.5),  # Thessaloniki, 10.94-11.01
    ],
)
def test_the_day_length_line_runs_through_the_european_lowland_strains(
    latitude_deg: float, published_h: float, off: float
) -> None:
    # Koveos 1993 and Vaz Nunes 1990, digitised; residuals of the fit within 0.45 h.
    line = float(critical_day_length(latitude_deg, "twospotted", with_margin=False))
    assert line == pytest.approx(published_h, abs=off)


@pytest.mark.parametrize(("latitude_deg", "hours"), [(45.0, 12.11), (52.0, 13.96)])
def test_the_day_length_line_reproduces_its_worked_values(latitude_deg: float, hours: float) -> None:
    line = float(critical_day_length(latitude_deg, "twospotted", with_margin=False))
    assert line == pytest.approx(hours, abs=0.01)


def test_mountain_strains_lie_off_the_line_as_published() -> None:
    # Susch, 46.75 degrees, high in the Alps: 15.50 h, two to three hours above the lowland line.
    assert 15.50 - float(critical_day_length(46.75, "twospotted", with_margin=False)) > 2.0


def test_the_rule_keeps_the_critical_day_length_within_its_bounds() -> None:
    assert critical_day_length([0.0, 45.0, 89.0], "twospotted").round(2).tolist() == [10.0, 13.11, 15.0]
    assert critical_day_length(-45.0, "twospotted") == critical_day_length(45.0, "twospotted")
    assert float(critical_day_length(45.0, "spruce")) == 0.0


@pytest.mark.parametrize("species", SPECIES)
@pytest.mark.parametrize("previous", [SeasonPhase.WINTER_REST, SeasonPhase.ACTIVE, SeasonPhase.SEASON_OVER])
def test_unknown_weather_keeps_the_phase(species: str, previous: SeasonPhase) -> None:
    unknown = dict.fromkeys(
        ("degree_days_c_d", "temperature_mean_7d_c", "temperature_max_7d_c", "temperature_mean_10d_c",
         "temperature_min_10d_c"), float("nan"),
    )  # fmt: skip
    assert phase_of(species, previous, day_of_year=280.0, **unknown) is previous


def test_unknown_weather_keeps_a_summer_rest() -> None:
    unknown = {"temperature_mean_7d_c": float("nan"), "temperature_max_7d_c": float("nan")}
    assert phase_of("spruce", SeasonPhase.SUMMER_REST, **unknown) is SeasonPhase.SUMMER_REST


def test_many_sites_and_days_are_judged_at_once() -> None:
    phases = season_phase(
        np.array([[0.0, 60.0], [60.0, 600.0]]),
        15.0,
        20.0,
        15.0,
        8.0,
        14.0,
        121.0,
        np.array([[40.0], [45.0]]),
        "spruce",
    )
    assert phases.shape == (2, 2)
    assert phases.tolist() == [[0, 1], [1, 1]]


@given(
    st.sampled_from(SPECIES), st.floats(0.0, 3000.0), st.floats(-20.0, 40.0), st.floats(0.0, 20.0),
    st.integers(1, 365), st.floats(-60.0, 60.0), st.sampled_from([-1, 0, 1, 2, 3]),
)  # fmt: skip
def test_only_cool_season_mites_ever_rest_in_summer(
    species: str, degree_days: float, mean_c: float, spread_c: float, day: int, latitude: float, previous: int
) -> None:
    phase = phase_of(
        species, previous, degree_days_c_d=degree_days, temperature_mean_7d_c=mean_c,
        temperature_max_7d_c=mean_c + spread_c, temperature_mean_10d_c=mean_c,
        temperature_min_10d_c=mean_c - spread_c, day_of_year=float(day), latitude_deg=latitude,
    )  # fmt: skip
    if load_species()[species].season.summer_rest is None:
        assert phase is not SeasonPhase.SUMMER_REST
    else:
        assert phase is not SeasonPhase.ACTIVE or mean_c < 24.0
