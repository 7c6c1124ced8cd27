"""The documented shapes of the three providers' answers, filled from the truth."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping

import numpy as np

from alertd import units
from alertd.weather import pressure
from alertd.weather.hours import HOUR_S
from alertd.weather.measure import FloatArray
from alertd.weather.replay_truth import ISSUE_S, Truth, hour_stamps, stamp

DAY_S = 86_400
GRID_ID = "RPL"
REPORT_LEAD_S = 7 * 60
"""Routine station reports stand some minutes before the hour they stand for."""


class UnknownVariable(ValueError):
    """A variable was asked for that the replayed provider does not have."""


# name: (column, decimals, unit, hours by which the stamp stands after the start of the hour meant)
_OPENMETEO: Mapping[str, tuple[str, int, str, int]] = {
    "temperature_2m": ("air_temperature_c", 1, "°C", 0),
    "relative_humidity_2m": ("relative_humidity_pct", 0, "%", 0),
    "dew_point_2m": ("dew_point_c", 1, "°C", 0),
    "wind_speed_10m": ("wind_speed_m_s", 2, "m/s", 0),
    "wind_direction_10m": ("wind_direction_deg", 0, "°", 0),
    "cloud_cover": ("cloud_cover_pct", 0, "%", 0),
    "surface_pressure": ("pressure_hpa", 1, "hPa", 0),
    "precipitation": ("precipitation_mm", 2, "mm", 1),
    "precipitation_probability": ("precipitation_probability_pct", 0, "%", 1),
    "wind_gusts_10m": ("wind_gust_m_s", 2, "m/s", 1),
    "shortwave_radiation": ("shortwave_w_m2", 1, "W/m²", 1),
}


def openmeteo_forecast(truth: Truth, names: list[str], now_s: int, past_days: int, days: int) -> str:
    """Return the answer to an hourly request in unixtime, GMT and m/s. Raises UnknownVariable."""
    start_s = now_s // DAY_S * DAY_S - past_days * DAY_S
    hours = (past_days + days) * 24
    time = ",".join(map(str, range(start_s, start_s + hours * HOUR_S, HOUR_S)))
    labels, series = ['"time":"unixtime"'], [f'"time":[{time}]']
    for name in names:
        if name not in _OPENMETEO:
            raise UnknownVariable(name)
        column, decimals, unit, late_h = _OPENMETEO[name]
        texts = truth.texts(column, decimals, start_s - late_h * HOUR_S, hours, now_s)
        labels.append(f'"{name}":"{unit if truth.has(column) else "undefined"}"')
        series.append(f'"{name}":[{",".join(texts)}]')
    return (
        f'{{"latitude":{truth.cell.latitude_deg + 0.01:.4f},"longitude":{truth.cell.longitude_deg:.4f},'
        '"generationtime_ms":0.1,"utc_offset_seconds":0,"timezone":"GMT","timezone_abbreviation":"GMT",'
        f'"elevation":{truth.elevation_m:.1f},"hourly_units":{{{",".join(labels)}}},'
        f'"hourly":{{{",".join(series)}}}}}'
    )


def nws_point(number: int) -> str:
    """Return the answer of /points."""
    return (
        f'{{"type":"Feature","properties":{{"gridId":"{GRID_ID}","cwa":"XXX","gridX":{number},"gridY":"0",'
        '"timeZone":"UTC"}}'
    )


def nws_stations(number: int) -> str:
    """Return the stations of a grid point: one."""
    return (
        '{"type":"FeatureCollection","features":[{"type":"Feature","properties":'
        f'{{"@type":"wx:ObservationStation","stationIdentifier":"{GRID_ID}{number}"}}}}]}}'
    )


# layer: (column, unit, conversion)
_NWS_LAYERS: Mapping[str, tuple[str, str, Callable[[FloatArray], FloatArray]]] = {
    "temperature": ("air_temperature_c", "wmoUnit:degC", lambda v: v),
    "dewpoint": ("dew_point_c", "wmoUnit:degC", lambda v: v),
    "relativeHumidity": ("relative_humidity_pct", "wmoUnit:percent", np.round),
    "windDirection": ("wind_direction_deg", "wmoUnit:degree_(angle)", np.round),
    "windSpeed": ("wind_speed_m_s", "wmoUnit:km_h-1", units.m_s_to_km_h),
    "windGust": ("wind_gust_m_s", "wmoUnit:km_h-1", units.m_s_to_km_h),
    "skyCover": ("cloud_cover_pct", "wmoUnit:percent", np.round),
    "probabilityOfPrecipitation": ("precipitation_probability_pct", "wmoUnit:percent", np.round),
}


def nws_grid(truth: Truth, number: int, now_s: int, ahead_h: int = 186, rain_block_h: int = 6) -> str:
    """Return the raw grid: equal neighbouring hours merged, rain as totals over blocks."""
    here_s = now_s // HOUR_S * HOUR_S
    start_s, hours = here_s - 6 * HOUR_S, 6 + ahead_h
    begins = hour_stamps(start_s, hours)
    layers = []
    for layer, (column, unit, convert) in _NWS_LAYERS.items():
        values = np.round(convert(truth.values(column, start_s, hours, now_s)), 4)
        runs = ",".join(_interval(begins, *run) for run in _runs(values))
        layers.append(f'"{layer}":{{"uom":"{unit}","values":[{runs}]}}')
    rain = truth.values("precipitation_mm", start_s, hours, now_s)
    blocks = ",".join(_interval(begins, *block) for block in _blocks(rain, start_s, rain_block_h))
    layers.append(f'"quantitativePrecipitation":{{"uom":"wmoUnit:mm","values":[{blocks}]}}')
    return (
        f'{{"type":"Feature","properties":{{"updateTime":"{stamp(here_s)}+00:00",'
        f'"validTimes":"{begins[0]}+00:00/{_duration(hours)}",'
        f'"elevation":{{"unitCode":"wmoUnit:m","value":{truth.elevation_m}}},'
        f'"gridId":"{GRID_ID}","gridX":"{number}","gridY":"0",{",".join(layers)},'
        '"pressure":{"values":[]},"heatIndex":{"uom":"wmoUnit:degC","values":[]}}}'
    )


def _runs(values: FloatArray) -> Iterator[tuple[int, int, float]]:
    edges = np.flatnonzero(np.concatenate([[True], values[1:] != values[:-1], [True]])).tolist()
    for first, end in itertools.pairwise(edges):
        if not math.isnan(values[first]):
            yield first, end, float(values[first])


def _blocks(rain: FloatArray, start_s: int, block_h: int) -> Iterator[tuple[int, int, float]]:
    """Yield totals over blocks on multiples of the block length; a block with unknown hours comes hourly."""
    offset = start_s // HOUR_S % block_h
    edges = [0, *range(block_h - offset, len(rain), block_h), len(rain)]
    for first, end in itertools.pairwise(edges):
        total = float(rain[first:end].sum())
        if not math.isnan(total):
            yield first, end, round(total, 4)
        else:
            for hour in range(first, end):
                if not math.isnan(rain[hour]):
                    yield hour, hour + 1, round(float(rain[hour]), 4)


def _interval(begins: list[str], first: int, end: int, value: float) -> str:
    return f'{{"validTime":"{begins[first]}+00:00/{_duration(end - first)}","value":{value}}}'


def _duration(hours: int) -> str:
    days, rest = divmod(hours, 24)
    return "P" + (f"{days}D" if days else "") + (f"T{rest}H" if rest else "")


_NWS_FIELDS: Mapping[str, tuple[str, str, Callable[[FloatArray], FloatArray], int]] = {
    "temperature": ("air_temperature_c", "wmoUnit:degC", lambda v: v, 0),
    "dewpoint": ("dew_point_c", "wmoUnit:degC", lambda v: v, 0),
    "relativeHumidity": ("relative_humidity_pct", "wmoUnit:percent", lambda v: v, 0),
    "windDirection": ("wind_direction_deg", "wmoUnit:degree_(angle)", lambda v: v, 0),
    "windSpeed": ("wind_speed_m_s", "wmoUnit:km_h-1", units.m_s_to_km_h, 0),
    "windGust": ("wind_gust_m_s", "wmoUnit:km_h-1", units.m_s_to_km_h, 0),
    "precipitationLastHour": ("precipitation_mm", "wmoUnit:mm", lambda v: v, 1),
}


def nws_observations(truth: Truth, from_s: int, end_s: int, now_s: int, limit: int) -> str:
    """Return the station's reports, newest first; each stands shortly before its hour."""
    first_s = math.ceil((from_s + REPORT_LEAD_S) / HOUR_S) * HOUR_S
    last_s = (min(end_s, now_s) + REPORT_LEAD_S) // HOUR_S * HOUR_S
    hours = max((last_s - first_s) // HOUR_S + 1, 0)
    columns = []
    for name, (column, unit, convert, late_h) in _NWS_FIELDS.items():
        values = np.round(convert(truth.values(column, first_s - late_h * HOUR_S, hours)), 4)
        columns.append([_quantity(name, unit, value) for value in values.tolist()])
    station = truth.values("pressure_hpa", first_s, hours)
    altimeter_pa = np.round(100.0 * pressure.to_altimeter(station, truth.elevation_m), 2)
    columns.append([_quantity("barometricPressure", "wmoUnit:Pa", value) for value in altimeter_pa.tolist()])
    stamps = hour_stamps(first_s - REPORT_LEAD_S, hours)
    known = ~np.isnan(truth.values("air_temperature_c", first_s, hours))
    features = [
        f'{{"type":"Feature","properties":{{"elevation":{{"unitCode":"wmoUnit:m","value":{truth.elevation_m}}},'
        f'"timestamp":"{stamps[row]}+00:00","rawMessage":"",'
        f"{','.join(column[row] for column in columns)}}}}}"
        for row in range(hours - 1, -1, -1)
        if known[row]
    ][:limit]
    return f'{{"type":"FeatureCollection","features":[{",".join(features)}]}}'


def _quantity(name: str, unit: str, value: float) -> str:
    if math.isnan(value):
        return f'"{name}":{{"unitCode":"{unit}","value":null,"qualityControl":"Z"}}'
    return f'"{name}":{{"unitCode":"{unit}","value":{value},"qualityControl":"V"}}'


_METNO_INSTANT: Mapping[str, str] = {
    "air_temperature": "air_temperature_c",
    "cloud_area_fraction": "cloud_cover_pct",
    "dew_point_temperature": "dew_point_c",
    "relative_humidity": "relative_humidity_pct",
    "wind_from_direction": "wind_direction_deg",
    "wind_speed": "wind_speed_m_s",
}
_METNO_UNITS = (
    '"air_pressure_at_sea_level":"hPa","air_temperature":"celsius","cloud_area_fraction":"%",'
    '"dew_point_temperature":"celsius","precipitation_amount":"mm","probability_of_precipitation":"%",'
    '"relative_humidity":"%","wind_from_direction":"degrees","wind_speed":"m/s","wind_speed_of_gust":"m/s"'
)
METNO_HOURLY_H = 54
METNO_AHEAD_H = 9 * 24 + 6


def metno_complete(truth: Truth, now_s: int, nordic: bool) -> str:
    """Return the complete shape: hourly to a six-hour boundary, then six-hourly; unknown keys left out.

    Gust and probability come only with ``nordic``, and only in the hourly part.
    """
    here_s = now_s // HOUR_S * HOUR_S
    change_s = math.ceil((here_s + METNO_HOURLY_H * HOUR_S) / ISSUE_S) * ISSUE_S
    last_s = (here_s + METNO_AHEAD_H * HOUR_S) // ISSUE_S * ISSUE_S
    hours = (last_s - here_s) // HOUR_S + 1
    instant = {name: truth.values(column, here_s, hours, now_s) for name, column in _METNO_INSTANT.items()}
    station = truth.values("pressure_hpa", here_s, hours, now_s)
    lift = pressure.from_sea_level(np.ones(hours), truth.elevation_m, instant["air_temperature"])
    instant["air_pressure_at_sea_level"] = station / lift
    gust = truth.values("wind_gust_m_s", here_s, hours, now_s)
    rain = truth.values("precipitation_mm", here_s, hours + 6, now_s)
    chance = truth.values("precipitation_probability_pct", here_s, hours + 6, now_s)
    stamps, steps = hour_stamps(here_s, hours), []
    for row in [*range((change_s - here_s) // HOUR_S), *range((change_s - here_s) // HOUR_S, hours, 6)]:
        at_s = here_s + row * HOUR_S
        is_hourly, to_change_h = at_s < change_s, (change_s - at_s) // HOUR_S
        details = {name: values[row] for name, values in instant.items()}
        if nordic and is_hourly:
            details["wind_speed_of_gust"] = gust[row]
        parts = [f'"instant":{{"details":{{{_figures(details)}}}}}']
        if is_hourly:
            parts.append(_metno_period("next_1_hours", rain[row], chance[row] if nordic else math.nan))
        if (not is_hourly or to_change_h >= 6) and at_s < last_s:
            most = float(np.max(chance[row : row + 6])) if nordic else math.nan
            parts.append(_metno_period("next_6_hours", float(rain[row : row + 6].sum()), most))
        steps.append(f'{{"time":"{stamps[row]}Z","data":{{{",".join(parts)}}}}}')
    return (
        '{"type":"Feature","geometry":{"type":"Point","coordinates":'
        f"[{truth.cell.longitude_deg},{truth.cell.latitude_deg},{truth.elevation_m:.0f}]}},"
        f'"properties":{{"meta":{{"updated_at":"{stamp(now_s // ISSUE_S * ISSUE_S)}Z",'
        f'"units":{{{_METNO_UNITS}}}}},"timeseries":[{",".join(steps)}]}}}}'
    )


def _metno_period(name: str, rain: float, chance: float) -> str:
    figures = _figures({"precipitation_amount": rain, "probability_of_precipitation": chance})
    return f'"{name}":{{"summary":{{"symbol_code":"cloudy"}},"details":{{{figures}}}}}'


def _figures(values: Mapping[str, float]) -> str:
    return ",".join(f'"{name}":{value:.1f}' for name, value in values.items() if not math.isnan(value))
