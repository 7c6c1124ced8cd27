"""Sites of one zone and one season day, laid out as arrays over a shared hourly axis."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import cast
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from alertd.records.observation import WaterObservation
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
SITES_AT_ONCE = 64
"""Sites whose columns are completed together, so that their arrays stay in the processor's cache."""
HOURLY = (*COLUMNS, "vapour_pressure_deficit_kpa", "wet_bulb_depression_c")
LOOK_BACK_H = 6
"""Hours before the running one that are judged for spraying too: leaves dry slowly."""
TICKS_A_SECOND = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}
BOOTSTRAP_D = 92
"""Most days of past weather taken in at once, when a site is new or the service was down."""


@dataclass(frozen=True, slots=True)
class SiteWeather:
    """One site with the weather of its cell, what is known of its season, and what was seen on it."""

    site: Site
    weather: HourlyWeather
    season: SeasonState | None = None
    observed: tuple[WaterObservation, ...] = ()


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
    today: dict[str, dt.date] = {}
    for member in members:
        zone = member.site.zone
        if zone not in today:
            today[zone] = now.astimezone(ZoneInfo(zone)).date()
        groups.setdefault((zone, _first_new_day(member, today[zone])), []).append(member)
    return [
        _lay_out(tuple(group[i : i + size]), zone, first_new, now)
        for (zone, first_new), group in sorted(groups.items())
        for i in range(0, len(group), size)
    ]


def _first_new_day(member: SiteWeather, today: dt.date) -> dt.date:
    """Return the first local day that the season state does not hold yet."""
    oldest = today - dt.timedelta(days=BOOTSTRAP_D)
    if member.season is not None:
        return min(max(member.season.day + dt.timedelta(days=1), oldest), today)
    table = member.weather.table
    known = ~np.isnan(table["air_temperature_c"].to_numpy())
    if not known.any():
        return today
    first = _instant(table, int(known.argmax())).astimezone(ZoneInfo(member.site.zone)).date()
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
    altitude = np.empty(coarse.shape)
    now_hour = int((now - start_at).total_seconds() // 3600)
    for first in range(0, len(sites), SITES_AT_ONCE):
        some = slice(first, first + SITES_AT_ONCE)
        altitude[some] = sun.altitude(latitude[some, None], longitude[some, None], middle[None, :])
        _complete(
            {name: values[some] for name, values in hourly.items()},
            altitude[some],
            elevation[some],
            max(now_hour - LOOK_BACK_H, 0),
        )
    return Batch(
        members=members,
        now=now,
        start_at=start_at,
        local=local,
        today=local.days.index(today),
        now_hour=now_hour,
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
    """Copy each table onto the shared axis; hours outside a table stay unknown.

    The derived columns are there too, not yet filled.
    """
    block = np.empty((len(HOURLY), len(weathers), hours))
    forecast = np.ones((len(weathers), hours), dtype=bool)
    coarse = np.zeros((len(weathers), hours), dtype=bool)
    origin = int(start_at.timestamp()) // 3600
    width = len(COLUMNS)  # a table has these columns first and then its flags, [column, hour] in memory
    tables: dict[int, tuple[Floats, int]] = {}  # sites of one cell share its table
    for row, weather in enumerate(weathers):
        if id(weather) not in tables:
            values = weather.table.to_numpy(dtype=np.float64).T
            tables[id(weather)] = values, _first_hour(weather.table) - origin
        values, first = tables[id(weather)]
        low, high = max(first, 0), min(first + values.shape[1], hours)
        if low >= high:
            block[:width, row] = np.nan
            continue
        block[:width, row, :low] = block[:width, row, high:] = np.nan
        here = slice(low - first, high - first)
        block[:width, row, low:high] = values[:width, here]
        forecast[row, low:high] = values[width, here]
        coarse[row, low:high] = values[width + 1, here]
    return dict(zip(HOURLY, block, strict=True)), forecast, coarse


def _first_hour(table: pd.DataFrame) -> int:
    """Return the first hour of a table, counted from 1970."""
    index = cast("pd.DatetimeIndex", table.index)
    return int(index.asi8[0]) // (3600 * TICKS_A_SECOND[index.unit])


def _complete(hourly: dict[str, Floats], altitude: Floats, elevation: Floats, judged: int) -> None:
    """Derive, in place, what follows from other columns of the same hour; nothing is guessed from others.

    The wet bulb, which is slow to work out and only asked for in spraying, begins at hour ``judged``.
    """
    temperature = hourly["air_temperature_c"]
    dew, relative = hourly["dew_point_c"], hourly["relative_humidity_pct"]
    _fill(relative, lambda at: np.clip(humidity.relative_humidity(temperature[at], dew[at]), 0.0, 100.0))
    _fill(dew, lambda at: humidity.dew_point(temperature[at], relative[at]))
    standard = np.broadcast_to(humidity.standard_pressure(elevation)[:, None], temperature.shape)
    pressure = hourly["pressure_hpa"]
    _fill(pressure, lambda at: standard[at])
    cloud = hourly["cloud_cover_pct"]
    _fill(hourly["shortwave_w_m2"], lambda at: radiation.shortwave(altitude[at], cloud[at]))
    hourly["vapour_pressure_deficit_kpa"][...] = humidity.vapour_pressure_deficit(temperature, relative)
    hourly["wet_bulb_depression_c"][:, :judged] = np.nan
    # half the width is exact to 2e-5 K, and twice as fast where most of the time goes
    hourly["wet_bulb_depression_c"][:, judged:] = humidity.wet_bulb_depression(
        *(values[:, judged:].astype(np.float32) for values in (temperature, relative, pressure))
    )


def _fill(values: Floats, derived: Callable[[Flags], Floats]) -> None:
    """Put derived values where there are none."""
    gaps = np.isnan(values)
    if gaps.any():
        values[gaps] = derived(gaps)
