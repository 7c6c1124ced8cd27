from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
import responses

from alertd.errors import ConfigError, WeatherInvalid, WeatherRefused, WeatherUnavailable
from alertd.records.weather import cell_of
from alertd.weather import openmeteo
from alertd.weather.hours import Reason
from alertd.weather.openmeteo import OpenMeteo, OpenMeteoSettings, limit_wait_s, parse_forecast
from tests.weather import documents
from tests.weather.documents import CELL, HERE_S, NOW, QUIET

BASE = "https://openmeteo.test"
URL = f"{BASE}/v1/forecast"


def provider(**settings: object) -> OpenMeteo:
    return OpenMeteo(OpenMeteoSettings(base_url=BASE, **settings), QUIET)


def test_the_request_asks_for_gmt_unixtime_and_metres_per_second_and_sends_the_key_in_a_header() -> None:
    with responses.RequestsMock() as net:
        net.get(URL, json=documents.openmeteo())
        weather = provider(api_key="s3cret", past_days=5).fetch(cell_of(40.7, -74.0, 130.0), NOW)
        request = net.calls[0].request
    assert "s3cret" not in request.url
    assert request.headers["X-Api-Key"] == "s3cret"
    asked = request.params
    assert asked["timezone"] == "GMT"
    assert asked["timeformat"] == "unixtime"
    assert asked["wind_speed_unit"] == "ms"
    assert asked["past_days"] == "5"
    assert asked["forecast_days"] == "16"
    assert asked["elevation"] == "100"
    assert asked["latitude"] == "40.7000"
    assert weather.provider == "openmeteo"
    assert "Open-Meteo.com" in weather.attribution
    assert weather.issued_at == weather.fetched_at == NOW


def test_the_same_place_within_the_hour_costs_one_request() -> None:
    with responses.RequestsMock() as net:
        net.get(URL, json=documents.openmeteo())
        here = provider()
        here.fetch(CELL, NOW)
        here.fetch(CELL, NOW + dt.timedelta(minutes=40))
        assert len(net.calls) == 1


def test_sums_and_means_belong_to_the_hour_before_their_stamp() -> None:
    ramp = [float(hour) for hour in range(48)]
    document = documents.openmeteo(
        precipitation=ramp, shortwave_radiation=ramp, wind_gusts_10m=[hour + 10.0 for hour in ramp]
    )
    table = parse_forecast(document, CELL, NOW, NOW).table
    assert table.index[0].timestamp() == HERE_S - 3600
    for column, offset in (("precipitation_mm", 0.0), ("shortwave_w_m2", 0.0), ("wind_gust_m_s", 10.0)):
        np.testing.assert_allclose(table[column].to_numpy()[:-1], np.arange(48) + offset)
        assert np.isnan(table[column].iloc[-1])
    np.testing.assert_allclose(
        table["air_temperature_c"].to_numpy()[1:], document["hourly"]["temperature_2m"]
    )


def test_known_other_units_are_converted_by_their_label() -> None:
    document = documents.openmeteo(
        temperature_2m=[68.0, 77.0] * 24,
        wind_speed_10m=[10.0] * 48,
        precipitation=[0.1] * 48,
        dew_point_2m=[50.0] * 48,
    )
    document["hourly_units"] |= {
        "temperature_2m": "°F",
        "dew_point_2m": "°F",
        "wind_speed_10m": "mp/h",
        "precipitation": "inch",
    }
    row = parse_forecast(document, CELL, NOW, NOW).table.iloc[5]
    assert row["air_temperature_c"] == pytest.approx(20.0)
    assert row["dew_point_c"] == pytest.approx(10.0)
    assert row["wind_speed_m_s"] == pytest.approx(4.4704)  # 1 mph = 0.44704 m/s by definition
    assert row["precipitation_mm"] == pytest.approx(2.54)  # 1 inch = 25.4 mm by definition


def test_an_unknown_unit_drops_its_variable_and_is_counted() -> None:
    document = documents.openmeteo()
    document["hourly_units"]["wind_speed_10m"] = "furlongs/fortnight"
    weather = parse_forecast(document, CELL, NOW, NOW)
    assert weather.table["wind_speed_m_s"].isna().all()
    assert weather.dropped == {Reason.WRONG_UNIT: 48}


def test_unknown_temperature_units_make_the_answer_unusable_with_the_reason() -> None:
    document = documents.openmeteo()
    document["hourly_units"]["temperature_2m"] = "K"
    with responses.RequestsMock() as net:
        net.get(URL, json=document)
        with pytest.raises(WeatherInvalid, match=r"known for 0 of the next 24 hours.*wrong unit 48"):
            provider().fetch(CELL, NOW)


def test_an_answer_that_ends_before_now_is_unusable() -> None:
    with responses.RequestsMock() as net:
        net.get(URL, json=documents.openmeteo(start_s=HERE_S - 72 * 3600))
        with pytest.raises(WeatherInvalid, match="known for 0 of the next 24 hours"):
            provider().fetch(CELL, NOW)


def test_lists_of_unequal_length_are_refused_as_cut_off() -> None:
    with pytest.raises(WeatherInvalid, match="precipitation has 47 values for 48 hours"):
        parse_forecast(documents.openmeteo(precipitation=[0.0] * 47), CELL, NOW, NOW)


def test_doubled_and_backward_stamps_are_dropped_hour_by_hour_and_counted() -> None:
    document = documents.openmeteo(hours=12)
    times = document["hourly"]["time"]
    times[4] = times[3]  # a copy with other values: neither can be trusted
    times[8] = times[6] - 7200  # runs backward
    weather = parse_forecast(document, CELL, NOW, NOW)
    known = weather.table["air_temperature_c"].notna()
    assert known.sum() == 9
    assert weather.dropped[Reason.DUPLICATED] == 2 * 11
    assert weather.dropped[Reason.OUT_OF_ORDER] == 11
    assert not known.loc[dt.datetime.fromtimestamp(HERE_S + 3 * 3600, dt.UTC)]


def test_an_equal_copy_of_an_hour_is_dropped_once() -> None:
    document = documents.openmeteo(hours=6)
    for values in document["hourly"].values():
        values[3] = values[2]
    weather = parse_forecast(document, CELL, NOW, NOW)
    assert weather.table["air_temperature_c"].notna().sum() == 5
    assert weather.dropped == {Reason.DUPLICATED: 11}


def test_one_wild_stamp_does_not_take_the_others_with_it() -> None:
    document = documents.openmeteo()
    document["hourly"]["time"][0] = 4_102_444_800  # the year 2100
    document["hourly"]["time"][1] += 60
    weather = parse_forecast(document, CELL, NOW, NOW)
    assert weather.table["air_temperature_c"].notna().sum() == 46
    assert weather.dropped == {Reason.OUTSIDE: 11, Reason.OFF_HOUR: 11}


def test_texts_and_booleans_are_no_numbers() -> None:
    weather = parse_forecast(
        documents.openmeteo(temperature_2m=["21.0", True, *[20.0, 21.0] * 23]), CELL, NOW, NOW
    )
    assert weather.table["air_temperature_c"].notna().sum() == 46
    assert weather.dropped[Reason.NOT_A_NUMBER] == 2


def test_an_error_body_with_status_200_is_an_error() -> None:
    with pytest.raises(WeatherInvalid, match="The service is overloaded"):
        parse_forecast({"error": True, "reason": "The service is overloaded"}, CELL, NOW, NOW)


@pytest.mark.parametrize(
    ("reason", "expected_s"),
    [
        ("Minutely API request limit exceeded. Please try again in one minute.", 45.0),
        ("Hourly API request limit exceeded. Please try again in the next hour.", 2385.0),
        ("Daily API request limit exceeded. Please try again tomorrow.", 41_985.0),
        ("Too many concurrent requests", 30.0),
        ("something else", None),
    ],
)
def test_the_text_of_a_429_says_how_long_to_wait(reason: str, expected_s: float | None) -> None:
    now = dt.datetime(2026, 6, 10, 12, 20, 15, tzinfo=dt.UTC)
    assert limit_wait_s(reason, now) == expected_s
    with responses.RequestsMock() as net:
        net.get(URL, status=429, json={"error": True, "reason": reason})
        with pytest.raises(WeatherUnavailable, match="openmeteo: HTTP 429") as caught:
            provider().fetch(CELL, now)
    assert caught.value.retry_after_s == expected_s


def test_a_wrong_key_is_refused_everywhere_without_showing_it() -> None:
    with responses.RequestsMock() as net:
        net.get(URL, status=400, json={"error": True, "reason": "The supplied API key is invalid."})
        with pytest.raises(WeatherRefused, match="check the API key") as caught:
            provider(api_key="s3cret").fetch(CELL, NOW)
    assert caught.value.everywhere
    assert "s3cret" not in str(caught.value)
    assert "s3cret" not in repr(OpenMeteoSettings(api_key="s3cret"))


def test_settings_outside_of_what_the_provider_serves_are_refused() -> None:
    with pytest.raises(ConfigError, match="past_days"):
        OpenMeteoSettings(past_days=93)
    with pytest.raises(ConfigError, match="forecast_days"):
        OpenMeteoSettings(forecast_days=7)
    with pytest.raises(ConfigError, match="needs an API key"):
        OpenMeteoSettings(base_url=openmeteo.PAID_URL)
