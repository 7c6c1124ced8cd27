"""The one place where units are converted; SI inside, the reader's or the provider's unit outside."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

Number = TypeVar("Number", float, npt.NDArray[np.float64])

MM_PER_INCH = 25.4
M_PER_FOOT = 0.3048
M_S_PER_MPH = 0.44704
M_S_PER_KNOT = 1852.0 / 3600.0
HPA_PER_INHG = 33.8638866667


def fahrenheit_to_celsius(temperature_f: Number) -> Number:
    """Return degrees Celsius."""
    return (temperature_f - 32.0) / 1.8


def celsius_to_fahrenheit(temperature_c: Number) -> Number:
    """Return degrees Fahrenheit."""
    return temperature_c * 1.8 + 32.0


def degree_days_c_to_f(degree_days_c_d: Number) -> Number:
    """Return degree-days Fahrenheit; a difference, so without the offset of 32."""
    return degree_days_c_d * 1.8


def mph_to_m_s(speed_mph: Number) -> Number:
    """Return metres per second."""
    return speed_mph * M_S_PER_MPH


def m_s_to_mph(speed_m_s: Number) -> Number:
    """Return miles per hour."""
    return speed_m_s / M_S_PER_MPH


def km_h_to_m_s(speed_km_h: Number) -> Number:
    """Return metres per second."""
    return speed_km_h / 3.6


def m_s_to_km_h(speed_m_s: Number) -> Number:
    """Return kilometres per hour."""
    return speed_m_s * 3.6


def knots_to_m_s(speed_kn: Number) -> Number:
    """Return metres per second."""
    return speed_kn * M_S_PER_KNOT


def inches_to_mm(depth_in: Number) -> Number:
    """Return millimetres."""
    return depth_in * MM_PER_INCH


def mm_to_inches(depth_mm: Number) -> Number:
    """Return inches."""
    return depth_mm / MM_PER_INCH


def w_m2_to_mj_m2_h(irradiance_w_m2: Number) -> Number:
    """Return the energy of one hour at this mean irradiance."""
    return irradiance_w_m2 * 0.0036


def pascals_to_hpa(pressure_pa: Number) -> Number:
    """Return hectopascals."""
    return pressure_pa / 100.0


def inhg_to_hpa(pressure_inhg: Number) -> Number:
    """Return hectopascals."""
    return pressure_inhg * HPA_PER_INHG


def feet_to_metres(length_ft: Number) -> Number:
    """Return metres (the international foot, 0.3048 m)."""
    return length_ft * M_PER_FOOT


def metres_to_mm(depth_m: Number) -> Number:
    """Return millimetres."""
    return depth_m * 1000.0
