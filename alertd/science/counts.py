"""From counted mites to the density behind them, ahead of the next visit."""

from __future__ import annotations

import math
from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from alertd.catalog.counts import load_counts

Array = npt.NDArray[np.float64]

SERIES_TERMS = 600
TINY = 1e-300
CLOSE = 1e-15
SHAPE_MIN = 1e-6

_log_gamma = np.vectorize(math.lgamma, otypes=[np.float64])


class Density(NamedTuple):
    """Gamma belief about mites per sample unit (tap or leaf): mean ``shape / rate``.

    ``shape`` [1] and ``rate`` [1 per mite] are arrays of one shape, usually (n_plantings,).
    """

    shape: Array
    rate: Array

    @property
    def mean(self) -> Array:
        """Mean density in mites per sample unit."""
        return self.shape / self.rate


class PredatorAdvice(IntEnum):
    """What the predator-to-prey ratio advises."""

    UNKNOWN = -1
    HOLD = 0
    RECHECK = 1
    ACT = 2


def prior(mean: npt.ArrayLike | None = None, shape: npt.ArrayLike | None = None) -> Density:
    """Belief before the first count.

    Parameters
    ----------
    mean : array_like, optional
        Expected density, above zero; the catalog's where left out. [mites per sample unit]
    shape : array_like, optional
        Certainty of it: the squared relative spread is 1 / shape; the catalog's, very wide, where
        left out. [1]

    Returns
    -------
    Density
        Belief.

    Raises
    ------
    ValueError
        If a value is not above zero.

    Examples
    --------
    >>> float(prior(2.0, 4.0).mean)
    2.0
    """
    figures = load_counts()
    expected = np.asarray(float(figures.prior_mean) if mean is None else mean, dtype=np.float64)
    certain = np.asarray(float(figures.prior_shape) if shape is None else shape, dtype=np.float64)
    for name, given in (("mean", expected), ("shape", certain)):
        if not np.all(given > 0.0):
            raise ValueError(f"{name}: give more than 0")
    expected, certain = np.broadcast_arrays(expected, certain)
    return Density(np.array(certain), certain / expected)


def update(
    density: Density, counted: npt.ArrayLike, samples: npt.ArrayLike, dispersion: npt.ArrayLike | None = None
) -> Density:
    r"""Belief after a count on several taps or leaves.

    Parameters
    ----------
    density : Density
        Belief before, shape (n_plantings,).
    counted : array_like, shape (n_plantings,)
        Mites found on all samples together; NaN where nobody looked. [mites]
    samples : array_like, shape (n_plantings,)
        Number of samples; 0 where nobody looked. [count]
    dispersion : array_like, optional
        Negative-binomial k of the samples, smaller is more clumped; the catalog's where left
        out, infinity for a Poisson count. [1]

    Returns
    -------
    Density
        Belief after; unchanged where nobody looked.

    Raises
    ------
    ValueError
        If a count or a number of samples is negative, or a count came without samples.

    Notes
    -----
    Gamma prior and Poisson counts would give shape + y and rate + n. Mites are clumped: the variance of
    a sample of mean m is m + m^2/k, which is c = 1 + m/k times the Poisson one, so the count tells as
    much as y/c mites on n/c samples would:

    .. math:: a' = a + y / c, \quad b' = b + n / c

    with m = y/n, or the prior mean where nothing was found, so that clean samples are not over-trusted.

    References
    ----------
    Ross and Preece 1985, The Statistician 34:323 for k of European red mites on apple leaves.

    Examples
    --------
    >>> after = update(prior(1.0, 1.0), 10, 10, float("inf"))
    >>> float(after.shape), float(after.rate)
    (11.0, 11.0)
    """
    k = np.asarray(float(load_counts().dispersion) if dispersion is None else dispersion, dtype=np.float64)
    found = np.asarray(counted, dtype=np.float64)
    looked = np.asarray(samples, dtype=np.float64)
    seen = ~np.isnan(found) & (looked != 0.0)
    if np.any(found < 0.0) or np.any(looked < 0.0):
        raise ValueError("counted, samples: negative; give 0 or more")
    if np.any((found > 0.0) & (looked == 0.0)):
        raise ValueError("samples: 0 although mites were counted; give the number of taps or leaves")
    found, looked = np.where(seen, found, 0.0), np.where(seen, looked, 0.0)
    sample_mean = found / np.where(looked > 0.0, looked, 1.0)
    inflation = 1.0 + np.maximum(sample_mean, np.where(found > 0.0, 0.0, density.mean)) / k
    return Density(density.shape + found / inflation, density.rate + looked / inflation)


def grow(density: Density, growth_per_d: npt.ArrayLike, days: npt.ArrayLike = 1.0) -> Density:
    r"""Belief some days later, when the population has grown.

    Parameters
    ----------
    density : Density
        Belief before, shape (n_plantings,).
    growth_per_d : array_like, shape (n_plantings,)
        Mean growth over these days; NaN counts as none, but the spread grows all the same. [1/d]
    days : array_like
        Number of days. [d]

    Returns
    -------
    Density
        Belief after: the mean multiplied by the growth, the spread widened by what the weather does
        not explain.

    Raises
    ------
    ValueError
        If ``days`` is negative.

    Notes
    -----
    .. math:: m' = m e^{r t}, \quad 1 + 1/a' = (1 + 1/a)(1 + s^2)^t

    with s from ``counts.toml``: the relative variance of a product of independent factors.

    Examples
    --------
    >>> later = grow(prior(2.0, 4.0), 0.321, 10.0)
    >>> round(float(later.mean) / 2.0, 1)
    24.8
    """
    time_d = np.asarray(days, dtype=np.float64)
    if np.any(time_d < 0.0):
        raise ValueError("days: negative; give 0 or more")
    rate = np.nan_to_num(np.asarray(growth_per_d, dtype=np.float64), nan=0.0)
    mean = density.mean * np.exp(rate * time_d)
    spread = (1.0 + 1.0 / density.shape) * (1.0 + float(load_counts().growth_spread) ** 2) ** time_d - 1.0
    shape = np.maximum(1.0 / spread, SHAPE_MIN)
    return Density(shape, shape / mean)


def exceedance(density: Density, threshold: npt.ArrayLike) -> Array:
    r"""Probability that the density is above the action threshold.

    Parameters
    ----------
    density : Density
        Belief.
    threshold : array_like
        Action threshold of the plant. [mites per sample unit]

    Returns
    -------
    ndarray
        Probability, broadcast shape, 0 to 1; NaN where unknown. [1]

    Raises
    ------
    ValueError
        If the threshold is negative.

    Notes
    -----
    .. math:: P = Q(a, b x)

    the regularised upper incomplete gamma function, by its series below a + 1 and its continued
    fraction above.

    References
    ----------
    Abramowitz and Stegun 1964, Handbook of Mathematical Functions, 6.5.29 and 6.5.31 (from memory).

    Examples
    --------
    >>> round(float(exceedance(prior(1.0, 1.0), 2.0)), 4)
    0.1353
    """
    limit = np.asarray(threshold, dtype=np.float64)
    if np.any(limit < 0.0):
        raise ValueError("threshold: negative; give 0 or more")
    shape, scaled = np.broadcast_arrays(density.shape, density.rate * limit)
    return _upper_gamma(np.asarray(shape, dtype=np.float64), np.asarray(scaled, dtype=np.float64))


def _upper_gamma(shape: Array, x: Array) -> Array:
    """Regularised upper incomplete gamma function."""
    inside = np.maximum(x, TINY)
    small = x < shape + 1.0
    # Each branch is given arguments at which it converges, also where the other one is used.
    lower = _gamma_series(shape, np.where(small, inside, shape))
    upper = _gamma_fraction(shape, np.where(small, shape + 2.0, inside))
    result = np.where(small, 1.0 - lower, upper)
    return np.where(x <= 0.0, 1.0, np.clip(result, 0.0, 1.0))


def _gamma_front(shape: Array, x: Array) -> Array:
    return np.asarray(np.exp(shape * np.log(x) - x - _log_gamma(shape)), dtype=np.float64)


def _gamma_series(shape: Array, x: Array) -> Array:
    term = 1.0 / shape
    total = term.copy()
    for step in range(1, SERIES_TERMS):
        term = term * x / (shape + step)
        total = total + term
        if np.all(term <= CLOSE * total):
            break
    return total * _gamma_front(shape, x)


def _gamma_fraction(shape: Array, x: Array) -> Array:
    below = x + 1.0 - shape
    ahead = np.full_like(x, 1.0 / TINY)
    behind = 1.0 / below
    value = behind.copy()
    for step in range(1, SERIES_TERMS):
        factor = -step * (step - shape)
        below = below + 2.0
        behind = 1.0 / _never_zero(factor * behind + below)
        ahead = _never_zero(below + factor / ahead)
        change = ahead * behind
        value = value * change
        if np.all(np.abs(change - 1.0) <= CLOSE):
            break
    return value * _gamma_front(shape, x)


def _never_zero(values: Array) -> Array:
    return np.where(np.abs(values) < TINY, TINY, values)


def exceedance_by_day(density: Density, growth_per_d: npt.ArrayLike, threshold: npt.ArrayLike) -> Array:
    """Probability of being above the action threshold on each day to come.

    Parameters
    ----------
    density : Density
        Belief today, shape (n_plantings,).
    growth_per_d : array_like, shape (n_plantings, n_days)
        Growth on each day to come, NaN where unknown. [1/d]
    threshold : array_like, shape (n_plantings,)
        Action threshold. [mites per sample unit]

    Returns
    -------
    ndarray, shape (n_plantings, n_days)
        Probability at the end of each day. [1]
    """
    growth = np.atleast_2d(np.asarray(growth_per_d, dtype=np.float64))
    belief = Density(np.atleast_1d(density.shape), np.atleast_1d(density.rate))
    days = []
    for day in range(growth.shape[1]):
        belief = grow(belief, growth[:, day])
        days.append(exceedance(belief, threshold))
    return np.stack(days, axis=1) if days else np.empty((growth.shape[0], 0))


def next_scouting_day(probability: npt.ArrayLike, risk: npt.ArrayLike | None = None) -> npt.NDArray[np.int64]:
    """First day on which the probability of being above the threshold passes the set risk.

    Parameters
    ----------
    probability : array_like, shape (n_plantings, n_days)
        As ``exceedance_by_day`` gives it. [1]
    risk : array_like, optional
        Risk the firm takes; the catalog's where left out. [1]

    Returns
    -------
    ndarray of int, shape (n_plantings,)
        Index of the day, 0 for the first; -1 where the risk is not reached in the days given.

    Examples
    --------
    >>> next_scouting_day([[0.05, 0.15, 0.3], [0.0, 0.01, 0.02]], 0.2).tolist()
    [2, -1]
    """
    limit = np.asarray(float(load_counts().scouting_risk) if risk is None else risk, dtype=np.float64)
    passed = np.atleast_2d(np.asarray(probability, dtype=np.float64)) >= np.atleast_1d(limit)[:, None]
    return np.where(passed.any(axis=1), np.argmax(passed, axis=1), -1).astype(np.int64)


def mite_days(density_by_day: npt.ArrayLike) -> Array:
    """Cumulative mite-days, which predict damage better than the peak does.

    Parameters
    ----------
    density_by_day : array_like, shape (..., n_days)
        Density at the end of each day; NaN counts as none. [mites per sample unit]

    Returns
    -------
    ndarray, shape (...)
        Sum over the days. [mite days per sample unit]

    References
    ----------
    Sadof and Alexander 1993 (authors and year from memory; burning bush).
    """
    return np.asarray(np.nansum(np.asarray(density_by_day, dtype=np.float64), axis=-1), dtype=np.float64)


def predator_advice(
    predators: npt.ArrayLike, mites: npt.ArrayLike, rising: npt.ArrayLike = True
) -> npt.NDArray[np.int8]:
    """Advice from the number of predators counted beside the mites.

    Parameters
    ----------
    predators, mites : array_like
        Counted on the same samples; NaN where nobody looked. [count]
    rising : array_like of bool
        Whether the mites are growing in number.

    Returns
    -------
    ndarray of int8
        Codes of ``PredatorAdvice``: hold the spray from one predator for ten mites, look again soon
        down to one for twenty or while the mites do not rise, else act. Hold where there are no mites.

    Raises
    ------
    ValueError
        If a count is negative.

    Notes
    -----
    Acting still asks for live mites above the plant's own threshold. Many sprays kill predators too.

    References
    ----------
    One for ten: University of California IPM; Amoah et al. 2016, Biocontrol Sci. Technol. 26:548-561.
    The other limits are common practice.

    Examples
    --------
    >>> predator_advice([5, 3, 1], [50, 50, 50]).tolist()
    [0, 1, 2]
    """
    found = np.asarray(predators, dtype=np.float64)
    prey = np.asarray(mites, dtype=np.float64)
    if np.any(found < 0.0) or np.any(prey < 0.0):
        raise ValueError("predators, mites: negative; give 0 or more")
    figures = load_counts().predators
    enough = found >= float(figures.hold_from) * prey
    some = (found >= float(figures.recheck_from) * prey) | ~np.asarray(rising, dtype=np.bool_)
    advice = np.where(enough, PredatorAdvice.HOLD, np.where(some, PredatorAdvice.RECHECK, PredatorAdvice.ACT))
    return np.where(np.isnan(found) | np.isnan(prey), PredatorAdvice.UNKNOWN, advice).astype(np.int8)
