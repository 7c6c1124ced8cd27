"""Invented weather drawn from a hash: spells, wet and windy days come and go, forecasts change their mind.

The same seed, place and instant give the same forecast in every process, so that an undisturbed twin sees
what a process saw that was killed a hundred times.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from alertd.errors import WeatherUnavailable
from alertd.records.weather import HourlyWeather, WeatherCell, empty_table
from alertd.science import humidity

HOUR_S, DAY_S = 3600, 86_400
PAST_D, AHEAD_D = 7, 10
SURE_S = 30 * HOUR_S
"""What lies further ahead may yet come out otherwise."""


class Kind(NamedTuple):
    """One kind of day."""

    low_c: float
    high_c: float
    dew_c: float
    wind_m_s: float
    rain_mm_h: float
    cloud_pct: float


KINDS = (
    Kind(21.0, 36.0, 9.0, 2.2, 0.0, 5.0),
    Kind(20.0, 35.0, 11.0, 3.0, 0.0, 10.0),
    Kind(19.0, 33.0, 12.0, 8.5, 0.0, 20.0),
    Kind(12.0, 24.0, 8.0, 2.4, 0.0, 30.0),
    Kind(14.0, 19.0, 14.0, 3.5, 1.2, 95.0),
)
SHARES = (3, 3, 1, 2, 2)
_DRAWN = tuple(n for n, share in enumerate(SHARES) for _ in range(share))


def hashed(*parts: object) -> int:
    return int.from_bytes(hashlib.sha256(repr(parts).encode()).digest()[:8], "big")


def _kind(seed: int, cell: str, day: int, issue: int, now_s: int) -> Kind:
    """Return the kind of a day, as forecast by the issue."""
    ahead = day * DAY_S - now_s > SURE_S
    if ahead and hashed("other", seed, cell, day, issue) % 100 < 30:
        return KINDS[_DRAWN[hashed("else", seed, cell, day, issue) % len(_DRAWN)]]
    return KINDS[_DRAWN[hashed("kind", seed, cell, day) % len(_DRAWN)]]


def forecast(seed: int, cell: WeatherCell, now: dt.datetime, past_d: int) -> pd.DataFrame:
    """Return the hours from ``past_d`` days ago to ten days ahead, as known at ``now``."""
    now_s = int(now.timestamp())
    issue = now_s // (12 * HOUR_S)
    start_s = (now_s - past_d * DAY_S) // HOUR_S * HOUR_S
    hours = (past_d + AHEAD_D) * 24
    at_s = start_s + HOUR_S * np.arange(hours)
    table = empty_table(dt.datetime.fromtimestamp(start_s, dt.UTC), hours)
    days = at_s // DAY_S
    names, place = np.unique(days, return_inverse=True)
    kinds = np.array([_kind(seed, cell.key, int(day), issue, now_s) for day in names])
    low, high, dew, wind, rain, cloud = kinds[place].T
    sun_h = ((at_s + HOUR_S // 2) / HOUR_S + cell.longitude_deg / 15.0) % 24.0
    temperature = (low + high) / 2 + (high - low) / 2 * np.cos(2 * np.pi * (sun_h - 15.0) / 24.0)
    dew = np.minimum(dew, temperature - 0.5)
    table["air_temperature_c"] = temperature
    table["dew_point_c"] = dew
    table["relative_humidity_pct"] = humidity.relative_humidity(temperature, dew)
    table["wind_speed_m_s"] = wind
    table["wind_gust_m_s"] = 1.4 * wind
    table["wind_direction_deg"] = 200.0
    table["precipitation_mm"] = np.where(sun_h > 16.0, rain, 0.0)
    table["precipitation_probability_pct"] = np.where(rain > 0.0, 80.0, 5.0)
    table["cloud_cover_pct"] = cloud
    table["shortwave_w_m2"] = (8.0 - cloud / 16.0) * 100 * np.clip(np.sin(np.pi * (sun_h - 6.0) / 13.0), 0, 1)
    table["pressure_hpa"] = 1012.0
    table["forecast"] = at_s + HOUR_S > now_s
    return table


@dataclass(frozen=True)
class Invented:
    """A provider that fails now and then, alone or on whole days together with the others."""

    name: str
    seed: int
    faults_pct: int = 20
    gaps_pct: int = 18
    attribution: str = "made up for tests"

    def fetch(self, cell: WeatherCell, now: dt.datetime, past_days: int | None = None) -> HourlyWeather:
        """Return what is forecast, or raise WeatherUnavailable."""
        if hashed("gap", self.seed, cell.key, now.date()) % 100 < self.gaps_pct:
            raise WeatherUnavailable(f"{self.name} says nothing of {cell.key} today")
        if hashed("fault", self.seed, self.name, cell.key, now) % 100 < self.faults_pct:
            raise WeatherUnavailable(f"{self.name} stumbled")
        table = forecast(self.seed, cell, now, max(PAST_D, past_days or 0))
        return HourlyWeather(cell, self.name, now, now, table, self.attribution)
