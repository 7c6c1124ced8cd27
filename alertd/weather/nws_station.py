"""Station observations of the US National Weather Service: irregular reports onto whole hours."""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from alertd.weather import pressure
from alertd.weather.hours import (
    HOUR_S,
    PAST_LIMIT_H,
    Grid,
    Reason,
    hour_floor_s,
    instant_s,
    number,
)
from alertd.weather.measure import conversion
from alertd.weather.shape import mapping, sequence, sub_mapping, text

NAME = "nws"
STATES: Mapping[str, str] = {
    "temperature": "air_temperature_c",
    "relativeHumidity": "relative_humidity_pct",
    "dewpoint": "dew_point_c",
    "windSpeed": "wind_speed_m_s",
    "windDirection": "wind_direction_deg",
    "barometricPressure": "pressure_hpa",
}
GUST = "windGust"
RAIN = "precipitationLastHour"
_COLUMNS: Mapping[str, str] = {**STATES, GUST: "wind_gust_m_s", RAIN: "precipitation_mm"}
FAILED_LETTERS = frozenset({"X", "Q", "B"})
"""Quality letters of values that failed, are questioned or were judged bad."""
ROUTINE_MINUTES = (-15 * 60, 5 * 60)
"""A routine report stands shortly before the hour. Specials carry the rain since the last routine one."""


@dataclass(frozen=True, slots=True)
class Report:
    """One report: when, from what height, and its values in canonical units by field."""

    at_s: int
    elevation_m: float
    values: Mapping[str, float]


def parse_reports(document: object, now: dt.datetime, dropped: Counter[str]) -> list[Report]:
    """Return the readable reports up to ``now``, oldest first. Raises WeatherInvalid.

    Null is unknown: a null wind is no calm, and a null rain is no dry hour. The coded text of a report
    is not read.
    """
    answer = mapping(document, NAME, "an object at the top")
    latest_s = now.timestamp() + 300.0
    reports: dict[int, Report] = {}
    for feature in sequence(answer.get("features"), NAME, "'features'"):
        properties = sub_mapping(feature, "properties") if isinstance(feature, dict) else {}
        at_s = instant_s(properties.get("timestamp"))
        if at_s is None or not latest_s - PAST_LIMIT_H * HOUR_S < at_s <= latest_s:
            dropped[Reason.OUTSIDE] += 1
        elif at_s in reports:
            dropped[Reason.DUPLICATED] += 1
        else:
            reports[at_s] = _report(at_s, properties, dropped)
    return [reports[at_s] for at_s in sorted(reports)]


def _report(at_s: int, properties: Mapping[str, object], dropped: Counter[str]) -> Report:
    elevation_m = number(sub_mapping(properties, "elevation").get("value"), dropped)
    values: dict[str, float] = {}
    for name, column in _COLUMNS.items():
        item = sub_mapping(properties, name)
        value = number(item.get("value"), dropped)
        if math.isnan(value):
            continue
        convert = conversion(column, item.get("unitCode"))
        if text(item, "qualityControl") in FAILED_LETTERS:
            dropped[Reason.FAILED_CHECK] += 1
        elif convert is None:
            dropped[Reason.WRONG_UNIT] += 1
        else:
            values[name] = float(convert(np.array([value]))[0])
    return Report(at_s, elevation_m, values)


def hourly(reports: list[Report], start_s: int, now: dt.datetime) -> Grid:
    """Return the reports on whole hours from ``start_s`` to the hour of ``now``, that hour included.

    A state belongs to the hour whose start it stands nearest to. Of the gusts reported around an hour
    the strongest counts. Rain of the last hour belongs to the hour before the routine report.
    """
    grid = Grid.between(start_s, hour_floor_s(now) + HOUR_S)
    distances = {name: np.full(grid.hours, np.inf) for name in STATES}
    for report in reports:
        nominal_s = (report.at_s + HOUR_S // 2) // HOUR_S * HOUR_S
        row = grid.index(nominal_s)
        off_s = report.at_s - nominal_s
        if 0 <= row < grid.hours:
            _put_state(grid, row, abs(off_s), report, distances)
        if 0 <= row - 1 < grid.hours and ROUTINE_MINUTES[0] <= off_s <= ROUTINE_MINUTES[1]:
            _put_largest(grid, row - 1, RAIN, report)
    return grid


def _put_state(
    grid: Grid, row: int, off_s: float, report: Report, distances: Mapping[str, np.typing.NDArray[np.float64]]
) -> None:
    for name, column in STATES.items():
        value = report.values.get(name, math.nan)
        if name == "barometricPressure":
            # The field holds the altimeter setting of the report, not the pressure at the station.
            value = float(pressure.from_altimeter(np.array([value]), report.elevation_m)[0])
        if not math.isnan(value) and off_s < distances[name][row]:
            distances[name][row] = off_s
            grid.columns[column][row] = value
    _put_largest(grid, row, GUST, report)


def _put_largest(grid: Grid, row: int, name: str, report: Report) -> None:
    values = grid.columns[_COLUMNS[name]]
    values[row] = np.fmax(values[row], report.values.get(name, math.nan))
