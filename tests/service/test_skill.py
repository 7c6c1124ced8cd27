"""What is learned from stored forecasts: errors by lead time, never from a forecast that verifies itself."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from alertd.assess.chance import prior_skill
from alertd.records.skill import LearntCorrection
from alertd.records.weather import HourlyWeather
from alertd.science.chance import Calibration
from alertd.service.skill import Skills, skill_of, what_came
from alertd.weather.merge import FROM_FORECAST
from tests.service.archive import (
    DAY,
    HOUR,
    SIZE_DEG,
    START,
    ZONE,
    Archive,
    Book,
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
    assert Skills(Archive(), Book(), SIZE_DEG).of([SITE], now) == {SITE.id: prior_skill()}


def test_the_archive_is_read_once_a_week() -> None:
    archive = daily_archive(weather_of_days(20), SITE, range(10, 20))
    skills, now = Skills(archive, Book(), SIZE_DEG), START + 20 * DAY
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
    skills, now = Skills(archive, Book(), SIZE_DEG, at_once=1), START + 20 * DAY
    assert sum(one == prior_skill() for one in skills.of([SITE, far], now).values()) == 1
    assert sum(one == prior_skill() for one in skills.of([SITE, far], now).values()) == 0


def test_nothing_is_learned_from_the_future() -> None:
    tables = daily_archive(weather_of_days(40), SITE, range(10, 40), three_too_warm).tables
    skill = Skills(Archive(tables), Book(), SIZE_DEG).of([SITE], START + 10 * DAY + 6 * HOUR)[SITE.id]
    assert not any(skill.errors["air_temperature_c"].days)


class Unreadable(Archive):
    """An archive that must not be asked."""

    def latest_weather(self, cell_keys: Iterable[str], as_of: dt.datetime) -> Mapping[str, HourlyWeather]:
        raise AssertionError("the archive was read though the book knows")


def test_what_one_process_learned_another_one_reads() -> None:
    archive, book = daily_archive(weather_of_days(40), SITE, range(10, 40), three_too_warm), Book()
    now = START + 40 * DAY
    learnt = Skills(archive, book, SIZE_DEG).renewed([SITE], now)
    assert learnt[SITE.id].days == 30
    assert [(one.learnt_at, one.days) for one in book.errors] == [(now, 30)]
    assert Skills(Unreadable(), book, SIZE_DEG).of([SITE], now + 6 * DAY) == learnt


def test_a_look_writes_nothing_down() -> None:
    book = Book()
    archive = daily_archive(weather_of_days(20), SITE, range(10, 20))
    Skills(archive, book, SIZE_DEG).of([SITE], START + 20 * DAY)
    assert book == Book()


def test_what_is_due_for_renewal_is_used_until_its_turn_comes_or_it_expires() -> None:
    far = make_site("Invented Yard", latitude_deg=41.0)
    archive, book = daily_archive(weather_of_days(40), SITE, range(10, 40), three_too_warm), Book()
    now = START + 40 * DAY
    learnt = Skills(archive, book, SIZE_DEG).renewed([SITE], now)[SITE.id]
    # one cell a call, and the far one was never learnt: the known one waits
    waiting = Skills(Archive(), book, SIZE_DEG, at_once=1)
    assert waiting.of([far, SITE], now + 20 * DAY)[SITE.id] == learnt
    expired = Skills(Archive(), book, SIZE_DEG, at_once=1)
    assert expired.of([far, SITE], now + 30 * DAY)[SITE.id] == prior_skill()


def correction(at: dt.datetime, slope: float = 1.5) -> LearntCorrection:
    return LearntCorrection(SITE.id, at, Calibration(0.4, slope, 45), None, 45, 3)


def test_a_correction_holds_from_when_it_was_learnt_until_it_expires() -> None:
    book, now = Book(), START + 40 * DAY
    skills = Skills(Archive(), book, SIZE_DEG)
    skills.correct(correction(now))
    assert skills.of([SITE], now - HOUR)[SITE.id].windows is None
    assert skills.of([SITE], now)[SITE.id].windows == Calibration(0.4, 1.5, 45)
    assert skills.of([SITE], now + 29 * DAY)[SITE.id].windows == Calibration(0.4, 1.5, 45)
    assert skills.of([SITE], now + 30 * DAY)[SITE.id].windows is None
    assert skills.correction(SITE, now + 30 * DAY) is None


def test_sites_longest_without_a_correction_are_due_first() -> None:
    other = make_site("Invented Yard")
    book, now = Book(), START + 40 * DAY
    skills = Skills(Archive(), book, SIZE_DEG)
    skills.correct(correction(now - 8 * DAY))
    assert skills.due([SITE, other], now) == [other, SITE]
    skills.correct(correction(now))
    assert skills.due([SITE, other], now) == [other]


def test_the_raw_skill_knows_no_correction() -> None:
    book, now = Book(), START + 40 * DAY
    skills = Skills(Archive(), book, SIZE_DEG)
    skills.correct(correction(now))
    assert skills.raw([SITE], now)[SITE.id].windows is None
