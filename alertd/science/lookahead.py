"""Sliding windows over the hours to come, along the last axis."""

from __future__ import annotations

import math
from typing import Any

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
    return _extreme_ahead(values, hours, skip_first, np.fmax, -np.inf)


def minimum_ahead(values: FloatArray, hours: float, *, skip_first: bool = False) -> FloatArray:
    """Smallest value of each hour and the hours after it; inf where none is known."""
    return _extreme_ahead(values, hours, skip_first, np.fmin, np.inf)


def sum_ahead(values: FloatArray, hours: float) -> npt.NDArray[np.float64]:
    """Sum over each hour and the hours after it; unknown values count as nothing.

    Whoever adds up must ask ``unknown_ahead`` too: an unknown amount is not a dry hour.

    Notes
    -----
    The sums over 1, 2, 4, ... hours are doubled up, and those that make up the window are added.
    """
    part = np.where(np.isnan(values), 0.0, values).astype(np.float64, copy=False)
    total = np.zeros_like(part)
    n_hours, width = part.shape[-1], steps(hours) + 1
    covered, size = 0, 1
    while size <= width and covered < n_hours:
        if width & size:
            total[..., : n_hours - covered] += part[..., covered:]
            covered += size
        part = _with_later(part, size, np.add)
        size *= 2
    return total


def any_ahead(flags: BoolArray, hours: float) -> BoolArray:
    """Whether a flag is set in each hour or within ``hours`` after it, as far as the data goes."""
    if not flags.any():
        return np.zeros(flags.shape, dtype=np.bool_)
    return _doubled(flags, steps(hours) + 1, np.logical_or)


def unknown_ahead(unknown: BoolArray, hours: float) -> BoolArray:
    """Whether any value from each hour to ``hours`` later is unknown, as far as the data goes."""
    return any_ahead(unknown, hours)


def beyond_end(n_hours: int, hours: float) -> BoolArray:
    """Which hours have a look-ahead that runs past the end of the data; shape (n_hours,)."""
    return np.arange(n_hours) + steps(hours) > n_hours - 1


def _extreme_ahead(
    values: FloatArray, hours: float, skip_first: bool, extreme: np.ufunc, nothing: float
) -> FloatArray:
    width = steps(hours) + (0 if skip_first else 1)
    # fmax and fmin pass unknown values over
    known: FloatArray = extreme(values, values.dtype.type(nothing))
    if skip_first:
        later = np.full_like(known, nothing)
        later[..., :-1] = known[..., 1:]
        known = later
    return _doubled(known, width, extreme) if width >= 1 else np.full_like(known, nothing)


def _doubled(values: npt.NDArray[Any], width: int, join: np.ufunc) -> npt.NDArray[Any]:
    covered = 1
    while covered * 2 <= width:
        values = _with_later(values, covered, join)
        covered *= 2
    return values if covered == width else _with_later(values, width - covered, join)


def _with_later(values: npt.NDArray[Any], by: int, join: np.ufunc) -> npt.NDArray[Any]:
    """Join each hour with the one ``by`` hours later, if there is one."""
    if by >= values.shape[-1]:
        return values.copy()
    joined = np.empty(values.shape, dtype=values.dtype)
    join(values[..., :-by], values[..., by:], out=joined[..., :-by])
    joined[..., -by:] = values[..., -by:]
    return joined
