"""How strongly the lowest air resists mixing: Turner's classes from wind, cloud and sun."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import BoolArray, FloatArray, floating

# Lower bounds of the wind classes 0-1, 2-3, 4-5, 6, 7, 8-9, 10, 11, 12+ knots, printed in whole tenths
# of m/s; half a tenth lower here, so that a wind is read to the nearest tenth.
WIND_BOUNDS_M_S = (0.75, 1.85, 2.85, 3.35, 3.85, 4.85, 5.45, 5.95)
# Rows: wind classes; columns: net radiation index 4, 3, 2, 1, 0, -1, -2.
CLASSES = np.array([
    [1, 1, 2, 3, 4, 6, 7],
    [1, 2, 2, 3, 4, 6, 7],
    [1, 2, 3, 4, 4, 5, 6],
    [2, 2, 3, 4, 4, 5, 6],
    [2, 2, 3, 4, 4, 4, 5],
    [2, 3, 3, 4, 4, 4, 5],
    [3, 3, 4, 4, 4, 4, 5],
    [3, 3, 4, 4, 4, 4, 4],
    [3, 4, 4, 4, 4, 4, 4],
])  # fmt: skip
LOW_CEILING_M = 7000 * 0.3048
HIGH_CEILING_M = 16000 * 0.3048


def turner_class(
    wind_speed_m_s: npt.ArrayLike,
    cloud_tenths: npt.ArrayLike,
    ceiling_m: npt.ArrayLike,
    sun_altitude_deg: npt.ArrayLike,
    night: npt.ArrayLike,
) -> FloatArray:
    """Stability class of each hour by Turner's method.

    Parameters
    ----------
    wind_speed_m_s : array_like
        Wind at 10 m; NaN where missing. [m s-1]
    cloud_tenths : array_like
        Total cloud cover, 0..10, read to the nearest tenth; NaN where missing. [tenths]
    ceiling_m : array_like
        Height of the cloud base that covers more than half the sky above ground; infinite where
        there is none, NaN where it is not known. [m]
    sun_altitude_deg : array_like
        Altitude of the sun. [degrees]
    night : array_like of bool
        From 1 h before sunset to 1 h after sunrise.

    Returns
    -------
    ndarray
        Broadcast shape: 1 very unstable .. 4 neutral .. 6 stable, 7 very stable; NaN where a value
        that decides is missing. A ceiling decides only under more than 5/10 cloud by day or 10/10 by
        night, the sun only by day. 5 and more: an inversion is likely.

    Notes
    -----
    The net radiation index is -2 at night up to 4/10 cloud and -1 above; by day the class of the sun's
    altitude (4 above 60 degrees, 3 above 35, 2 above 15, else 1), less 2 under more than 5/10 cloud with
    a ceiling below 7,000 ft, less 1 below 16,000 ft or at 10/10, but at least 1; and 0 at any hour at
    10/10 with a ceiling below 7,000 ft. The reductions by day are partly from memory.

    Turner's night begins 1 h before sunset, inversions in the field 2 to 3 h before: near sunset never
    rely on this class alone.

    References
    ----------
    Turner 1964, J. Appl. Meteor. 3:83-91.

    Examples
    --------
    >>> turner_class(1.0, [0, 0], float("inf"), [65.0, -10.0], [False, True]).tolist()
    [1.0, 7.0]
    """
    wind, cloud, ceiling, sun = floating(wind_speed_m_s, cloud_tenths, ceiling_m, sun_altitude_deg)
    dark: BoolArray = np.asarray(night, dtype=np.bool_)
    # Cloud is read to the nearest tenth: 4/10 ends at 4.5, 5/10 at 5.5, 10/10 begins at 9.5.
    low, overcast = ceiling < LOW_CEILING_M, cloud >= 9.5
    by_day = _day_index(cloud, ceiling, sun)
    by_night = np.where(cloud < 4.5, np.int8(-2), np.int8(-1))
    index = np.where(overcast & low, np.int8(0), np.where(dark, by_night, by_day))
    ceiling_decides = np.where(dark, overcast, cloud >= 5.5)
    # Under a low overcast the sun no longer decides.
    sun_decides = ~dark & ~(overcast & low)
    unknown = (
        np.isnan(wind)
        | np.isnan(cloud)
        | (np.isnan(ceiling) & ceiling_decides)
        | (np.isnan(sun) & sun_decides)
    )
    # Eight comparisons are several times faster than a search.
    row = np.zeros(wind.shape, dtype=np.int8)
    for bound in WIND_BOUNDS_M_S:
        row += wind >= bound
    cell = np.asarray(row * np.int8(CLASSES.shape[1]) + (np.int8(4) - index), dtype=np.int8)
    classes = CLASSES.astype(wind.dtype).take(cell)
    return np.where(unknown, np.asarray(np.nan, dtype=wind.dtype), classes)


def _day_index(cloud: FloatArray, ceiling: FloatArray, sun: FloatArray) -> npt.NDArray[np.int8]:
    one = np.int8(1)
    insolation = one + (sun > 15.0) + (sun > 35.0) + (sun > 60.0)
    less = (ceiling < LOW_CEILING_M) + ((ceiling < HIGH_CEILING_M) | (cloud >= 9.5)).astype(np.int8)
    return np.where(cloud >= 5.5, np.maximum(insolation - less, one), insolation)
