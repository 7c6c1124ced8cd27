"""Unit labels as the providers write them, and what turns each into the canonical unit."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt

from alertd import units

FloatArray = npt.NDArray[np.float64]
Conversion = Callable[[FloatArray], FloatArray]


def _as_is(values: FloatArray) -> FloatArray:
    return values


_CELSIUS: Mapping[str, Conversion] = {
    "°C": _as_is,
    "degC": _as_is,
    "celsius": _as_is,
    "°F": units.fahrenheit_to_celsius,
    "degF": units.fahrenheit_to_celsius,
    "fahrenheit": units.fahrenheit_to_celsius,
}
_SPEED: Mapping[str, Conversion] = {
    "m/s": _as_is,
    "m_s-1": _as_is,
    "km/h": units.km_h_to_m_s,
    "km_h-1": units.km_h_to_m_s,
    "mp/h": units.mph_to_m_s,
    "mph": units.mph_to_m_s,
    "kn": units.knots_to_m_s,
    "kt": units.knots_to_m_s,
}
_PERCENT: Mapping[str, Conversion] = {"%": _as_is, "percent": _as_is}
_DEGREES: Mapping[str, Conversion] = {"°": _as_is, "degrees": _as_is, "degree_(angle)": _as_is}
_DEPTH: Mapping[str, Conversion] = {
    "mm": _as_is,
    "inch": units.inches_to_mm,
    "in": units.inches_to_mm,
    "m": units.metres_to_mm,
}
_IRRADIANCE: Mapping[str, Conversion] = {"W/m²": _as_is, "W_m-2": _as_is, "W m-2": _as_is}
_PRESSURE: Mapping[str, Conversion] = {
    "hPa": _as_is,
    "Pa": units.pascals_to_hpa,
    "inHg": units.inhg_to_hpa,
}

CONVERSIONS: Mapping[str, Mapping[str, Conversion]] = {
    "air_temperature_c": _CELSIUS,
    "relative_humidity_pct": _PERCENT,
    "dew_point_c": _CELSIUS,
    "wind_speed_m_s": _SPEED,
    "wind_gust_m_s": _SPEED,
    "wind_direction_deg": _DEGREES,
    "precipitation_mm": _DEPTH,
    "precipitation_probability_pct": _PERCENT,
    "cloud_cover_pct": _PERCENT,
    "shortwave_w_m2": _IRRADIANCE,
    "pressure_hpa": _PRESSURE,
}
_PREFIXES = ("wmoUnit:", "unit:", "http://codes.wmo.int/common/unit/")


def conversion(column: str, unit: object) -> Conversion | None:
    """Return what turns this unit into the canonical one of the column, or None for an unknown unit."""
    if not isinstance(unit, str):
        return None
    for prefix in _PREFIXES:
        unit = unit.removeprefix(prefix)
    return CONVERSIONS[column].get(unit)
