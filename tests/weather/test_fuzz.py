"""Whatever a provider sends, the parsers give weather or a WeatherError, and nothing else."""

from __future__ import annotations

import contextlib
import copy
import json
import random
from collections import Counter
from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from alertd.errors import WeatherError
from alertd.records.weather import HourlyWeather
from alertd.weather import metno, nws, nws_grid, nws_station, openmeteo
from alertd.weather.body import parse_json, reason_of
from alertd.weather.quality import RANGES, checked
from tests.weather import documents
from tests.weather.documents import CELL, HERE_S, NOW


def of_openmeteo(document: object) -> HourlyWeather:
    return openmeteo.parse_forecast(document, CELL, NOW, NOW)


def of_metno(document: object) -> HourlyWeather:
    return metno.parse_forecast(document, CELL, NOW, NOW)


def of_nws_grid(document: object) -> HourlyWeather:
    dropped: Counter[str] = Counter()
    grid = nws_grid.parse_grid(document, NOW, dropped)
    issued_at = nws_grid.parse_issued_at(document)
    return HourlyWeather(CELL, "nws", issued_at, NOW, checked(grid.table(NOW), dropped), "")


def of_nws_reports(document: object) -> HourlyWeather:
    dropped: Counter[str] = Counter()
    reports = nws_station.parse_reports(document, NOW, dropped)
    grid = nws_station.hourly(reports, HERE_S - 72 * 3600, NOW)
    return HourlyWeather(CELL, "nws", NOW, NOW, checked(grid.table(NOW), dropped), "")


PARSERS: dict[str, tuple[Callable[[object], HourlyWeather], object]] = {
    "openmeteo": (of_openmeteo, documents.openmeteo(hours=12)),
    "metno": (of_metno, documents.metno()),
    "nws_grid": (of_nws_grid, documents.nws_grid()),
    "nws_reports": (of_nws_reports, {"features": [documents.report(-7 - 60 * back) for back in range(4)]}),
}
odd = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.integers(HERE_S - 10**6, HERE_S + 10**6),
    st.floats(allow_nan=False),
    st.text(max_size=12),
    st.sampled_from(
        ["2026-06-10T12:00:00Z", "2026-06-10T12:00:00+00:00/PT6H", "P9999D", 10**400, -(10**30), 1e308]
    ),
)
anything = st.recursive(
    odd,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)
quick = settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def is_weather_or_error(parse: Callable[[object], HourlyWeather], document: object) -> None:
    with contextlib.suppress(WeatherError):
        weather = parse(document)
        assert isinstance(weather, HourlyWeather)
        assert len(weather.table) < 24 * 400
        for column, (low, high) in RANGES.items():
            assert weather.table[column].dropna().between(low, high).all()


@pytest.mark.parametrize("name", PARSERS)
def test_the_document_used_for_fuzzing_is_itself_read_without_loss(name: str) -> None:
    parse, document = PARSERS[name]
    weather = parse(document)
    assert weather.table["air_temperature_c"].notna().any()
    assert weather.dropped == {}


@pytest.mark.parametrize("name", PARSERS)
@quick
@given(document=anything)
def test_arbitrary_json_gives_weather_or_a_weather_error(name: str, document: object) -> None:
    is_weather_or_error(PARSERS[name][0], document)


@pytest.mark.parametrize("name", PARSERS)
@quick
@given(seed=st.integers(0, 2**32), values=st.lists(anything, min_size=1, max_size=4))
def test_documents_with_odd_values_in_any_place_give_weather_or_a_weather_error(
    name: str, seed: int, values: list[object]
) -> None:
    parse, document = PARSERS[name]
    document = copy.deepcopy(document)
    draw = random.Random(seed)
    for value in values:
        replace_somewhere(document, value, draw)
    is_weather_or_error(parse, document)


def replace_somewhere(node: object, value: object, draw: random.Random) -> None:
    """Put the value at a random place of the document, at any depth."""
    while isinstance(node, dict | list) and node:
        key = draw.choice(list(node)) if isinstance(node, dict) else draw.randrange(len(node))
        if draw.random() < 0.25 or not isinstance(node[key], dict | list):
            node[key] = value
            return
        node = node[key]


@pytest.mark.parametrize("name", PARSERS)
@quick
@given(cut=st.floats(0, 1), junk=st.binary(max_size=8))
def test_bodies_cut_anywhere_give_weather_or_a_weather_error(name: str, cut: float, junk: bytes) -> None:
    parse, document = PARSERS[name]
    body = json.dumps(document).encode()
    body = body[: int(cut * len(body))] + junk
    with contextlib.suppress(WeatherError):
        is_weather_or_error(parse, parse_json(body, name))


@quick
@given(st.binary(max_size=300))
def test_the_reason_of_any_body_is_one_short_printable_line(body: bytes) -> None:
    reason = reason_of(body)
    assert len(reason) <= 200
    assert reason.isprintable()


@quick
@given(anything)
def test_any_point_and_station_list_is_read_or_refused(document: object) -> None:
    for parse in (nws.parse_point, nws.parse_stations):
        with contextlib.suppress(WeatherError):
            assert parse(document) is not None
