"""Scores of constructed archives, counted by hand."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from alertd.service.score import (
    RAIN,
    SPELL,
    SPELL_HELD,
    WINDOW,
    WINDOW_HELD,
    Case,
    Record,
    Scorer,
    calibration_of,
    learn,
    scores,
)
from alertd.service.skill import Skills
from tests.service.archive import DAY, SIZE_DEG, START, daily_archive, make_site, weather_of_days

SITE = make_site(materials=("soap",))


def record(truth: pd.DataFrame, stray=None, *, first: int = 12, days: int = 16, until: int = 28) -> Record:  # type: ignore[no-untyped-def]
    """Judge the mornings ``first``..``days`` of an archive that is known until day ``until``."""
    archive = daily_archive(truth, SITE, range(10, until), stray)
    since = (START + first * DAY).date()
    found = Scorer(archive, SIZE_DEG).record(SITE, since, START + until * DAY)
    last = START + days * DAY
    return Record(
        SITE,
        found.mornings,
        tuple(c for c in found.cases if c.made_at < last),
        found.spells_came,
        found.leads_d,
    )


def of(found: Record, event: str) -> list[Case]:
    return [case for case in found.cases if case.event == event]


def test_forecasts_that_come_true_are_hits_and_quiet_days_only() -> None:
    found = record(weather_of_days(45))
    cases = of(found, WINDOW)
    assert {(case.warned, case.came) for case in cases} <= {(True, True), (False, False)}
    assert any(case.came for case in cases)
    held = of(found, WINDOW_HELD)
    assert held
    assert all(case.came for case in held)
    assert all(case.chance is not None and 0.0 < case.chance < 1.0 for case in held)


def test_wind_that_nobody_forecast_makes_every_window_a_false_alarm() -> None:
    truth = weather_of_days(45)
    truth["wind_speed_m_s"], truth["wind_gust_m_s"] = 9.0, 14.0

    def calm(table: pd.DataFrame) -> None:
        table["wind_speed_m_s"], table["wind_gust_m_s"] = 2.7, 4.0

    found = record(truth, calm)
    table = next(one for one in scores([found])[0].verdicts if one.event == WINDOW).table
    assert table.hits == table.misses == 0
    assert table.false_alarms > 0
    assert table.false_alarm_ratio == 1.0
    assert not any(case.came for case in of(found, WINDOW_HELD))


def test_calm_that_nobody_forecast_makes_every_day_a_miss() -> None:
    def windy(table: pd.DataFrame) -> None:
        table["wind_speed_m_s"], table["wind_gust_m_s"] = 9.0, 14.0

    table = next(
        one for one in scores([record(weather_of_days(45), windy)])[0].verdicts if one.event == WINDOW
    ).table
    assert table.hits == table.false_alarms == 0
    assert table.misses > 0
    assert table.probability_of_detection == 0.0


def test_soaking_rain_after_a_window_is_counted_as_a_miss_of_the_forecast() -> None:
    truth = weather_of_days(45)
    truth.loc[truth.index.hour == 2, "precipitation_mm"] = 3.0  # 22:00 at the site

    def dry(table: pd.DataFrame) -> None:
        table["precipitation_mm"] = 0.0

    cases = of(record(truth, dry), RAIN)
    assert cases
    assert all(case.came and not case.warned for case in cases)


def hot(truth: pd.DataFrame, first: int, last: int) -> pd.DataFrame:
    """Make the local days ``first``..``last`` reach 34 degC."""
    day = np.arange(len(truth)) // 24
    truth.loc[(day >= first) & (day <= last), "air_temperature_c"] += 8.5
    return truth


def test_a_spell_that_was_foreseen_is_a_hit_and_its_lead_time_is_told() -> None:
    # hot from day 22 to 30: forecasts of ten days show five hot days of it from the morning of day 17 on
    found = record(hot(weather_of_days(60), 22, 30), until=44, days=26)
    weekly = of(found, SPELL)
    assert sum(case.warned and case.came for case in weekly) >= 1
    assert not any(case.warned and not case.came for case in weekly)
    assert found.spells_came == 1
    (lead,) = found.leads_d
    assert 4 <= lead <= 6
    announced = of(found, SPELL_HELD)
    assert announced
    assert all(case.came for case in announced)


def test_a_spell_that_never_comes_is_a_false_alarm() -> None:
    def hot_week(table: pd.DataFrame) -> None:
        days = (table.index - pd.Timestamp(START)).days
        table.loc[(days >= 22) & (days <= 30), "air_temperature_c"] += 8.5

    found = record(weather_of_days(60), hot_week, until=44, days=26)
    weekly = of(found, SPELL)
    assert sum(case.warned and not case.came for case in weekly) >= 1
    assert found.spells_came == 0
    assert not any(case.came for case in of(found, SPELL_HELD))


def test_a_week_is_judged_once() -> None:
    found = record(weather_of_days(60), until=44, days=26)
    weeks = [case.made_at.date().isocalendar()[:2] for case in of(found, SPELL)]
    assert len(weeks) == len(set(weeks))


def test_what_is_not_known_yet_is_not_judged() -> None:
    truth = weather_of_days(45)
    archive = daily_archive(truth, SITE, range(10, 13))
    found = Scorer(archive, SIZE_DEG).record(SITE, (START + 12 * DAY).date(), START + 12 * DAY + DAY / 2)
    assert of(found, SPELL) == []
    assert of(found, WINDOW_HELD) == []


def test_an_old_forecast_is_no_forecast_of_the_morning() -> None:
    archive = daily_archive(weather_of_days(45), SITE, [10, 30])
    found = Scorer(archive, SIZE_DEG).record(SITE, (START + 12 * DAY).date(), START + 30 * DAY + DAY / 2)
    assert found.mornings == 1


def case(event: str, warned: bool, came: bool, chance: float | None = None, lead: int = 1) -> Case:
    return Case(event, SITE.id, dt.datetime(2026, 7, 1, tzinfo=dt.UTC), lead, warned, came, chance)


def test_the_table_of_constructed_cases_is_that_counted_by_hand() -> None:
    # Finley's tornado forecasts of 1884 as windows: 28 hits, 72 false alarms, 23 misses, 2680 quiet
    cases = [
        *[case(WINDOW, True, True)] * 28, *[case(WINDOW, True, False)] * 72,
        *[case(WINDOW, False, True)] * 23, *[case(WINDOW, False, False)] * 2680,
    ]  # fmt: skip
    (one,) = scores([Record(SITE, 100, tuple(cases), 0, ())])
    verdict = next(found for found in one.verdicts if found.event == WINDOW)
    assert verdict.table.probability_of_detection == pytest.approx(0.549, abs=5e-4)
    assert verdict.table.false_alarm_ratio == pytest.approx(0.720, abs=5e-4)
    assert verdict.table.critical_success_index == pytest.approx(0.2276, abs=5e-5)
    assert verdict.table.frequency_bias == pytest.approx(1.961, abs=5e-4)
    assert verdict.enough
    assert verdict.brier is None


def test_the_brier_score_of_constructed_chances_is_that_counted_by_hand() -> None:
    # 4 chances of 0.8 of which 3 held, 2 of 0.2 of which none did: mean of squared errors by hand
    cases = [*[case(WINDOW_HELD, True, True, 0.8)] * 3, case(WINDOW_HELD, True, False, 0.8),
             *[case(WINDOW_HELD, True, False, 0.2)] * 2]  # fmt: skip
    (one,) = scores([Record(SITE, 6, tuple(cases), 0, ())])
    verdict = next(found for found in one.verdicts if found.event == WINDOW_HELD)
    assert verdict.brier is not None
    assert verdict.brier.score == pytest.approx((3 * 0.04 + 0.64 + 2 * 0.04) / 6)
    assert verdict.brier.reliability == pytest.approx((4 * 0.05**2 + 2 * 0.2**2) / 6)
    assert verdict.brier.uncertainty == pytest.approx(0.25)
    assert not verdict.enough
    assert verdict.classes is not None
    assert verdict.classes.count.tolist() == [0, 2, 0, 0, 4, 0]


def test_a_lead_time_keeps_its_own_cases() -> None:
    cases = (case(WINDOW, True, True, lead=1), case(WINDOW, True, False, lead=3))
    (one,) = scores([Record(SITE, 2, cases, 0, ())], lead_d=3)
    verdict = next(found for found in one.verdicts if found.event == WINDOW)
    assert (verdict.table.hits, verdict.table.false_alarms) == (0, 1)
    assert verdict.by_lead == ((3, 1, 0),)


def test_several_sites_are_scored_alone_and_together() -> None:
    one, other = (
        Record(SITE, 1, (case(WINDOW, True, True),), 0, (3,)),
        Record(SITE, 1, (case(WINDOW, False, True),), 1, ()),
    )
    found = scores([one, other])
    assert [one.name for one in found][-1] == "all sites"
    together = next(verdict for verdict in found[-1].verdicts if verdict.event == WINDOW)
    assert together.table.probability_of_detection == 0.5
    assert found[-1].mornings == 2
    assert found[-1].leads_d == (3,)


def test_what_became_of_windows_corrects_the_chances_that_follow() -> None:
    # a month of forecasts that all come true: chances told too low by the prior are raised
    archive, now = daily_archive(weather_of_days(60), SITE, range(10, 45)), START + 45 * DAY
    skills = Skills(archive, SIZE_DEG)
    assert learn(Scorer(archive, SIZE_DEG), skills, [SITE], now) == 1
    found = skills.of([SITE], now)[SITE.id]
    assert found.windows is not None
    assert found.spells is None
    assert float(found.windows(0.5)) > 0.6
    assert learn(Scorer(archive, SIZE_DEG), skills, [SITE], now + DAY) == 0


def test_learning_stops_when_it_is_told_to() -> None:
    archive, now = daily_archive(weather_of_days(30), SITE, range(10, 20)), START + 20 * DAY
    skills = Skills(archive, SIZE_DEG)
    assert learn(Scorer(archive, SIZE_DEG), skills, [SITE], now, stopping=lambda: True) == 0
    assert skills.due([SITE], now) == [SITE]


def test_chances_are_corrected_only_with_enough_cases() -> None:
    few = [case(WINDOW_HELD, True, True, 0.5)] * 29
    assert calibration_of(few, WINDOW_HELD) is None
    found = calibration_of([*few, *few], WINDOW_HELD)
    assert found is not None
    assert float(found(0.5)) > 0.7
