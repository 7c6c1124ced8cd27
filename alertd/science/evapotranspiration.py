"""What the air asks for: reference evapotranspiration after FAO-56, by day, by hour, from little."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import FloatArray, floating
from alertd.science.humidity import saturation_vapour_pressure, standard_pressure
from alertd.science.radiation import (
    clear_sky_radiation,
    extraterrestrial_radiation,
    extraterrestrial_radiation_hourly,
    solar_altitude_sine,
)

STEFAN_BOLTZMANN_DAY = 4.903e-9  # MJ K-4 m-2 d-1
STEFAN_BOLTZMANN_HOUR = 2.043e-10  # MJ K-4 m-2 h-1
ALBEDO = 0.23
KELVIN = 273.16  # as FAO-56 prints it
# Below this sine (0.3 rad) the ratio to the clear sky is too shaky to use (from memory, ASCE-EWRI 2005).
LOW_SUN_SINE = float(np.sin(0.3))
# Where the sun stays down all day: the middle of FAO-56's 0.4-0.6 (humid) and 0.7-0.8 (dry) for nights.
POLAR_NIGHT_RATIO = 0.6


def slope_of_saturation(air_temperature_c: npt.ArrayLike) -> FloatArray:
    """Slope of the saturation vapour pressure curve (FAO-56 eq. 13).

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature; NaN where missing. [degC]

    Returns
    -------
    ndarray
        Same shape. [kPa K-1]
    """
    (temperature,) = floating(air_temperature_c)
    slope: FloatArray = 4098.0 * saturation_vapour_pressure(temperature) / (temperature + 237.3) ** 2
    return slope


def psychrometric_constant(elevation_m: npt.ArrayLike) -> FloatArray:
    """Psychrometric constant at the standard pressure of a height (FAO-56 eqs. 7 and 8).

    Parameters
    ----------
    elevation_m : array_like
        Height above the sea. [m]

    Returns
    -------
    ndarray
        Same shape. [kPa K-1]
    """
    return 0.665e-3 * standard_pressure(elevation_m) / 10.0


def wind_at_2m(wind_speed_m_s: npt.ArrayLike, height_m: npt.ArrayLike) -> FloatArray:
    r"""Wind at 2 m above short grass from the wind at another height.

    Parameters
    ----------
    wind_speed_m_s : array_like
        Wind at `height_m`; NaN where missing. [m s-1]
    height_m : array_like
        Height of that wind above the ground, at least 0.5. [m]

    Returns
    -------
    ndarray
        Broadcast shape. [m s-1]

    Raises
    ------
    ValueError
        If a height is below 0.5 m, where the logarithmic profile has no meaning.

    Notes
    -----
    .. math:: u_2 = u_z \frac{4.87}{\ln(67.8 z - 5.42)}

    References
    ----------
    FAO-56 (Allen et al. 1998), eq. 47.

    Examples
    --------
    >>> round(float(wind_at_2m(3.2, 10.0)), 1)
    2.4
    """
    wind, height = floating(wind_speed_m_s, height_m)
    if np.any(height < 0.5):
        raise ValueError(f"height_m: {height_m!r} is below 0.5 m")
    speed: FloatArray = wind * (4.87 / np.log(67.8 * height - 5.42))
    return speed


def net_radiation(
    air_temperature_min_c: npt.ArrayLike,
    air_temperature_max_c: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    shortwave_mj_m2: npt.ArrayLike,
    clear_sky_mj_m2: npt.ArrayLike,
) -> FloatArray:
    """Daily net radiation of the reference grass.

    Parameters
    ----------
    air_temperature_min_c, air_temperature_max_c : array_like
        Daily extremes; NaN where missing. [degC]
    vapour_pressure_kpa : array_like
        Actual vapour pressure, mean of the day. [kPa]
    shortwave_mj_m2, clear_sky_mj_m2 : array_like
        Solar radiation, as it was and under a clear sky. [MJ m-2 d-1]

    Returns
    -------
    ndarray
        Broadcast shape. [MJ m-2 d-1]

    Notes
    -----
    The ratio to the clear sky is cut at 1; where the clear sky gives nothing (polar night) it is
    taken as 0.6.

    References
    ----------
    FAO-56 (Allen et al. 1998), eqs. 38-40.
    """
    low, high, vapour, shortwave, clear = floating(
        air_temperature_min_c, air_temperature_max_c, vapour_pressure_kpa, shortwave_mj_m2, clear_sky_mj_m2
    )
    emitted = STEFAN_BOLTZMANN_DAY * ((low + KELVIN) ** 4 + (high + KELVIN) ** 4) / 2.0
    ratio = _clear_ratio(shortwave, clear)
    longwave = emitted * (0.34 - 0.14 * np.sqrt(vapour)) * (1.35 * ratio - 0.35)
    net: FloatArray = (1.0 - ALBEDO) * shortwave - longwave
    return net


def _clear_ratio(shortwave: FloatArray, clear: FloatArray) -> FloatArray:
    lit = clear > 0.0
    ratio = np.minimum(shortwave / np.where(lit, clear, 1.0), 1.0)
    return np.where(lit | np.isnan(clear + shortwave), ratio + 0.0 * clear, POLAR_NIGHT_RATIO)


def reference_evapotranspiration(
    air_temperature_min_c: npt.ArrayLike,
    air_temperature_max_c: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    shortwave_mj_m2: npt.ArrayLike,
    wind_speed_2m_m_s: npt.ArrayLike,
    elevation_m: npt.ArrayLike,
    latitude_deg: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
    soil_heat_mj_m2: npt.ArrayLike = 0.0,
) -> FloatArray:
    r"""Daily reference evapotranspiration by the FAO Penman-Monteith equation.

    Parameters
    ----------
    air_temperature_min_c, air_temperature_max_c : array_like
        Daily extremes at 2 m; NaN where missing. [degC]
    vapour_pressure_kpa : array_like
        Actual vapour pressure, mean of the day. [kPa]
    shortwave_mj_m2 : array_like
        Solar radiation of the day. [MJ m-2 d-1]
    wind_speed_2m_m_s : array_like
        Mean wind at 2 m (see `wind_at_2m`); FAO-56 p. 63 advises no less than 0.5, which is left to
        the caller. [m s-1]
    elevation_m, latitude_deg : array_like
        Height above the sea, latitude (north positive). [m], [degrees]
    day_of_year : array_like
        1 for 1 January. [day]
    soil_heat_mj_m2 : array_like, optional
        Soil heat flux; 0 for single days (eq. 42), not for months. [MJ m-2 d-1]

    Returns
    -------
    ndarray
        Broadcast shape, slightly negative on days of net condensation. [mm d-1]

    Notes
    -----
    .. math:: ET_0 = \frac{0.408\,\Delta (R_n - G) + \gamma \frac{900}{T + 273} u_2 (e_s - e_a)}
                          {\Delta + \gamma (1 + 0.34 u_2)}

    Valid for means of a day over short watered grass, at every latitude and in every season.

    References
    ----------
    FAO-56 (Allen et al. 1998), eq. 6.

    Examples
    --------
    >>> float(reference_evapotranspiration(12.3, 21.5, 1.409, 22.07, 2.078, 100.0, 50.8, 187).round(2))
    3.88
    """
    low, high, vapour, shortwave, wind, elevation, latitude, day, soil = floating(
        air_temperature_min_c,
        air_temperature_max_c,
        vapour_pressure_kpa,
        shortwave_mj_m2,
        wind_speed_2m_m_s,
        elevation_m,
        latitude_deg,
        day_of_year,
        soil_heat_mj_m2,
    )
    clear = clear_sky_radiation(extraterrestrial_radiation(latitude, day), elevation)
    net = net_radiation(low, high, vapour, shortwave, clear)
    saturation = (saturation_vapour_pressure(low) + saturation_vapour_pressure(high)) / 2.0
    return _penman_monteith(
        (low + high) / 2.0, net - soil, saturation - vapour, wind, psychrometric_constant(elevation), 900.0
    )


def reference_evapotranspiration_hourly(
    air_temperature_c: npt.ArrayLike,
    vapour_pressure_kpa: npt.ArrayLike,
    shortwave_mj_m2: npt.ArrayLike,
    wind_speed_2m_m_s: npt.ArrayLike,
    elevation_m: npt.ArrayLike,
    latitude_deg: npt.ArrayLike,
    longitude_deg: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
    hour_utc: npt.ArrayLike,
    night_clear_ratio: npt.ArrayLike,
) -> FloatArray:
    r"""Hourly reference evapotranspiration by the FAO Penman-Monteith equation.

    Parameters
    ----------
    air_temperature_c, vapour_pressure_kpa : array_like
        Means of the hour; NaN where missing. [degC], [kPa]
    shortwave_mj_m2 : array_like
        Solar radiation of the hour. [MJ m-2 h-1]
    wind_speed_2m_m_s : array_like
        Mean wind at 2 m. [m s-1]
    elevation_m, latitude_deg, longitude_deg : array_like
        Height above the sea; north and east positive. [m], [degrees]
    day_of_year, hour_utc : array_like
        Day (1 for 1 January) and middle of the hour in UTC. [day], [h]
    night_clear_ratio : array_like
        Ratio of solar to clear-sky radiation 2 to 3 h before sunset, used at night and while the sun
        is lower than 0.3 rad; FAO-56 gives 0.4-0.6 for humid and 0.7-0.8 for dry places. [1]

    Returns
    -------
    ndarray
        Broadcast shape, slightly negative in hours of net condensation. [mm h-1]

    Notes
    -----
    .. math:: ET_0 = \frac{0.408\,\Delta (R_n - G) + \gamma \frac{37}{T + 273} u_2 (e^\circ - e_a)}
                          {\Delta + \gamma (1 + 0.34 u_2)}

    with G a tenth of the net radiation while that is positive (day) and half of it else (night). This is
    FAO-56, not the ASCE 2005 standard, whose hourly 0.24 and 0.96 in the place of 0.34 give other numbers.
    Valid for means of an hour over short watered grass.

    References
    ----------
    FAO-56 (Allen et al. 1998), eqs. 53, 28, 37-39 (hourly), 45, 46.
    """
    air, vapour, shortwave, wind, elevation, latitude, longitude, day, hour, night = floating(
        air_temperature_c,
        vapour_pressure_kpa,
        shortwave_mj_m2,
        wind_speed_2m_m_s,
        elevation_m,
        latitude_deg,
        longitude_deg,
        day_of_year,
        hour_utc,
        night_clear_ratio,
    )
    above = extraterrestrial_radiation_hourly(latitude, longitude, day, hour)
    clear = clear_sky_radiation(above, elevation)
    low_sun = solar_altitude_sine(latitude, longitude, day, hour) < LOW_SUN_SINE
    ratio = np.where(low_sun, night, _clear_ratio(shortwave, clear))
    longwave = STEFAN_BOLTZMANN_HOUR * (air + KELVIN) ** 4 * (0.34 - 0.14 * np.sqrt(vapour))
    net = (1.0 - ALBEDO) * shortwave - longwave * (1.35 * ratio - 0.35)
    soil = np.where(net > 0.0, 0.1, 0.5).astype(net.dtype) * net
    deficit = saturation_vapour_pressure(air) - vapour
    return _penman_monteith(air, net - soil, deficit, wind, psychrometric_constant(elevation), 37.0)


def _penman_monteith(
    air: FloatArray, energy: FloatArray, deficit: FloatArray, wind: FloatArray, gamma: FloatArray, per: float
) -> FloatArray:
    slope = slope_of_saturation(air)
    drying = gamma * (per / (air + 273.0)) * wind * deficit
    demand: FloatArray = (0.408 * slope * energy + drying) / (slope + gamma * (1.0 + 0.34 * wind))
    return demand


def hargreaves(
    air_temperature_min_c: npt.ArrayLike,
    air_temperature_max_c: npt.ArrayLike,
    latitude_deg: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
) -> FloatArray:
    r"""Daily reference evapotranspiration from temperature alone, where nothing better is known.

    Parameters
    ----------
    air_temperature_min_c, air_temperature_max_c : array_like
        Daily extremes; NaN where missing. [degC]
    latitude_deg, day_of_year : array_like
        North positive; 1 for 1 January. [degrees], [day]

    Returns
    -------
    ndarray
        Broadcast shape, never negative; NaN where missing or a minimum lies above its maximum.
        [mm d-1]

    Notes
    -----
    .. math:: ET_0 = 0.0023\,(T_{mean} + 17.8)\,\sqrt{T_x - T_n}\;0.408\,R_a

    Valid for light to moderate wind and air that is not humid: too low above 3 m/s, too high in humid air.

    References
    ----------
    FAO-56 (Allen et al. 1998), eq. 52.

    Examples
    --------
    >>> round(float(hargreaves(14.8, 26.6, 45.72, 196)), 1)
    5.0
    """
    low, high, latitude, day = floating(
        air_temperature_min_c, air_temperature_max_c, latitude_deg, day_of_year
    )
    spread = high - low
    root = np.sqrt(np.where(spread >= 0.0, spread, np.nan)).astype(spread.dtype)
    above_mm = 0.408 * extraterrestrial_radiation(latitude, day)
    return np.maximum(0.0023 * ((low + high) / 2.0 + 17.8) * root * above_mm, 0.0)
