"""An invented season of hourly weather for an invented site: seeded, so that every run is the same."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

from alertd.demo.scenario import DemoSite, DemoWeather
from alertd.records.weather import empty_table
from alertd.science import humidity, radiation, sun

Floats = npt.NDArray[np.float64]

PERSISTENCE = 0.7
ANOMALY_C = 2.3
HOTTEST_HOUR = 15.0
WET_RANGE_SHARE = 0.55
WET_COOLER_C = 2.5


def season(site: DemoSite, first_day: dt.date, last_day: dt.date, seed: int) -> pd.DataFrame:
    """Return the canonical hourly table of the site from ``first_day`` to ``last_day``, both included."""
    zone = ZoneInfo(site.zone)
    start = dt.datetime.combine(first_day, dt.time(), tzinfo=zone).astimezone(dt.UTC)
    hours = ((last_day - first_day).days + 1) * 24
    table = empty_table(start.replace(minute=0), hours)
    draw = np.random.default_rng([seed, abs(hash_name(site.name))])
    daily = _Days(site.weather, first_day, hours // 24, draw)
    clock = (np.arange(hours) % 24) + 0.5
    day = np.arange(hours) // 24
    temperature = daily.mean_c[day] + daily.range_c[day] / 2.0 * np.cos(
        2 * np.pi * (clock - HOTTEST_HOUR) / 24
    )
    dew_point = np.minimum(daily.dew_point_c[day] + draw.normal(0.0, 0.4, hours), temperature - 0.1)
    rain = _rain(daily, hours, draw)
    breeze = 0.6 + 0.5 * np.cos(2 * np.pi * (clock - HOTTEST_HOUR) / 24)
    wind = site.weather.wind_mean_m_s * daily.windiness[day] * breeze * draw.lognormal(0.0, 0.15, hours)
    stamps = np.datetime64(start.replace(tzinfo=None), "s") + (np.arange(hours) * 3600 + 1800).astype(
        "timedelta64[s]"
    )
    altitude = np.asarray(sun.altitude(site.latitude_deg, site.longitude_deg, stamps))
    cloud = np.clip(daily.cloud_pct[day] + draw.normal(0.0, 8.0, hours) + 40.0 * (rain > 0), 0.0, 100.0)
    table["air_temperature_c"] = np.round(temperature, 1)
    table["dew_point_c"] = np.round(dew_point, 1)
    table["relative_humidity_pct"] = np.round(
        np.clip(humidity.relative_humidity(temperature, dew_point), 3, 100)
    )
    table["wind_speed_m_s"] = np.round(wind, 1)
    table["wind_gust_m_s"] = np.round(wind * 1.45 + 0.4, 1)
    table["wind_direction_deg"] = np.round(
        (220.0 + 60.0 * np.sin(day * 0.9) + draw.normal(0, 15, hours)) % 360.0
    )
    table["precipitation_mm"] = rain
    table["precipitation_probability_pct"] = _probability(rain)
    table["cloud_cover_pct"] = np.round(cloud)
    table["shortwave_w_m2"] = np.round(np.clip(radiation.shortwave(altitude, cloud), 0.0, 1350.0))
    pressure = humidity.standard_pressure(np.asarray(site.elevation_m))
    table["pressure_hpa"] = np.round(pressure + draw.normal(0.0, 0.5, hours).cumsum() * 0.05, 1)
    return table


def hash_name(name: str) -> int:
    """Return a number that depends on the name alone (Python's own hash differs from run to run)."""
    return int.from_bytes(name.encode()[:6], "big")


class _Days:
    """Daily values of the invented season, [day]."""

    def __init__(
        self, weather: DemoWeather, first_day: dt.date, days: int, draw: np.random.Generator
    ) -> None:
        dates = [first_day + dt.timedelta(days=i) for i in range(days)]
        of_year = np.array([date.timetuple().tm_yday for date in dates], dtype=float)
        inside = [
            np.array([spell.first_day <= date <= spell.last_day for date in dates])
            for spell in weather.spells
        ]
        dry = np.logical_or.reduce(inside) if inside else np.zeros(days, dtype=bool)
        self.wet = (draw.random(days) < weather.rain_day_share) & ~dry
        self.depth_mm = np.where(self.wet, draw.gamma(0.9, weather.rain_mean_mm / 0.9, days), 0.0)
        season_c = weather.temperature_mean_c + weather.temperature_swing_c * np.cos(
            2 * np.pi * (of_year - weather.warmest_day) / 365.25
        )
        warmer = sum(
            (mask * spell.warmer_c for mask, spell in zip(inside, weather.spells, strict=True)),
            np.zeros(days),
        )
        drier = sum(
            (mask * spell.drier_c for mask, spell in zip(inside, weather.spells, strict=True)), np.zeros(days)
        )
        anomaly = _persistent(draw.normal(0.0, ANOMALY_C, days)) * np.where(dry, 0.4, 1.0)
        self.mean_c = season_c + anomaly + warmer - WET_COOLER_C * self.wet
        self.range_c = weather.daily_range_c * np.where(self.wet, WET_RANGE_SHARE, 1.0)
        self.dew_point_c = (
            self.mean_c - self.range_c / 2.0 - weather.dew_point_below_minimum_c - drier + 1.5 * self.wet
        )
        self.windiness = draw.lognormal(-0.05, 0.3, days)
        self.cloud_pct = np.where(self.wet, 80.0, np.where(dry, 10.0, draw.uniform(5.0, 60.0, days)))


def _persistent(noise: Floats) -> Floats:
    """Return a series in which a warm day tends to follow a warm one."""
    series: Floats = np.zeros(noise.shape, dtype=np.float64)
    last = 0.0
    for i, value in enumerate(noise):
        last = PERSISTENCE * last + float(value) * np.sqrt(1.0 - PERSISTENCE**2)
        series[i] = last
    return series


def _rain(daily: _Days, hours: int, draw: np.random.Generator) -> Floats:
    """Return hourly rain in mm: each wet day's depth falls in a few hours in a row."""
    rain = np.zeros(hours)
    for day in np.flatnonzero(daily.wet):
        length = int(draw.integers(2, 7))
        first = int(day) * 24 + int(draw.integers(0, 24 - length))
        shares = draw.dirichlet(np.full(length, 2.0))
        rain[first : first + length] += shares * daily.depth_mm[day]
    return np.asarray(np.round(rain, 1))


def _probability(rain: Floats) -> Floats:
    """Return a chance of rain that rises around wet hours, in %."""
    wet = (rain > 0).astype(float)
    near = np.convolve(wet, np.ones(9) / 9.0, mode="same")
    return np.asarray(np.round(np.clip(4.0 + 55.0 * wet + 80.0 * near, 0.0, 95.0)), dtype=np.float64)
