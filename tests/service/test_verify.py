"""Looking back on constructed archives: cases counted by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd

from alertd.records.skill import LearntCorrection
from alertd.science.chance import Calibration
from alertd.service.cases import RAIN, SPELL, SPELL_HELD, WINDOW, WINDOW_HELD, Case
from alertd.service.score import scores
from alertd.service.verify import Record, Verifier
from tests.service.archive import DAY, SIZE_DEG, START, daily_archive, make_site, weather_of_days

SITE = make_site(materials=("soap",))


def record(truth: pd.DataFrame, stray=None, *, first: int = 12, days: int = 16, until: int = 28) -> Record:  # type: ignore[no-untyped-def]
    """Judge the mornings ``first``..``days`` of an archive that is known until day ``until``."""
    archive = daily_archive(truth, SITE, range(10, until), stray)
    since = (START + first * DAY).date()
    found = Verifier(archive, SIZE_DEG).record(SITE, since, START + until * DAY)
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
    found = Verifier(archive, SIZE_DEG).record(SITE, (START + 12 * DAY).date(), START + 12 * DAY + DAY / 2)
    assert of(found, SPELL) == []
    assert of(found, WINDOW_HELD) == []


def test_an_old_forecast_is_no_forecast_of_the_morning() -> None:
    archive = daily_archive(weather_of_days(45), SITE, [10, 30])
    found = Verifier(archive, SIZE_DEG).record(SITE, (START + 12 * DAY).date(), START + 30 * DAY + DAY / 2)
    assert found.mornings == 1


def test_each_morning_is_judged_by_the_correction_then_in_force() -> None:
    archive, since = daily_archive(weather_of_days(45), SITE, range(10, 28)), (START + 12 * DAY).date()
    learnt_at = START + 20 * DAY
    doubt = LearntCorrection(SITE.id, learnt_at, Calibration(-3.0, 1.0, 45), None, 45, 0)
    verifier = Verifier(archive, SIZE_DEG)
    plain = of(verifier.record(SITE, since, START + 28 * DAY), WINDOW_HELD)
    told = of(verifier.record(SITE, since, START + 28 * DAY, corrections=[doubt]), WINDOW_HELD)
    pairs = list(zip(plain, told, strict=True))
    before = [(a.chance, b.chance) for a, b in pairs if a.made_at < learnt_at]
    after = [(a.chance or 0.0, b.chance or 1.0) for a, b in pairs if a.made_at >= learnt_at]
    assert before
    assert all(a == b for a, b in before)
    assert after
    assert all(b < a for a, b in after)
