"""How likely the step of a hot dry spell is to be reached, drawn from what the forecast may miss."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import BoolArray, FloatArray, floating

SEED = 20_240_229


@dataclass(frozen=True, slots=True)
class SpellRule:
    """A hot dry step: ``hot_days`` of ``window`` days reach ``heat_c`` with at most ``rain_max_mm``."""

    heat_c: float
    hot_days: int
    window: int
    rain_max_mm: float


def spell_chance(
    temperature_max_c: npt.ArrayLike,
    precipitation_mm: npt.ArrayLike,
    rain_probability: npt.ArrayLike,
    observed: npt.ArrayLike,
    bias_c: npt.ArrayLike,
    spread_c: npt.ArrayLike,
    first: int,
    rule: SpellRule,
    *,
    persistence: float,
    wet_day_mm: float,
    samples: int,
    seed: int = SEED,
) -> float:
    r"""Chance that the step of a hot dry spell is reached on one of the days from ``first`` on.

    Parameters
    ----------
    temperature_max_c, precipitation_mm : array_like, shape (day,)
        Maximum and rain of each day, oldest first, from ``rule.window - 1`` days before ``first``. [degC, mm]
    rain_probability : array_like, shape (day,)
        Probability of rain on forecast days; not looked at on observed ones. [1]
    observed : array_like of bool, shape (day,)
        Days that are over: they are as they are.
    bias_c, spread_c : array_like, shape (day,)
        Error of the forecast maximum. [degC]
    first : int
        Position of the first day on which the step may be reached.
    rule : SpellRule
        The step.
    persistence : float
        Correlation of the errors of two days in a row, 0..1. [1]
    wet_day_mm : float
        Mean rain of a wet day. [mm]
    samples : int
        Number of draws.
    seed : int
        Start of the random numbers; one seed gives one answer, and a warmer or drier forecast never a
        lower one.

    Returns
    -------
    float
        0..1; NaN if a needed value is missing.

    Notes
    -----
    Monte Carlo. Errors of the maxima follow :math:`z_i = \rho z_{i-1} + \sqrt{1-\rho^2}\,\epsilon_i`. A
    forecast day is wet with its probability; then its rain is exponential with the mean of the amount
    forecast and that of a wet day, in equal parts. Rain and temperature errors are drawn independently;
    in nature a day that fails to be dry tends to fail to be hot as well, so that the chance is, if anything,
    a little low.
    """
    high, rain, wet, bias, spread = floating(
        temperature_max_c, precipitation_mm, rain_probability, bias_c, spread_c
    )
    past: BoolArray = np.asarray(observed, dtype=np.bool_)
    needed = np.where(past, high + rain, high + rain + wet + bias + spread)
    if np.isnan(needed).any() or not first < high.size:
        return float("nan")
    strays, uniform, amount = _draws(seed, samples, high.size, persistence)
    hot, depth = np.empty((high.size, samples), dtype=np.int16), np.empty((high.size, samples))
    hot[past], depth[past] = (high >= rule.heat_c)[past, np.newaxis], rain[past, np.newaxis]
    for day in np.flatnonzero(~past).tolist():
        hot[day] = strays[day] >= (rule.heat_c - (high[day] + bias[day])) / spread[day]
        np.multiply(amount[day], (rain[day] + wet_day_mm) / 2.0, out=depth[day])
        depth[day] *= uniform[day] < wet[day]
    reached = np.zeros(samples, dtype=np.bool_)
    for day in range(max(first, rule.window - 1), high.size):
        window = slice(day - rule.window + 1, day + 1)
        enough = hot[window].sum(axis=0, dtype=np.int16) >= rule.hot_days
        reached |= enough & (depth[window].sum(axis=0) <= rule.rain_max_mm)
        if reached.all():
            break
    return float(reached.mean())


@lru_cache(maxsize=32)
def _draws(
    seed: int, samples: int, days: int, persistence: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return strays of the maxima, uniform numbers and exponential amounts, [day, sample], read-only."""
    draw = np.random.default_rng(seed)
    strays = _persistent(draw.standard_normal((samples, days)), persistence)
    uniform, amount = draw.random((samples, days)), draw.exponential(1.0, (samples, days))
    drawn = tuple(np.ascontiguousarray(part.T) for part in (strays, uniform, amount))
    for part in drawn:
        part.setflags(write=False)
    return drawn[0], drawn[1], drawn[2]


def _persistent(noise: FloatArray, persistence: float) -> FloatArray:
    strays = noise.copy()
    fresh = math.sqrt(1.0 - persistence**2)
    for day in range(1, noise.shape[1]):
        strays[:, day] = persistence * strays[:, day - 1] + fresh * noise[:, day]
    return strays
