"""Members of an ensemble: read as documented, and refused or left out where they are not."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest
import responses

from alertd.errors import ConfigError, WeatherError, WeatherInvalid, WeatherRefused, WeatherUnavailable
from alertd.records.ensemble import EnsembleForecast
from alertd.records.weather import cell_of
from alertd.weather.hours import Reason
from alertd.weather.openmeteo_ensemble import (
    PAID_URL,
    EnsembleSettings,
    OpenMeteoEnsemble,
    parse_ensemble,
)
from tests.weather.documents import CELL, HERE_S, NOW, QUIET
from tests.weather.documents import openmeteo_ensemble as document_of

BASE = "https://ensemble.test"
URL = f"{BASE}/v1/ensemble"
MODEL = "invented_eps"


def provider(**settings: Any) -> OpenMeteoEnsemble:
    return OpenMeteoEnsemble(EnsembleSettings(MODEL, base_url=BASE, **settings), QUIET)


def parsed(document: object) -> EnsembleForecast:
    return parse_ensemble(document, CELL, MODEL, NOW, NOW)


def test_the_request_names_one_model_and_sends_the_key_in_a_header() -> None:
    with responses.RequestsMock() as net:
        net.get(URL, json=document_of())
        found = provider(api_key="s3cret", forecast_days=10).fetch(cell_of(40.7, -74.0, 130.0), NOW)
        request = net.calls[0].request
    assert "s3cret" not in request.url
    assert request.headers["X-Api-Key"] == "s3cret"
    asked = request.params
    assert asked["models"] == MODEL
    assert asked["forecast_days"] == "10"
    assert (asked["timezone"], asked["timeformat"], asked["wind_speed_unit"]) == ("GMT", "unixtime", "ms")
    assert (asked["latitude"], asked["elevation"]) == ("40.7000", "100")
    assert (found.model, found.fetched_at) == (MODEL, NOW)


def test_the_same_place_within_the_hour_costs_one_request() -> None:
    with responses.RequestsMock() as net:
        net.get(URL, json=document_of())
        here = provider()
        here.fetch(CELL, NOW)
        here.fetch(CELL, NOW + dt.timedelta(minutes=40))
        assert len(net.calls) == 1


def test_members_are_read_with_the_control_and_gusts_belong_to_the_hour_before() -> None:
    document = document_of(
        hours=2,
        temperature_2m=[20.0, 21.0],
        temperature_2m_member01=[22.0, None],
        wind_gusts_10m=[5.0, 6.0],
        members=2,
    )
    found = parsed(document)
    assert found.start_at.timestamp() == HERE_S - 3600
    assert found.hours == 3
    air = found.members["air_temperature_c"]
    np.testing.assert_array_equal(air[:2], [[np.nan, 20.0, 21.0], [np.nan, 22.0, np.nan]])
    np.testing.assert_array_equal(found.members["wind_gust_m_s"][0], [5.0, 6.0, np.nan])
    assert {values.shape for values in found.members.values()} == {(3, 3)}


def test_names_with_the_suffix_of_the_model_are_read_and_those_of_another_are_not() -> None:
    plain = document_of()
    for part in ("hourly", "hourly_units"):
        plain[part] = {
            key if key == "time" else f"{key}_{MODEL}": value for key, value in plain[part].items()
        } | {"temperature_2m_member01_other_eps": plain[part]["temperature_2m"]}
    found = parsed(plain)
    np.testing.assert_array_equal(
        found.members["air_temperature_c"], parsed(document_of()).members["air_temperature_c"]
    )


def test_a_member_missing_of_one_variable_does_not_shift_the_others() -> None:
    document = document_of()
    for part in ("hourly", "hourly_units"):
        del document[part]["relative_humidity_2m_member01"]
    found = parsed(document)
    whole = parsed(document_of()).members["relative_humidity_pct"]
    assert np.isnan(found.members["relative_humidity_pct"][1]).all()
    np.testing.assert_array_equal(found.members["relative_humidity_pct"][2], whole[2])


def test_other_known_units_are_converted_and_unknown_ones_refused_and_counted() -> None:
    document = document_of(hours=2, wind_speed_10m_member02=[36.0, 36.0])
    document["hourly_units"]["wind_speed_10m_member02"] = "km/h"
    for key in document["hourly_units"]:
        if key.startswith("temperature_2m"):
            document["hourly_units"][key] = "K"
    found = parsed(document)
    np.testing.assert_allclose(found.members["wind_speed_m_s"][2, 1:], 10.0)
    assert "air_temperature_c" not in found.members
    assert found.dropped[Reason.WRONG_UNIT] == 2 * 6


def test_values_out_of_range_or_no_numbers_are_unknown_and_counted() -> None:
    found = parsed(document_of(hours=3, temperature_2m_member03=[99.0, "20", 20.0]))
    np.testing.assert_array_equal(found.members["air_temperature_c"][3], [np.nan, np.nan, np.nan, 20.0])
    assert found.dropped == {Reason.OUT_OF_RANGE: 1, Reason.NOT_A_NUMBER: 1}


def test_a_variable_the_model_lacks_is_left_out() -> None:
    document = document_of(hours=2)
    for key in document["hourly"]:
        if key.startswith("wind_gusts"):
            document["hourly"][key], document["hourly_units"][key] = [None, None], "undefined"
    found = parsed(document)
    assert "wind_gust_m_s" not in found.members
    assert found.dropped == {}


@pytest.mark.parametrize(
    ("document", "reason"),
    [
        ([], "lacks an object at the top"),
        ({"error": True, "reason": "Cannot initialize model"}, "Cannot initialize model"),
        ({"hourly": {}}, "lacks 'hourly.time'"),
        ({"hourly": {"time": [HERE_S]}}, "no member of any variable is usable"),
        (document_of(hours=2, temperature_2m=[20.0]), "temperature_2m has 1 values for 2 hours; cut off"),
        (document_of(start_s=0), "no usable time stamps"),
    ],
)
def test_what_is_no_ensemble_is_invalid(document: object, reason: str) -> None:
    with pytest.raises(WeatherInvalid, match=reason):
        parsed(document)


@pytest.mark.parametrize(
    ("answer", "kind", "reason"),
    [
        ({"body": "<html>maintenance</html>", "content_type": "text/html"}, WeatherInvalid, "not JSON"),
        ({"body": "", "content_type": "application/json"}, WeatherInvalid, "openmeteo ensemble"),
        ({"status": 502, "body": "<html></html>"}, WeatherUnavailable, "HTTP 502"),
        ({"status": 429, "json": {"error": True, "reason": "Hourly limit"}}, WeatherUnavailable, "HTTP 429"),
        ({"status": 403, "json": {"error": True, "reason": "plan"}}, WeatherRefused, "HTTP 403"),
    ],
)
def test_a_failing_host_is_asked_once_and_named(
    answer: dict[str, Any], kind: type[WeatherError], reason: str
) -> None:
    with responses.RequestsMock() as net:
        net.get(URL, **answer)
        with pytest.raises(kind, match=reason):
            provider().fetch(CELL, NOW)
        assert len(net.calls) == 1


def test_settings_that_cannot_be_meant_are_refused() -> None:
    for settings in ({"model": "a,b"}, {"model": MODEL, "forecast_days": 17}):
        with pytest.raises(ConfigError):
            EnsembleSettings(**settings)
    with pytest.raises(ConfigError, match="needs an API key"):
        EnsembleSettings(MODEL, base_url=PAID_URL)
