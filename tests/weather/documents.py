"""Small hand-made answers in the documented shapes. All values are invented."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from typing import Any

from alertd.records.weather import cell_of
from alertd.weather.client import ClientSettings

NOW = dt.datetime(2026, 6, 10, 12, 20, tzinfo=dt.UTC)
HERE_S = int(dt.datetime(2026, 6, 10, 12, tzinfo=dt.UTC).timestamp())
CELL = cell_of(40.7, -74.0)
CONTACT = "ops@alertd.internal"
"""The top-level domain ``internal`` is reserved for private use, so this is nobody's address."""
QUIET = ClientSettings(contact=CONTACT, version="1.0", retries=0, spacing_s=0.0)

OPENMETEO_UNITS = {
    "time": "unixtime",
    "temperature_2m": "°C",
    "relative_humidity_2m": "%",
    "dew_point_2m": "°C",
    "wind_speed_10m": "m/s",
    "wind_direction_10m": "°",
    "cloud_cover": "%",
    "surface_pressure": "hPa",
    "precipitation": "mm",
    "precipitation_probability": "%",
    "wind_gusts_10m": "m/s",
    "shortwave_radiation": "W/m²",
}


def openmeteo(hours: int = 48, start_s: int = HERE_S, **hourly: Sequence[object]) -> dict[str, Any]:
    """Return an Open-Meteo answer; named variables replace the made-up ones."""
    series: dict[str, Any] = {
        "time": [start_s + 3600 * hour for hour in range(hours)],
        "temperature_2m": [20.0 + hour % 7 for hour in range(hours)],
        "relative_humidity_2m": [50 + hour % 9 for hour in range(hours)],
        "dew_point_2m": [9.0 + hour % 5 for hour in range(hours)],
        "wind_speed_10m": [2.0 + hour % 3 for hour in range(hours)],
        "wind_direction_10m": [180 + hour % 90 for hour in range(hours)],
        "cloud_cover": [hour % 101 for hour in range(hours)],
        "surface_pressure": [1010.0 + hour % 4 for hour in range(hours)],
        "precipitation": [0.0] * hours,
        "precipitation_probability": [10] * hours,
        "wind_gusts_10m": [6.0 + hour % 4 for hour in range(hours)],
        "shortwave_radiation": [float(100 + hour % 11) for hour in range(hours)],
    }
    return {
        "latitude": 40.71,
        "longitude": -74.0,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "hourly_units": dict(OPENMETEO_UNITS),
        "hourly": series | hourly,
    }


def openmeteo_ensemble(
    hours: int = 48, start_s: int = HERE_S, members: int = 5, spread: float = 1.0, **hourly: Sequence[object]
) -> dict[str, Any]:
    """Return an Open-Meteo ensemble: a control and so many members around it; named series replace theirs."""
    middle = {
        "temperature_2m": 20.0, "relative_humidity_2m": 50.0, "wind_speed_10m": 8.0, "wind_gusts_10m": 14.0
    }  # fmt: skip
    series: dict[str, Any] = {"time": [start_s + 3600 * hour for hour in range(hours)]}
    units = {"time": "unixtime"}
    for name, value in middle.items():
        for number in range(members + 1):
            key = f"{name}_member{number:02d}" if number else name
            aside = spread * ((number + 1) // 2) * (-1) ** number  # 0, -1, 1, -2, 2, ...
            series[key] = [value + aside] * hours
            units[key] = OPENMETEO_UNITS[name]
    return {
        "latitude": 40.71,
        "longitude": -74.0,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "hourly_units": units,
        "hourly": series | hourly,
    }


def stamp(hour: int) -> str:
    """Return the instant so many hours after the current one."""
    return dt.datetime.fromtimestamp(HERE_S + 3600 * hour, dt.UTC).strftime("%Y-%m-%dT%H:%M:%S+00:00")


def layer(unit: str, *runs: tuple[int, str, object]) -> dict[str, Any]:
    """Return one layer of an NWS grid from (hour, duration, value)."""
    return {
        "uom": f"wmoUnit:{unit}",
        "values": [{"validTime": f"{stamp(hour)}/{length}", "value": value} for hour, length, value in runs],
    }


def nws_grid(updated_h: int = -1, **layers: object) -> dict[str, Any]:
    """Return an NWS raw grid of two days; named layers replace the made-up ones."""
    properties: dict[str, Any] = {
        "updateTime": stamp(updated_h),
        "validTimes": f"{stamp(-6)}/P2DT6H",
        "gridId": "XYZ",
        "gridX": "0",
        "gridY": 7,
        "temperature": layer(
            "degC", (-6, "PT6H", 18.0), (0, "PT12H", 25.5), (12, "P1D", 20), (36, "PT12H", 25)
        ),
        "relativeHumidity": layer("percent", (-6, "P2DT6H", 55)),
        "dewpoint": layer("degC", (0, "P2D", 12.0)),
        "windSpeed": layer("km_h-1", (0, "P2D", 18.0)),
        "windGust": layer("km_h-1", (0, "P2D", 36.0)),
        "windDirection": layer("degree_(angle)", (0, "P2D", 270)),
        "quantitativePrecipitation": layer("mm", (0, "PT6H", 6.0), (6, "P1DT18H", 0)),
        "probabilityOfPrecipitation": layer("percent", (0, "P2D", 30)),
        "skyCover": layer("percent", (0, "P2D", 40)),
        "heatIndex": {"values": []},
        "weather": {"values": [{"validTime": f"{stamp(0)}/PT1H", "value": [{"weather": None}]}]},
    }
    return {"type": "Feature", "properties": properties | layers}


def nws_point(**properties: object) -> dict[str, Any]:
    """Return an NWS point."""
    return {"properties": {"gridId": "XYZ", "cwa": "ABC", "gridX": 0, "gridY": 7} | properties}


def nws_stations(*names: str) -> dict[str, Any]:
    """Return an NWS station list."""
    return {"features": [{"properties": {"stationIdentifier": name}} for name in names]}


def report(minute: int, **fields: object) -> dict[str, Any]:
    """Return a station report so many minutes after the current hour began."""
    at = dt.datetime.fromtimestamp(HERE_S + 60 * minute, dt.UTC).strftime("%Y-%m-%dT%H:%M:%S+00:00")
    values: dict[str, Any] = {
        "elevation": {"unitCode": "wmoUnit:m", "value": 0},
        "timestamp": at,
        "rawMessage": "",
        "temperature": quantity("degC", 21.0),
        "dewpoint": quantity("degC", 11.0),
        "relativeHumidity": quantity("percent", 53.0),
        "windSpeed": quantity("km_h-1", 10.8),
        "windGust": quantity("km_h-1", None, "Z"),
        "windDirection": quantity("degree_(angle)", 200),
        "barometricPressure": quantity("Pa", 101_325),
        "precipitationLastHour": quantity("mm", None, "Z"),
    }
    return {"properties": values | fields}


def quantity(unit: str, value: object, letter: str = "V") -> dict[str, Any]:
    """Return a value with its unit and quality letter."""
    return {"unitCode": f"wmoUnit:{unit}", "value": value, "qualityControl": letter}


METNO_UNITS = {
    "air_pressure_at_sea_level": "hPa",
    "air_temperature": "celsius",
    "cloud_area_fraction": "%",
    "dew_point_temperature": "celsius",
    "precipitation_amount": "mm",
    "probability_of_precipitation": "%",
    "relative_humidity": "%",
    "wind_from_direction": "degrees",
    "wind_speed": "m/s",
    "wind_speed_of_gust": "m/s",
}


def metno_step(hour: int, rain: dict[str, float] | None = None, **instant: float) -> dict[str, Any]:
    """Return one step; ``rain`` maps a period's name to its amount."""
    details = {
        "air_pressure_at_sea_level": 1013.0,
        "air_temperature": 20.0,
        "cloud_area_fraction": 50.0,
        "dew_point_temperature": 10.0,
        "relative_humidity": 55.0,
        "wind_from_direction": 90.0,
        "wind_speed": 3.0,
    }
    periods = {
        name: {"summary": {"symbol_code": "rain"}, "details": {"precipitation_amount": amount}}
        for name, amount in (rain or {}).items()
    }
    time = stamp(hour).replace("+00:00", "Z")
    return {"time": time, "data": {"instant": {"details": details | instant}} | periods}


def metno(steps: Sequence[dict[str, Any]] | None = None, updated_h: int = -6) -> dict[str, Any]:
    """Return a MET Norway answer: twelve hourly steps, then two six-hourly, then the end."""
    if steps is None:
        hourly = [
            metno_step(h, {"next_1_hours": 0.5} | ({"next_6_hours": 3.0} if h <= 6 else {}))
            for h in range(12)
        ]
        wide = [metno_step(h, {"next_6_hours": 1.2}, air_temperature=14.0) for h in (12, 18)]
        steps = [*hourly, *wide, metno_step(24)]
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [-74.0, 40.7, 0]},
        "properties": {
            "meta": {"updated_at": stamp(updated_h).replace("+00:00", "Z"), "units": dict(METNO_UNITS)},
            "timeseries": list(steps),
        },
    }


def body(document: object) -> bytes:
    """Return the document as it goes over the wire."""
    return json.dumps(document).encode()
