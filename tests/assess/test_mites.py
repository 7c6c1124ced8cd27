from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import replace

import numpy as np
import pytest

from alertd.assess.mites import _biofix
from alertd.catalog.species import load_species
from alertd.records.assessment import Level, Phase
from alertd.records.site import Irrigation, Site
from alertd.science.development import development_rate
from alertd.science.population import development_to_adults, development_to_hatch
from alertd.science.season import SeasonPhase
from tests.assess.skies import (
    DAY,
    HOT,
    MILD,
    SITE,
    Sky,
    Watch,
    at,
    days_of,
    planting,
    pressure_of,
    seen_at,
    truth_of,
    without,
)

JUNE = dt.date(2025, 6, 1)
NEW_YEAR = dt.date(2025, 1, 1)
WINTER = Sky(-6.0, 4.0, -8.0)


def test_seven_days_of_20_to_35_are_four_fifths_of_a_twospotted_generation_and_nine_a_whole_one() -> None:
    """mites.md section 4: 111 degree-days, 0.79 of 140; capped at 33 degC 15.56 a day (section 9, 15).

    7 x 15.56 / 140 = 0.778 and 9 x 15.56 / 140 = 1.000.
    """
    watch = Watch(truth_of(JUNE, [HOT] * 60), past_h=2 * 24)
    done = {}
    for now in days_of(JUNE + 2 * DAY, 12):
        watch.look(now)
        if "s1" in watch.seasons:
            done[watch.seasons["s1"].day] = watch.seasons["s1"].species["twospotted"].generations
    first = min(done)
    assert done[first + 7 * DAY] - done[first] == pytest.approx(0.778, abs=0.01)
    assert done[first + 9 * DAY] - done[first] == pytest.approx(1.0, abs=0.01)


def test_a_fortnight_of_20_to_35_gives_five_doublings_on_a_good_host() -> None:
    """Catalog, flare rate of twospotted: five doublings in a fortnight, as days of 20/35 degC give."""
    found = pressure_of(
        Watch(truth_of(JUNE, [HOT] * 40), past_h=15 * 24).look(at(JUNE + 16 * DAY)), "twospotted"
    )
    assert found.doubling_time_d is not None
    assert 14.0 / found.doubling_time_d == pytest.approx(5.0, abs=0.2)
    assert found.score > 90.0
    assert found.level is Level.SEVERE
    assert sum(part.points for part in found.parts) == pytest.approx(found.score)


def test_mites_double_half_as_fast_on_a_host_that_halves_their_rate() -> None:
    """mites.md 1.5 c: a woody host multiplies the rate by 0.5 to 0.7."""
    poor = replace(SITE, plantings=(planting("arborvitae"),))
    truth = truth_of(JUNE, [HOT] * 40)
    good_host = pressure_of(Watch(truth, past_h=15 * 24).look(at(JUNE + 16 * DAY)), "twospotted")
    poor_host = pressure_of(Watch(truth, [poor], past_h=15 * 24).look(at(JUNE + 16 * DAY)), "twospotted")
    assert good_host.doubling_time_d is not None
    assert poor_host.doubling_time_d == pytest.approx(2.0 * good_host.doubling_time_d)
    assert poor_host.doubling_ahead_d == pytest.approx(poor_host.doubling_time_d)


def test_a_july_heat_wave_rests_the_spruce_mite_and_a_cool_april_does_not() -> None:
    """mites.md section 2: rests warmer than 80-90 degF; hatched and active from 28-67 degree-days on."""
    site = replace(SITE, plantings=(planting("spruce"),))
    skies = [WINTER] * 90 + [Sky(9.0, 21.0, 4.0)] * 40 + [MILD] * 40 + [Sky(22.0, 35.0, 14.0)] * 30
    watch = Watch(truth_of(NEW_YEAR, skies), [site])
    april = pressure_of(watch.look(*days_of(NEW_YEAR + 3 * DAY, 113, every=4)), "spruce")
    assert april.phase is Phase.ACTIVE
    assert april.degree_days_c_d is not None
    assert 90.0 < april.degree_days_c_d < 202.0, "the active spring window of mites.md"
    assert april.score > 40.0
    july = pressure_of(watch.look(*days_of(NEW_YEAR + 119 * DAY, 62, every=4)), "spruce")
    assert july.phase is Phase.SUMMER_REST
    assert july.score == 0.0
    assert july.egg_share is None
    assert july.next_hatch_on is None


def test_the_first_spruce_mites_of_the_year_are_eggs_that_hatch_first() -> None:
    site = replace(SITE, plantings=(planting("spruce"),))
    skies = [WINTER] * 90 + [Sky(9.0, 21.0, 4.0)] * 60
    watch = Watch(truth_of(NEW_YEAR, skies), [site])
    shares: list[float] = []
    for now in days_of(NEW_YEAR + 5 * DAY, 125, every=3):
        found = pressure_of(watch.look(now), "spruce")
        if found.egg_share is not None:
            if not shares:
                assert found.next_hatch_on is not None
            shares.append(found.egg_share)
    assert shares[0] == 1.0
    assert min(shares) < 0.3, "they hatch and grow up before they lay"
    assert shares[-1] > min(shares), "and then lay"


def test_the_dates_of_hatch_and_adults_are_when_the_forecast_brings_the_development_needed() -> None:
    """Worked again from hourly ``development_rate``: half of today's eggs need what is left of the egg."""
    truth = truth_of(JUNE, [Sky(16.0, 30.0, 10.0)] * 40)
    watch = Watch(truth, past_h=15 * 24)
    watch.look(at(JUNE + 16 * DAY))
    found = pressure_of(watch.look(at(JUNE + 17 * DAY)), "twospotted")
    state = np.array([watch.seasons["s1"].species["twospotted"].stages])
    day_rate = development_rate(truth["air_temperature_c"].to_numpy()[24 * 17 : 24 * 18], "twospotted").mean()
    hatch = int(np.ceil(development_to_hatch(state, "twospotted")[0] / day_rate)) - 1
    adults = int(np.ceil(development_to_adults(state, "twospotted")[0] / day_rate)) - 1
    assert found.next_hatch_on == JUNE + (17 + hatch) * DAY
    assert found.next_adults_on == JUNE + (17 + adults) * DAY
    assert found.egg_share == pytest.approx(0.6, abs=0.2)


@pytest.mark.parametrize(
    ("site_biofix", "latitude_deg", "today", "expected"),
    [
        (None, 40.0, dt.date(2025, 6, 1), dt.date(2025, 1, 1)),
        (None, 40.0, dt.date(2025, 1, 1), dt.date(2025, 1, 1)),
        (None, 40.0, dt.date(2024, 12, 31), dt.date(2024, 1, 1)),
        (None, -37.0, dt.date(2025, 6, 1), dt.date(2024, 6, 30)),
        (None, -37.0, dt.date(2025, 7, 1), dt.date(2025, 7, 1)),
        (dt.date(2020, 3, 1), 40.0, dt.date(2025, 2, 28), dt.date(2024, 3, 1)),
        (dt.date(2020, 3, 1), 40.0, dt.date(2025, 3, 1), dt.date(2025, 3, 1)),
        (dt.date(2024, 2, 29), 40.0, dt.date(2025, 6, 1), dt.date(2025, 3, 1)),
    ],
)
def test_the_biofix_is_the_newest_that_has_passed(
    site_biofix: dt.date | None, latitude_deg: float, today: dt.date, expected: dt.date
) -> None:
    """Half a year apart in the two hemispheres (day 182 is 30 June in a leap year)."""
    site = replace(SITE, latitude_deg=latitude_deg, biofix=site_biofix)
    assert _biofix(site, "twospotted", today) == expected


@pytest.mark.parametrize(
    ("latitude_deg", "zone", "biofix"),
    [(40.0, "America/New_York", dt.date(2026, 1, 1)), (-37.8, "Australia/Melbourne", dt.date(2025, 7, 1))],
)
def test_the_season_starts_again_at_the_biofix_of_the_hemisphere(
    latitude_deg: float, zone: str, biofix: dt.date
) -> None:
    site = replace(SITE, latitude_deg=latitude_deg, zone=zone)
    before = biofix - 40 * DAY
    watch = Watch(truth_of(before, [MILD] * 80, zone), [site])
    sums: dict[dt.date, float] = {}
    for i in [6, 10, 16, 22, 28, 34, 40, 41, 46, 50, 55]:
        watch.look(at(before + i * DAY, 6, zone))
        if "s1" in watch.seasons:
            sums[watch.seasons["s1"].day] = watch.seasons["s1"].species["twospotted"].degree_days_c_d
    a_day = 8.0  # mean of 12/24 degC is 18, 8 above the base of 10
    assert np.isnan(sums[biofix - DAY]), "the service was not there at the last biofix"
    assert sums[biofix] == pytest.approx(a_day, abs=0.01)
    assert sums[biofix + 9 * DAY] == pytest.approx(10 * a_day, abs=0.01)
    assert pressure_of(watch.found["s1"], "twospotted").phase is Phase.WINTER_REST
    assert watch.seasons["s1"].species["twospotted"].stages == ()


def test_a_site_added_in_mid_season_has_unknown_degree_days_but_mites_that_count_as_awake() -> None:
    found = pressure_of(Watch(truth_of(JUNE, [HOT] * 40)).look(at(JUNE + 12 * DAY)), "twospotted")
    assert found.degree_days_c_d is None
    assert found.phase is Phase.ACTIVE
    assert found.known
    assert found.egg_share is not None
    assert found.egg_share > 0.4, "met in mid-season: the stages of steady growth, not one female"


def test_a_late_start_counts_from_zero_only_where_it_was_cold() -> None:
    """A start 60 days after the biofix: known after a frozen winter, unknown in a warm place."""
    first = NEW_YEAR + 60 * DAY
    cold = Watch(truth_of(first - 12 * DAY, [WINTER] * 40)).look(at(first))
    warm = Watch(truth_of(first - 12 * DAY, [MILD] * 40)).look(at(first))
    assert pressure_of(cold, "twospotted").degree_days_c_d == 0.0
    assert pressure_of(warm, "twospotted").degree_days_c_d is None


def test_too_few_known_days_are_no_pressure_of_zero_but_an_unknown_one() -> None:
    """A provider without past on its first day."""
    found = pressure_of(Watch(truth_of(JUNE, [HOT] * 40), past_h=0).look(at(JUNE + 12 * DAY)), "twospotted")
    assert not found.known
    assert found.parts == ()
    assert found.level is Level.NONE


def test_an_unknown_day_gains_what_its_neighbours_did_and_a_long_gap_makes_the_sum_unknown() -> None:
    truth = truth_of(NEW_YEAR, [WINTER] * 60 + [MILD] * 80)
    clean = Watch(truth)
    clean.look(*days_of(NEW_YEAR + 3 * DAY, 97, every=4))
    short = Watch(without(truth, dt.date(2025, 3, 22), dt.date(2025, 3, 24)))
    short.look(*days_of(NEW_YEAR + 3 * DAY, 97, every=4))
    want, have = (watch.seasons["s1"].species["twospotted"].degree_days_c_d for watch in (clean, short))
    assert have == pytest.approx(want, rel=0.03)
    assert pressure_of(short.found["s1"], "twospotted").degree_days_c_d is not None
    long = Watch(without(truth, dt.date(2025, 3, 10), dt.date(2025, 3, 30)))
    long.look(*days_of(NEW_YEAR + 3 * DAY, 97, every=4))
    lost = pressure_of(long.found["s1"], "twospotted")
    assert lost.degree_days_c_d is None
    assert lost.phase is Phase.ACTIVE, "a lost sum must not keep them asleep all year"


def test_a_gap_longer_than_the_weather_reaches_back_begins_the_season_anew() -> None:
    watch = Watch(truth_of(NEW_YEAR, [MILD] * 250), past_h=93 * 24)
    watch.look(*days_of(NEW_YEAR + 3 * DAY, 8))
    assert not np.isnan(watch.seasons["s1"].species["twospotted"].degree_days_c_d)
    late = watch.look(at(NEW_YEAR + 200 * DAY))
    assert pressure_of(late, "twospotted").degree_days_c_d is None
    assert watch.seasons["s1"].day == NEW_YEAR + 199 * DAY
    assert pressure_of(late, "twospotted").known


def test_a_plant_added_later_knows_the_degree_days_and_the_fortnight_of_its_site() -> None:
    watch = Watch(truth_of(NEW_YEAR, [WINTER] * 60 + [MILD] * 80))
    watch.look(*days_of(NEW_YEAR + 3 * DAY, 97, every=4))
    grown = replace(SITE, plantings=(planting(), planting("azalea", "p2"), planting("crabapple", "p3")))
    watch.sites = [grown]
    found = watch.look(at(NEW_YEAR + 100 * DAY))
    old, new = pressure_of(found, "twospotted"), pressure_of(found, "southern_red")
    assert new.degree_days_c_d == pytest.approx(old.degree_days_c_d)
    assert new.known
    assert new.hosts == ("p2",)


def test_a_species_whose_host_was_removed_is_forgotten() -> None:
    watch = Watch(truth_of(JUNE, [HOT] * 60))
    watch.look(*days_of(JUNE + 12 * DAY, 3))
    watch.sites = [replace(SITE, plantings=(planting("spruce"),))]
    watch.look(at(JUNE + 15 * DAY))
    assert set(watch.seasons["s1"].species) == {"spruce"}


def test_a_warmer_sky_never_lowers_the_pressure_below_the_best_temperature() -> None:
    scores = [
        pressure_of(
            Watch(truth_of(JUNE, [Sky(8.0 + c, 20.0 + c, 5.0)] * 40), past_h=15 * 24).look(
                at(JUNE + 16 * DAY)
            ),
            "twospotted",
        ).score
        for c in range(0, 14)
    ]
    assert all(low <= high + 1e-9 for low, high in itertools.pairwise(scores))
    assert scores[0] < 25.0 < 70.0 < scores[-1]


def test_overhead_watering_lowers_pressure_and_never_zeroes_it() -> None:
    truth = truth_of(JUNE, [HOT] * 40)
    wet = replace(SITE, plantings=(planting(irrigation=Irrigation.OVERHEAD),))
    dry_score = pressure_of(Watch(truth, past_h=15 * 24).look(at(JUNE + 16 * DAY)), "twospotted").score
    wet_score = pressure_of(Watch(truth, [wet], past_h=15 * 24).look(at(JUNE + 16 * DAY)), "twospotted").score
    assert 0.5 * dry_score < wet_score < dry_score


@pytest.mark.parametrize("latitude_deg", [-89.9, -66.0, 66.0, 78.0, 89.9])
def test_polar_latitudes_have_a_phase_on_every_day_of_the_year(latitude_deg: float) -> None:
    site = Site(
        "s1",
        "Invented Station",
        latitude_deg,
        0.0,
        "UTC",
        10.0,
        plantings=(planting(), planting("spruce", "p2")),
    )
    for month in (1, 3, 6, 9, 12):
        first = dt.date(2025, month, 1)
        watch = Watch(truth_of(first, [Sky(2.0, 12.0, 1.0)] * 30, "UTC"), [site])
        found = watch.look(at(first + 12 * DAY, 6, "UTC"))
        assert {one.species for one in found.pressures} >= {"twospotted", "spruce"}
        assert all(0.0 <= one.score <= 100.0 for one in found.pressures)


def test_late_observations_do_not_change_a_closed_day_but_count_until_then() -> None:
    truth = truth_of(JUNE, [HOT] * 40)
    watch = Watch(truth)
    watch.look(at(JUNE + 12 * DAY))
    member = watch.member(SITE, at(JUNE + 13 * DAY, 2))
    assert seen_at(truth, at(JUNE + 13 * DAY, 2)).issued_at == member.weather.issued_at
    watch.look(at(JUNE + 13 * DAY, 2))
    assert watch.seasons["s1"].day == JUNE + 11 * DAY, "two hours after midnight the day is still open"
    watch.look(at(JUNE + 13 * DAY, 3))
    assert watch.seasons["s1"].day == JUNE + 12 * DAY


def test_every_species_of_the_catalog_has_a_phase_code_that_the_records_know() -> None:
    assert {int(phase) for phase in SeasonPhase} == {0, 1, 2, 3}
    hosts = sorted({host for species in load_species().values() for host in species.hosts})
    site = replace(SITE, plantings=tuple(planting(host, host) for host in hosts))
    found = Watch(truth_of(JUNE, [HOT] * 40), [site]).look(at(JUNE + 12 * DAY))
    assert {one.species for one in found.pressures} == set(load_species())


def test_abundance_grows_with_the_weather_and_is_untold_while_a_species_rests() -> None:
    site = replace(SITE, plantings=(planting(), planting("spruce", "p2")))
    watch = Watch(truth_of(JUNE, [HOT] * 60), [site], past_h=2 * 24)
    found = [watch.look(now) for now in days_of(JUNE + 2 * DAY, 15)]
    many = [pressure_of(one, "twospotted").abundance for one in found]
    assert all(one is not None and one > 0.0 for one in many)
    assert (many[-1] or 0.0) > 10.0 * (many[0] or 0.0)
    assert pressure_of(found[-1], "spruce").phase is Phase.SUMMER_REST
    assert pressure_of(found[-1], "spruce").abundance is None
