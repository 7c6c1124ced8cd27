from __future__ import annotations

import datetime as dt
from collections import Counter

import numpy as np
import psychrolib
import pytest
import responses

from alertd.errors import ConfigError, WeatherInvalid, WeatherRefused, WeatherUnavailable
from alertd.records.weather import cell_of
from alertd.weather import nws_grid, nws_station, pressure
from alertd.weather.hours import Reason, duration_h
from alertd.weather.nws import Nws, NwsSettings, parse_point, parse_stations
from tests.weather import documents
from tests.weather.documents import CELL, HERE_S, NOW, QUIET, layer, quantity, report

BASE = "https://nws.test"
POINT, GRID = f"{BASE}/points/40.7,-74", f"{BASE}/gridpoints/XYZ/0,7"


def reports_url(station: str) -> str:
    return f"{BASE}/stations/{station}/observations"


def provider(past_hours: int = 48) -> Nws:
    return Nws(NwsSettings(base_url=BASE, past_hours=past_hours), QUIET)


def hour(offset: int) -> dt.datetime:
    return dt.datetime.fromtimestamp(HERE_S + 3600 * offset, dt.UTC)


def serve(net: responses.RequestsMock, **answers: object) -> None:
    net.get(POINT, json=documents.nws_point())
    net.get(GRID, json=answers.get("grid", documents.nws_grid()))
    net.get(f"{GRID}/stations", json=answers.get("stations", documents.nws_stations("KAAA", "KBBB")))


def test_reports_fill_the_past_and_the_grid_the_hours_from_now_on() -> None:
    reports = {
        "features": [report(-7 - 60 * back, temperature=quantity("degC", 15.0 + back)) for back in range(9)]
    }
    with responses.RequestsMock() as net:
        serve(net)
        net.get(reports_url("KAAA"), json=reports)
        weather = provider().fetch(CELL, NOW)
        agents = {call.request.headers["Accept"] for call in net.calls}
    table = weather.table
    assert agents == {"application/geo+json"}
    assert table.index[0] == hour(-48)
    assert table.at[hour(-1), "air_temperature_c"] == 16.0
    assert table.at[hour(-8), "air_temperature_c"] == 23.0
    assert np.isnan(table.at[hour(-9), "air_temperature_c"])  # the grid's own past is a forecast: not used
    assert table.at[hour(0), "air_temperature_c"] == 25.5
    assert table.at[hour(0), "wind_speed_m_s"] == pytest.approx(5.0)
    assert table.at[hour(0), "wind_gust_m_s"] == pytest.approx(10.0)
    assert table["forecast"].sum() == 48
    assert not table["coarse"].any()
    assert weather.issued_at == NOW.replace(hour=11, minute=0)
    assert table["shortwave_w_m2"].isna().all()


def test_point_and_stations_are_remembered_for_a_day() -> None:
    with responses.RequestsMock() as net:
        serve(net)
        net.get(reports_url("KAAA"), json={"features": [report(-7)]})
        here = provider()
        here.fetch(CELL, NOW)
        here.fetch(CELL, NOW + dt.timedelta(hours=6))
        assert net.assert_call_count(POINT, 1)
        assert net.assert_call_count(f"{GRID}/stations", 1)
        assert net.assert_call_count(GRID, 2)


def test_a_grid_that_moved_makes_the_point_be_read_again_once() -> None:
    moved = f"{BASE}/gridpoints/XYZ/3,7"
    with responses.RequestsMock() as net:
        serve(net)
        net.get(reports_url("KAAA"), json={"features": [report(-7)]})
        here = provider()
        here.fetch(CELL, NOW)
        problem = {"type": "https://api.weather.gov/problems/InvalidGridpoint", "detail": "no such grid"}
        net.replace("GET", GRID, status=404, json=problem)
        net.replace("GET", POINT, json=documents.nws_point(gridX="3"))
        net.get(moved, json=documents.nws_grid())
        net.get(f"{moved}/stations", json=documents.nws_stations("KAAA"))
        weather = here.fetch(CELL, NOW + dt.timedelta(hours=1))
        assert weather.table["forecast"].any()
        net.replace("GET", moved, status=404, json=problem)
        with pytest.raises(WeatherRefused, match="no such grid"):
            here.fetch(CELL, NOW + dt.timedelta(hours=2))


def test_a_place_off_the_map_is_refused_with_a_hint_at_other_providers() -> None:
    problem = {"type": "https://api.weather.gov/problems/InvalidPoint", "detail": "Unable to provide data"}
    with responses.RequestsMock() as net:
        net.get(f"{BASE}/points/52.5,13.4", status=404, json=problem, content_type="application/problem+json")
        with pytest.raises(WeatherRefused, match=r"Unable to provide data.*use another provider") as caught:
            provider().fetch(cell_of(52.5, 13.4), NOW)
    assert not caught.value.everywhere


def test_grid_id_counts_and_zero_is_a_grid_number() -> None:
    point = parse_point(documents.nws_point(gridX="0", gridY=0))
    assert point.path == "gridpoints/XYZ/0,0"
    with pytest.raises(WeatherRefused, match="no forecast grid"):
        parse_point(documents.nws_point(gridId=None))
    for bad in (None, -1, 1.5, True, "1/../x", "12345678"):
        with pytest.raises(WeatherInvalid, match="gridX"):
            parse_point(documents.nws_point(gridX=bad))
    with pytest.raises(WeatherInvalid, match="gridId"):
        parse_point(documents.nws_point(gridId="../points"))


def test_station_names_that_would_bend_the_address_are_left_out() -> None:
    assert parse_stations(documents.nws_stations("KAAA", "../x", "")) == ["KAAA"]


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("PT1H", 1),
        ("PT18H", 18),
        ("P1DT4H", 28),
        ("P2DT18H", 66),
        ("P7D", 168),
        ("P8DT6H", 198),
        ("PT30M", None),
        ("P1M", None),
        ("P1W", None),
        ("P", None),
        ("PT", None),
        ("PT0H", None),
        ("", None),
        ("PT99999H", None),
    ],
)
def test_durations_of_days_and_hours_are_read_and_others_not_guessed(text: str, hours: int | None) -> None:
    assert duration_h(text) == hours


def test_unreadable_intervals_are_counted_and_the_others_kept() -> None:
    odd = layer("degC", (0, "PT6H", 20.0), (6, "PT30M", 30.0), (7, "PT1H", "warm"), (8, "PT2H", None))
    odd["values"] += [{"validTime": "yesterday/PT1H", "value": 1}, {"validTime": None}, "junk"]
    dropped: Counter[str] = Counter()
    grid = nws_grid.parse_grid(documents.nws_grid(temperature=odd), NOW, dropped)
    assert np.count_nonzero(~np.isnan(grid.columns["air_temperature_c"])) == 6
    assert dropped == {Reason.BAD_INTERVAL: 4, Reason.NOT_A_NUMBER: 1}


def test_hours_that_two_intervals_tell_differently_are_unknown() -> None:
    dropped: Counter[str] = Counter()
    twice = layer("degC", (0, "PT6H", 20.0), (4, "PT4H", 25.0))
    table = nws_grid.parse_grid(documents.nws_grid(temperature=twice), NOW, dropped).table(NOW)
    assert table.loc[hour(4) : hour(5), "air_temperature_c"].isna().all()
    assert table.at[hour(3), "air_temperature_c"] == 20.0
    assert dropped == {Reason.DUPLICATED: 2}


def test_a_gap_in_a_layer_stays_a_gap() -> None:
    gappy = layer("degC", (0, "PT3H", 20.0), (5, "PT3H", 22.0))
    table = nws_grid.parse_grid(documents.nws_grid(temperature=gappy), NOW, Counter()).table(NOW)
    assert table.loc[hour(3) : hour(4), "air_temperature_c"].isna().all()


def test_the_first_of_three_stations_with_a_temperature_is_used() -> None:
    null = quantity("degC", None, "Z")
    with responses.RequestsMock() as net:
        serve(net, stations=documents.nws_stations("KAAA", "KBBB", "KCCC", "KDDD"))
        net.get(reports_url("KAAA"), status=404, json={"detail": "gone"})
        net.get(reports_url("KBBB"), json={"features": [report(-7, temperature=null)]})
        net.get(reports_url("KCCC"), json={"features": [report(-67)]})
        weather = provider().fetch(CELL, NOW)
    assert weather.table.at[hour(-1), "air_temperature_c"] == 21.0


def test_without_reports_the_forecast_still_comes_and_the_past_is_unknown() -> None:
    with responses.RequestsMock() as net:
        serve(net)
        for name in ("KAAA", "KBBB"):
            net.get(reports_url(name), json={"features": []})
        weather = provider().fetch(CELL, NOW)
    past = weather.table[~weather.table["forecast"]]
    assert past.drop(columns=["forecast", "coarse"]).isna().all(axis=None)
    assert weather.table["air_temperature_c"].notna().sum() == 48


def test_a_stale_grid_is_refused_with_its_age() -> None:
    with responses.RequestsMock() as net:
        net.get(POINT, json=documents.nws_point())
        net.get(GRID, json=documents.nws_grid(updated_h=-40))
        with pytest.raises(WeatherInvalid, match=r"issued 40 h ago \(2026-06-08 20:00Z\)"):
            provider().fetch(CELL, NOW)


def test_the_rest_of_a_full_page_of_reports_is_asked_for() -> None:
    minutes = range(-5, -5 * 700, -5)
    features = [report(minute, temperature=quantity("degC", 15.0 - minute // 60 % 7)) for minute in minutes]
    with responses.RequestsMock() as net:
        serve(net)
        net.get(reports_url("KAAA"), json={"features": features[:500]})
        net.get(reports_url("KAAA"), json={"features": features[499:]})
        weather = provider().fetch(CELL, NOW)
        ends = [call.request.params["end"] for call in net.calls if "observations" in call.request.url]
    assert ends == ["2026-06-10T13:00:00Z", "2026-06-08T18:20:00Z"]
    assert weather.table["air_temperature_c"].notna().sum() == 48 + 48


def grid_of(*reports: object, start_h: int = -6) -> tuple[object, Counter[str]]:
    dropped: Counter[str] = Counter()
    parsed = nws_station.parse_reports({"features": list(reports)}, NOW, dropped)
    return nws_station.hourly(parsed, HERE_S + 3600 * start_h, NOW).table(NOW), dropped


def test_an_irregular_report_counts_for_the_hour_whose_start_is_nearest() -> None:
    table, _ = grid_of(
        report(-127, temperature=quantity("degC", 10.0)),
        report(-110, temperature=quantity("degC", 11.0)),
        report(-67, temperature=quantity("degC", 12.0)),
    )
    assert table.at[hour(-2), "air_temperature_c"] == 10.0  # 11:53 is nearer to the hour than 12:10
    assert table.at[hour(-1), "air_temperature_c"] == 12.0


def test_unsorted_and_doubled_reports_give_the_same_hours() -> None:
    reports = [report(-7 - 60 * back, temperature=quantity("degC", 10.0 + back)) for back in range(5)]
    straight, _ = grid_of(*reports)
    mixed, dropped = grid_of(reports[3], reports[0], reports[4], reports[3], reports[1], reports[2])
    assert mixed.equals(straight)
    assert dropped == {Reason.DUPLICATED: 1}


def test_rain_of_the_last_hour_belongs_to_the_hour_before_the_routine_report() -> None:
    table, _ = grid_of(
        report(-127, precipitationLastHour=quantity("mm", 2.5)),
        report(-95, precipitationLastHour=quantity("mm", 9.9)),  # a special at 10:25 holds part of an hour
        report(-67, precipitationLastHour=quantity("mm", 0)),
    )
    assert table.at[hour(-3), "precipitation_mm"] == 2.5
    assert table.at[hour(-2), "precipitation_mm"] == 0.0
    assert np.isnan(table.at[hour(-1), "precipitation_mm"])


def test_rain_in_metres_is_read_by_its_unit() -> None:
    old = {"unitCode": "unit:m", "value": 0.0025, "qualityControl": "C"}
    table, _ = grid_of(report(-7, precipitationLastHour=old))
    assert table.at[hour(-1), "precipitation_mm"] == pytest.approx(2.5)


def test_the_strongest_gust_around_an_hour_counts() -> None:
    table, _ = grid_of(
        report(-67, windGust=quantity("km_h-1", 36.0)),
        report(-50, windGust=quantity("km_h-1", 72.0)),
        report(-40),
    )
    assert table.at[hour(-1), "wind_gust_m_s"] == pytest.approx(20.0)


def test_values_with_a_bad_quality_letter_are_dropped_and_counted() -> None:
    table, dropped = grid_of(
        report(-7, temperature=quantity("degC", 21.0, "X"), windSpeed=quantity("km_h-1", 0.0, "Q")),
        report(-67, temperature=quantity("degC", 21.0, "B"), dewpoint=quantity("degC", 9.0, "C")),
    )
    assert table["air_temperature_c"].isna().all()
    assert np.isnan(table.at[hour(0), "wind_speed_m_s"])
    assert table.at[hour(-1), "dew_point_c"] == 9.0
    assert dropped == {Reason.FAILED_CHECK: 3}


def test_an_unknown_unit_of_a_report_is_dropped_and_counted() -> None:
    table, dropped = grid_of(report(-7, temperature=quantity("K", 294.0)))
    assert table["air_temperature_c"].isna().all()
    assert dropped == {Reason.WRONG_UNIT: 1}


def test_coded_text_is_not_read() -> None:
    wind = quantity("km_h-1", None, "Z")
    table, _ = grid_of(report(-7, windSpeed=wind, rawMessage="KTCL 231853Z 31013KT 10SM CLR 21/02 A2981"))
    assert table["wind_speed_m_s"].isna().all()


def test_reports_from_the_future_or_long_past_are_left_out() -> None:
    table, dropped = grid_of(report(60), report(-60 * 24 * 200), {"properties": {}}, "junk")
    assert table["air_temperature_c"].isna().all()
    assert dropped == {Reason.OUTSIDE: 4}


def test_the_altimeter_setting_becomes_station_pressure() -> None:
    # KTCL 231853Z of 2024-02-23: A2981 at 52 m, and SLP091, which reduced back by the hypsometric
    # equation at 21.1 degC must meet it (the two reductions differ by their temperature only).
    altimeter = pressure.from_altimeter(np.array([1009.5]), 52.0)[0]
    sea_level = pressure.from_sea_level(np.array([1009.1]), 52.0, np.array([21.1]))[0]
    assert altimeter == pytest.approx(sea_level, abs=0.3)
    assert altimeter == pytest.approx(1003.3, abs=0.3)


@pytest.mark.parametrize("elevation_m", [0.0, 500.0, 1000.0, 2000.0, 3000.0])
def test_station_pressure_in_the_standard_atmosphere_agrees_with_psychrolib(elevation_m: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    expected_hpa = psychrolib.GetStandardAtmPressure(elevation_m) / 100.0  # ASHRAE Handbook 2017, ch. 1 eq. 3
    assert pressure.from_altimeter(np.array([1013.25]), elevation_m)[0] == pytest.approx(
        expected_hpa, rel=2e-4
    )


def test_the_altimeter_setting_comes_back() -> None:
    station = np.array([850.0, 1000.0])
    np.testing.assert_allclose(
        pressure.from_altimeter(pressure.to_altimeter(station, 1500.0), 1500.0), station
    )


def test_an_edge_block_is_refused_everywhere() -> None:
    with responses.RequestsMock() as net:
        net.get(POINT, status=403, body="<HTML><TITLE>Access Denied</TITLE></HTML>", content_type="text/html")
        with pytest.raises(WeatherRefused, match=r"nws: HTTP 403.*User-Agent") as caught:
            provider().fetch(CELL, NOW)
    assert caught.value.everywhere


def test_an_expired_grid_of_the_office_is_a_passing_fault() -> None:
    problem = {"type": "https://api.weather.gov/problems/ForecastGridExpired", "detail": "has expired"}
    with responses.RequestsMock() as net:
        net.get(POINT, json=documents.nws_point())
        net.get(GRID, status=503, json=problem, content_type="application/problem+json")
        with pytest.raises(WeatherUnavailable, match="has expired"):
            provider().fetch(CELL, NOW)


def test_past_hours_are_asked_for_as_far_back_as_stations_keep_them() -> None:
    with responses.RequestsMock() as net:
        serve(net)
        net.get(reports_url("KAAA"), json={"features": [report(-7)]})
        weather = provider(past_hours=30 * 24).fetch(CELL, NOW)
    assert weather.table.index[0] == hour(-168)
    with pytest.raises(ConfigError, match="past_hours"):
        NwsSettings(past_hours=-1)


def test_without_past_hours_no_station_is_asked() -> None:
    with responses.RequestsMock() as net:
        net.get(POINT, json=documents.nws_point())
        net.get(GRID, json=documents.nws_grid())
        weather = provider(past_hours=0).fetch(CELL, NOW)
    assert weather.table.index[0] == hour(0)
