"""The raw forecast grid of the US National Weather Service: layers of values over ISO 8601 intervals."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Mapping

import numpy as np

from alertd.errors import WeatherInvalid
from alertd.weather.hours import (
    AHEAD_LIMIT_H,
    HOUR_S,
    Grid,
    Reason,
    duration_h,
    hour_floor_s,
    instant_s,
    number,
)
from alertd.weather.measure import FloatArray, conversion
from alertd.weather.shape import mapping, sub_mapping

NAME = "nws"
LAYERS: Mapping[str, str] = {
    "temperature": "air_temperature_c",
    "relativeHumidity": "relative_humidity_pct",
    "dewpoint": "dew_point_c",
    "windSpeed": "wind_speed_m_s",
    "windGust": "wind_gust_m_s",
    "windDirection": "wind_direction_deg",
    "quantitativePrecipitation": "precipitation_mm",
    "probabilityOfPrecipitation": "precipitation_probability_pct",
    "skyCover": "cloud_cover_pct",
}
TOTALS = frozenset({"quantitativePrecipitation"})
"""Layers whose value is a total over its interval, to be shared out over the hours and not repeated."""


def parse_issued_at(document: object) -> dt.datetime:
    """Return when the office made the grid. Raises WeatherInvalid."""
    properties = mapping(
        mapping(document, NAME, "an object at the top").get("properties"), NAME, "'properties'"
    )
    issued_s = instant_s(properties.get("updateTime"))
    if issued_s is None:
        raise WeatherInvalid(f"{NAME}: the grid does not say when it was made (updateTime)")
    return dt.datetime.fromtimestamp(issued_s, dt.UTC)


def parse_grid(document: object, now: dt.datetime, dropped: Counter[str]) -> Grid:
    """Return the whole grid, hours already over included. Raises WeatherInvalid."""
    properties = mapping(
        mapping(document, NAME, "an object at the top").get("properties"), NAME, "'properties'"
    )
    here_s = hour_floor_s(now)
    intervals = {
        layer: _intervals(sub_mapping(properties, layer), layer, here_s, dropped) for layer in LAYERS
    }
    bounds = [
        (first_s, first_s + hours * HOUR_S) for part in intervals.values() for first_s, hours, _ in part
    ]
    if not bounds:
        raise WeatherInvalid(f"{NAME}: the grid holds no usable values; the office may be behind")
    grid = Grid.between(min(first for first, _ in bounds), max(end for _, end in bounds))
    for layer, column in LAYERS.items():
        grid.columns[column] = _laid_out(intervals[layer], grid, layer in TOTALS, dropped)
    return grid


def _intervals(
    layer: Mapping[str, object], name: str, here_s: int, dropped: Counter[str]
) -> list[tuple[int, int, float]]:
    """Return (start, hours, value) of every readable interval, in canonical units."""
    values = layer.get("values")
    if not isinstance(values, list) or not values:
        return []
    convert = conversion(LAYERS[name], layer.get("uom"))
    if convert is None:
        dropped[Reason.WRONG_UNIT] += len(values)
        return []
    found: list[tuple[int, int, float]] = []
    for entry in values:
        record = entry if isinstance(entry, dict) else {}
        value = number(record.get("value"), dropped)
        interval = _interval(record.get("validTime"))
        if interval is None:
            dropped[Reason.BAD_INTERVAL] += 1
        elif abs(interval[0] - here_s) > AHEAD_LIMIT_H * HOUR_S or interval[1] > AHEAD_LIMIT_H:
            dropped[Reason.OUTSIDE] += 1
        elif not np.isnan(value):
            found.append((*interval, value))
    figures = convert(np.array([value for _, _, value in found], dtype=np.float64))
    return [(start, hours, float(v)) for (start, hours, _), v in zip(found, figures, strict=True)]


def _interval(text: object) -> tuple[int, int] | None:
    if not isinstance(text, str):
        return None
    start, _, length = text.partition("/")
    start_s, hours = instant_s(start), duration_h(length)
    if start_s is None or hours is None or start_s % HOUR_S:
        return None
    return start_s, hours


def _laid_out(
    intervals: list[tuple[int, int, float]], grid: Grid, is_total: bool, dropped: Counter[str]
) -> FloatArray:
    """Return one value an hour; hours that two intervals tell differently are unknown."""
    values = np.full(grid.hours, np.nan)
    disputed = np.zeros(grid.hours, dtype=np.bool_)
    for start_s, hours, value in intervals:
        rows = slice(grid.index(start_s), grid.index(start_s) + hours)
        share = value / hours if is_total else value
        disputed[rows] |= ~np.isnan(values[rows]) & (values[rows] != share)
        values[rows] = share
    if disputed.any():
        dropped[Reason.DUPLICATED] += int(np.count_nonzero(disputed))
        values[disputed] = np.nan
    return values
