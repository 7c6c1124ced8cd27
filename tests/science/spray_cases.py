"""Builders for the spraying tests: fair weather, changed where a test says so."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from alertd.science.spray import SprayHours, SprayRecords, SprayRules, SprayVerdict, blackout
from alertd.units import fahrenheit_to_celsius

HOUR = 4  # the hour that is looked at: enough past for leaf wetness, enough future for every look-ahead
N_HOURS = 120


def f(temperature_f: float) -> float:
    """Degrees Celsius."""
    return fahrenheit_to_celsius(temperature_f)


def fair_hours(n_sites: int = 1, n_hours: int = N_HOURS, **changes: Any) -> SprayHours:
    """Return hours in which nothing is in the way: mid-morning all through. Changes hold for every hour."""
    shape = (n_sites, n_hours)
    values: dict[str, Any] = {
        "air_temperature_c": 20.0,
        "relative_humidity_pct": 60.0,
        "dew_point_c": 12.0,
        "wet_bulb_depression_c": 5.0,
        "wind_speed_m_s": 2.7,
        "wind_gust_m_s": 4.0,
        "precipitation_mm": 0.0,
        "precipitation_probability_pct": 0.0,
        "cloud_cover_pct": 20.0,
        "sun_altitude_deg": 40.0,
        "hours_since_sunrise": 4.25,
        "hours_to_sunset": 10.25,
        "local_hour": 10.0,
    }
    flags: dict[str, Any] = {"coarse": np.zeros(shape, dtype=np.bool_)}
    per_site: dict[str, Any] = {
        "drought": np.zeros(n_sites, dtype=np.int8),
        "in_bloom": np.zeros(n_sites, dtype=np.bool_),
        "full_sun": np.zeros(n_sites, dtype=np.bool_),
        "dormant": np.zeros(n_sites, dtype=np.bool_),
    }
    for name, value in changes.items():
        if name in values:
            values[name] = value
        elif name in flags or name == "ceiling_m":
            flags[name] = np.full(shape, value)
        else:
            per_site[name] = None if value is None else np.full(n_sites, value)
    arrays = {name: np.full(shape, value, dtype=np.float64) for name, value in values.items()}
    return SprayHours(**arrays, **flags, **per_site)


def set_hours(hours: SprayHours, at: int | slice, **changes: float) -> SprayHours:
    """Return the hours with values changed at one hour or a slice of hours, on every site."""
    arrays = {}
    for name, value in changes.items():
        arrays[name] = getattr(hours, name).copy()
        arrays[name][:, at] = value
    return dataclasses.replace(hours, **arrays)


def verdict_at(
    hours: SprayHours, rules: SprayRules, records: SprayRecords | None = None, at: int = HOUR
) -> tuple[int, int, float]:
    """Return block bits, caution bits and margin of the hour looked at on the first site."""
    verdict: SprayVerdict = blackout(hours, rules, records)
    return int(verdict.block_bits[0, at]), int(verdict.caution_bits[0, at]), float(verdict.margin[0, at])
