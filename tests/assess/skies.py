"""Invented weather whose every hour is known, and the cycles that look at it day by day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from alertd.assess.batch import Batch, SiteWeather, batches
from alertd.assess.site import assess
from alertd.records.assessment import Assessment, MitePressure, WaterStatus
from alertd.records.observation import WaterObservation
from alertd.records.season import SeasonState
from alertd.records.site import Irrigation, Planting, Site
from alertd.records.weather import COLUMNS, HourlyWeather, cell_of, empty_table
from alertd.science import humidity

NEW_YORK = "America/New_York"
DAY = dt.timedelta(days=1)
HOUR = dt.timedelta(hours=1)


@dataclass(frozen=True)
class Sky:
    """One day of weather: warmest at 15, coldest at 3 local; the rain falls from 18 to 20."""

    low_c: float = 20.0
    high_c: float = 35.0
    dew_c: float = 12.0
    rain_mm: float = 0.0


HOT = Sky()
MILD = Sky(12.0, 24.0, 8.0)


def truth_of(first: dt.date, skies: Sequence[Sky], zone: str = NEW_YORK) -> pd.DataFrame:
    """Return the hours of these local days; half-hour zones begin within the first day."""
    return _truth(first, tuple(skies), zone).copy()


@lru_cache(maxsize=16)
def _truth(first: dt.date, skies: tuple[Sky, ...], zone: str) -> pd.DataFrame:
    place = ZoneInfo(zone)
    start = dt.datetime.combine(first, dt.time(), place).astimezone(dt.UTC)
    start = start.replace(minute=0) + (HOUR if start.minute > 30 else dt.timedelta(0))
    end = dt.datetime.combine(first + len(skies) * DAY, dt.time(), place).astimezone(dt.UTC)
    table = empty_table(start, int((end - start) / HOUR))
    middles = [(stamp.to_pydatetime() + HOUR / 2).astimezone(place) for stamp in table.index]
    sky = [skies[min((middle.date() - first).days, len(skies) - 1)] for middle in middles]
    hour = np.array([middle.hour for middle in middles], dtype=float)
    low, high, dew, rain = np.array([[s.low_c, s.high_c, s.dew_c, s.rain_mm] for s in sky]).T
    temperature = (low + high) / 2 + (high - low) / 2 * np.cos(2 * np.pi * (hour - 15.0) / 24.0)
    dew = np.minimum(dew, temperature - 0.1)
    table["air_temperature_c"] = temperature
    table["dew_point_c"] = dew
    table["relative_humidity_pct"] = humidity.relative_humidity(temperature, dew)
    table["wind_speed_m_s"] = 2.0
    table["wind_gust_m_s"] = 3.0
    table["wind_direction_deg"] = 180.0
    table["precipitation_mm"] = np.where((hour >= 18) & (hour < 20), rain / 2.0, 0.0)
    table["precipitation_probability_pct"] = 5.0
    table["cloud_cover_pct"] = 20.0
    table["shortwave_w_m2"] = 700.0 * np.clip(np.sin(np.pi * (hour - 6.0) / 14.0), 0.0, None)
    table["pressure_hpa"] = 1010.0
    return table


def seen_at(
    truth: pd.DataFrame,
    now: dt.datetime,
    past_h: int = 240,
    ahead_h: int = 240,
    cell_of_site: Site | None = None,
) -> HourlyWeather:
    """Return what a provider that is never wrong would say at ``now``."""
    here = int((now - truth.index[0].to_pydatetime()) / HOUR)
    table = truth.iloc[max(here - past_h, 0) : here + ahead_h].copy()
    table["forecast"] = table.index + pd.Timedelta(hours=1) > pd.Timestamp(now)
    place = cell_of_site or SITE
    cell = cell_of(place.latitude_deg, place.longitude_deg, place.elevation_m)
    return HourlyWeather(cell, "invented", now, now, table, "made up for tests")


def without(truth: pd.DataFrame, start: dt.date, end: dt.date, *columns: str) -> pd.DataFrame:
    """Return the weather with the columns, or all, unknown from one UTC day to another."""
    holed = truth.copy()
    rows = (holed.index >= pd.Timestamp(start, tz="UTC")) & (holed.index < pd.Timestamp(end, tz="UTC"))
    holed.loc[rows, list(columns or COLUMNS)] = np.nan
    return holed


def planting(host: str = "rose", key: str = "p1", **changes: object) -> Planting:
    return replace(Planting(key, host, irrigation=Irrigation.NONE), **changes)  # type: ignore[arg-type]  # names are checked by replace


SITE = Site("s1", "Invented Court", 40.0, -75.0, NEW_YORK, 50.0, plantings=(planting(),))


def at(day: dt.date, hour: int = 6, zone: str = NEW_YORK) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(hour), ZoneInfo(zone)).astimezone(dt.UTC)


@dataclass
class Watch:
    """Cycles over sites under one sky, carrying their seasons."""

    truth: pd.DataFrame
    sites: Sequence[Site] = (SITE,)
    past_h: int = 240
    ahead_h: int = 240
    seasons: dict[str, SeasonState] = field(default_factory=dict)
    found: dict[str, Assessment] = field(default_factory=dict)
    observed: tuple[WaterObservation, ...] = ()

    def batch(self, now: dt.datetime) -> Batch:
        (batch,) = self.batches(now)
        return batch

    def batches(self, now: dt.datetime) -> list[Batch]:
        return batches([self.member(site, now) for site in self.sites], now)

    def member(self, site: Site, now: dt.datetime) -> SiteWeather:
        weather = seen_at(self.truth, now, self.past_h, self.ahead_h, site)
        return SiteWeather(site, weather, self.seasons.get(site.id), self.observed)

    def look(self, *instants: dt.datetime) -> Assessment:
        """Run a cycle at each instant; returns the last assessment of the first site."""
        for now in instants:
            for batch in self.batches(now):
                assessments, states = assess(batch)
                self.found.update((one.site_id, one) for one in assessments)
                self.seasons.update((one.site_id, one) for one in states)
        return self.found[self.sites[0].id]


def pressure_of(assessment: Assessment, species: str) -> MitePressure:
    (found,) = (one for one in assessment.pressures if one.species == species)
    return found


def water_of(assessment: Assessment, key: str = "p1") -> WaterStatus:
    (found,) = (one for one in assessment.water if one.planting_id == key)
    return found


def days_of(first: dt.date, count: int, every: int = 1, hour: int = 6) -> Iterable[dt.datetime]:
    return (at(first + i * DAY, hour) for i in range(0, count, every))
