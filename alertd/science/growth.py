"""Mean growth of each day for many species over the same hours, which are looked up once for all of them."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import BoolArray, FloatArray, IntArray
from alertd.science.days import LocalDays
from alertd.science.development import intrinsic_rate, species_record

Array = npt.NDArray[np.float64]

LOW_C = -60.0
HIGH_C = 70.0
CELLS_PER_C = 10
NEVER_C = -300.0
"""Stands for an unknown hour: no species grows and no degree counts at it."""


class WarmHours(NamedTuple):
    """Hours of many sites on an axis of local days, unknown ones as ``NEVER_C``.

    ``cell`` is the tenth of a degree that each hour lies in, [site, hour]; ``known_h`` the known hours of
    each day and ``enough`` whether they stand for it, [site, day].
    """

    temperature_c: Array
    cell: npt.NDArray[np.intp]
    starts: IntArray
    known_h: IntArray
    enough: BoolArray


def warm_hours(
    air_temperature_c: FloatArray, axis: LocalDays, first_day: int = 0, required: int = 20
) -> WarmHours:
    """Look the hours up from the first hour of ``first_day`` on.

    Parameters
    ----------
    air_temperature_c : ndarray, shape (n_sites, n_hours)
        On the axis of ``axis``; NaN where unknown. [degC]
    axis : LocalDays
        The local days of that axis.
    first_day : int
        Position of the first day that is wanted.
    required : int
        Known hours that a day of 24 h needs, as for ``days.daily_max``. [h]

    Returns
    -------
    WarmHours
        From ``first_day`` to the end of the axis.
    """
    first_hour = int(axis.starts[first_day])
    given = air_temperature_c[:, first_hour:]
    starts = axis.starts[first_day:] - first_hour
    unknown = np.isnan(given)
    known_h = axis.lengths[first_day:] - np.add.reduceat(unknown, starts, axis=1, dtype=np.int64)
    needed = (required * axis.full_lengths[first_day:] + 12) // 24
    temperature = np.where(unknown, NEVER_C, given).astype(np.float64, copy=False)
    cell = np.clip((temperature - LOW_C) * CELLS_PER_C, 0.0, (HIGH_C - LOW_C) * CELLS_PER_C - 1.0)
    return WarmHours(temperature, cell.astype(np.intp), starts, known_h, known_h >= needed)


def of_sites(hours: WarmHours, rows: IntArray) -> WarmHours:
    """Return the hours of some of the sites, or of all where all are asked for."""
    if len(rows) == len(hours.temperature_c):
        return hours
    return WarmHours(
        hours.temperature_c[rows], hours.cell[rows], hours.starts, hours.known_h[rows], hours.enough[rows]
    )


def daily_growth(hours: WarmHours, species: str) -> Array:
    """Mean over the known hours of each day of ``intrinsic_rate``.

    Parameters
    ----------
    hours : WarmHours
        From ``warm_hours``.
    species : str
        Catalog key.

    Returns
    -------
    ndarray, shape (n_sites, n_days)
        NaN where too few hours are known. [1/d]

    Notes
    -----
    The rate is a broken line, so that two numbers for each tenth of a degree say the same as the search
    between its knots, to rounding; a species with knots in between is searched.
    """
    table = _line(species)
    if table is None:
        known = np.where(hours.temperature_c == NEVER_C, np.nan, hours.temperature_c)
        rate = np.nan_to_num(intrinsic_rate(known, species))
    else:
        constant, slope = table
        rate = slope.take(hours.cell)
        rate *= hours.temperature_c
        rate += constant.take(hours.cell)
    return _daily(np.add.reduceat(rate, hours.starts, axis=1) / np.maximum(hours.known_h, 1), hours)


def daily_degrees(hours: WarmHours, lower_c: float, upper_c: float | None = None) -> Array:
    """Degree-days of each day by its hours, with a horizontal cutoff.

    Parameters
    ----------
    hours : WarmHours
        From ``warm_hours``.
    lower_c, upper_c : float
        Limits of what counts; None: no upper one. [degC]

    Returns
    -------
    ndarray, shape (n_sites, n_days)
        Sum over the known hours; NaN where too few are known. [degC d]
    """
    degrees = hours.temperature_c - lower_c
    np.maximum(degrees, 0.0, out=degrees)
    if upper_c is not None:
        np.minimum(degrees, upper_c - lower_c, out=degrees)
    return _daily(np.add.reduceat(degrees, hours.starts, axis=1) / 24.0, hours)


def _daily(values: Array, hours: WarmHours) -> Array:
    return np.where(hours.enough, values, np.nan)


@lru_cache(maxsize=64)
def _line(species: str) -> tuple[Array, Array] | None:
    """Return constant and slope of the rate in each cell; None if a knot lies within a cell."""
    knots = np.asarray(species_record(species).rate_of_increase.x, dtype=np.float64)
    if np.abs(knots * CELLS_PER_C - np.round(knots * CELLS_PER_C)).max() > 1e-6:
        return None
    edges = LOW_C + np.arange(round((HIGH_C - LOW_C) * CELLS_PER_C) + 1) / CELLS_PER_C
    rates = intrinsic_rate(edges, species)
    slope = np.diff(rates) * CELLS_PER_C
    return rates[:-1] - slope * edges[:-1], slope
