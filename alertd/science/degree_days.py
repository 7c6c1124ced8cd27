"""Degree-days by five daily methods and from hourly temperatures, with three upper cutoffs.

Every method answers the same question, how much a day adds above a lower threshold, and differs only
in the curve it draws through the extremes. What happens above the upper threshold is the cutoff:

- ``horizontal``: warmer than the upper threshold adds as much as the upper threshold itself;
- ``intermediate``: each degree above it takes one degree back, down to nothing;
- ``vertical``: nothing is added while it is warmer than the upper threshold.

Intermediate is floored at every instant: development stands still at ``2 upper - lower`` and above, it
never runs backwards. Textbook forms without that floor differ only on days warmer than that.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import FloatArray, floating

Cutoff: TypeAlias = Literal["horizontal", "intermediate", "vertical"]
CUTOFFS: tuple[str, ...] = ("horizontal", "intermediate", "vertical")

# A curve gives, for the extremes of a day and a threshold, the degree-days above the threshold and
# the share of the day spent above it.
_Curve: TypeAlias = Callable[[FloatArray, FloatArray, FloatArray], tuple[FloatArray, FloatArray]]


def simple_average(
    air_temperature_min_c: npt.ArrayLike,
    air_temperature_max_c: npt.ArrayLike,
    lower_c: npt.ArrayLike,
    upper_c: npt.ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> FloatArray:
    r"""Degree-days of each day as if it were at the mean of its extremes throughout.

    Parameters
    ----------
    air_temperature_min_c, air_temperature_max_c : array_like
        Daily extremes, broadcastable; NaN marks a missing day. [degC]
    lower_c : array_like
        Lower threshold of development, broadcastable. [degC]
    upper_c : array_like, optional
        Upper threshold; None for none. [degC]
    cutoff : {"horizontal", "intermediate", "vertical"}
        What the part above the upper threshold adds; see the module.

    Returns
    -------
    ndarray
        Broadcast shape, never negative, NaN where an input is NaN. [degC d]

    Raises
    ------
    ValueError
        If a minimum lies above its maximum, the lower threshold is not below the upper one, or the
        cutoff is unknown.

    Notes
    -----
    .. math:: D = \max\left(0, \frac{T_n + T_x}{2} - T_L\right)

    McMaster and Wilhelm's first interpretation; `clipped_average` is the second.

    References
    ----------
    McMaster and Wilhelm 1997, Agric. For. Meteorol. 87:291-300, method 1.

    Examples
    --------
    >>> simple_average([8.0, 2.0], [20.0, 8.0], 10.0).tolist()
    [4.0, 0.0]
    """
    low, high, lower, upper = _checked(air_temperature_min_c, air_temperature_max_c, lower_c, upper_c, cutoff)
    return _response((low + high) / 2.0, lower, upper, cutoff)


def clipped_average(
    air_temperature_min_c: npt.ArrayLike,
    air_temperature_max_c: npt.ArrayLike,
    lower_c: npt.ArrayLike,
    upper_c: npt.ArrayLike | None = None,
) -> FloatArray:
    r"""Degree-days of each day from extremes that are first cut to the thresholds.

    Parameters
    ----------
    air_temperature_min_c, air_temperature_max_c, lower_c, upper_c
        As for `simple_average`. [degC]

    Returns
    -------
    ndarray
        Broadcast shape, never negative, NaN where an input is NaN. [degC d]

    Raises
    ------
    ValueError
        As for `simple_average`.

    References
    ----------
    McMaster and Wilhelm 1997, Agric. For. Meteorol. 87:291-300, method 2.

    Examples
    --------
    >>> float(clipped_average(15.0, 34.0, 10.0, 30.0))
    12.5
    """
    low, high, lower, upper = _checked(
        air_temperature_min_c, air_temperature_max_c, lower_c, upper_c, "horizontal"
    )
    ceiling = np.inf if upper is None else upper
    cut_low, cut_high = np.clip(low, lower, ceiling), np.clip(high, lower, ceiling)
    average: FloatArray = (cut_low + cut_high) / 2.0 - lower
    return average


def single_sine(
    air_temperature_min_c: npt.ArrayLike,
    air_temperature_max_c: npt.ArrayLike,
    lower_c: npt.ArrayLike,
    upper_c: npt.ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> FloatArray:
    r"""Degree-days of each day under one sine wave through its extremes.

    Parameters
    ----------
    air_temperature_min_c, air_temperature_max_c, lower_c, upper_c, cutoff
        As for `simple_average`. [degC]

    Returns
    -------
    ndarray
        Broadcast shape, never negative, NaN where an input is NaN. [degC d]

    Raises
    ------
    ValueError
        As for `simple_average`.

    Notes
    -----
    With mean M, half range A and :math:`k = \arcsin((h - M)/A)` cut to the wave, the degree-days above
    a threshold h are

    .. math:: D(h) = \frac{(M - h)(\pi/2 - k) + A \cos k}{\pi}

    and the cutoffs follow from D(lower), D(upper) and the share of the day above the upper threshold.

    References
    ----------
    Baskerville and Emin 1969, Ecology 50:514-517. Zalom et al. 1983, Degree-days, UC Leaflet 21373.

    Examples
    --------
    >>> single_sine([4.0, 15.0], [16.0, 34.0], 10.0, 30.0).round(6).tolist()
    [1.909859, 13.703432]
    """
    low, high, lower, upper = _checked(air_temperature_min_c, air_temperature_max_c, lower_c, upper_c, cutoff)
    return _under(_sine, low, high, lower, upper, cutoff)


def double_sine(
    air_temperature_min_c: npt.ArrayLike,
    air_temperature_max_c: npt.ArrayLike,
    next_min_c: npt.ArrayLike,
    lower_c: npt.ArrayLike,
    upper_c: npt.ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> FloatArray:
    """Degree-days of each day under two half sine waves, falling to the next day's minimum.

    Parameters
    ----------
    air_temperature_min_c, air_temperature_max_c, lower_c, upper_c, cutoff
        As for `simple_average`. [degC]
    next_min_c : array_like
        Minimum of the following day, broadcastable. It may lie above today's maximum (warm air
        coming in overnight); the second half then rises to it. [degC]

    Returns
    -------
    ndarray
        Broadcast shape, never negative, NaN where an input is NaN. [degC d]

    Raises
    ------
    ValueError
        As for `simple_average`.

    References
    ----------
    Zalom et al. 1983, Degree-days, UC Leaflet 21373.

    Examples
    --------
    >>> round(float(double_sine(8.0, 20.0, 12.0, 10.0, 30.0)), 4)
    5.1763
    """
    return _double(_sine, air_temperature_min_c, air_temperature_max_c, next_min_c, lower_c, upper_c, cutoff)


def single_triangle(
    air_temperature_min_c: npt.ArrayLike,
    air_temperature_max_c: npt.ArrayLike,
    lower_c: npt.ArrayLike,
    upper_c: npt.ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> FloatArray:
    r"""Degree-days of each day under straight lines from minimum to maximum and back.

    Parameters
    ----------
    air_temperature_min_c, air_temperature_max_c, lower_c, upper_c, cutoff
        As for `simple_average`. [degC]

    Returns
    -------
    ndarray
        Broadcast shape, never negative, NaN where an input is NaN. [degC d]

    Raises
    ------
    ValueError
        As for `simple_average`.

    Notes
    -----
    .. math:: D(h) = \frac{(T_x - h)^2}{2 (T_x - T_n)}, \quad T_n < h < T_x

    References
    ----------
    Zalom et al. 1983, Degree-days, UC Leaflet 21373.

    Examples
    --------
    >>> float(single_triangle(4.0, 16.0, 10.0, 30.0))
    1.5
    """
    low, high, lower, upper = _checked(air_temperature_min_c, air_temperature_max_c, lower_c, upper_c, cutoff)
    return _under(_triangle, low, high, lower, upper, cutoff)


def double_triangle(
    air_temperature_min_c: npt.ArrayLike,
    air_temperature_max_c: npt.ArrayLike,
    next_min_c: npt.ArrayLike,
    lower_c: npt.ArrayLike,
    upper_c: npt.ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> FloatArray:
    """Degree-days of each day under straight lines, falling to the next day's minimum.

    Parameters
    ----------
    air_temperature_min_c, air_temperature_max_c, next_min_c, lower_c, upper_c, cutoff
        As for `double_sine`. [degC]

    Returns
    -------
    ndarray
        Broadcast shape, never negative, NaN where an input is NaN. [degC d]

    Raises
    ------
    ValueError
        As for `simple_average`.

    References
    ----------
    Zalom et al. 1983, Degree-days, UC Leaflet 21373.

    Examples
    --------
    >>> float(double_triangle(4.0, 16.0, 4.0, 10.0))
    1.5
    """
    return _double(
        _triangle, air_temperature_min_c, air_temperature_max_c, next_min_c, lower_c, upper_c, cutoff
    )


def hourly(
    air_temperature_c: npt.ArrayLike,
    lower_c: npt.ArrayLike,
    upper_c: npt.ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> FloatArray:
    r"""Degree-days of a stretch of hourly temperatures.

    Parameters
    ----------
    air_temperature_c : array_like, shape (..., hour)
        Hourly temperatures; NaN where missing. [degC]
    lower_c, upper_c : array_like
        Thresholds, broadcastable against the temperatures; `upper_c` None for none. [degC]
    cutoff : {"horizontal", "intermediate", "vertical"}
        What the part above the upper threshold adds; see the module.

    Returns
    -------
    ndarray, shape (...)
        Sum over the last axis, each hour counting 1/24 day, never negative; NaN where any hour is
        NaN. [degC d]

    Raises
    ------
    ValueError
        If the lower threshold is not below the upper one, or the cutoff is unknown.

    References
    ----------
    Zalom et al. 1983, Degree-days, UC Leaflet 21373 (the cutoffs).

    Examples
    --------
    >>> float(hourly([12.0] * 24, 10.0))
    2.0
    """
    total: FloatArray = above_threshold(air_temperature_c, lower_c, upper_c, cutoff).sum(axis=-1) / 24.0
    return total


def above_threshold(
    air_temperature_c: npt.ArrayLike,
    lower_c: npt.ArrayLike,
    upper_c: npt.ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> FloatArray:
    """Degrees that count towards development at each instant.

    Parameters
    ----------
    air_temperature_c, lower_c, upper_c, cutoff
        As for `hourly`. [degC]

    Returns
    -------
    ndarray
        Broadcast shape, never negative, NaN where an input is NaN. [K]

    Raises
    ------
    ValueError
        As for `hourly`.
    """
    temperature, _, lower, upper = _checked(air_temperature_c, None, lower_c, upper_c, cutoff)
    return _response(temperature, lower, upper, cutoff)


def _checked(
    low_c: npt.ArrayLike,
    high_c: npt.ArrayLike | None,
    lower_c: npt.ArrayLike,
    upper_c: npt.ArrayLike | None,
    cutoff: str,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray | None]:
    if cutoff not in CUTOFFS:
        raise ValueError(f"cutoff: {cutoff!r} is not one of {', '.join(CUTOFFS)}")
    bare_upper = np.inf if upper_c is None else upper_c
    low, high, lower, upper = floating(low_c, low_c if high_c is None else high_c, lower_c, bare_upper)
    if np.any(lower >= upper):
        raise ValueError(f"lower_c: {lower_c!r} is not below upper_c {upper_c!r}")
    if np.any(low > high):
        raise ValueError("air_temperature_min_c: lies above air_temperature_max_c on at least one day")
    return low, high, lower, None if upper_c is None else upper


def _response(
    temperature: FloatArray, lower: FloatArray, upper: FloatArray | None, cutoff: str
) -> FloatArray:
    degrees: FloatArray = np.maximum(temperature - lower, 0.0)
    if upper is None:
        return degrees
    if cutoff == "horizontal":
        return np.minimum(degrees, upper - lower)
    if cutoff == "vertical":
        return np.where(temperature > upper, 0.0, degrees).astype(degrees.dtype)
    return np.maximum(degrees - 2.0 * np.maximum(temperature - upper, 0.0), 0.0)


def _under(
    curve: _Curve,
    low: FloatArray,
    high: FloatArray,
    lower: FloatArray,
    upper: FloatArray | None,
    cutoff: str,
) -> FloatArray:
    total, _ = curve(low, high, lower)
    if upper is None:
        return total
    above, share = curve(low, high, upper)
    if cutoff == "horizontal":
        left = total - above
    elif cutoff == "vertical":
        left = total - above - (upper - lower) * share
    else:
        beyond, _ = curve(low, high, 2.0 * upper - lower)
        left = total - 2.0 * above + beyond
    return np.maximum(left, 0.0)


def _double(
    curve: _Curve,
    low_c: npt.ArrayLike,
    high_c: npt.ArrayLike,
    next_low_c: npt.ArrayLike,
    lower_c: npt.ArrayLike,
    upper_c: npt.ArrayLike | None,
    cutoff: str,
) -> FloatArray:
    low, high, lower, upper = _checked(low_c, high_c, lower_c, upper_c, cutoff)
    high, next_low = floating(high, next_low_c)
    morning = _under(curve, low, high, lower, upper, cutoff)
    evening = _under(curve, np.minimum(high, next_low), np.maximum(high, next_low), lower, upper, cutoff)
    return (morning + evening) / 2.0


def _sine(low: FloatArray, high: FloatArray, threshold: FloatArray) -> tuple[FloatArray, FloatArray]:
    mean, half_range = (low + high) / 2.0, (high - low) / 2.0
    # A day without range is a wave of no height: the quotient only has to keep its sign.
    height = np.clip((threshold - mean) / np.maximum(half_range, 1e-30), -1.0, 1.0)
    angle = np.arcsin(height)
    area = ((mean - threshold) * (np.pi / 2.0 - angle) + half_range * np.sqrt(1.0 - height * height)) / np.pi
    share = np.where(high <= threshold, 0.0, 0.5 - angle / np.pi)
    return np.maximum(area, 0.0), share


def _triangle(low: FloatArray, high: FloatArray, threshold: FloatArray) -> tuple[FloatArray, FloatArray]:
    span = np.maximum(high - low, 1e-30)
    share = np.clip((high - threshold) / span, 0.0, 1.0)
    # The mean excess of the part above the threshold times the share of the day it lasts.
    excess = (np.maximum(high - threshold, 0.0) + np.maximum(low - threshold, 0.0)) / 2.0
    return excess * share, share
