"""MET Norway Locationforecast 2.0: hourly for some days, then steps of six hours, worldwide.

Free for business use with credit. Gust and rain probability come mostly in the Nordic area only, and
shortwave never: they stay unknown elsewhere.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import structlog

from alertd.errors import WeatherInvalid, WeatherRefused
from alertd.records.weather import HourlyWeather, WeatherCell
from alertd.weather import pressure
from alertd.weather.cache import ResponseCache
from alertd.weather.client import ClientSettings, HttpClient
from alertd.weather.hours import (
    HOUR_S,
    Grid,
    IntArray,
    Reason,
    counts,
    instant_s,
    known,
    number,
    rising_stamps,
)
from alertd.weather.measure import FloatArray, conversion
from alertd.weather.quality import checked
from alertd.weather.shape import age_h, mapping, sequence, sub_mapping, text, usable

NAME = "metno"
ATTRIBUTION = (
    "Based on data from MET Norway (https://api.met.no/), CC BY 4.0 "
    "(https://creativecommons.org/licenses/by/4.0/), values changed by alertd"
)
PUBLIC_URL = "https://api.met.no/weatherapi/locationforecast/2.0"
DEGRADED_H = 18.0
REFUSED_H = 24.0
"""The global model is commonly ten hours old when it is served, so the alarm starts later than elsewhere."""
COARSE_STEP_H = 6

INSTANT: Mapping[str, str] = {
    "air_temperature": "air_temperature_c",
    "relative_humidity": "relative_humidity_pct",
    "dew_point_temperature": "dew_point_c",
    "wind_speed": "wind_speed_m_s",
    "wind_speed_of_gust": "wind_gust_m_s",
    "wind_from_direction": "wind_direction_deg",
    "cloud_area_fraction": "cloud_cover_pct",
    "air_pressure_at_sea_level": "pressure_hpa",
}
SMOOTH = ("air_temperature", "relative_humidity", "dew_point_temperature")
"""What may be drawn straight between two snapshots six hours apart; wind may not."""
PERIOD: Mapping[str, str] = {
    "precipitation_amount": "precipitation_mm",
    "probability_of_precipitation": "precipitation_probability_pct",
}
_PARTS = ("next_1_hours", "next_6_hours")

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class MetNoSettings:
    """Which host is asked."""

    base_url: str = PUBLIC_URL


class MetNo:
    """Asks Locationforecast for one cell at a time."""

    name = NAME
    attribution = ATTRIBUTION

    def __init__(
        self, settings: MetNoSettings, client: ClientSettings, cache: ResponseCache | None = None
    ) -> None:
        self._client = HttpClient(NAME, settings.base_url, client, cache, default_fresh_s=1800.0)

    def fetch(self, cell: WeatherCell, now: dt.datetime, past_days: int | None = None) -> HourlyWeather:
        """Return the forecast of the cell; there is no past to be had. Raises WeatherError."""
        del past_days
        document, fetched_at = self.fetch_forecast(cell, now)
        weather = parse_forecast(document, cell, fetched_at, now)
        old_h = age_h(weather.issued_at, now)
        if old_h > REFUSED_H:
            raise WeatherInvalid(
                f"{NAME}: the forecast was issued {old_h:.0f} h ago ({weather.issued_at:%Y-%m-%d %H:%M}Z); "
                f"older than {REFUSED_H:.0f} h is not used; the provider is behind, or this clock is wrong"
            )
        if old_h > DEGRADED_H:
            log.warning("weather_stale", provider=NAME, cell=cell.key, age_h=round(old_h, 1))
        return usable(weather)

    def fetch_forecast(self, cell: WeatherCell, now: dt.datetime) -> tuple[object, dt.datetime]:
        """Return the document and when it was received. Raises WeatherError."""
        # No more than four decimals, always written alike: the terms ask for it and caches need it.
        params = {"lat": _short(cell.latitude_deg), "lon": _short(cell.longitude_deg)}
        if cell.elevation_m is not None:
            params = {"altitude": f"{min(max(cell.elevation_m, -500.0), 9000.0):.0f}", **params}
        answer = self._client.get_json("complete", params, now)
        return answer.document, answer.fetched_at


def _short(degrees: float) -> str:
    return f"{round(degrees, 4):.4f}".rstrip("0").rstrip(".")


def parse_forecast(
    document: object, cell: WeatherCell, fetched_at: dt.datetime, now: dt.datetime
) -> HourlyWeather:
    """Return the canonical weather of one answer. Raises WeatherInvalid, or WeatherRefused off the map."""
    answer = mapping(document, NAME, "an object at the top")
    properties = mapping(answer.get("properties"), NAME, "'properties'")
    meta = mapping(properties.get("meta"), NAME, "'properties.meta'")
    series = sequence(properties.get("timeseries"), NAME, "'properties.timeseries'")
    if meta.get("error") or not series:
        reason = text(meta, "error")[:200] or "no time steps"
        raise WeatherRefused(f"{NAME}: no data here ({reason}); ask another provider for this place")
    issued_s = instant_s(meta.get("updated_at"))
    if issued_s is None:
        raise WeatherInvalid(f"{NAME}: the answer does not say when the forecast was made (updated_at)")
    dropped: Counter[str] = Counter()
    units = sub_mapping(meta, "units")
    stamps_s, columns = _steps(series, units, dropped)
    keep = rising_stamps(stamps_s, np.column_stack(list(columns.values())), now, dropped)
    if not keep.any():
        raise WeatherInvalid(f"{NAME}: no usable time stamps in the answer")
    grid = _grid(stamps_s[keep], {name: values[keep] for name, values in columns.items()})
    grid.columns["pressure_hpa"] = pressure.from_sea_level(
        grid.columns["pressure_hpa"], _altitude_m(answer, cell), grid.columns["air_temperature_c"]
    )
    table = checked(grid.table(now), dropped)
    issued_at = dt.datetime.fromtimestamp(issued_s, dt.UTC)
    return HourlyWeather(cell, NAME, issued_at, fetched_at, table, ATTRIBUTION, counts(dropped))


def _altitude_m(answer: Mapping[str, object], cell: WeatherCell) -> float:
    """Return the height the forecast is for; NaN where nobody says."""
    place = sub_mapping(answer, "geometry").get("coordinates")
    if isinstance(place, list) and len(place) == 3:
        height_m = number(place[2], Counter())
        if -500.0 <= height_m <= 9000.0:
            return height_m
    return math.nan if cell.elevation_m is None else cell.elevation_m


def _steps(
    series: list[object], units: Mapping[str, object], dropped: Counter[str]
) -> tuple[IntArray, dict[str, FloatArray]]:
    """Return the stamps and, by ``field`` or ``field of period``, the values in canonical units."""
    stamps: list[int] = []
    found: dict[str, list[float]] = {name: [] for name in INSTANT}
    found |= {f"{name}/{part}": [] for name in PERIOD for part in _PARTS}
    for step in series:
        record = step if isinstance(step, dict) else {}
        at_s = instant_s(record.get("time"))
        stamps.append(-1 if at_s is None else at_s)
        parts = sub_mapping(record, "data")
        instant = sub_mapping(sub_mapping(parts, "instant"), "details")
        for name in INSTANT:
            found[name].append(number(instant.get(name), dropped))
        for part in _PARTS:
            details = sub_mapping(sub_mapping(parts, part), "details")
            for name in PERIOD:
                found[f"{name}/{part}"].append(number(details.get(name), dropped))
    columns: dict[str, FloatArray] = {}
    for name, figures in found.items():
        values = np.array(figures, dtype=np.float64)
        field = name.split("/")[0]
        convert = conversion(INSTANT.get(field) or PERIOD[field], units.get(field))
        if convert is None:
            if known(values):
                dropped[Reason.WRONG_UNIT] += known(values)
            values = np.full(len(values), np.nan)
        else:
            values = convert(values)
        columns[name] = values
    return np.array(stamps, dtype=np.int64), columns


def _grid(stamps_s: IntArray, columns: Mapping[str, FloatArray]) -> Grid:
    grid = Grid.between(int(stamps_s[0]), int(stamps_s[-1]) + HOUR_S)
    rows = ((stamps_s - stamps_s[0]) // HOUR_S).astype(np.int64)
    gaps = np.append(np.diff(rows), 1)
    hourly_parts = [columns[f"{name}/next_1_hours"] for name in PERIOD]
    has_hourly = np.any([~np.isnan(values) for values in hourly_parts], axis=0)
    # A gap of six hours is the wider step, unless the hour's own rain is there: then five hours are missing.
    wide = (gaps == COARSE_STEP_H) & ~has_hourly
    last_is_wide = len(wide) > 1 and bool(wide[-2])
    for row, is_wide in zip(rows.tolist(), wide.tolist(), strict=True):
        grid.coarse[row : row + (COARSE_STEP_H if is_wide else 1)] |= is_wide
    grid.coarse[rows[-1]] |= last_is_wide
    fine = ~grid.coarse[rows]
    for name, column in INSTANT.items():
        use = fine if name not in SMOOTH else np.ones(len(rows), dtype=np.bool_)
        grid.columns[column][rows[use]] = columns[name][use]
    for name in SMOOTH:
        _draw_straight(grid.columns[INSTANT[name]], rows, wide)
    for name, column in PERIOD.items():
        values = grid.columns[column]
        values[rows[fine]] = columns[f"{name}/next_1_hours"][fine]
        six = columns[f"{name}/next_6_hours"] / (COARSE_STEP_H if column == "precipitation_mm" else 1)
        for at, row in enumerate(rows.tolist()):
            if wide[at]:
                values[row : row + COARSE_STEP_H] = six[at]
    return grid


def _draw_straight(values: FloatArray, rows: IntArray, wide: np.typing.NDArray[np.bool_]) -> None:
    """Fill wide steps by straight lines between their ends; nothing is drawn from or to an unknown end."""
    for (first, last), is_wide in zip(itertools.pairwise(rows.tolist()), wide.tolist(), strict=False):
        if is_wide:
            values[first + 1 : last] = np.linspace(values[first], values[last], last - first + 1)[1:-1]
