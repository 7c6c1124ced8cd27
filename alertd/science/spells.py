"""Runs of days: dry runs, hot runs and the hot dry spells that mites thrive in.

Every limit is an argument without a default: the figures belong to the catalog. The last axis is the
local day, oldest first, without gaps; any axes before it are sites.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import BoolArray, FloatArray, IntArray, floating


@dataclass(frozen=True, slots=True, eq=False)
class SpellTable:
    """One row per spell, in the order of sites and days.

    Attributes
    ----------
    site : ndarray of int
        Position of the site in the flattened axes before the days; 0 for a single series.
    number : ndarray of int
        Number of the spell within its site, as labelled.
    start, end : ndarray of int
        First and last day, both inclusive.
    length : ndarray of int
        Days from start to end, break days included. [d]
    heat_sum_c_d : ndarray of float
        Sum over the spell of the degrees above the heat limit (never below 0 on a day). [degC d]
    """

    site: IntArray
    number: IntArray
    start: IntArray
    end: IntArray
    length: IntArray
    heat_sum_c_d: FloatArray


def hot_dry_spells(
    air_temperature_max_c: npt.ArrayLike,
    precipitation_mm: npt.ArrayLike,
    *,
    heat_c: float,
    dry_mm: float,
    wetting_mm: float,
    min_days: int,
    break_days: int,
) -> IntArray:
    """Hot dry spells, numbered along the days.

    Parameters
    ----------
    air_temperature_max_c : array_like, shape (..., day)
        Daily maximum; NaN where unknown. [degC]
    precipitation_mm : array_like, shape (..., day)
        Daily rain, broadcastable; NaN where unknown. [mm d-1]
    heat_c : float
        A day is hot from this maximum on. [degC]
    dry_mm : float
        A day is dry below this rain. [mm d-1]
    wetting_mm : float
        Rain from this on always ends a spell; at least `dry_mm`. [mm d-1]
    min_days : int
        Shortest spell, from its first to its last hot dry day. [d]
    break_days : int
        Break days allowed in each `min_days` days; less than `min_days`. [d]

    Returns
    -------
    ndarray of int, shape (..., day)
        0 outside spells, else the number of the spell within its site, from 1.

    Raises
    ------
    ValueError
        If `wetting_mm` is below `dry_mm`, `min_days` below 1 or `break_days` not in 0..min_days - 1.

    Notes
    -----
    A day is *hot dry* (maximum >= `heat_c`, rain < `dry_mm`), a *break* (either fails, but the rain is
    below `wetting_mm`), or it *ends* any spell (rain >= `wetting_mm`, or maximum or rain unknown).

    A stretch qualifies if it begins and ends on a hot dry day, has no ending day, is at least
    `min_days` long and has at most `break_days` breaks. Of longer stretches it is enough that they are
    covered by overlapping qualifying ones, so the allowance renews itself in a long spell; hot dry days
    next to it belong to it. The rule reads the same forwards and backwards.

    References
    ----------
    Own definition (common practice) from two thresholds: ETCCDI's dry day below 1 mm and a wetting
    rain; see the catalog for the figures and their sources.

    Examples
    --------
    >>> hot_dry_spells([31, 31, 28, 31, 31, 31], [0, 0, 3, 0, 0, 9], heat_c=30, dry_mm=1,
    ...                wetting_mm=5, min_days=5, break_days=1).tolist()
    [1, 1, 1, 1, 1, 0]
    """
    if wetting_mm < dry_mm:
        raise ValueError(f"wetting_mm: {wetting_mm} is below dry_mm {dry_mm}")
    if min_days < 1:
        raise ValueError(f"min_days: {min_days} is below 1")
    if not 0 <= break_days < min_days:
        raise ValueError(f"break_days: {break_days} is not within 0..{min_days - 1}")
    high, rain = np.broadcast_arrays(*floating(air_temperature_max_c, precipitation_mm))
    hot_dry = (high >= heat_c) & (rain < dry_mm)
    ending = np.isnan(high) | np.isnan(rain) | (rain >= wetting_mm)
    covered = np.zeros(hot_dry.shape, dtype=np.bool_)
    for length in range(min_days, min_days + break_days + 1):
        covered |= _covered_by_stretches(hot_dry, ending, length, break_days)
    return run_numbers(covered | _runs_touching(hot_dry, covered))


def _covered_by_stretches(hot_dry: BoolArray, ending: BoolArray, length: int, break_days: int) -> BoolArray:
    """Days within a stretch of just this length that qualifies."""
    days = hot_dry.shape[-1]
    if days < length:
        return np.zeros(hot_dry.shape, dtype=np.bool_)
    begins = hot_dry[..., : days - length + 1] & hot_dry[..., length - 1 :]
    begins &= _window_counts(~hot_dry, length) <= break_days
    begins &= _window_counts(ending, length) == 0
    steps = np.zeros((*hot_dry.shape[:-1], days + 1), dtype=np.int64)
    steps[..., : days - length + 1] += begins
    steps[..., length:] -= begins
    covered: BoolArray = np.cumsum(steps, axis=-1)[..., :-1] > 0
    return covered


def _window_counts(mask: BoolArray, length: int) -> IntArray:
    """Count the True days in each whole window of this length, by the window's first day."""
    totals = np.concatenate(
        [np.zeros((*mask.shape[:-1], 1), dtype=np.int64), np.cumsum(mask, axis=-1, dtype=np.int64)], axis=-1
    )
    counts: IntArray = totals[..., length:] - totals[..., :-length]
    return counts


def _runs_touching(mask: BoolArray, touched: BoolArray) -> BoolArray:
    """Whole runs of `mask` of which at least one day is touched."""
    numbers = run_numbers(mask)
    width = mask.shape[-1] + 1
    rows = np.arange(numbers.size, dtype=np.int64).reshape(numbers.shape) // max(mask.shape[-1], 1)
    keys = numbers + rows * width
    hit = np.zeros((numbers.size // max(mask.shape[-1], 1)) * width + 1, dtype=np.bool_)
    hit[keys[touched & mask]] = True
    whole: BoolArray = mask & hit[keys]
    return whole


def run_numbers(mask: npt.ArrayLike) -> IntArray:
    """Give each run of True along the last axis its number.

    Parameters
    ----------
    mask : array_like of bool, shape (..., day)
        The days.

    Returns
    -------
    ndarray of int, shape (..., day)
        0 where False, else the number of the run within its row, from 1.

    Examples
    --------
    >>> run_numbers([True, True, False, True]).tolist()
    [1, 1, 0, 2]
    """
    days = np.asarray(mask, dtype=np.bool_)
    first = days.copy()
    first[..., 1:] &= ~days[..., :-1]
    return np.where(days, np.cumsum(first, axis=-1, dtype=np.int64), 0)


def spell_table(spells: npt.ArrayLike, air_temperature_max_c: npt.ArrayLike, *, heat_c: float) -> SpellTable:
    """List the spells that were numbered along the days.

    Parameters
    ----------
    spells : array_like of int, shape (..., day)
        As `hot_dry_spells` or `run_numbers` return them.
    air_temperature_max_c : array_like, shape (..., day)
        Daily maximum; unknown days add nothing to the heat sum. [degC]
    heat_c : float
        Limit above which degrees are summed. [degC]

    Returns
    -------
    SpellTable
        One row per spell.

    Notes
    -----
    The heat sum tells five days at 31 degC (5 above 30) from five at 38 (40 above 30), after the
    magnitude of Russo et al. 2014.
    """
    numbers = np.atleast_2d(np.asarray(spells, dtype=np.int64))
    numbers = numbers.reshape(-1, numbers.shape[-1])
    (high,) = floating(air_temperature_max_c)
    excess = np.fmax(np.broadcast_to(high, np.shape(spells)).reshape(numbers.shape) - heat_c, 0.0)
    before = np.pad(numbers, ((0, 0), (1, 0)))[:, :-1]
    after = np.pad(numbers, ((0, 0), (0, 1)))[:, 1:]
    site, start = np.nonzero((numbers > 0) & (numbers != before))
    _, end = np.nonzero((numbers > 0) & (numbers != after))
    sums = np.concatenate(
        [np.zeros((len(numbers), 1)), np.cumsum(excess, axis=-1, dtype=np.float64)], axis=-1
    )
    return SpellTable(
        site=site,
        number=numbers[site, start],
        start=start,
        end=end,
        length=end - start + 1,
        heat_sum_c_d=sums[site, end + 1] - sums[site, start],
    )


def run_length(mask: npt.ArrayLike) -> IntArray:
    """Length of the run of True that each day ends or continues.

    Parameters
    ----------
    mask : array_like of bool, shape (..., day)
        The days.

    Returns
    -------
    ndarray of int, shape (..., day)
        Days in a row up to and with each day; 0 where False. [d]

    Examples
    --------
    >>> run_length([True, True, False, True]).tolist()
    [1, 2, 0, 1]
    """
    days = np.asarray(mask, dtype=np.bool_)
    position = np.arange(1, days.shape[-1] + 1, dtype=np.int64)
    last_break = np.maximum.accumulate(np.where(days, 0, position), axis=-1)
    lengths: IntArray = position - last_break
    return lengths


def longest_run(mask: npt.ArrayLike) -> IntArray:
    """Length of the longest run of True.

    Parameters
    ----------
    mask : array_like of bool, shape (..., day)
        The days.

    Returns
    -------
    ndarray of int, shape (...)
        0 where there is none. [d]
    """
    longest: IntArray = np.max(run_length(mask), axis=-1, initial=0)
    return longest


def dry_run_length(precipitation_mm: npt.ArrayLike, dry_mm: float) -> IntArray:
    """Dry days in a row up to and with each day.

    Parameters
    ----------
    precipitation_mm : array_like, shape (..., day)
        Daily rain; a day that is unknown (NaN) is not dry. [mm d-1]
    dry_mm : float
        A day is dry below this rain. [mm d-1]

    Returns
    -------
    ndarray of int, shape (..., day)
        0 on days that are not dry. [d]
    """
    (rain,) = floating(precipitation_mm)
    return run_length(rain < dry_mm)


def trailing_count(mask: npt.ArrayLike, window: int) -> IntArray:
    """Count the True days among each day and those before it, `window` days in all.

    Parameters
    ----------
    mask : array_like of bool, shape (..., day)
        The days; days before the first count as False.
    window : int
        Days looked at, at least 1. [d]

    Returns
    -------
    ndarray of int, shape (..., day)
        0..window.

    Raises
    ------
    ValueError
        If the window is below 1.
    """
    if window < 1:
        raise ValueError(f"window: {window} is below 1")
    days = np.asarray(mask, dtype=np.bool_)
    padded = np.concatenate([np.zeros((*days.shape[:-1], window - 1), dtype=np.bool_), days], axis=-1)
    return _window_counts(padded, window)


def trailing_sum(values: npt.ArrayLike, window: int) -> FloatArray:
    """Sum over each day and those before it, `window` days in all.

    Parameters
    ----------
    values : array_like, shape (..., day)
        Daily values; NaN where unknown.
    window : int
        Days summed, at least 1. [d]

    Returns
    -------
    ndarray, shape (..., day)
        NaN where a day of the window is unknown or lies before the first day.

    Raises
    ------
    ValueError
        If the window is below 1.
    """
    if window < 1:
        raise ValueError(f"window: {window} is below 1")
    (daily,) = floating(values)
    padding = np.full((*daily.shape[:-1], window - 1), np.nan, dtype=daily.dtype)
    windows = np.lib.stride_tricks.sliding_window_view(
        np.concatenate([padding, daily], axis=-1), window, axis=-1
    )
    total: FloatArray = windows.sum(axis=-1)
    return total
