"""Water vapour in the air: saturation, deficit, dew point, wet bulb."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import FloatArray, floating

# Saturation over water, FAO-56 eq. 11 (kPa, 1, degC).
E0_KPA, A_WATER, B_WATER = 0.6108, 17.27, 237.3
# The same form over ice (Murray 1967); coefficients from memory, checked against psychrolib.
A_ICE, B_ICE = 21.875, 265.5
MOLAR_RATIO = 0.621945  # of water vapour and dry air
NEWTON_STEPS = 3  # from a guess within 4 K; leaves less than 1e-5 K


def saturation_vapour_pressure(air_temperature_c: npt.ArrayLike) -> FloatArray:
    r"""Saturation vapour pressure over liquid water.

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature, any shape; NaN where missing. [degC]

    Returns
    -------
    ndarray
        Same shape. [kPa]

    Notes
    -----
    .. math:: e^\circ(T) = 0.6108 \exp\frac{17.27\,T}{T + 237.3}

    Valid from 0 to 45 degC, within 0.12 % of the ASHRAE formula. Below 0 degC it stays the value over
    supercooled water, as meteorological services report humidity.

    References
    ----------
    Allen, Pereira, Raes, Smith 1998, Crop evapotranspiration, FAO Irrigation and Drainage Paper 56, eq. 11.

    Examples
    --------
    >>> round(float(saturation_vapour_pressure(24.5)), 3)
    3.075
    """
    (temperature,) = floating(air_temperature_c)
    pressure: FloatArray = E0_KPA * np.exp(A_WATER * temperature / (temperature + B_WATER))
    return pressure


def vapour_pressure(air_temperature_c: npt.ArrayLike, relative_humidity_pct: npt.ArrayLike) -> FloatArray:
    """Actual vapour pressure from the humidity of the same moment (FAO-56 eq. 54).

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature; NaN where missing. [degC]
    relative_humidity_pct : array_like
        Relative humidity over water, broadcastable; values outside 0..100 are cut to it. [%]

    Returns
    -------
    ndarray
        Broadcast shape. [kPa]
    """
    temperature, humidity = floating(air_temperature_c, relative_humidity_pct)
    return saturation_vapour_pressure(temperature) * (np.clip(humidity, 0.0, 100.0) / 100.0)


def vapour_pressure_from_extremes(
    air_temperature_min_c: npt.ArrayLike,
    air_temperature_max_c: npt.ArrayLike,
    relative_humidity_min_pct: npt.ArrayLike,
    relative_humidity_max_pct: npt.ArrayLike,
) -> FloatArray:
    """Daily actual vapour pressure from the extremes of temperature and humidity.

    Parameters
    ----------
    air_temperature_min_c, air_temperature_max_c : array_like
        Daily extremes; NaN where missing. [degC]
    relative_humidity_min_pct, relative_humidity_max_pct : array_like
        Daily extremes; the largest humidity belongs to the lowest temperature. [%]

    Returns
    -------
    ndarray
        Broadcast shape. [kPa]

    References
    ----------
    FAO-56 (Allen et al. 1998), eq. 17.
    """
    at_night = vapour_pressure(air_temperature_min_c, relative_humidity_max_pct)
    by_day = vapour_pressure(air_temperature_max_c, relative_humidity_min_pct)
    return (at_night + by_day) / 2.0


def vapour_pressure_deficit(
    air_temperature_c: npt.ArrayLike, relative_humidity_pct: npt.ArrayLike
) -> FloatArray:
    r"""Vapour pressure deficit of one moment.

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature; NaN where missing. [degC]
    relative_humidity_pct : array_like
        Relative humidity over water, broadcastable; values outside 0..100 are cut to it. [%]

    Returns
    -------
    ndarray
        Broadcast shape, never negative. [kPa]

    Notes
    -----
    .. math:: D = e^\circ(T)\,(1 - RH/100)

    References
    ----------
    FAO-56 (Allen et al. 1998), eqs. 11 and 54.

    Examples
    --------
    >>> round(float(vapour_pressure_deficit(30.0, 30.0)), 3)
    2.97
    """
    temperature, humidity = floating(air_temperature_c, relative_humidity_pct)
    return saturation_vapour_pressure(temperature) * (1.0 - np.clip(humidity, 0.0, 100.0) / 100.0)


def dew_point(air_temperature_c: npt.ArrayLike, relative_humidity_pct: npt.ArrayLike) -> FloatArray:
    r"""Dew point over liquid water: the inverse of FAO-56 eq. 11.

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature; NaN where missing. [degC]
    relative_humidity_pct : array_like
        Relative humidity over water, broadcastable; above 100 counts as 100. [%]

    Returns
    -------
    ndarray
        Broadcast shape, never above the air temperature; NaN at a humidity of 0 or less, where
        there is no dew point. [degC]

    Notes
    -----
    .. math:: T_d = \frac{237.3\,g}{17.27 - g},\quad
              g = \ln\frac{RH}{100} + \frac{17.27\,T}{T + 237.3}

    Valid from 0 to 45 degC. Below 0 degC this is the dew point over water, not the (higher) frost point.

    References
    ----------
    FAO-56 (Allen et al. 1998), eqs. 11 and 14.

    Examples
    --------
    >>> round(float(dew_point(30.0, 30.0)), 3)
    10.538
    """
    temperature, humidity = floating(air_temperature_c, relative_humidity_pct)
    share = np.minimum(humidity, 100.0) / 100.0
    log_share = np.log(np.where(share > 0.0, share, np.nan))
    exponent = log_share + A_WATER * temperature / (temperature + B_WATER)
    point: FloatArray = B_WATER * exponent / (A_WATER - exponent)
    return np.minimum(point, temperature)


def relative_humidity(air_temperature_c: npt.ArrayLike, dew_point_c: npt.ArrayLike) -> FloatArray:
    """Relative humidity over water from temperature and dew point.

    Parameters
    ----------
    air_temperature_c, dew_point_c : array_like
        Broadcastable; NaN where missing. [degC]

    Returns
    -------
    ndarray
        Broadcast shape, at most 100: a dew point that rounding put above the air temperature
        means saturated air. [%]

    Notes
    -----
    Valid from 0 to 45 degC; below 0 degC it takes a dew point over water, not a frost point.

    References
    ----------
    FAO-56 (Allen et al. 1998), eqs. 11, 14 and 10.
    """
    temperature, dew = floating(air_temperature_c, dew_point_c)
    share = saturation_vapour_pressure(dew) / saturation_vapour_pressure(temperature)
    return np.minimum(100.0 * share, 100.0)


def standard_pressure(elevation_m: npt.ArrayLike) -> FloatArray:
    r"""Air pressure of the standard atmosphere at a height above the sea.

    Parameters
    ----------
    elevation_m : array_like
        Height of the ground, any shape, about -430..6000. [m]

    Returns
    -------
    ndarray
        Same shape. [hPa]

    Notes
    -----
    .. math:: P = 1013 \left(\frac{293 - 0.0065 z}{293}\right)^{5.26}

    References
    ----------
    FAO-56 (Allen et al. 1998), eq. 7.

    Examples
    --------
    >>> round(float(standard_pressure(1800.0)), 1)
    817.6
    """
    (elevation,) = floating(elevation_m)
    pressure: FloatArray = 1013.0 * ((293.0 - 0.0065 * elevation) / 293.0) ** 5.26
    return pressure


def wet_bulb(
    air_temperature_c: npt.ArrayLike, relative_humidity_pct: npt.ArrayLike, pressure_hpa: npt.ArrayLike
) -> FloatArray:
    r"""Thermodynamic wet-bulb temperature, by a fixed number of Newton steps.

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature; NaN where missing. [degC]
    relative_humidity_pct : array_like
        Relative humidity, broadcastable; values outside 0..100 are cut to it. [%]
    pressure_hpa : array_like
        Air pressure at the place itself (not reduced to the sea), broadcastable. [hPa]

    Returns
    -------
    ndarray
        Broadcast shape, never above the air temperature. [degC]

    Notes
    -----
    Solves the energy balance of adiabatic saturation for :math:`T_w`:

    .. math:: (L - c\,T_w)\,W_s(T_w) - 1.006\,(T - T_w) = W\,(L + 1.86\,T - 4.186\,T_w)

    with :math:`L = 2501` and :math:`c = 2.326` over water, and :math:`L = 2830`, :math:`c = 0.24` and
    2.1 for 4.186 over ice; :math:`W = 0.621945\,e/(P - e)`. A bulb that would stay at or above 0 degC
    when wet is taken as wet, any other as covered with ice. Air below 0 degC has its humidity read
    over ice, as ASHRAE tables do; reading it over water on a wet bulb changes the depression by less
    than 0.03 K. Valid from -10 to 45 degC and 5 to 100 %. A real ventilated psychrometer (coefficient
    0.000662 per K) reads up to 0.2 K higher in hot dry air.

    References
    ----------
    ASHRAE Handbook of Fundamentals 2017, chapter 1, eqs. 33 and 35 (as coded in psychrolib 2.5).
    Murray 1967, J. Appl. Meteorol. 6:203-204 (saturation over ice, coefficients from memory).

    Examples
    --------
    >>> round(float(wet_bulb(30.0, 30.0, 1013.25)), 1)
    18.0
    """
    temperature, humidity, pressure = floating(air_temperature_c, relative_humidity_pct, pressure_hpa)
    pressure_kpa = pressure / 10.0
    saturation = saturation_vapour_pressure(temperature)
    frosty = temperature < 0.0
    if frosty.any():
        over_ice = E0_KPA * np.exp(A_ICE * temperature / (temperature + B_ICE))
        saturation = np.where(frosty, over_ice, saturation)
    vapour = saturation * (np.clip(humidity, 0.0, 100.0) / 100.0)
    ratio = MOLAR_RATIO * vapour / (pressure_kpa - vapour)
    at_zero = MOLAR_RATIO * E0_KPA / (pressure_kpa - E0_KPA)
    icy = 2501.0 * at_zero - 1.006 * temperature > ratio * (2501.0 + 1.86 * temperature)
    bulb = _saturate(temperature, ratio, pressure_kpa, (A_WATER, B_WATER, 2501.0, 2.326, 4.186))
    if icy.any():
        frozen = _saturate(temperature, ratio, pressure_kpa, (A_ICE, B_ICE, 2830.0, 0.24, 2.1))
        bulb = np.where(icy, frozen, bulb)
    return np.minimum(bulb, temperature)


def _saturate(
    temperature: FloatArray,
    ratio: FloatArray,
    pressure_kpa: FloatArray,
    surface: tuple[float, float, float, float, float],
) -> FloatArray:
    """Newton's method on the energy balance over one kind of surface."""
    a, b, latent, latent_slope, heat = surface
    fixed = 1.006 * temperature + ratio * (latent + 1.86 * temperature)
    slope_fixed = 1.006 + heat * ratio
    # Fitted here to saturated air from -15 to 45 degC and 600 to 1050 hPa, within 4 K.
    bulb: FloatArray = (
        -93.74 + 25.17 * np.log(np.maximum(fixed + 34.65, 2.0)) + 0.1355 * (pressure_kpa - 101.325)
    )
    for _ in range(NEWTON_STEPS):
        nearness = bulb + b
        saturation = E0_KPA * np.exp(a * bulb / nearness)
        room = pressure_kpa - saturation
        saturated = MOLAR_RATIO * saturation / room
        rise = saturated * pressure_kpa / room * (a * b) / (nearness * nearness)
        heat_left = latent - latent_slope * bulb
        balance = heat_left * saturated + slope_fixed * bulb - fixed
        bulb = bulb - balance / (heat_left * rise - latent_slope * saturated + slope_fixed)
    return bulb


def wet_bulb_depression(
    air_temperature_c: npt.ArrayLike, relative_humidity_pct: npt.ArrayLike, pressure_hpa: npt.ArrayLike
) -> FloatArray:
    """Wet-bulb depression: air temperature less wet-bulb temperature.

    Parameters
    ----------
    air_temperature_c, relative_humidity_pct, pressure_hpa : array_like
        As for `wet_bulb`. [degC], [%], [hPa]

    Returns
    -------
    ndarray
        Broadcast shape, never negative. [K]

    Notes
    -----
    Valid from -10 to 45 degC and 5 to 100 %, as `wet_bulb`.

    References
    ----------
    As for `wet_bulb`.

    Examples
    --------
    >>> round(float(wet_bulb_depression(30.0, 30.0, 850.0)), 1)
    12.7
    """
    temperature, humidity, pressure = floating(air_temperature_c, relative_humidity_pct, pressure_hpa)
    return temperature - wet_bulb(temperature, humidity, pressure)
