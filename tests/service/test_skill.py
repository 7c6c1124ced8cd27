"""What is learned from stored forecasts: errors by lead time, never from a forecast that verifies itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from alertd.assess.chance import prior_skill
from alertd.service.skill import Skills, skill_of, what_came
from alertd.weather.merge import FROM_FORECAST
from tests.service.archive import (
    DAY,
    HOUR,
    SIZE_DEG,
    START,
    ZONE,
    Archive,
    daily_archive,
    issue,
    make_site,
    weather_of_days,
)

SITE = make_site()


def three_too_warm(table: pd.DataFrame) -> None:
    table["air_temperature_c"] += 3.0


def test_a_forecast_that_is_always_three_degrees_too_warm_is_found_out() -> None:
    truth = weather_of_days(40)
    tables = daily_archive(truth, SITE, range(10, 40), three_too_warm).tables
    skill = skill_of(tables, ZONE)
    # second class: 29 verified days against a prior worth 20: bias -3 x 29 / 49
    first = skill.errors["air_temperature_c"]
    assert first.days[1] == 29
    assert first.bias[1] == pytest.approx(-3.0 * 29 / 49, abs=0.01)
    assert skill.errors["temperature_max_c"].bias[1] == pytest.approx(first.bias[1], abs=0.15)
    assert skill.errors["wind_speed_m_s"].bias[1] == 0.0


def test_a_perfect_forecaster_earns_a_smaller_spread_at_every_lead_time() -> None:
    skill = skill_of(daily_archive(weather_of_days(40), SITE, range(10, 40)).tables, ZONE)
    for name, errors in skill.errors.items():
        prior = prior_skill().errors[name]
        assert all(
            own < believed
            for own, believed in zip(errors.spread[1:], prior.at(errors.lead_h)[1][1:], strict=True)
        )


def test_what_came_is_what_the_latest_table_knows_of_the_past() -> None:
    truth = weather_of_days(20)
    first = issue(truth, START + 10 * DAY, SITE)
    corrected = truth.copy()
    corrected["precipitation_mm"] = 1.5
    second = issue(corrected, START + 12 * DAY, SITE)
    came = what_came([first, second])
    assert came is not None
    assert came.index[-1] == pd.Timestamp(START + 12 * DAY - HOUR)
    assert came["precipitation_mm"].iloc[0] == 0.0
    assert came["precipitation_mm"].iloc[-1] == 1.5


def test_a_gap_in_a_later_table_keeps_what_an_earlier_one_knew() -> None:
    truth = weather_of_days(20)
    gappy = truth.copy()
    gappy["wind_gust_m_s"] = np.nan
    came = what_came([issue(truth, START + 10 * DAY, SITE), issue(gappy, START + 10 * DAY + HOUR, SITE)])
    assert came is not None
    assert came["wind_gust_m_s"].notna().sum() == 240


def test_a_provider_that_fills_its_past_from_forecasts_verifies_nothing() -> None:
    tables = daily_archive(weather_of_days(40), SITE, range(10, 40)).tables
    filled = [replace(one, dropped={FROM_FORECAST: 1}) for one in tables]
    assert what_came(filled) is None
    assert skill_of(filled, ZONE) == prior_skill()


def test_an_empty_archive_leaves_the_prior() -> None:
    now = START + 20 * DAY
    assert Skills(Archive(), SIZE_DEG).of([SITE], now) == {SITE.id: prior_skill()}


def test_the_archive_is_read_once_a_week() -> None:
    archive = daily_archive(weather_of_days(20), SITE, range(10, 20))
    skills, now = Skills(archive, SIZE_DEG), START + 20 * DAY
    first = skills.of([SITE], now)
    archive.tables.clear()
    assert skills.of([SITE], now + 6 * DAY) == first
    assert skills.of([SITE], now + 7 * DAY)[SITE.id] == prior_skill()


def test_sites_beyond_the_first_cells_wait_for_their_turn_with_the_prior() -> None:
    far = make_site("Invented Yard", latitude_deg=41.0)
    archive = Archive([
        *daily_archive(weather_of_days(20), SITE, range(10, 20)).tables,
        *daily_archive(weather_of_days(20), far, range(10, 20)).tables,
    ])  # fmt: skip
    skills, now = Skills(archive, SIZE_DEG, at_once=1), START + 20 * DAY
    assert sum(one == prior_skill() for one in skills.of([SITE, far], now).values()) == 1
    assert sum(one == prior_skill() for one in skills.of([SITE, far], now).values()) == 0


def test_nothing_is_learned_from_the_future() -> None:
    tables = daily_archive(weather_of_days(40), SITE, range(10, 40), three_too_warm).tables
    skill = Skills(Archive(tables), SIZE_DEG).of([SITE], START + 10 * DAY + 6 * HOUR)[SITE.id]
    assert not any(skill.errors["air_temperature_c"].days)
