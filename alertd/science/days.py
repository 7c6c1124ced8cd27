"""Hours to local days: which hours of a UTC axis make up each calendar day of a place."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import BoolArray, FloatArray, IntArray, floating

HOUR = dt.timedelta(hours=1)
HALF_HOUR = dt.timedelta(minutes=30)
LONGEST_DAY_H = 30


@dataclass(frozen=True, slots=True, eq=False)
class LocalDays:
    """How a UTC hourly axis falls into the local days of one zone.

    Attributes
    ----------
    days : tuple of date
        The local calendar days, oldest first.
    starts, lengths : ndarray of int, shape (day,)
        First hour of each day on the axis and how many hours of the axis it has. [h]
    full_lengths : ndarray of int, shape (day,)
        How many hours the whole local day has: 24, or 23 and 25 at a clock change. [h]
    complete : ndarray of bool, shape (day,)
        Whether the axis covers the whole day; only the first and the last day can be False.
    hour_of_day : ndarray of int, shape (hour,)
        Local hour, 0..23, of the middle of each hour of the axis. [h]
    """

    days: tuple[dt.date, ...]
    starts: IntArray
    lengths: IntArray
    full_lengths: IntArray
    complete: BoolArray
    hour_of_day: IntArray


@lru_cache(maxsize=256)
def local_days(start_utc: dt.datetime, hours: int, zone: str) -> LocalDays:
    """Sort the hours of a UTC axis into the local days of a zone.

    Parameters
    ----------
    start_utc : datetime
        Start of the first hour, aware.
    hours : int
        Number of hours, at least 1. [h]
    zone : str
        IANA name of the zone.

    Returns
    -------
    LocalDays
        Its arrays are read-only and shared between calls.

    Raises
    ------
    ValueError
        If the start is not aware or there is no hour.

    Notes
    -----
    An hour belongs to the local day in which its middle lies. In zones off by half an hour the hour
    across midnight has its middle exactly there and goes to the new day.

    Examples
    --------
    >>> axis = local_days(dt.datetime(2025, 3, 8, 5, tzinfo=dt.timezone.utc), 71, "America/New_York")
    >>> [day.day for day in axis.days], axis.lengths.tolist()
    ([8, 9, 10], [24, 23, 24])
    """
    if start_utc.tzinfo is None:
        raise ValueError(f"start_utc: {start_utc!r} has no time zone; give an aware instant")
    if hours < 1:
        raise ValueError(f"hours: {hours} is not at least 1")
    place = ZoneInfo(zone)
    first = start_utc.astimezone(dt.UTC) + HALF_HOUR
    middles = [
        (first + hour * HOUR).astimezone(place) for hour in range(-LONGEST_DAY_H, hours + LONGEST_DAY_H)
    ]
    ordinals = np.array([middle.toordinal() for middle in middles], dtype=np.int64)
    inside = ordinals[LONGEST_DAY_H : LONGEST_DAY_H + hours]
    starts = np.flatnonzero(np.diff(inside, prepend=inside[0] - 1))
    lengths = np.diff(starts, append=hours)
    full = np.array([np.count_nonzero(ordinals == inside[start]) for start in starts], dtype=np.int64)
    axis = LocalDays(
        days=tuple(dt.date.fromordinal(int(inside[start])) for start in starts),
        starts=starts,
        lengths=lengths,
        full_lengths=full,
        complete=lengths == full,
        hour_of_day=np.array(
            [middle.hour for middle in middles[LONGEST_DAY_H : LONGEST_DAY_H + hours]], dtype=np.int64
        ),
    )
    for part in (axis.starts, axis.lengths, axis.full_lengths, axis.complete, axis.hour_of_day):
        part.setflags(write=False)
    return axis


def daily_max(values: npt.ArrayLike, axis: LocalDays, required: int = 20) -> FloatArray:
    """Largest known value of each local day.

    Parameters
    ----------
    values : array_like, shape (..., hour)
        Hourly values on the axis of `axis`; NaN where missing.
    axis : LocalDays
        The local days of that axis.
    required : int
        Known hours that a day of 24 h needs; days of 23 or 25 h need the same share, rounded. [h]

    Returns
    -------
    ndarray, shape (..., day)
        NaN where too few hours are known, be it for missing values or because the axis covers only
        part of the day.

    Raises
    ------
    ValueError
        If the last axis of `values` has not as many hours as `axis`, or `required` is not 1..24.
    """
    (hourly,) = _on_axis(values, axis)
    largest: FloatArray = np.fmax.reduceat(hourly, axis.starts, axis=-1)
    return _where_known(largest, hourly, axis, required)


def daily_min(values: npt.ArrayLike, axis: LocalDays, required: int = 20) -> FloatArray:
    """Smallest known value of each local day.

    Parameters
    ----------
    values, axis, required
        As for `daily_max`.

    Returns
    -------
    ndarray, shape (..., day)
        As for `daily_max`.

    Raises
    ------
    ValueError
        As for `daily_max`.
    """
    (hourly,) = _on_axis(values, axis)
    smallest: FloatArray = np.fmin.reduceat(hourly, axis.starts, axis=-1)
    return _where_known(smallest, hourly, axis, required)


def daily_sum(values: npt.ArrayLike, axis: LocalDays, required: int = 20) -> FloatArray:
    """Sum of the known values of each local day; a lower bound where hours are missing.

    Parameters
    ----------
    values, axis, required
        As for `daily_max`; 24 asks for every hour.

    Returns
    -------
    ndarray, shape (..., day)
        As for `daily_max`.

    Raises
    ------
    ValueError
        As for `daily_max`.
    """
    (hourly,) = _on_axis(values, axis)
    return _where_known(_known_sum(hourly, axis), hourly, axis, required)


def daily_mean(values: npt.ArrayLike, axis: LocalDays, required: int = 20) -> FloatArray:
    """Mean of the known values of each local day.

    Parameters
    ----------
    values, axis, required
        As for `daily_max`. For the mean of part of a day set the other hours to NaN (see
        ``LocalDays.hour_of_day``) and lower `required`.

    Returns
    -------
    ndarray, shape (..., day)
        As for `daily_max`.

    Raises
    ------
    ValueError
        As for `daily_max`.
    """
    (hourly,) = _on_axis(values, axis)
    known = np.maximum(_known_hours(hourly, axis), 1).astype(hourly.dtype)
    return _where_known(_known_sum(hourly, axis) / known, hourly, axis, required)


def _on_axis(values: npt.ArrayLike, axis: LocalDays) -> tuple[FloatArray]:
    (hourly,) = floating(values)
    if hourly.ndim == 0 or hourly.shape[-1] != axis.hour_of_day.size:
        raise ValueError(f"values: shape {hourly.shape} does not end in {axis.hour_of_day.size} hours")
    return (hourly,)


def _known_hours(hourly: FloatArray, axis: LocalDays) -> IntArray:
    counts: IntArray = np.add.reduceat(~np.isnan(hourly), axis.starts, axis=-1, dtype=np.int64)
    return counts


def _known_sum(hourly: FloatArray, axis: LocalDays) -> FloatArray:
    known = np.where(np.isnan(hourly), np.zeros((), dtype=hourly.dtype), hourly)
    total: FloatArray = np.add.reduceat(known, axis.starts, axis=-1)
    return total


def _where_known(daily: FloatArray, hourly: FloatArray, axis: LocalDays, required: int) -> FloatArray:
    if not 1 <= required <= 24:
        raise ValueError(f"required: {required} is not within 1..24")
    needed = (required * axis.full_lengths + 12) // 24
    unknown = np.asarray(np.nan, dtype=daily.dtype)
    return np.where(_known_hours(hourly, axis) >= needed, daily, unknown)
