"""Solar radiation: above the air, under a clear sky, and estimates where nothing was measured."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import FloatArray, floating

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820


def _orbit(day_of_year: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Inverse relative distance (FAO-56 eq. 23) and declination (eq. 24) [rad]."""
    angle = 2.0 * np.pi / 365.0 * day_of_year
    distance: FloatArray = 1.0 + 0.033 * np.cos(angle)
    declination: FloatArray = 0.409 * np.sin(angle - 1.39)
    return distance, declination


def _sunset_angle(latitude: FloatArray, declination: FloatArray) -> FloatArray:
    """Sunset hour angle (FAO-56 eq. 25) [rad]; 0 in the polar night, pi on the polar day."""
    angle: FloatArray = np.arccos(np.clip(-np.tan(latitude) * np.tan(declination), -1.0, 1.0))
    return angle


def extraterrestrial_radiation(latitude_deg: npt.ArrayLike, day_of_year: npt.ArrayLike) -> FloatArray:
    r"""Daily solar radiation on a level surface above the air.

    Parameters
    ----------
    latitude_deg : array_like
        North positive, -90..90. [degrees]
    day_of_year : array_like
        1 for 1 January; broadcastable. [day]

    Returns
    -------
    ndarray
        Broadcast shape; 0 in the polar night. [MJ m-2 d-1]

    Notes
    -----
    .. math:: R_a = \frac{24 \cdot 60}{\pi} G_{sc} d_r
              (\omega_s \sin\varphi \sin\delta + \cos\varphi \cos\delta \sin\omega_s)

    References
    ----------
    FAO-56 (Allen et al. 1998), eq. 21.

    Examples
    --------
    >>> round(float(extraterrestrial_radiation(-20.0, 246)), 1)
    32.2
    """
    latitude, day = floating(latitude_deg, day_of_year)
    latitude = latitude * (np.pi / 180.0)
    distance, declination = _orbit(day)
    sunset = _sunset_angle(latitude, declination)
    radiation: FloatArray = (24.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * distance) * (
        sunset * np.sin(latitude) * np.sin(declination)
        + np.cos(latitude) * np.cos(declination) * np.sin(sunset)
    )
    return np.maximum(radiation, 0.0)


def extraterrestrial_radiation_hourly(
    latitude_deg: npt.ArrayLike,
    longitude_deg: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
    hour_utc: npt.ArrayLike,
) -> FloatArray:
    """Solar radiation of one hour on a level surface above the air.

    Parameters
    ----------
    latitude_deg, longitude_deg : array_like
        North and east positive. [degrees]
    day_of_year : array_like
        1 for 1 January. [day]
    hour_utc : array_like
        Middle of the hour in UTC: 14.5 stands for 14 to 15 h. [h]

    Returns
    -------
    ndarray
        Broadcast shape; 0 at night. [MJ m-2 h-1]

    References
    ----------
    FAO-56 (Allen et al. 1998), eqs. 28-33; longitudes east of Greenwich are positive here.
    """
    latitude, longitude, day, hour = floating(latitude_deg, longitude_deg, day_of_year, hour_utc)
    latitude = latitude * (np.pi / 180.0)
    distance, declination = _orbit(day)
    sunset = _sunset_angle(latitude, declination)
    middle = _solar_angle(longitude, day, hour)
    begin = np.clip(middle - np.pi / 24.0, -sunset, sunset)
    end = np.clip(middle + np.pi / 24.0, -sunset, sunset)
    radiation: FloatArray = (12.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * distance) * (
        (end - begin) * np.sin(latitude) * np.sin(declination)
        + np.cos(latitude) * np.cos(declination) * (np.sin(end) - np.sin(begin))
    )
    return np.maximum(radiation, 0.0)


def solar_altitude_sine(
    latitude_deg: npt.ArrayLike,
    longitude_deg: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
    hour_utc: npt.ArrayLike,
) -> FloatArray:
    """Sine of the sun's altitude with the coarse orbit of FAO-56 (for the radiation formulas only).

    Parameters
    ----------
    latitude_deg, longitude_deg, day_of_year, hour_utc
        As for `extraterrestrial_radiation_hourly`.

    Returns
    -------
    ndarray
        Broadcast shape. [1]

    References
    ----------
    FAO-56 (Allen et al. 1998), eqs. 24, 31-33.
    """
    latitude, longitude, day, hour = floating(latitude_deg, longitude_deg, day_of_year, hour_utc)
    latitude = latitude * (np.pi / 180.0)
    _, declination = _orbit(day)
    sine: FloatArray = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(
        declination
    ) * np.cos(_solar_angle(longitude, day, hour))
    return sine


def _solar_angle(longitude_deg: FloatArray, day_of_year: FloatArray, hour_utc: FloatArray) -> FloatArray:
    """Solar time angle at the middle of the hour (FAO-56 eqs. 31-33), -pi..pi [rad]."""
    season = 2.0 * np.pi / 364.0 * (day_of_year - 81.0)
    correction_h = 0.1645 * np.sin(2.0 * season) - 0.1255 * np.cos(season) - 0.025 * np.sin(season)
    solar_h = hour_utc + longitude_deg / 15.0 + correction_h
    angle: FloatArray = np.pi / 12.0 * (solar_h % 24.0 - 12.0)
    return angle


def daylight_hours(latitude_deg: npt.ArrayLike, day_of_year: npt.ArrayLike) -> FloatArray:
    """Geometric length of the day: centre of the sun above the horizon, no refraction.

    Parameters
    ----------
    latitude_deg, day_of_year
        As for `extraterrestrial_radiation`.

    Returns
    -------
    ndarray
        Broadcast shape, 0..24. [h]

    References
    ----------
    FAO-56 (Allen et al. 1998), eq. 34.

    Examples
    --------
    >>> round(float(daylight_hours(-20.0, 246)), 1)
    11.7
    """
    latitude, day = floating(latitude_deg, day_of_year)
    _, declination = _orbit(day)
    return _sunset_angle(latitude * (np.pi / 180.0), declination) * (24.0 / np.pi)


def clear_sky_radiation(extraterrestrial_mj_m2: npt.ArrayLike, elevation_m: npt.ArrayLike) -> FloatArray:
    """Radiation at the ground under a clear sky.

    Parameters
    ----------
    extraterrestrial_mj_m2 : array_like
        Radiation above the air, of a day or an hour. [MJ m-2]
    elevation_m : array_like
        Height above the sea, broadcastable. [m]

    Returns
    -------
    ndarray
        Broadcast shape, of the same period. [MJ m-2]

    References
    ----------
    FAO-56 (Allen et al. 1998), eq. 37.
    """
    above, elevation = floating(extraterrestrial_mj_m2, elevation_m)
    return (0.75 + 2e-5 * elevation) * above


def shortwave_from_sunshine(
    sunshine_h: npt.ArrayLike, daylight_h: npt.ArrayLike, extraterrestrial_mj_m2: npt.ArrayLike
) -> FloatArray:
    """Daily solar radiation from hours of bright sunshine (Angstrom formula, 0.25 and 0.50).

    Parameters
    ----------
    sunshine_h, daylight_h : array_like
        Hours of bright sunshine and hours possible. [h]
    extraterrestrial_mj_m2 : array_like
        Daily radiation above the air. [MJ m-2 d-1]

    Returns
    -------
    ndarray
        Broadcast shape. [MJ m-2 d-1]

    References
    ----------
    FAO-56 (Allen et al. 1998), eq. 35.
    """
    sunshine, daylight, above = floating(sunshine_h, daylight_h, extraterrestrial_mj_m2)
    return (0.25 + 0.50 * sunshine / daylight) * above


def shortwave_from_temperature_range(
    air_temperature_min_c: npt.ArrayLike,
    air_temperature_max_c: npt.ArrayLike,
    extraterrestrial_mj_m2: npt.ArrayLike,
    elevation_m: npt.ArrayLike,
    coefficient: npt.ArrayLike,
) -> FloatArray:
    """Daily solar radiation from the daily range of temperature (Hargreaves' radiation formula).

    Parameters
    ----------
    air_temperature_min_c, air_temperature_max_c : array_like
        Daily extremes; NaN where missing. [degC]
    extraterrestrial_mj_m2 : array_like
        Daily radiation above the air. [MJ m-2 d-1]
    elevation_m : array_like
        Height above the sea, for the clear-sky limit. [m]
    coefficient : array_like
        About 0.16 inland and 0.19 near a coast. [K-0.5]

    Returns
    -------
    ndarray
        Broadcast shape, at most the clear-sky radiation; NaN where a minimum lies above its
        maximum. [MJ m-2 d-1]

    References
    ----------
    FAO-56 (Allen et al. 1998), eq. 50.
    """
    low, high, above, factor = floating(
        air_temperature_min_c, air_temperature_max_c, extraterrestrial_mj_m2, coefficient
    )
    spread = high - low
    estimate = factor * np.sqrt(np.where(spread >= 0.0, spread, np.nan)) * above
    return np.minimum(estimate, clear_sky_radiation(above, elevation_m)).astype(estimate.dtype)


def shortwave(sun_altitude_deg: npt.ArrayLike, cloud_cover_pct: npt.ArrayLike) -> FloatArray:
    r"""Solar radiation at the ground from the sun's altitude and total cloud cover.

    Parameters
    ----------
    sun_altitude_deg : array_like
        Altitude of the sun. [degrees]
    cloud_cover_pct : array_like
        Total cloud cover, broadcastable; cut to 0..100; NaN where missing. [%]

    Returns
    -------
    ndarray
        Broadcast shape, never negative; 0 while the sun is low or down; NaN where missing. [W m-2]

    Notes
    -----
    .. math:: G_0 = 910 \sin h - 30, \qquad G = G_0\,(1 - 0.75\,n^{3.4})

    with n the share of the sky that is clouded. A climatic mean of one place (Hamburg); single hours
    may be wrong by half. An estimate for want of anything better: prefer a provider's radiation.

    References
    ----------
    Kasten and Czeplak 1980, Solar Energy 24:177-189 (formula, coefficients and citation from memory).

    Examples
    --------
    >>> shortwave(90.0, [0.0, 100.0]).tolist()
    [880.0, 220.0]
    """
    altitude, cloud = floating(sun_altitude_deg, cloud_cover_pct)
    clear = np.maximum(910.0 * np.sin(altitude * (np.pi / 180.0)) - 30.0, 0.0)
    share = np.clip(cloud, 0.0, 100.0) / 100.0
    estimate: FloatArray = clear * (1.0 - 0.75 * share**3.4)
    return estimate
