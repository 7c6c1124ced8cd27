"""Pressure at the station from the reduced pressures that providers give."""

from __future__ import annotations

import numpy as np

from alertd.weather.measure import FloatArray

G_M_S2 = 9.80665
GAS_CONSTANT_J_KG_K = 287.053
LAPSE_K_M = 0.0065
SEA_LEVEL_K = 288.15
EXPONENT = G_M_S2 / (GAS_CONSTANT_J_KG_K * LAPSE_K_M)


def from_altimeter(altimeter_hpa: FloatArray, elevation_m: float) -> FloatArray:
    """Return station pressure from an altimeter setting (ICAO standard atmosphere, troposphere)."""
    # p = ((A^n - p0^n * L h / T0)) ^ (1/n) with n = 1/EXPONENT: exact within the standard atmosphere
    n = 1.0 / EXPONENT
    base = np.maximum(altimeter_hpa, 1.0) ** n - 1013.25**n * LAPSE_K_M * elevation_m / SEA_LEVEL_K
    return np.asarray(np.maximum(base, 0.0) ** EXPONENT, dtype=np.float64)


def to_altimeter(pressure_hpa: FloatArray, elevation_m: float) -> FloatArray:
    """Return the altimeter setting a station at this height would report."""
    n = 1.0 / EXPONENT
    base = np.maximum(pressure_hpa, 1.0) ** n + 1013.25**n * LAPSE_K_M * elevation_m / SEA_LEVEL_K
    return np.asarray(base**EXPONENT, dtype=np.float64)


def from_sea_level(
    sea_level_hpa: FloatArray, elevation_m: float, air_temperature_c: FloatArray
) -> FloatArray:
    """Return station pressure from pressure reduced to sea level (hypsometric, standard lapse rate)."""
    mean_k = air_temperature_c + 273.15 + LAPSE_K_M * elevation_m / 2.0
    return np.asarray(
        sea_level_hpa * np.exp(-G_M_S2 * elevation_m / (GAS_CONSTANT_J_KG_K * mean_k)), dtype=np.float64
    )
