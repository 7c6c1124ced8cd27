"""An archive of invented forecasts with a known error, held in memory."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from alertd.records.season import SeasonState
from alertd.records.site import Irrigation, Planting, Site
from alertd.records.skill import LearntCorrection, LearntErrors
from alertd.records.weather import COLUMNS, HourlyWeather, cell_of, empty_table

ZONE = "America/New_York"
SIZE_DEG = 0.02
START = dt.datetime(2026, 6, 1, 4, tzinfo=dt.UTC)
"""Local midnight of the invented site."""
HOUR = dt.timedelta(hours=1)
DAY = dt.timedelta(days=1)


def make_site(name: str = "Invented Court", **changes: Any) -> Site:
    """Return an invented site with watered roses and two materials."""
    site = Site(
        id=name.lower().replace(" ", "-"),
        name=name,
        latitude_deg=40.24,
        longitude_deg=-74.18,
        zone=ZONE,
        plantings=(
            Planting(id="p1", host="rose", irrigation=Irrigation.DRIP, irrigation_mm_per_week=40.0),
            Planting(id="p2", host="spruce", label="north hedge"),
        ),
        materials=("soap", "horticultural_oil"),
    )
    return replace(site, **changes)


def weather_of_days(days: int, **changes: Any) -> pd.DataFrame:
    """Return ``days`` fair days: 14 to 26 degC, a light wind, no rain. Changes hold for every hour."""
    table = empty_table(START, days * 24)
    clock = np.arange(days * 24) % 24
    table["air_temperature_c"] = np.round(20.0 + 6.0 * np.cos((clock + 0.5 - 15.0) / 24.0 * 2.0 * np.pi), 1)
    values = {
        "dew_point_c": 10.0, "wind_speed_m_s": 2.7, "wind_gust_m_s": 4.0, "wind_direction_deg": 220.0,
        "precipitation_mm": 0.0, "precipitation_probability_pct": 0.0, "cloud_cover_pct": 90.0,
        "pressure_hpa": 1010.0, **changes,
    }  # fmt: skip
    for column, value in values.items():
        table[column] = value
    return table


def issue(
    truth: pd.DataFrame,
    at: dt.datetime,
    site: Site,
    stray: Callable[[pd.DataFrame], None] | None = None,
    provider: str = "invented",
    past_h: int = 240,
    ahead_h: int = 240,
) -> HourlyWeather:
    """Return the forecast made at an instant: the past as it was, the future as ``stray`` leaves it."""
    now = pd.Timestamp(at)
    inside = (truth.index >= now - past_h * HOUR) & (truth.index < now + ahead_h * HOUR)
    table = truth[inside].copy()
    table["forecast"] = table.index >= now
    if stray is not None:
        later = table[table["forecast"]].copy()
        stray(later)
        table.loc[later.index, list(COLUMNS)] = later[list(COLUMNS)]
    cell = cell_of(site.latitude_deg, site.longitude_deg, site.elevation_m, SIZE_DEG)
    return HourlyWeather(cell, provider, at, at, table, "invented weather")


@dataclass
class Archive:
    """Stored forecasts, as the store gives them back."""

    tables: list[HourlyWeather] = field(default_factory=list)

    def latest_weather(self, cell_keys: Iterable[str], as_of: dt.datetime) -> Mapping[str, HourlyWeather]:
        """Return the newest stored weather of each cell."""
        wanted = set(cell_keys)
        known = sorted(self.tables, key=lambda one: one.fetched_at)
        return {one.cell.key: one for one in known if one.cell.key in wanted and one.fetched_at <= as_of}

    def seasons(self, site_ids: Iterable[str], as_of: dt.datetime) -> Mapping[str, SeasonState]:
        """Return nothing: the season is young."""
        del site_ids, as_of
        return {}


@dataclass
class Book:
    """What was learnt, kept in memory."""

    errors: list[LearntErrors] = field(default_factory=list)
    fixes: list[LearntCorrection] = field(default_factory=list)

    def learnt_errors(
        self, cell_keys: Iterable[str], since: dt.datetime, as_of: dt.datetime
    ) -> Mapping[tuple[str, str], LearntErrors]:
        """Return the newest errors of each cell and zone."""
        wanted = set(cell_keys)
        known = [one for one in self.errors if one.cell_key in wanted and since < one.learnt_at <= as_of]
        return {(one.cell_key, one.zone): one for one in sorted(known, key=lambda one: one.learnt_at)}

    def save_errors(self, learnt: Iterable[LearntErrors]) -> None:
        """Keep the errors."""
        self.errors += learnt

    def corrections(
        self, site_ids: Iterable[str], since: dt.datetime, as_of: dt.datetime
    ) -> Mapping[str, LearntCorrection]:
        """Return the newest correction of each site."""
        wanted = set(site_ids)
        known = [one for one in self.fixes if one.site_id in wanted and since < one.learnt_at <= as_of]
        return {one.site_id: one for one in sorted(known, key=lambda one: one.learnt_at)}

    def save_correction(self, learnt: LearntCorrection) -> None:
        """Keep the correction."""
        self.fixes.append(learnt)

    def forget_skill(self, before: dt.datetime) -> int:
        """Drop what is older."""
        count = len(self.errors) + len(self.fixes)
        self.errors = [one for one in self.errors if one.learnt_at >= before]
        self.fixes = [one for one in self.fixes if one.learnt_at >= before]
        return count - len(self.errors) - len(self.fixes)


def daily_archive(
    truth: pd.DataFrame,
    site: Site,
    days: Sequence[int],
    stray: Callable[[pd.DataFrame], None] | None = None,
) -> Archive:
    """Return an archive with one forecast at 05:00 local on each of these days."""
    return Archive([issue(truth, START + day * DAY + 5 * HOUR, site, stray) for day in days])
