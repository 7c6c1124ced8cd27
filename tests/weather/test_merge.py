from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from alertd.records.weather import HourlyWeather, WeatherCell, cell_of, empty_table
from alertd.weather.merge import FROM_FORECAST, merge_past
from tests.weather.documents import CELL

NOON = dt.datetime(2026, 6, 10, 12, tzinfo=dt.UTC)


def weather(
    now: dt.datetime, past_h: int, ahead_h: int, value: float, cell: WeatherCell = CELL
) -> HourlyWeather:
    table = empty_table(now - dt.timedelta(hours=past_h), past_h + ahead_h)
    table["air_temperature_c"] = value
    table["forecast"] = table.index >= now
    return HourlyWeather(cell, "p", now, now, table, "credit")


def test_the_result_runs_without_gaps_from_the_kept_past_to_the_end_of_the_forecast() -> None:
    merged = merge_past(weather(NOON, 3, 48, 1.0), None, 100)
    assert merged.table.index[0] == NOON - dt.timedelta(hours=100)
    assert merged.table.index[-1] == NOON + dt.timedelta(hours=47)
    assert merged.table["air_temperature_c"].notna().sum() == 51
    assert merged.table["forecast"].sum() == 48


def test_unknown_past_hours_come_from_the_previous_table_and_known_ones_from_the_new() -> None:
    new, old = weather(NOON, 2, 24, 20.0), weather(NOON - dt.timedelta(hours=6), 10, 48, 10.0)
    new.table.loc[NOON - dt.timedelta(hours=1), "air_temperature_c"] = np.nan
    merged = merge_past(new, old, 12)
    past = merged.table["air_temperature_c"][:12].tolist()
    assert past == [10.0] * 10 + [20.0, 10.0]


def test_hours_that_were_only_ever_forecast_are_counted_once() -> None:
    six_earlier = NOON - dt.timedelta(hours=6)
    first = merge_past(weather(six_earlier, 4, 48, 10.0), None, 48)
    second = merge_past(weather(NOON, 0, 48, 20.0), first, 48)
    assert second.dropped == {FROM_FORECAST: 6}
    assert second.table["forecast"].sum() == 48
    third = merge_past(weather(NOON + dt.timedelta(hours=1), 0, 48, 30.0), second, 48)
    assert third.dropped == {FROM_FORECAST: 1}


def test_hours_to_come_are_never_filled_from_an_older_issue() -> None:
    new, old = weather(NOON, 0, 24, 20.0), weather(NOON - dt.timedelta(hours=1), 0, 200, 10.0)
    new.table.loc[NOON : NOON + dt.timedelta(hours=5), "air_temperature_c"] = np.nan
    merged = merge_past(new, old, 6)
    ahead = merged.table.loc[NOON:, "air_temperature_c"]
    assert ahead.isna().sum() == 6
    assert len(ahead) == 24


def test_the_coarse_mark_comes_along_with_the_values() -> None:
    old = weather(NOON - dt.timedelta(hours=3), 0, 48, 10.0)
    old.table["coarse"] = True
    merged = merge_past(weather(NOON, 1, 24, 20.0), old, 4)
    assert merged.table["coarse"].tolist()[:5] == [False, True, True, False, False]


def test_a_previous_table_that_does_not_reach_changes_nothing() -> None:
    new = weather(NOON, 0, 24, 20.0)
    for far in (-5000, 5000):
        old = weather(NOON + dt.timedelta(hours=far), 5, 5, 10.0)
        assert merge_past(new, old, 24).table.equals(merge_past(new, None, 24).table)


def test_merging_twice_changes_nothing() -> None:
    new, old = weather(NOON, 2, 24, 20.0), weather(NOON - dt.timedelta(hours=6), 10, 48, 10.0)
    once = merge_past(new, old, 24)
    assert merge_past(new, once, 24).table.equals(once.table)


def test_a_table_without_hours_ahead_keeps_its_past() -> None:
    new = weather(NOON, 24, 0, 20.0)
    assert merge_past(new, None, 12).table["air_temperature_c"].tolist() == [20.0] * 12


def test_everybody_who_gave_an_hour_is_credited_once() -> None:
    old = replace(weather(NOON - dt.timedelta(hours=6), 10, 48, 10.0), attribution="other credit")
    merged = merge_past(weather(NOON, 0, 48, 20.0), old, 24)
    assert merged.attribution == "credit · other credit"
    later = merge_past(weather(NOON + dt.timedelta(hours=3), 0, 48, 20.0), merged, 24)
    assert later.attribution == "credit · other credit"
    assert merge_past(weather(NOON, 48, 48, 20.0), old, 24).attribution == "credit"


def test_the_inputs_stay_as_they_were() -> None:
    new, old = weather(NOON, 2, 24, 20.0), weather(NOON - dt.timedelta(hours=6), 10, 48, 10.0)
    kept = new.table.copy(), old.table.copy()
    merged = merge_past(new, old, 24).table
    merged.loc[:, "air_temperature_c"] = -99.0
    assert new.table.equals(kept[0])
    assert old.table.equals(kept[1])


def test_weather_of_two_cells_is_not_mixed() -> None:
    with pytest.raises(ValueError, match="of cell"):
        merge_past(weather(NOON, 0, 2, 1.0), weather(NOON, 0, 2, 1.0, cell_of(1.0, 2.0)), 5)
