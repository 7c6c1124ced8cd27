"""Chances of real assessments: filled where they can be told, honest where they cannot."""

from __future__ import annotations

import dataclasses
import datetime as dt
import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from alertd.assess.batch import SiteWeather, batches
from alertd.assess.chance import prior_skill, spell_rule
from alertd.assess.site import assess
from alertd.catalog.chance import load_chance
from alertd.records.assessment import Assessment, HotDrySpell, SprayWindow
from alertd.records.site import Site
from alertd.science.chance import Calibration, ForecastSkill, prior_errors
from tests.service.archive import DAY, HOUR, START, issue, make_site, weather_of_days

NOW = START + 12 * DAY + 6 * HOUR
SITE = make_site(materials=("soap", "horticultural_oil", "water_spray"))


def assessed(
    truth: pd.DataFrame,
    *,
    site: Site = SITE,
    skill: ForecastSkill | None = None,
    issued: dt.datetime = NOW,
    **changes: Any,
) -> Assessment:
    """Assess one site; changes hold for the hours to come."""

    def change(table: pd.DataFrame) -> None:
        for column, value in changes.items():
            table[column] = value

    weather = replace(issue(truth, NOW, site, change), issued_at=issued)
    (batch,) = batches([SiteWeather(site, weather)], NOW)
    (found,), _ = assess(batch, None if skill is None else {site.id: skill})
    return found


def windows(found: Assessment, material: str = "soap") -> tuple[SprayWindow, ...]:
    return next(one.windows for one in found.materials if one.material == material)


def heat(high: float) -> pd.DataFrame:
    """Twenty-five days of which those from day 10 on reach a maximum."""
    truth = weather_of_days(25)
    day = np.arange(len(truth)) // 24
    truth.loc[day >= 10, "air_temperature_c"] += high - 25.9
    return truth


def first_spell(found: Assessment) -> HotDrySpell:
    assert found.spells
    return found.spells[0]


def test_every_window_of_whole_weather_has_a_chance_and_the_hours_it_is_for() -> None:
    found = assessed(weather_of_days(25))
    for material in SITE.materials:
        assert windows(found, material)
        for window in windows(found, material):
            assert window.chance is not None
            assert 0.01 <= window.chance <= 0.99
            assert window.best_start_at is not None
            assert window.start_at <= window.best_start_at < window.end_at


def test_the_chance_of_a_window_is_that_worked_by_hand() -> None:
    # water: wind 2.7 m/s under 4.4704, gust 4.0 under 6.7056, 20 and more degC over the cold limit; spreads
    # of the prior at the lead of the window; gusts are the tighter: (6.7056 - 4.0) / spread
    found = assessed(weather_of_days(25), site=make_site(materials=("water_spray",)))
    window = windows(found, "water_spray")[-1]
    assert window.best_start_at is not None
    lead_h = (window.best_start_at - NOW) / HOUR
    from scipy import stats

    def chance(name: str, room: float) -> float:
        spread = float(prior_skill().errors[name].at(lead_h + 1.5)[1])
        return float(stats.norm.cdf(room / spread))

    expected = min(chance("wind_gust_m_s", 6.7056 - 4.0), chance("wind_speed_m_s", 4.4704 - 2.7))
    assert window.chance == pytest.approx(expected, abs=0.02)


def test_more_wind_lowers_the_chance() -> None:
    calm, breezy = (
        windows(assessed(weather_of_days(25))),
        windows(assessed(weather_of_days(25, wind_gust_m_s=6.0))),
    )
    # the lower wind limit may be the tighter one on some days
    assert all(a.chance >= b.chance for a, b in zip(calm, breezy, strict=True))  # type: ignore[operator]
    assert calm[0].chance > breezy[0].chance  # type: ignore[operator]


def test_the_same_weather_further_ahead_has_the_lower_chance() -> None:
    chances = [window.chance for window in windows(assessed(weather_of_days(25))) if window.hours > 3]
    assert len(chances) >= 4
    assert all(a >= b for a, b in itertools.pairwise(chances[1:]))  # type: ignore[operator]


def test_an_older_forecast_has_the_lower_chance() -> None:
    fresh = windows(assessed(weather_of_days(25)))
    old = windows(assessed(weather_of_days(25), issued=NOW - 9 * HOUR))
    assert all(a.chance >= b.chance for a, b in zip(fresh, old, strict=True))  # type: ignore[operator]


def test_the_chance_of_rain_counts_in_full_and_not_for_plain_water() -> None:
    dry = assessed(weather_of_days(25), precipitation_probability_pct=0.0)
    damp = assessed(weather_of_days(25), precipitation_probability_pct=25.0)
    for a, b in zip(windows(dry), windows(damp), strict=True):
        assert b.chance == pytest.approx(0.75 * a.chance, rel=0.02)  # type: ignore[operator]
    pairs = zip(windows(dry, "water_spray"), windows(damp, "water_spray"), strict=True)
    assert all(a.chance == b.chance for a, b in pairs)


def test_without_any_probability_of_rain_there_is_no_chance_but_for_water() -> None:
    found = assessed(weather_of_days(25), precipitation_probability_pct=np.nan)
    assert windows(found)
    assert all(window.chance is None and window.best_start_at is None for window in windows(found))
    assert all(window.chance is not None for window in windows(found, "water_spray"))


def test_a_service_without_gusts_is_judged_by_its_lower_wind_limit() -> None:
    truth = weather_of_days(25, wind_gust_m_s=np.nan, wind_speed_m_s=2.4)
    found = windows(assessed(truth))
    assert found
    assert all(window.chance is not None and window.chance < 0.9 for window in found)


def test_a_known_bias_towards_the_limit_lowers_the_chance() -> None:
    prior = dict(prior_skill().errors)
    gusty = prior_errors((0.0, 10.0), (1.6, 3.8))
    prior["wind_gust_m_s"] = replace(gusty, bias=(2.0, 2.0))
    plain, warned = (
        windows(assessed(weather_of_days(25))),
        windows(assessed(weather_of_days(25), skill=ForecastSkill(prior))),
    )
    assert all(a.chance >= b.chance for a, b in zip(plain, warned, strict=True))  # type: ignore[operator]
    assert plain[0].chance > warned[0].chance  # type: ignore[operator]


def test_verified_outcomes_correct_what_is_told() -> None:
    lower = ForecastSkill(prior_skill().errors, windows=Calibration(-1.0, 1.0, 100))
    plain, corrected = (
        windows(assessed(weather_of_days(25))),
        windows(assessed(weather_of_days(25), skill=lower)),
    )
    assert all(a.chance > b.chance for a, b in zip(plain, corrected, strict=True))  # type: ignore[operator]


def test_a_hot_spell_far_above_the_line_is_nearly_certain_and_one_on_the_line_is_not() -> None:
    certain, doubtful = first_spell(assessed(heat(36.0))), first_spell(assessed(heat(29.6)))
    assert certain.chance == pytest.approx(0.99, abs=0.02)
    assert doubtful.chance is not None
    assert doubtful.chance < 0.8


def test_rain_to_come_lowers_the_chance_of_a_spell() -> None:
    dry = first_spell(assessed(heat(34.0)))
    showers = first_spell(assessed(heat(34.0), precipitation_probability_pct=40.0))
    assert showers.chance < dry.chance  # type: ignore[operator]


def test_a_spell_without_a_probability_of_rain_has_no_chance() -> None:
    assert first_spell(assessed(heat(34.0), precipitation_probability_pct=np.nan)).chance is None


def test_the_same_forecast_gives_the_same_chance() -> None:
    assert first_spell(assessed(heat(31.0))).chance == first_spell(assessed(heat(31.0))).chance


def test_sites_assessed_together_have_the_chances_they_have_alone() -> None:
    truth, far = weather_of_days(25), make_site("Invented Yard", latitude_deg=41.0, materials=("soap",))
    members = [SiteWeather(site, issue(truth, NOW, site)) for site in (SITE, far)]
    together = [found for batch in batches(members, NOW) for found in assess(batch)[0]]
    alone = [assess(batch)[0][0] for member in members for batch in batches([member], NOW)]
    for one in together:
        twin = next(other for other in alone if other.site_id == one.site_id)
        for a, b in zip(one.materials, twin.materials, strict=True):
            assert a.windows == b.windows


def test_the_prior_grows_with_lead_time_and_the_rule_is_that_of_the_catalog() -> None:
    for errors in prior_skill().errors.values():
        assert list(errors.spread) == sorted(errors.spread)
    rule = spell_rule()
    assert (rule.hot_days, rule.window) == (5, 7)
    assert float(load_chance().least) < 0.05


def test_an_assessment_says_how_many_verified_days_its_chances_rest_on() -> None:
    assert assessed(weather_of_days(25)).chance_days == 0
    own = dict(prior_skill().errors)
    own["wind_speed_m_s"] = dataclasses.replace(
        own["wind_speed_m_s"], days=(23, *own["wind_speed_m_s"].days[1:])
    )
    assert assessed(weather_of_days(25), skill=ForecastSkill(own)).chance_days == 23
