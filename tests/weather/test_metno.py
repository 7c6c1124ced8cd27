from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
import responses

from alertd.errors import WeatherInvalid, WeatherRefused, WeatherUnavailable
from alertd.records.weather import WeatherCell, cell_of
from alertd.weather.hours import Reason
from alertd.weather.metno import MetNo, MetNoSettings, parse_forecast
from tests.weather import documents
from tests.weather.documents import CELL, HERE_S, NOW, QUIET, metno, metno_step

BASE = "https://metno.test"
URL = f"{BASE}/complete"


def provider() -> MetNo:
    return MetNo(MetNoSettings(base_url=BASE), QUIET)


def hour(offset: int) -> dt.datetime:
    return dt.datetime.fromtimestamp(HERE_S + 3600 * offset, dt.UTC)


def test_the_address_has_at_most_four_decimals_and_whole_metres() -> None:
    with responses.RequestsMock() as net:
        net.get(URL, json=metno())
        provider().fetch(WeatherCell("x", 59.912345678, 10.7, 123.6), NOW)
        assert net.calls[0].request.url == f"{URL}?altitude=124&lat=59.9123&lon=10.7"


def test_the_credit_names_source_and_licence() -> None:
    assert "MET Norway" in MetNo.attribution
    assert "creativecommons.org/licenses/by/4.0" in MetNo.attribution


def test_expires_is_obeyed_and_then_asked_with_the_exact_stamp() -> None:
    headers = {
        "Date": "Wed, 10 Jun 2026 12:20:00 GMT",
        "Expires": "Wed, 10 Jun 2026 12:50:00 GMT",
        "Last-Modified": "Wed, 10 Jun 2026 12:19:58 GMT",
    }
    with responses.RequestsMock() as net:
        net.get(URL, json=metno(), headers=headers)
        here = provider()
        here.fetch(CELL, NOW)
        here.fetch(CELL, NOW + dt.timedelta(minutes=29))
        assert len(net.calls) == 1
        net.replace("GET", URL, status=304, headers={"Expires": "Wed, 10 Jun 2026 13:20:00 GMT"})
        later = NOW + dt.timedelta(minutes=31)
        weather = here.fetch(CELL, later)
        assert net.calls[1].request.headers["If-Modified-Since"] == headers["Last-Modified"]
    assert weather.fetched_at == later


def test_a_deprecated_version_is_used_and_told_once_a_day(capsys: pytest.CaptureFixture[str]) -> None:
    with responses.RequestsMock() as net:
        net.get(URL, json=metno(), status=203, headers={"Cache-Control": "no-store"})
        here = provider()
        assert here.fetch(CELL, NOW).table["air_temperature_c"].notna().any()
        here.fetch(CELL, NOW + dt.timedelta(hours=1))
    assert capsys.readouterr().out.count("weather_version_deprecated") == 1


def test_only_temperature_and_humidity_are_drawn_between_wide_steps() -> None:
    wide = [metno_step(0, {"next_6_hours": 6.0}, air_temperature=10.0), metno_step(6, air_temperature=22.0)]
    table = parse_forecast(metno(wide), CELL, NOW, NOW).table
    assert table["air_temperature_c"].tolist() == [10.0, 12.0, 14.0, 16.0, 18.0, 20.0, 22.0]
    assert table["relative_humidity_pct"].notna().all()
    assert table["precipitation_mm"].tolist()[:6] == [1.0] * 6
    assert table["coarse"].all()
    for column in ("wind_speed_m_s", "wind_gust_m_s", "wind_direction_deg", "cloud_cover_pct"):
        assert table[column].isna().all()


def test_nothing_is_drawn_from_an_unknown_end_and_a_known_end_stays() -> None:
    steps = [metno_step(0, {"next_6_hours": 0.0}), metno_step(6)]
    del steps[1]["data"]["instant"]["details"]["air_temperature"]
    table = parse_forecast(metno(steps), CELL, NOW, NOW).table
    assert table["air_temperature_c"].notna().tolist() == [True] + [False] * 6


def test_missing_hourly_steps_are_a_gap_and_not_a_wide_step() -> None:
    steps = [metno_step(h, {"next_1_hours": 0.1, "next_6_hours": 9.0}) for h in (0, 6, 7)]
    table = parse_forecast(metno(steps), CELL, NOW, NOW).table
    assert not table["coarse"].any()
    assert table.loc[hour(1) : hour(5), "air_temperature_c"].isna().all()
    assert table["precipitation_mm"].sum() == pytest.approx(0.3)


def test_an_hourly_step_without_its_own_rain_does_not_borrow_six_hours_of_it() -> None:
    steps = [metno_step(0, {"next_6_hours": 9.0}), metno_step(1, {"next_1_hours": 0.0}), metno_step(2)]
    table = parse_forecast(metno(steps), CELL, NOW, NOW).table
    assert table["precipitation_mm"].isna().tolist() == [True, False, True]


def test_gust_and_probability_are_used_where_the_nordic_area_has_them() -> None:
    step = metno_step(0, {"next_1_hours": 0.0}, wind_speed_of_gust=6.6)
    step["data"]["next_1_hours"]["details"]["probability_of_precipitation"] = 12.0
    row = parse_forecast(metno([step]), CELL, NOW, NOW).table.iloc[0]
    assert row["wind_gust_m_s"] == 6.6
    assert row["precipitation_probability_pct"] == 12.0


def test_pressure_at_sea_level_becomes_station_pressure_at_the_height_of_the_answer() -> None:
    document = metno([metno_step(0, air_temperature=8.5)])
    document["geometry"]["coordinates"] = [-74.0, 40.7, 1000]
    table = parse_forecast(document, CELL, NOW, NOW).table
    # ICAO standard atmosphere, 8.5 degC and 898.75 hPa at 1000 m (from memory; psychrolib gives 898.75)
    assert table["pressure_hpa"].iloc[0] == pytest.approx(898.75, abs=0.6)
    document["geometry"]["coordinates"] = [-74.0, 40.7]
    assert np.isnan(parse_forecast(document, CELL, NOW, NOW).table["pressure_hpa"].iloc[0])
    high = parse_forecast(document, cell_of(40.7, -74.0, 1000.0), NOW, NOW)
    assert high.table["pressure_hpa"].iloc[0] == pytest.approx(898.75, abs=0.6)


def test_unknown_units_drop_their_variable() -> None:
    document = metno()
    document["properties"]["meta"]["units"]["wind_speed"] = "knots"
    weather = parse_forecast(document, CELL, NOW, NOW)
    assert weather.table["wind_speed_m_s"].isna().all()
    assert weather.dropped == {Reason.WRONG_UNIT: 15}


def test_an_old_run_is_refused_and_a_ten_hour_old_one_is_normal() -> None:
    with responses.RequestsMock() as net:
        net.get(URL, json=metno(updated_h=-30))
        with pytest.raises(WeatherInvalid, match="issued 30 h ago"):
            provider().fetch(CELL, NOW)
    with responses.RequestsMock() as net:
        net.get(URL, json=metno(updated_h=-10))
        assert provider().fetch(CELL, NOW).issued_at == hour(-10)


def test_places_off_the_map_and_outages_are_told_apart() -> None:
    for status, text, error in (
        (404, "Outside of coverage area", WeatherRefused),
        (422, "outside the area", WeatherRefused),
        (400, "Missing value for lat", WeatherRefused),
        (503, "service unavailable", WeatherUnavailable),
        (499, "client closed", WeatherRefused),
    ):
        with responses.RequestsMock() as net:
            net.get(URL, status=status, body=text, content_type="text/plain")
            with pytest.raises(error, match=text):
                provider().fetch(CELL, NOW)


def test_an_answer_without_the_time_it_was_made_is_not_trusted() -> None:
    document = metno()
    del document["properties"]["meta"]["updated_at"]
    with pytest.raises(WeatherInvalid, match="updated_at"):
        parse_forecast(document, CELL, NOW, NOW)


def test_doubled_steps_are_dropped() -> None:
    steps = [metno_step(h, {"next_1_hours": 0.0}) for h in (0, 1, 1, 2)]
    steps[2]["data"]["instant"]["details"]["air_temperature"] = 25.0
    weather = parse_forecast(metno(steps), CELL, NOW, NOW)
    assert weather.table["air_temperature_c"].notna().tolist() == [True, False, True]
    assert weather.dropped[Reason.DUPLICATED] == 16
    assert documents.stamp(0).startswith("2026")
