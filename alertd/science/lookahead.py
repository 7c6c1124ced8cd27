"""Sliding windows over the hours to come, along the last axis."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import BoolArray, FloatArray


def steps(hours: float) -> int:
    """Return how many whole hourly steps a time takes, rounded up."""
    return max(0, math.ceil(hours - 1e-9))


def maximum_ahead(values: FloatArray, hours: float, *, skip_first: bool = False) -> FloatArray:
    """Largest value of each hour and the hours after it.

    Parameters
    ----------
    values : array of float, shape (..., n_hours)
        NaN marks unknown values; they are passed over.
    hours : float
        Length of the look-ahead. [h]
    skip_first : bool
        Leave the hour itself out.

    Returns
    -------
    array of float, shape (..., n_hours)
        -inf where the window holds no known value. The window is cut at the end of the data.

    Notes
    -----
    By doubling: the maximum over 2w hours is that of two neighbours over w hours, so the work
    grows with the logarithm of the window.
    """
    width = steps(hours) + (0 if skip_first else 1)
    known = np.where(np.isnan(values), -np.inf, values)
    if skip_first:
        known = _shifted(known, 1, -np.inf)
    if width < 1:
        return np.full_like(known, -np.inf)
    covered = 1
    while covered * 2 <= width:
        known = np.maximum(known, _shifted(known, covered, -np.inf))
        covered *= 2
    if covered < width:
        known = np.maximum(known, _shifted(known, width - covered, -np.inf))
    return known


def minimum_ahead(values: FloatArray, hours: float, *, skip_first: bool = False) -> FloatArray:
    """Smallest value of each hour and the hours after it; inf where none is known."""
    return -maximum_ahead(-values, hours, skip_first=skip_first)


def sum_ahead(values: FloatArray, hours: float) -> npt.NDArray[np.float64]:
    """Sum over each hour and the hours after it; unknown values count as nothing.

    Whoever adds up must ask ``unknown_ahead`` too: an unknown amount is not a dry hour.
    """
    filled = np.nan_to_num(values, nan=0.0).astype(np.float64)
    return _window_totals(filled, steps(hours) + 1)


def unknown_ahead(unknown: BoolArray, hours: float) -> BoolArray:
    """Whether any value from each hour to ``hours`` later is unknown, as far as the data goes."""
    return _window_totals(unknown.astype(np.float64), steps(hours) + 1) > 0.5


def beyond_end(n_hours: int, hours: float) -> BoolArray:
    """Which hours have a look-ahead that runs past the end of the data; shape (n_hours,)."""
    return np.arange(n_hours) + steps(hours) > n_hours - 1


def _shifted(values: FloatArray, by: int, fill: float) -> FloatArray:
    moved = np.full_like(values, fill)
    if by < values.shape[-1]:
        moved[..., : values.shape[-1] - by] = values[..., by:]
    return moved


def _window_totals(values: npt.NDArray[np.float64], width: int) -> npt.NDArray[np.float64]:
    n_hours = values.shape[-1]
    running = np.zeros((*values.shape[:-1], n_hours + 1))
    np.cumsum(values, axis=-1, out=running[..., 1:])
    last = np.minimum(np.arange(n_hours) + width, n_hours)
    totals: npt.NDArray[np.float64] = running[..., last] - running[..., :-1]
    return totals
