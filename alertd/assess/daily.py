"""Hourly arrays of a batch folded into the sites' local days.

What is not known must neither look dry nor hot. Two kinds of daily values see to that: those that are
NaN unless enough hours are known, and bounds that count every unknown hour on the moist side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch
from alertd.catalog.species import load_species
from alertd.science import days, degree_days, humidity, water
from alertd.science.arrays import FloatArray as Floats
from alertd.units import w_m2_to_mj_m2_h

AFTERNOON = (12, 18)
"""Local hours whose humidity stands for the afternoon."""
KNOWN_HOURS = 20
"""Hours of a day that must be known before its extremes and means are trusted: common practice."""
ALL_HOURS = 24
KNOWN_AFTERNOON_HOURS = 4


@dataclass(frozen=True, slots=True)
class Daily:
    """Daily arrays of a batch, [site, day], NaN where too little is known.

    ``precipitation_mm`` needs every hour, for a day counts as dry by it; ``precipitation_known_mm`` is
    what the known hours add up to. ``humid_hours`` and ``humidity_afternoon_most_pct`` are upper bounds:
    an unknown hour counts as moist. ``settled`` marks days that nothing later is likely to change:
    temperature and rain are known and no hour is a forecast.
    """

    temperature_min_c: Floats
    temperature_max_c: Floats
    temperature_mean_c: Floats
    precipitation_mm: Floats
    precipitation_known_mm: Floats
    vapour_pressure_deficit_max_kpa: Floats
    humidity_mean_pct: Floats
    humidity_afternoon_pct: Floats
    humidity_afternoon_most_pct: Floats
    humid_hours: Floats
    wind_max_m_s: Floats
    evapotranspiration_mm: Floats
    twospotted_heat_c_d: Floats
    settled: npt.NDArray[np.bool_]


def fold(batch: Batch, humid_above_pct: float) -> Daily:
    """Return the daily arrays; ``humid_hours`` counts hours above ``humid_above_pct``."""
    local, hourly = batch.local, batch.hourly
    temperature, rain = hourly["air_temperature_c"], hourly["precipitation_mm"]
    relative = hourly["relative_humidity_pct"]
    afternoon = (local.hour_of_day >= AFTERNOON[0]) & (local.hour_of_day < AFTERNOON[1])
    most = np.where(np.isnan(relative), 100.0, relative)
    minimum = days.daily_min(temperature, local, required=KNOWN_HOURS)
    maximum = days.daily_max(temperature, local, required=KNOWN_HOURS)
    all_rain = days.daily_sum(rain, local, required=ALL_HOURS)
    return Daily(
        temperature_min_c=minimum,
        temperature_max_c=maximum,
        temperature_mean_c=days.daily_mean(temperature, local, required=KNOWN_HOURS),
        precipitation_mm=all_rain,
        precipitation_known_mm=days.daily_sum(rain, local, required=1),
        vapour_pressure_deficit_max_kpa=days.daily_max(
            hourly["vapour_pressure_deficit_kpa"], local, required=KNOWN_HOURS
        ),
        humidity_mean_pct=days.daily_mean(relative, local, required=KNOWN_HOURS),
        humidity_afternoon_pct=days.daily_mean(
            np.where(afternoon, relative, np.nan), local, required=KNOWN_AFTERNOON_HOURS
        ),
        humidity_afternoon_most_pct=days.daily_mean(
            np.where(afternoon, most, np.nan), local, required=AFTERNOON[1] - AFTERNOON[0]
        ),
        humid_hours=days.daily_sum((most > humid_above_pct).astype(float), local, required=ALL_HOURS),
        wind_max_m_s=days.daily_max(hourly["wind_speed_m_s"], local, required=KNOWN_HOURS),
        evapotranspiration_mm=_evapotranspiration(batch, minimum, maximum),
        twospotted_heat_c_d=_twospotted_heat(batch),
        settled=~np.isnan(minimum + all_rain) & ~np.logical_or.reduceat(batch.forecast, local.starts, axis=1),
    )


def _twospotted_heat(batch: Batch) -> Floats:
    """Return the degree-days of each day that count towards a twospotted generation."""
    species = load_species()["twospotted"]
    warm = degree_days.above_threshold(
        batch.hourly["air_temperature_c"], float(species.lower_c), float(species.optimum_c)
    )
    return days.daily_sum(warm / 24.0, batch.local, required=KNOWN_HOURS)


def _evapotranspiration(batch: Batch, minimum: Floats, maximum: Floats) -> Floats:
    """FAO-56 where humidity, wind and radiation are known, Hargreaves where only temperature is."""
    local, hourly = batch.local, batch.hourly
    of_year = np.array([day.timetuple().tm_yday for day in local.days], dtype=float)
    pressure_kpa = humidity.saturation_vapour_pressure(hourly["dew_point_c"])
    vapour = days.daily_mean(pressure_kpa, local, required=KNOWN_HOURS)
    wind = days.daily_mean(hourly["wind_speed_m_s"], local, required=KNOWN_HOURS)
    # The mean of the known hours stands for the unknown ones: a sum would leave them dark.
    irradiance_w_m2 = days.daily_mean(hourly["shortwave_w_m2"], local, required=KNOWN_HOURS)
    energy = w_m2_to_mj_m2_h(np.asarray(irradiance_w_m2, dtype=np.float64)) * local.full_lengths
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
