"""Hourly arrays of a batch folded into the sites' local days."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch
from alertd.science import days, humidity, water
from alertd.science.arrays import FloatArray as Floats
from alertd.units import w_m2_to_mj_m2_h

AFTERNOON = (12, 18)
"""Local hours whose humidity stands for the afternoon."""
KNOWN_HOURS = 20
"""Hours of a day that must be known before its extremes and sums are trusted: common practice."""
KNOWN_AFTERNOON_HOURS = 4


@dataclass(frozen=True, slots=True)
class Daily:
    """Daily arrays of a batch, [site, day], NaN where too little is known."""

    temperature_min_c: Floats
    temperature_max_c: Floats
    temperature_mean_c: Floats
    precipitation_mm: Floats
    vapour_pressure_deficit_max_kpa: Floats
    humidity_mean_pct: Floats
    humidity_afternoon_pct: Floats
    humid_hours: Floats
    wind_max_m_s: Floats
    evapotranspiration_mm: Floats
    known: npt.NDArray[np.bool_]
    day_of_year: Floats


def fold(batch: Batch, humid_above_pct: float) -> Daily:
    """Return the daily arrays; ``humid_hours`` counts hours above ``humid_above_pct``."""
    local, hourly = batch.local, batch.hourly
    temperature = hourly["air_temperature_c"]
    relative = hourly["relative_humidity_pct"]
    afternoon = (local.hour_of_day >= AFTERNOON[0]) & (local.hour_of_day < AFTERNOON[1])
    humid = np.where(np.isnan(relative), np.nan, (relative > humid_above_pct).astype(float))
    minimum = days.daily_min(temperature, local, required=KNOWN_HOURS)
    maximum = days.daily_max(temperature, local, required=KNOWN_HOURS)
    of_year = np.array([day.timetuple().tm_yday for day in local.days], dtype=float)
    return Daily(
        temperature_min_c=minimum,
        temperature_max_c=maximum,
        temperature_mean_c=days.daily_mean(temperature, local, required=KNOWN_HOURS),
        precipitation_mm=days.daily_sum(hourly["precipitation_mm"], local, required=KNOWN_HOURS),
        vapour_pressure_deficit_max_kpa=days.daily_max(
            hourly["vapour_pressure_deficit_kpa"], local, required=KNOWN_HOURS
        ),
        humidity_mean_pct=days.daily_mean(relative, local, required=KNOWN_HOURS),
        humidity_afternoon_pct=days.daily_mean(
            np.where(afternoon, relative, np.nan), local, required=KNOWN_AFTERNOON_HOURS
        ),
        humid_hours=days.daily_sum(humid, local, required=KNOWN_HOURS),
        wind_max_m_s=days.daily_max(hourly["wind_speed_m_s"], local, required=KNOWN_HOURS),
        evapotranspiration_mm=_evapotranspiration(batch, minimum, maximum, of_year),
        known=~np.isnan(minimum),
        day_of_year=of_year,
    )


def _evapotranspiration(batch: Batch, minimum: Floats, maximum: Floats, of_year: Floats) -> Floats:
    """FAO-56 where humidity, wind and radiation are known, Hargreaves where only temperature is."""
    local, hourly = batch.local, batch.hourly
    pressure_kpa = humidity.saturation_vapour_pressure(hourly["dew_point_c"])
    vapour = days.daily_mean(pressure_kpa, local, required=KNOWN_HOURS)
    wind = days.daily_mean(hourly["wind_speed_m_s"], local, required=KNOWN_HOURS)
    energy = days.daily_sum(
        w_m2_to_mj_m2_h(np.asarray(hourly["shortwave_w_m2"], dtype=np.float64)), local, required=KNOWN_HOURS
    )
    latitude = batch.latitude_deg[:, None]
    full = water.reference_evapotranspiration(
        minimum,
        maximum,
        vapour,
        energy,
        water.wind_at_2m(wind, 10.0),
        batch.elevation_m[:, None],
        latitude,
        of_year[None, :],
    )
    simple = water.hargreaves(minimum, maximum, latitude, of_year[None, :])
    return np.maximum(np.where(np.isnan(full), simple, full), 0.0)
