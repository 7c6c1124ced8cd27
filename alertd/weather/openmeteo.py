"""Open-Meteo: hourly forecast with past days, worldwide.

Business use needs a paid key, which goes into a header and to the paid host. The answer carries neither
caching headers nor a time of issue, so ``issued_at`` is the time of the request.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from alertd.errors import ConfigError, WeatherInvalid
from alertd.records.weather import HourlyWeather, WeatherCell
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
    numbers,
    rising_stamps,
)
from alertd.weather.measure import FloatArray, conversion
from alertd.weather.quality import checked
from alertd.weather.shape import mapping, sequence, sub_mapping, text, usable

NAME = "openmeteo"
ATTRIBUTION = "Weather data by Open-Meteo.com (https://open-meteo.com/), CC BY 4.0, values changed by alertd"
FREE_URL = "https://api.open-meteo.com"
PAID_URL = "https://customer-api.open-meteo.com"
FRESH_S = 3000.0
"""Models run every 1 to 6 hours; asking more than hourly gains nothing."""

INSTANT: Mapping[str, str] = {
    "temperature_2m": "air_temperature_c",
    "relative_humidity_2m": "relative_humidity_pct",
    "dew_point_2m": "dew_point_c",
    "wind_speed_10m": "wind_speed_m_s",
    "wind_direction_10m": "wind_direction_deg",
    "cloud_cover": "cloud_cover_pct",
    "surface_pressure": "pressure_hpa",
}
PRECEDING_HOUR: Mapping[str, str] = {
    "precipitation": "precipitation_mm",
    "precipitation_probability": "precipitation_probability_pct",
    "wind_gusts_10m": "wind_gust_m_s",
    "shortwave_radiation": "shortwave_w_m2",
}

PAST_DAYS_MAX = 92


@dataclass(frozen=True, slots=True)
class OpenMeteoSettings:
    """Which host is asked, with which key, and how far back and ahead."""

    base_url: str = FREE_URL
    api_key: str = field(default="", repr=False)
    past_days: int = 7
    forecast_days: int = 16

    def __post_init__(self) -> None:
        if not 0 <= self.past_days <= PAST_DAYS_MAX:
            raise ConfigError(f"{NAME}: past_days is {self.past_days}; keep it within 0..{PAST_DAYS_MAX}")
        if not 8 <= self.forecast_days <= 16:
            raise ConfigError(f"{NAME}: forecast_days is {self.forecast_days}; keep it within 8..16")
        if "customer-" in self.base_url and not self.api_key:
            raise ConfigError(f"{NAME}: {self.base_url} needs an API key; set it or use {FREE_URL}")


class OpenMeteo:
    """Asks Open-Meteo for one cell at a time."""

    name = NAME
    attribution = ATTRIBUTION

    def __init__(
        self,
        settings: OpenMeteoSettings,
        client: ClientSettings,
        cache: ResponseCache | None = None,
    ) -> None:
        self._settings = settings
        self._client = HttpClient(
            NAME,
            settings.base_url,
            client,
            cache,
            secret_headers={"X-Api-Key": settings.api_key} if settings.api_key else None,
            default_fresh_s=FRESH_S,
            limit_wait=limit_wait_s,
            contact_needed=False,
        )

    def fetch(self, cell: WeatherCell, now: dt.datetime, past_days: int | None = None) -> HourlyWeather:
        """Return past days (as set, or as many as asked for) and forecast. Raises WeatherError."""
        document, fetched_at = self.fetch_forecast(cell, now, past_days)
        return usable(parse_forecast(document, cell, fetched_at, now))

    def fetch_forecast(
        self, cell: WeatherCell, now: dt.datetime, past_days: int | None = None
    ) -> tuple[object, dt.datetime]:
        """Return the document and when it was received. Raises WeatherError."""
        past = self._settings.past_days if past_days is None else min(max(past_days, 0), PAST_DAYS_MAX)
        params = {
            "latitude": f"{cell.latitude_deg:.4f}",
            "longitude": f"{cell.longitude_deg:.4f}",
            "hourly": ",".join([*INSTANT, *PRECEDING_HOUR]),
            "wind_speed_unit": "ms",
            "timezone": "GMT",
            "timeformat": "unixtime",
            "past_days": str(past),
            "forecast_days": str(self._settings.forecast_days),
        }
        if cell.elevation_m is not None:
            params["elevation"] = f"{cell.elevation_m:.0f}"
        answer = self._client.get_json("v1/forecast", params, now)
        return answer.document, answer.fetched_at


def limit_wait_s(reason: str, now: dt.datetime) -> float | None:
    """Return the seconds until the limit named in a 429 text is lifted (wall-clock minute, hour, UTC day)."""
    for word, length_s in (("minutely", 60), ("hourly", 3600), ("daily", 86_400)):
        if word in reason.lower():
            return length_s - now.timestamp() % length_s
    return 30.0 if "concurrent" in reason.lower() else None


def parse_forecast(
    document: object, cell: WeatherCell, fetched_at: dt.datetime, now: dt.datetime
) -> HourlyWeather:
    """Return the canonical weather of one answer. Raises WeatherInvalid."""
    answer = mapping(document, NAME, "an object at the top")
    if answer.get("error"):
        raise WeatherInvalid(f"{NAME}: answered with an error: {text(answer, 'reason')[:200]}")
    hourly = mapping(answer.get("hourly"), NAME, "'hourly'")
    units = sub_mapping(answer, "hourly_units")
    dropped: Counter[str] = Counter()
    stamps_s = stamps_of(sequence(hourly.get("time"), NAME, "'hourly.time'"), answer)
    columns = _columns(hourly, units, len(stamps_s), dropped)
    matrix = np.column_stack(list(columns.values())) if columns else np.empty((len(stamps_s), 0))
    keep = rising_stamps(stamps_s, matrix, now, dropped)
    if not keep.any():
        raise WeatherInvalid(f"{NAME}: no usable time stamps in the answer")
    stamps_s = stamps_s[keep]
    # Sums and means end at their stamp, so the first one belongs to the hour before the first stamp.
    grid = Grid.between(int(stamps_s[0]) - HOUR_S, int(stamps_s[-1]) + HOUR_S)
    for name, values in columns.items():
        if name in INSTANT:
            grid.put(INSTANT[name], stamps_s, values[keep])
        else:
            grid.put(PRECEDING_HOUR[name], stamps_s - HOUR_S, values[keep])
    table = checked(grid.table(now), dropped)
    return HourlyWeather(cell, NAME, fetched_at, fetched_at, table, ATTRIBUTION, counts(dropped))


def stamps_of(times: list[object], answer: Mapping[str, object]) -> IntArray:
    """Return epoch seconds; -1 where unreadable.

    A text stamp is local time with the one fixed offset that the answer names, whatever the zone's
    own clock does in between.
    """
    offset = answer.get("utc_offset_seconds", 0)
    offset_s = int(offset) if isinstance(offset, int | float) and abs(offset) < 86_400 else 0

    def stamp(time: object) -> int:
        if type(time) is int:
            return time if abs(time) < 2**62 else -1
        at_s = instant_s(time, assumed_offset_s=offset_s)
        return -1 if at_s is None else at_s

    return np.array([stamp(time) for time in times], dtype=np.int64)


def _columns(
    hourly: Mapping[str, object], units: Mapping[str, object], length: int, dropped: Counter[str]
) -> dict[str, FloatArray]:
    """Return the variables that are there, in canonical units; an unknown unit drops its variable."""
    columns: dict[str, FloatArray] = {}
    for name, column in (*INSTANT.items(), *PRECEDING_HOUR.items()):
        if hourly.get(name) is None:
            continue
        values = numbers(sequence(hourly[name], NAME, f"'hourly.{name}'"), dropped)
        if len(values) != length:
            raise WeatherInvalid(f"{NAME}: {name} has {len(values)} values for {length} hours; cut off?")
        convert = conversion(column, units.get(name))
        if convert is not None:
            columns[name] = convert(values)
        elif known(values):  # a variable the model lacks comes as unit "undefined" and nulls only
            dropped[Reason.WRONG_UNIT] += known(values)
    return columns
