"""The seven ways in which public weather silently gives wrong numbers, one test each."""

from __future__ import annotations

import datetime as dt
from collections import Counter

import numpy as np
import pytest

from alertd.errors import WeatherInvalid, WeatherRefused
from alertd.weather import metno, nws, nws_grid, nws_station, openmeteo
from alertd.weather.body import parse_json
from tests.weather import documents
from tests.weather.documents import CELL, HERE_S, NOW


def hour(offset: int) -> dt.datetime:
    return dt.datetime.fromtimestamp(HERE_S + 3600 * offset, dt.UTC)


def test_trap_1_the_meaning_of_the_hour_stamp_differs_but_the_table_has_one_meaning() -> None:
    rain = [0.0] * 48
    rain[5] = 4.0  # the sum of the hour that ends at stamp 5
    of_openmeteo = openmeteo.parse_forecast(documents.openmeteo(precipitation=rain), CELL, NOW, NOW)
    of_metno = metno.parse_forecast(
        documents.metno([documents.metno_step(h, {"next_1_hours": 4.0 * (h == 4)}) for h in range(10)]),
        CELL,
        NOW,
        NOW,
    )
    layer = documents.layer("mm", (0, "PT4H", 0), (4, "PT1H", 4.0), (5, "PT1H", 0))
    of_nws = nws_grid.parse_grid(documents.nws_grid(quantitativePrecipitation=layer), NOW, Counter()).table(
        NOW
    )
    for table in (of_openmeteo.table, of_metno.table, of_nws):
        wet = table.index[table["precipitation_mm"] > 0]
        assert list(wet) == [hour(4)]
        assert table.at[hour(4), "precipitation_mm"] == 4.0


def test_trap_1_states_stand_at_their_stamp_in_every_source() -> None:
    temperature = [20.0] * 48
    temperature[4] = 24.0
    table = openmeteo.parse_forecast(documents.openmeteo(temperature_2m=temperature), CELL, NOW, NOW).table
    assert table.at[hour(4), "air_temperature_c"] == 24.0
    assert table.at[hour(3), "air_temperature_c"] == 20.0


def test_trap_2_an_nws_rain_total_is_shared_out_and_not_repeated() -> None:
    table = nws_grid.parse_grid(documents.nws_grid(), NOW, Counter()).table(NOW)
    assert table["precipitation_mm"].sum() == pytest.approx(6.0)
    assert table.loc[hour(0) : hour(5), "precipitation_mm"].tolist() == pytest.approx([1.0] * 6)
    assert table["precipitation_probability_pct"].max() == 30.0


def test_trap_3_a_fixed_offset_across_a_clock_change_gives_hours_without_gap_or_double() -> None:
    # Toronto went to summer time on 2026-03-08 at 07:00Z; the answer keeps -18000 s for every stamp.
    start = dt.datetime(2026, 3, 7, 12, tzinfo=dt.UTC)
    times = [(start + dt.timedelta(hours=h)).strftime("%Y-%m-%dT%H:%M") for h in range(48)]
    document = documents.openmeteo() | {"utc_offset_seconds": -18_000, "timezone": "America/Toronto"}
    document["hourly"]["time"] = times
    now = dt.datetime(2026, 3, 7, 17, tzinfo=dt.UTC)
    weather = openmeteo.parse_forecast(document, CELL, now, now)
    assert weather.dropped == {}
    assert weather.table.index[1] == dt.datetime(2026, 3, 7, 17, tzinfo=dt.UTC)
    assert len(weather.table) == 49
    assert weather.table["air_temperature_c"].notna().sum() == 48


def test_trap_4_six_hour_totals_are_used_only_where_the_step_is_six_hours() -> None:
    weather = metno.parse_forecast(documents.metno(), CELL, NOW, NOW)
    table = weather.table
    assert table["precipitation_mm"].sum() == pytest.approx(12 * 0.5 + 2 * 1.2)
    assert table.loc[: hour(11), "coarse"].sum() == 0
    assert table.loc[hour(12) :, "coarse"].all()
    assert table.loc[hour(12) :, "wind_speed_m_s"].isna().all()
    assert table.at[hour(21), "air_temperature_c"] == pytest.approx(17.0)  # half way from 14 to 20
    assert np.isnan(table.at[hour(24), "precipitation_mm"])


def test_trap_5_missing_is_unknown_and_never_zero() -> None:
    document = documents.openmeteo(shortwave_radiation=[None] * 48, precipitation=[None] * 48)
    document["hourly_units"]["shortwave_radiation"] = "undefined"
    del document["hourly"]["wind_gusts_10m"]
    weather = openmeteo.parse_forecast(document, CELL, NOW, NOW)
    for column in ("shortwave_w_m2", "precipitation_mm", "wind_gust_m_s"):
        assert weather.table[column].isna().all()
    assert weather.dropped == {}
    short = documents.layer("mm", (0, "PT6H", 0))
    grid = nws_grid.parse_grid(documents.nws_grid(quantitativePrecipitation=short), NOW, Counter())
    rain = grid.table(NOW)["precipitation_mm"]
    assert rain.loc[hour(0) : hour(5)].eq(0.0).all()
    assert rain.loc[hour(6) :].isna().all()
    norway = metno.parse_forecast(documents.metno(), CELL, NOW, NOW).table
    assert norway["wind_gust_m_s"].isna().all()
    assert norway["precipitation_probability_pct"].isna().all()


def test_trap_5_a_null_wind_of_a_station_is_not_calm() -> None:
    document = {"features": [documents.report(-7, windSpeed=documents.quantity("km_h-1", None, "Z"))]}
    reports = nws_station.parse_reports(document, NOW, Counter())
    table = nws_station.hourly(reports, HERE_S - 7200, NOW).table(NOW)
    assert table["air_temperature_c"].notna().sum() == 1
    assert table["wind_speed_m_s"].isna().all()
    assert table["precipitation_mm"].isna().all()


def test_trap_6_a_stale_grid_is_refused_although_the_status_is_200() -> None:
    issued_at = nws_grid.parse_issued_at(documents.nws_grid(updated_h=-30))
    assert (NOW - issued_at) > dt.timedelta(hours=nws.REFUSED_H)
    with pytest.raises(WeatherInvalid, match="issued 30 h ago"):
        nws._fresh_enough(issued_at, CELL, NOW)
    assert nws._fresh_enough(NOW - dt.timedelta(hours=13), CELL, NOW) < NOW


def test_trap_7_answers_that_are_200_but_unusable_are_told_apart_from_weather() -> None:
    with pytest.raises(WeatherInvalid, match="not whole JSON"):
        parse_json(b'{"latitude":nan,"longitude":nan,"utc_offset_seconds":0}', "openmeteo")
    cut = documents.body(documents.openmeteo())[:900] + b"Unexpected error while streaming data: timeout"
    with pytest.raises(WeatherInvalid, match="not whole JSON"):
        parse_json(cut, "openmeteo")
    empty = documents.metno([])
    empty["properties"]["meta"]["error"] = "no data at the given location"
    with pytest.raises(WeatherRefused, match="no data at the given location"):
        metno.parse_forecast(empty, CELL, NOW, NOW)
    assert nws_station.parse_reports({"features": []}, NOW, Counter()) == []
