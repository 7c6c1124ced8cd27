"""US National Weather Service: raw forecast grid ahead, station observations behind. US places only.

Free and open for business use; a contact in the User-Agent is required.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import structlog

from alertd.errors import ConfigError, WeatherError, WeatherInvalid, WeatherRefused, WeatherUnavailable
from alertd.records.weather import COLUMNS, HourlyWeather, WeatherCell
from alertd.weather import nws_grid, nws_station
from alertd.weather.cache import ResponseCache
from alertd.weather.client import Answer, ClientSettings, HttpClient
from alertd.weather.hours import HOUR_S, Grid, counts, hour_floor_s
from alertd.weather.quality import checked
from alertd.weather.shape import age_h, mapping, sequence, sub_mapping, text, usable

NAME = "nws"
ATTRIBUTION = "Data from the US National Weather Service (https://www.weather.gov/), values changed by alertd"
PUBLIC_URL = "https://api.weather.gov"
DEGRADED_H = 12.0
REFUSED_H = 24.0
DAY_S = 86_400.0
STATIONS_ASKED = 3
STATION_PAST_H = 168
"""Stations keep about a week of reports (from memory)."""
REPORTS_MAX = 500
PAGES_MAX = 6

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class NwsSettings:
    """Which host is asked, and how many past hours of station reports; stations keep about a week."""

    base_url: str = PUBLIC_URL
    past_hours: int = 72

    def __post_init__(self) -> None:
        if not 0 <= self.past_hours <= 92 * 24:
            raise ConfigError(f"{NAME}: past_hours is {self.past_hours}; keep it within 0..2208")


@dataclass(frozen=True, slots=True)
class GridPoint:
    """Where a place lies on the grid of its office."""

    grid_id: str
    x: int
    y: int

    @property
    def path(self) -> str:
        """Return the path of the raw grid."""
        return f"gridpoints/{self.grid_id}/{self.x},{self.y}"


class Nws:
    """Asks api.weather.gov for one cell at a time."""

    name = NAME
    attribution = ATTRIBUTION

    def __init__(
        self, settings: NwsSettings, client: ClientSettings, cache: ResponseCache | None = None
    ) -> None:
        self._past_hours = min(settings.past_hours, STATION_PAST_H)
        self._client = HttpClient(
            NAME, settings.base_url, client, cache, accept="application/geo+json", default_fresh_s=600.0
        )

    def fetch(self, cell: WeatherCell, now: dt.datetime, past_days: int | None = None) -> HourlyWeather:
        """Return past reports and forecast; reports go back a few days only. Raises WeatherError."""
        del past_days
        point, document, fetched_at = self.fetch_grid(cell, now)
        issued_at = _fresh_enough(nws_grid.parse_issued_at(document), cell, now)
        dropped: Counter[str] = Counter()
        grid = nws_grid.parse_grid(document, now, dropped)
        try:
            reports = self.fetch_reports(point, now, dropped)
        except WeatherError as error:
            # The forecast is whole without the past; past hours stay unknown and are asked for again.
            log.warning("weather_past_missing", provider=NAME, cell=cell.key, error=str(error))
            reports = []
        past = nws_station.hourly(reports, hour_floor_s(now) - self._past_hours * HOUR_S, now)
        table = checked(joined(past, grid, now).table(now), dropped)
        return usable(HourlyWeather(cell, NAME, issued_at, fetched_at, table, ATTRIBUTION, counts(dropped)))

    def fetch_grid(self, cell: WeatherCell, now: dt.datetime) -> tuple[GridPoint, object, dt.datetime]:
        """Return the raw grid of the cell; where the grid has moved, the point is read again, once."""
        point = self.fetch_point(cell, now)
        answer = self._client.get_json(point.path, {}, now, accept_statuses=(404,))
        if answer.status == 404:
            point = self.fetch_point(cell, now, read_again=True)
            answer = self._client.get_json(point.path, {}, now, accept_statuses=(404,))
        if answer.status == 404:
            raise self._client.fault(404, answer.headers, answer.body, now)
        return point, answer.document, answer.fetched_at

    def fetch_point(self, cell: WeatherCell, now: dt.datetime, read_again: bool = False) -> GridPoint:
        """Return the grid point of the cell, remembered for a day. Raises WeatherError."""
        path = f"points/{_short(cell.latitude_deg)},{_short(cell.longitude_deg)}"
        answer = self._client.get_json(
            path, {}, now, fresh_at_least_s=DAY_S, accept_statuses=(404,), read_again=read_again
        )
        if answer.status == 404:
            raise _no_point(answer)
        return parse_point(answer.document)

    def fetch_reports(
        self, point: GridPoint, now: dt.datetime, dropped: Counter[str]
    ) -> list[nws_station.Report]:
        """Return the reports of the first near station that has an air temperature. Raises WeatherError."""
        if self._past_hours == 0:
            return []
        answer = self._client.get_json(f"{point.path}/stations", {}, now, fresh_at_least_s=DAY_S)
        faults: list[str] = []
        for station in parse_stations(answer.document)[:STATIONS_ASKED]:
            counts: Counter[str] = Counter()
            try:
                reports = self._station_reports(station, now, counts)
            except WeatherRefused as error:  # this station is gone; the next one may be there
                faults.append(str(error))
                continue
            if any("temperature" in report.values for report in reports):
                dropped.update(counts)
                return reports
            faults.append(f"{station}: no reports with an air temperature")
        raise WeatherUnavailable(f"{NAME}: no station reports ({'; '.join(faults) or 'no station near'})")

    def _station_reports(
        self, station: str, now: dt.datetime, dropped: Counter[str]
    ) -> list[nws_station.Report]:
        """Return the reports since the first past hour; a full page means that older ones remain."""
        start_s = hour_floor_s(now) - (self._past_hours + 1) * HOUR_S
        end_s = hour_floor_s(now) + HOUR_S
        reports: dict[int, nws_station.Report] = {}
        for _ in range(PAGES_MAX):
            params = {"start": _stamp(start_s), "end": _stamp(end_s), "limit": str(REPORTS_MAX)}
            answer = self._client.get_json(f"stations/{station}/observations", params, now)
            page = nws_station.parse_reports(answer.document, now, dropped)
            fresh = [report for report in page if report.at_s not in reports]
            reports |= {report.at_s: report for report in fresh}
            if len(page) < REPORTS_MAX or not fresh:
                break
            end_s = page[0].at_s
        return [reports[at_s] for at_s in sorted(reports)]


def joined(past: Grid, ahead: Grid, now: dt.datetime) -> Grid:
    """Return reports for the hours that are over and the grid from the current hour on.

    The grid begins some hours back; those hours are forecasts of what is over and give way to reports.
    """
    here_s = hour_floor_s(now)
    end_s = max(ahead.start_s + ahead.hours * HOUR_S, here_s + HOUR_S)
    result = Grid.between(past.start_s, end_s)
    past_s = past.start_s + HOUR_S * np.arange(past.hours, dtype=np.int64)
    ahead_s = ahead.start_s + HOUR_S * np.arange(ahead.hours, dtype=np.int64)
    for name in COLUMNS:
        result.put(name, past_s, past.columns[name])
        use = (ahead_s >= here_s) & ~np.isnan(ahead.columns[name])
        result.put(name, ahead_s[use], ahead.columns[name][use])
    return result


def parse_point(document: object) -> GridPoint:
    """Return the grid point. ``gridId`` counts, not ``cwa``; a number of 0 is a number."""
    properties = mapping(
        mapping(document, NAME, "an object at the top").get("properties"), NAME, "'properties'"
    )
    grid_id = text(properties, "gridId")
    if not grid_id:
        raise WeatherRefused(f"{NAME}: no forecast grid for this place; use another provider for it")
    if not (grid_id.isascii() and grid_id.isalnum()):
        raise WeatherInvalid(f"{NAME}: gridId cannot be used")
    return GridPoint(grid_id, _whole(properties, "gridX"), _whole(properties, "gridY"))


def _whole(properties: Mapping[str, object], name: str) -> int:
    value = properties.get(name)
    digits = value if isinstance(value, str) else str(value) if type(value) is int else ""
    if not (digits.isascii() and digits.isdecimal() and len(digits) < 6):
        raise WeatherInvalid(f"{NAME}: {name} is not a grid number")
    return int(digits)


def parse_stations(document: object) -> list[str]:
    """Return the identifiers of the stations near a grid point, nearest first. Raises WeatherInvalid."""
    answer = mapping(document, NAME, "an object at the top")
    names = [
        text(sub_mapping(feature, "properties"), "stationIdentifier")
        for feature in sequence(answer.get("features"), NAME, "'features'")
        if isinstance(feature, dict)
    ]
    return [name for name in names if name.isascii() and name.isalnum()]


def _fresh_enough(issued_at: dt.datetime, cell: WeatherCell, now: dt.datetime) -> dt.datetime:
    old_h = age_h(issued_at, now)
    if old_h > REFUSED_H:
        raise WeatherInvalid(
            f"{NAME}: the grid was issued {old_h:.0f} h ago ({issued_at:%Y-%m-%d %H:%M}Z) although the "
            f"answer is new; older than {REFUSED_H:.0f} h is not used; the office is behind or "
            "this clock is wrong"
        )
    if old_h > DEGRADED_H:
        log.warning("weather_stale", provider=NAME, cell=cell.key, age_h=round(old_h, 1))
    return issued_at


def _no_point(answer: Answer) -> WeatherRefused:
    try:
        problem = json.loads(answer.body)
    except (ValueError, RecursionError):
        problem = None
    detail = text(problem, "detail")[:200] if isinstance(problem, dict) else ""
    return WeatherRefused(
        f"{NAME}: HTTP 404 ({detail or 'no such point'}): only places in the US and its territories are "
        "served; use another provider for this one"
    )


def _short(degrees: float) -> str:
    """Return degrees with at most four decimals and no trailing zeros, or the server redirects."""
    return f"{round(degrees, 4):.4f}".rstrip("0").rstrip(".")


def _stamp(at_s: int) -> str:
    return dt.datetime.fromtimestamp(at_s, dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
