"""Recorded answers of the real providers, read without loss where ALERTD_RECORDINGS points to them."""

from __future__ import annotations

import datetime as dt
import json
import os
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alertd.errors import WeatherError, WeatherInvalid, WeatherRefused, WeatherUnavailable
from alertd.records.weather import HourlyWeather
from alertd.weather import metno, nws, nws_grid, nws_station, openmeteo
from alertd.weather.body import parse_json, reason_of
from alertd.weather.cache import lifetime_s
from alertd.weather.hours import Grid, Reason, duration_h, instant_s
from alertd.weather.metno import MetNo, MetNoSettings
from alertd.weather.quality import checked
from tests.weather.documents import CELL, QUIET

FOLDER = os.environ.get("ALERTD_RECORDINGS", "")
pytestmark = pytest.mark.skipif(not FOLDER, reason="ALERTD_RECORDINGS is not set")
ROOT = Path(FOLDER)


def load(name: str) -> Any:
    return json.loads((ROOT / name).read_text(encoding="utf-8"))


def names(pattern: str) -> list[str]:
    return sorted(str(path.relative_to(ROOT)) for path in ROOT.glob(pattern)) if FOLDER else []


def utc(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


def losses(dropped: dict[str, int]) -> dict[str, int]:
    """Return what was lost; raising a gust to the wind is no loss."""
    return {reason: count for reason, count in dropped.items() if reason != Reason.GUST_BELOW_WIND}


def test_there_are_recordings_of_all_three_providers() -> None:
    assert len(names("nws/*/gridpoint_raw*.json")) >= 3
    assert len(names("metno/*compact*.json")) >= 2
    assert len(names("openmeteo/forecast_*.json")) >= 4


def known(values: list[Any]) -> int:
    return sum(value is not None for value in values)


@pytest.mark.parametrize("name", names("openmeteo/forecast_*.json") + names("openmeteo/archive_*.json"))
def test_an_open_meteo_recording_is_read_without_loss(name: str) -> None:
    document = load(name)
    hourly = document["hourly"]
    first = hourly["time"][0]
    now = dt.datetime.fromtimestamp(first, dt.UTC) if isinstance(first, int) else utc(first)
    weather = openmeteo.parse_forecast(document, CELL, now, now)
    assert losses(weather.dropped) == {}
    for variable, column in (openmeteo.INSTANT | openmeteo.PRECEDING_HOUR).items():
        assert weather.table[column].notna().sum() == known(hourly.get(variable, [])), variable
    assert len(weather.table) == len(hourly["time"]) + 1


def test_the_fixed_offset_of_toronto_gives_utc_hours_across_the_clock_change() -> None:
    document = load("openmeteo/forecast_toronto_dst_2026-03-04.json")
    now = utc("2026-03-06T00:00")
    weather = openmeteo.parse_forecast(document, CELL, now, now)
    assert len(document["hourly"]["time"]) == 192
    assert weather.table.index[1] == utc("2026-03-04T05:00")  # local midnight, five hours behind UTC
    assert weather.table.index[-1] == utc("2026-03-12T04:00")
    assert weather.dropped.get(Reason.GUST_BELOW_WIND, 0) >= 1  # index 9: gust 0.4 against wind 0.7
    first_f = document["hourly"]["temperature_2m"][0]
    assert weather.table["air_temperature_c"].iloc[1] == pytest.approx((first_f - 32) / 1.8)


def test_melbourne_shifts_sums_and_means_to_the_hour_they_cover() -> None:
    document = load("openmeteo/forecast_melbourne_24h_unixtime_2024-01-16.json")
    hourly = document["hourly"]
    now = dt.datetime.fromtimestamp(hourly["time"][0], dt.UTC)
    table = openmeteo.parse_forecast(document, CELL, now, now).table
    assert table["precipitation_mm"].sum() == pytest.approx(15.0)  # 2.0 + 5.7 + 7.3 mm
    wettest = dt.datetime.fromtimestamp(hourly["time"][hourly["precipitation"].index(7.3)], dt.UTC)
    assert table["precipitation_mm"].idxmax() == wettest - dt.timedelta(hours=1)
    kmh = hourly["wind_speed_10m"][3]
    assert table["wind_speed_m_s"].iloc[4] == pytest.approx(kmh / 3.6)


def test_the_null_tail_of_the_horizon_is_unknown() -> None:
    document = load("openmeteo/forecast_16_days_null_tail_2026-10-03.json")
    now = utc("2026-10-18T20:00")
    weather = openmeteo.parse_forecast(document, CELL, now, now)
    assert weather.table["air_temperature_c"].isna().all()


def test_the_body_with_bare_nan_is_refused() -> None:
    body = (ROOT / "openmeteo/errors/200_not_covered_invalid_json.txt").read_bytes()
    with pytest.raises(WeatherInvalid):
        parse_json(body, "openmeteo")


def grid_of(name: str) -> tuple[dict[str, Any], Grid, dt.datetime, Counter[str]]:
    document = load(name)
    now = nws_grid.parse_issued_at(document)
    dropped: Counter[str] = Counter()
    return document["properties"], nws_grid.parse_grid(document, now, dropped), now, dropped


@pytest.mark.parametrize("name", names("nws/*/gridpoint_raw*.json"))
def test_an_nws_grid_recording_is_read_without_loss(name: str) -> None:
    properties, grid, now, dropped = grid_of(name)
    table = checked(grid.table(now), dropped)
    assert losses(dropped) == {}
    for layer, column in nws_grid.LAYERS.items():
        values = properties[layer]["values"]
        hours = sum(duration_h(entry["validTime"].split("/")[1]) or 0 for entry in values)
        assert hours > 0
        assert table[column].notna().sum() == hours, layer
    total_mm = sum(entry["value"] for entry in properties["quantitativePrecipitation"]["values"])
    assert table["precipitation_mm"].sum() == pytest.approx(total_mm)


def test_the_rain_of_tuscaloosa_is_28_mm_and_not_169() -> None:
    _, grid, now, _ = grid_of("nws/bmx_32_69_2024-02-23/gridpoint_raw.json")
    assert grid.table(now)["precipitation_mm"].sum() == pytest.approx(28.19, abs=0.005)


def test_the_rain_of_little_rock_is_unknown_after_the_layer_ends() -> None:
    _, grid, now, _ = grid_of("nws/lzk_83_73_2024-02/gridpoint_raw.json")
    table = grid.table(now)
    assert table.loc[utc("2024-02-25T00:00") :, "precipitation_mm"].isna().all()
    assert table.loc[: utc("2024-02-24T23:00"), "precipitation_mm"].notna().all()
    assert table.loc[utc("2024-02-25T00:00") : utc("2024-02-28T00:00"), "air_temperature_c"].notna().all()


@pytest.mark.parametrize("name", names("nws/*/points*.json"))
def test_a_recorded_point_leads_to_its_grid(name: str) -> None:
    point = nws.parse_point(load(name))
    assert f"/{point.path}" in load(name)["properties"]["forecastGridData"]


def test_recorded_stations_come_in_order() -> None:
    stations = nws.parse_stations(load("nws/bmx_32_69_2024-02-23/stations.json"))
    assert stations[:3] == ["KTCL", "KEKY", "KEET"]


@pytest.mark.parametrize("name", names("nws/*/observations*.json"))
def test_a_recorded_report_is_read_without_loss(name: str) -> None:
    document = load(name)
    properties = document["features"][0]["properties"]
    at_s = instant_s(properties["timestamp"])
    assert at_s is not None
    now = dt.datetime.fromtimestamp(at_s + 1800, dt.UTC)
    dropped: Counter[str] = Counter()
    reports = nws_station.parse_reports(document, now, dropped)
    table = nws_station.hourly(reports, at_s // 3600 * 3600 - 7200, now).table(now)
    assert dropped == {}
    for field, column in nws_station.STATES.items():
        assert table[column].notna().sum() == (properties[field]["value"] is not None), field


def test_the_null_wind_of_tuscaloosa_is_unknown_although_the_coded_text_says_13_knots() -> None:
    document = load("nws/bmx_32_69_2024-02-23/observations_KTCL_limit1.json")
    assert "31013KT" in document["features"][0]["properties"]["rawMessage"]
    now = utc("2024-02-23T19:05")
    reports = nws_station.parse_reports(document, now, Counter())
    table = nws_station.hourly(reports, int(utc("2024-02-23T18:00").timestamp()), now).table(now)
    assert table["air_temperature_c"].iloc[1] == pytest.approx(21.1)  # 18:53 stands for 19:00
    assert table["wind_speed_m_s"].isna().all()


def test_a_recorded_list_without_reports_is_empty() -> None:
    assert (
        nws_station.parse_reports(load("nws/observations_empty_PPIZ.json"), utc("2024-01-01"), Counter())
        == []
    )


def metno_weather(name: str) -> tuple[list[dict[str, Any]], HourlyWeather]:
    document = load(name)
    document = document.get("data", document)
    series = document["properties"]["timeseries"]
    now = dt.datetime.fromisoformat(series[0]["time"])
    return series, metno.parse_forecast(document, CELL, now, now)


RECORDED_METNO = [name for name in names("metno/*.json") if "headers" not in name]


@pytest.mark.parametrize("name", RECORDED_METNO)
def test_a_metno_recording_is_read_without_loss(name: str) -> None:
    series, weather = metno_weather(name)
    table = weather.table
    assert losses(weather.dropped) == {}
    for step in series:
        at = dt.datetime.fromisoformat(step["time"])
        details = step["data"]["instant"]["details"]
        assert table.at[at, "air_temperature_c"] == details["air_temperature"]
        if not table.at[at, "coarse"]:
            assert table.at[at, "wind_speed_m_s"] == details["wind_speed"]
    assert table["air_temperature_c"].notna().all()


@pytest.mark.parametrize(
    ("name", "hourly_until", "hourly_steps", "ends"),
    [
        ("metno/newyork_compact_2020-07-20.json", "2020-07-22T18:00", 55, "2020-07-29T06:00"),
        ("metno/brisbane_compact_2025-10-29.json", "2025-10-31T12:00", 59, "2025-11-07T12:00"),
    ],
)
def test_the_step_change_is_where_it_was_recorded(
    name: str, hourly_until: str, hourly_steps: int, ends: str
) -> None:
    series, weather = metno_weather(name)
    table = weather.table
    assert (~table["coarse"]).sum() == hourly_steps
    assert table.index[table["coarse"]][0] == utc(hourly_until)
    assert table.index[-1] == utc(ends)
    rain = table["precipitation_mm"]
    next_1 = sum(s["data"]["next_1_hours"]["details"]["precipitation_amount"] for s in series[:hourly_steps])
    next_6 = sum(
        s["data"]["next_6_hours"]["details"]["precipitation_amount"] for s in series[hourly_steps:-1]
    )
    assert rain.sum() == pytest.approx(next_1 + next_6)
    assert np.isnan(rain.iloc[-1])
    assert table.loc[table["coarse"], "wind_speed_m_s"].isna().all()


def test_the_nordic_excerpt_has_gust_and_probability_and_new_york_has_not() -> None:
    _, nordic = metno_weather("metno/nordic_complete_doc_excerpt_2020-06-10.json")
    assert nordic.table["wind_gust_m_s"].iloc[0] == 6.6
    assert nordic.table["precipitation_probability_pct"].iloc[0] == 0.0
    _, york = metno_weather("metno/newyork_compact_2020-07-20.json")
    assert york.table["wind_gust_m_s"].isna().all()
    assert york.issued_at == utc("2020-07-20T01:30:57")


def test_no_data_with_status_200_is_a_refusal_of_the_place() -> None:
    with pytest.raises(WeatherRefused, match="no data at the given location"):
        metno.parse_forecast(
            load("metno/errors/200_no_data_doc_example.json"), CELL, utc("2024-06-10"), utc("2024-06-10")
        )


EXPECTED = {"400": WeatherRefused, "403": WeatherRefused, "404": WeatherRefused, "429": WeatherUnavailable}


@pytest.mark.parametrize(
    "name", [n for n in names("*/errors/*") if "headers" not in n and not Path(n).name.startswith("200")]
)
def test_a_recorded_error_body_becomes_an_error_with_its_reason(name: str) -> None:
    path = ROOT / name
    status = path.name[:3]
    client = MetNo(MetNoSettings(), QUIET)._client
    error = client.fault(int(status), {}, path.read_bytes(), utc("2026-06-10T12:20"))
    assert isinstance(error, WeatherError)
    assert type(error) is EXPECTED.get(status, WeatherUnavailable)
    words = reason_of(path.read_bytes())
    assert words
    assert words in str(error)
    assert "<h" not in str(error).lower()


def test_recorded_headers_give_their_lifetime() -> None:
    headers = load("metno/brisbane_compact_2025-10-29.headers.json")[0]["headers"]
    assert lifetime_s(headers, utc("2025-10-29T01:11:49"), 0.0) == 1908.0
    wrapped = load("metno/newyork_compact_2020-07-20.wrapped.json")["headers"]
    lowered = {name.lower(): value for name, value in wrapped.items()}
    assert lifetime_s(lowered, utc("2020-07-20T11:44:31"), 0.0) == 1822.0
