"""Sites of one zone and one season day, laid out as arrays over a shared hourly axis."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from alertd.records.season import SeasonState
from alertd.records.site import Site
from alertd.records.weather import COLUMNS, HourlyWeather
from alertd.science import days, humidity, radiation, sun
from alertd.science.arrays import BoolArray as Flags
from alertd.science.arrays import FloatArray as Floats

LOOK_BACK_D = 3
"""Least number of local days before today on the axis: wetness and rain look back over hours."""
HORIZON_D = 9
"""Local days after today on the axis."""
BOOTSTRAP_D = 92
"""Most days of past weather taken in at once, when a site is new or the service was down."""


@dataclass(frozen=True, slots=True)
class SiteWeather:
    """One site with the weather of its cell and what is known of its season."""

    site: Site
    weather: HourlyWeather
    season: SeasonState | None = None


@dataclass(frozen=True, slots=True)
class Batch:
    """Sites that share a time axis. Hourly arrays are [site, hour], NaN where unknown.

    ``today`` is the position of the local day of ``now`` in ``local.days``; ``now_hour`` that of the
    running hour. ``first_new`` is the first day that the season has not taken in yet.
    """

    members: tuple[SiteWeather, ...]
    now: dt.datetime
    start_at: dt.datetime
    local: days.LocalDays
    today: int
    now_hour: int
    first_new: int
    hourly: dict[str, Floats]
    forecast: Flags
    coarse: Flags
    latitude_deg: Floats
    longitude_deg: Floats
    elevation_m: Floats
    sun_altitude_deg: Floats

    @property
    def hours(self) -> int:
        """Length of the hourly axis."""
        return int(self.coarse.shape[1])

    @property
    def sites(self) -> tuple[Site, ...]:
        """The sites in order."""
        return tuple(member.site for member in self.members)


def batches(members: Iterable[SiteWeather], now: dt.datetime, size: int = 2000) -> list[Batch]:
    """Group sites by zone and season day and lay each group out as arrays."""
    groups: dict[tuple[str, dt.date], list[SiteWeather]] = {}
    for member in members:
        groups.setdefault((member.site.zone, _first_new_day(member, now)), []).append(member)
    return [
        _lay_out(tuple(group[i : i + size]), zone, first_new, now)
        for (zone, first_new), group in sorted(groups.items())
        for i in range(0, len(group), size)
    ]


def _first_new_day(member: SiteWeather, now: dt.datetime) -> dt.date:
    """Return the first local day that the season state does not hold yet."""
    zone = ZoneInfo(member.site.zone)
    today = now.astimezone(zone).date()
    oldest = today - dt.timedelta(days=BOOTSTRAP_D)
    if member.season is not None:
        return min(max(member.season.day + dt.timedelta(days=1), oldest), today)
    table = member.weather.table
    known = np.flatnonzero(table["air_temperature_c"].notna().to_numpy())
    first = today if not known.size else _instant(table, int(known[0])).astimezone(zone).date()
    return min(max(first + dt.timedelta(days=1), oldest), today)


def _instant(table: pd.DataFrame, row: int) -> dt.datetime:
    stamp = table.index[row]
    return dt.datetime.fromtimestamp(stamp.timestamp(), dt.UTC)


def midnight(day: dt.date, zone: str) -> dt.datetime:
    """Return the first instant of a local day, as UTC on the hour (half-hour zones: the hour before)."""
    local = dt.datetime.combine(day, dt.time(), tzinfo=ZoneInfo(zone)).astimezone(dt.UTC)
    return local.replace(minute=0, second=0, microsecond=0)


def _lay_out(members: tuple[SiteWeather, ...], zone: str, first_new: dt.date, now: dt.datetime) -> Batch:
    today = now.astimezone(ZoneInfo(zone)).date()
    start_at = midnight(min(first_new, today - dt.timedelta(days=LOOK_BACK_D)), zone)
    end_at = midnight(today + dt.timedelta(days=HORIZON_D + 1), zone)
    hours = round((end_at - start_at).total_seconds() / 3600.0)
    local = days.local_days(start_at, hours, zone)
    hourly, forecast, coarse = _stack([member.weather for member in members], start_at, hours)
    sites = [member.site for member in members]
    latitude = np.array([site.latitude_deg for site in sites])
    longitude = np.array([site.longitude_deg for site in sites])
    elevation = np.array([_elevation(member) for member in members])
    stamps = np.datetime64(start_at.replace(tzinfo=None), "s") + np.arange(hours) * np.timedelta64(3600, "s")
    middle = stamps + np.timedelta64(1800, "s")
    altitude = np.asarray(sun.altitude(latitude[:, None], longitude[:, None], middle[None, :]), dtype=float)
    _complete(hourly, altitude, elevation)
    return Batch(
        members=members,
        now=now,
        start_at=start_at,
        local=local,
        today=local.days.index(today),
        now_hour=int((now - start_at).total_seconds() // 3600),
        first_new=local.days.index(first_new),
        hourly=hourly,
        forecast=forecast,
        coarse=coarse,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation,
        sun_altitude_deg=altitude,
    )


def _elevation(member: SiteWeather) -> float:
    for height in (member.site.elevation_m, member.weather.cell.elevation_m):
        if height is not None:
            return height
    return 0.0


def _stack(
    weathers: Sequence[HourlyWeather], start_at: dt.datetime, hours: int
) -> tuple[dict[str, Floats], Flags, Flags]:
    """Copy each table onto the shared axis; hours outside a table stay unknown."""
    block = np.full((len(COLUMNS), len(weathers), hours), np.nan)
    forecast = np.ones((len(weathers), hours), dtype=bool)
    coarse = np.zeros((len(weathers), hours), dtype=bool)
    origin = int(start_at.timestamp()) // 3600
    for row, weather in enumerate(weathers):
        first = int(weather.table.index[0].timestamp()) // 3600 - origin
        length = len(weather.table)
        low, high = max(first, 0), min(first + length, hours)
        if low >= high:
            continue
        values = weather.table.iloc[low - first : high - first]
        block[:, row, low:high] = values[list(COLUMNS)].to_numpy(dtype=float).T
        forecast[row, low:high] = values["forecast"].to_numpy(dtype=bool)
        coarse[row, low:high] = values["coarse"].to_numpy(dtype=bool)
    return {name: block[i] for i, name in enumerate(COLUMNS)}, forecast, coarse


def _complete(hourly: dict[str, Floats], altitude: Floats, elevation: Floats) -> None:
    """Derive what follows from other columns of the same hour; nothing is guessed from other hours."""
    temperature = hourly["air_temperature_c"]
    dew, relative = hourly["dew_point_c"], hourly["relative_humidity_pct"]
    with np.errstate(invalid="ignore", divide="ignore"):
        hourly["relative_humidity_pct"] = np.where(
            np.isnan(relative), np.clip(humidity.relative_humidity(temperature, dew), 0.0, 100.0), relative
        )
        relative = hourly["relative_humidity_pct"]
        hourly["dew_point_c"] = np.where(np.isnan(dew), humidity.dew_point(temperature, relative), dew)
    standard = np.broadcast_to(humidity.standard_pressure(elevation)[:, None], temperature.shape)
    pressure = np.where(np.isnan(hourly["pressure_hpa"]), standard, hourly["pressure_hpa"])
    hourly["pressure_hpa"] = pressure
    shortwave = hourly["shortwave_w_m2"]
    estimate = radiation.shortwave(altitude, hourly["cloud_cover_pct"])
    hourly["shortwave_w_m2"] = np.where(np.isnan(shortwave), estimate, shortwave)
    hourly["vapour_pressure_deficit_kpa"] = humidity.vapour_pressure_deficit(temperature, relative)
    hourly["wet_bulb_depression_c"] = humidity.wet_bulb_depression(temperature, relative, pressure)
