r"""How likely a forecast event is to hold: errors of past forecasts turned into probabilities.

An error is what came less what was forecast. Its spread starts from a prior that grows with lead time and
is drawn towards the archive of verified forecasts; limits that lie far outside the spread hold, those
within it may not. The last step, calibration, corrects the chance by what became of earlier ones.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import FloatArray, IntArray, floating
from alertd.science.spell_chance import SpellRule as SpellRule  # asked for here by its callers
from alertd.science.spell_chance import spell_chance as spell_chance

CLASS_EDGES_H = (0.0, 24.0, 48.0, 72.0, 120.0, 168.0, 240.0)
"""Limits of the classes of lead time."""
_FARTHEST_Z = 8.0
_STEPS_PER_Z = 1000.0
_TABLE_P = np.array([
    0.5 * math.erfc((_FARTHEST_Z - step / _STEPS_PER_Z) / math.sqrt(2.0))
    for step in range(round(2.0 * _FARTHEST_Z * _STEPS_PER_Z) + 1)
])  # fmt: skip
_TABLE_RISE = np.diff(_TABLE_P, append=_TABLE_P[-1])


@dataclass(frozen=True, slots=True)
class ErrorSpread:
    """Bias and spread of the forecast errors of one quantity at rising lead times.

    ``days`` counts the distinct verified days behind each lead time; all 0: the prior alone.
    """

    lead_h: tuple[float, ...]
    bias: tuple[float, ...]
    spread: tuple[float, ...]
    days: tuple[int, ...]

    def at(self, lead_h: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return bias and spread at the lead times, straight lines between the known ones, level outside."""
        lead = np.asarray(lead_h, dtype=np.float64)
        return np.interp(lead, self.lead_h, self.bias), np.interp(lead, self.lead_h, self.spread)


@dataclass(frozen=True, slots=True)
class Calibration:
    """A rising curve from a raw chance to how often such chances came true."""

    intercept: float
    slope: float
    cases: int

    def __call__(self, chance: npt.ArrayLike) -> FloatArray:
        """Return the corrected chances; NaN stays NaN."""
        return corrected(chance, self.intercept, self.slope)


def corrected(chance: npt.ArrayLike, intercept: npt.ArrayLike, slope: npt.ArrayLike) -> FloatArray:
    """Chances brought onto a rising curve, as ``Calibration`` holds one.

    Parameters
    ----------
    chance : array_like
        Raw chances; NaN stays NaN. [1]
    intercept, slope : array_like
        Of the curve of each chance, broadcastable.

    Returns
    -------
    ndarray
        Broadcast shape, 0..1.
    """
    raw, begins, rises = (np.asarray(item, dtype=np.float64) for item in (chance, intercept, slope))
    return np.asarray(1.0 / (1.0 + np.exp(-(begins + rises * _logit(raw)))), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class ForecastSkill:
    """What is known of the forecasts of one site: error spreads by quantity, and corrections."""

    errors: Mapping[str, ErrorSpread]
    windows: Calibration | None = field(default=None)
    spells: Calibration | None = field(default=None)
    members: Mapping[str, str] = field(default_factory=dict)
    """By quantity the model of the ensemble whose members give the spread, where one does."""

    @property
    def ensemble(self) -> str:
        """The model behind chances of windows and spells; empty without wind or daily maxima of one."""
        return self.members.get("temperature_max_c", "") and self.members.get("wind_speed_m_s", "")

    @property
    def days(self) -> int:
        """Distinct verified days behind it; 0: the prior alone."""
        return max((max(spread.days) for spread in self.errors.values()), default=0)


def normal_distribution(z: npt.ArrayLike) -> FloatArray:
    """Distribution function of the standard normal.

    Parameters
    ----------
    z : array_like
        Any shape; infinite is fine, NaN stays NaN.

    Returns
    -------
    ndarray
        0..1, within 1e-7 (straight lines in a table of step 0.001, beyond 8 the end value).
    """
    step = (np.asarray(z, dtype=np.float64) + _FARTHEST_Z) * _STEPS_PER_Z
    step = np.clip(step, 0.0, float(len(_TABLE_P) - 1))
    # the steps are even, so that the place in the table needs no search
    unknown = np.isnan(step)
    place = np.where(unknown, 0.0, step).astype(np.intp)
    return np.asarray(_TABLE_P[place] + _TABLE_RISE[place] * (step - place), dtype=np.float64)


def prior_errors(lead_d: Sequence[float], spread: Sequence[float]) -> ErrorSpread:
    """Errors before anything was verified: no bias, and a spread that may only grow with lead time.

    Parameters
    ----------
    lead_d : sequence of float
        Rising lead times. [d]
    spread : sequence of float, same length
        Standard deviation of the error.

    Raises
    ------
    ValueError
        If the spread sinks or is not above 0.
    """
    if any(b < a for a, b in itertools.pairwise(spread)) or min(spread) <= 0.0:
        raise ValueError(f"spread: {tuple(spread)} sinks with lead time or is not above 0")
    count = len(spread)
    return ErrorSpread(tuple(24.0 * d for d in lead_d), (0.0,) * count, tuple(spread), (0,) * count)


def verified_errors(
    prior: ErrorSpread,
    error: npt.ArrayLike,
    lead_h: npt.ArrayLike,
    day: npt.ArrayLike,
    *,
    prior_days: float,
    edges_h: Sequence[float] = CLASS_EDGES_H,
) -> ErrorSpread:
    r"""Prior drawn towards the verified errors of the archive.

    Parameters
    ----------
    prior : ErrorSpread
        What is believed without an archive.
    error : array_like, shape (case,)
        What came less what was forecast; NaN cases are left out.
    lead_h : array_like, shape (case,)
        Age of the forecast at the time it speaks of. [h]
    day : array_like of int, shape (case,)
        Number of the day it speaks of.
    prior_days : float
        As many verified days weigh as much as the prior. [d]
    edges_h : sequence of float
        Limits of the classes of lead time; other cases are left out. [h]

    Returns
    -------
    ErrorSpread
        At the middle of each class. Equal to the prior there where nothing was verified.

    Notes
    -----
    With n distinct days, mean error m and mean square q of a class, prior spread s and weight k

    .. math:: b = \frac{n m}{n + k}, \qquad
              \sigma^2 = \frac{k s^2 + n (q - 2 b m + b^2)}{n + k}

    Errors within a day, and of several issues for the same day, go together, so the days count as cases and
    not the hours. The spreads are then made to grow with lead time by averaging neighbours that do
    not (pool adjacent violators, weights n + k).
    """
    middle_h = (np.asarray(edges_h[:-1]) + np.asarray(edges_h[1:])) / 2.0
    _, believed = prior.at(middle_h)
    days, mean, square = _class_moments(error, lead_h, day, edges_h)
    total = days + prior_days
    bias = np.asarray(days * mean / total, dtype=np.float64)
    variance = (prior_days * believed**2 + days * (square - 2.0 * bias * mean + bias**2)) / total
    spread = rising(np.sqrt(np.maximum(variance, 1e-12)), total)
    return ErrorSpread(
        tuple(middle_h.tolist()), tuple(bias.tolist()), tuple(spread.tolist()), tuple(map(int, days))
    )


def _class_moments(
    error: npt.ArrayLike, lead_h: npt.ArrayLike, day: npt.ArrayLike, edges_h: Sequence[float]
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return distinct days, mean and mean square of the errors of each class, 0 where it is empty."""
    strayed, lead = floating(error, lead_h)
    dates = np.asarray(day, dtype=np.int64)
    classes = len(edges_h) - 1
    place = np.searchsorted(np.asarray(edges_h), lead, side="right") - 1
    usable = ~np.isnan(strayed) & (place >= 0) & (place < classes)
    strayed, place, dates = strayed[usable], place[usable], dates[usable]
    count = np.bincount(place, minlength=classes)
    filled = np.maximum(count, 1)
    mean = np.bincount(place, weights=strayed, minlength=classes) / filled
    square = np.bincount(place, weights=strayed**2, minlength=classes) / filled
    pairs = np.unique(np.stack([place, dates], axis=1), axis=0)
    return np.bincount(pairs[:, 0], minlength=classes), mean, square


def rising(values: npt.ArrayLike, weights: npt.ArrayLike) -> FloatArray:
    """Nearest sequence that never sinks, by weighted least squares (pool adjacent violators).

    Examples
    --------
    >>> rising([1.0, 3.0, 2.0, 4.0], [1.0, 1.0, 1.0, 1.0]).tolist()
    [1.0, 2.5, 2.5, 4.0]
    """
    blocks: list[tuple[float, float, int]] = []
    for value, weight in zip(np.asarray(values).tolist(), np.asarray(weights).tolist(), strict=True):
        level, mass, length = float(value), float(weight), 1
        while blocks and blocks[-1][0] > level:
            before, before_mass, before_length = blocks.pop()
            level = (before * before_mass + level * mass) / (before_mass + mass)
            mass, length = mass + before_mass, length + before_length
        blocks.append((level, mass, length))
    return np.repeat([level for level, _, _ in blocks], [length for _, _, length in blocks])


def chance_within(
    room_below: npt.ArrayLike, room_above: npt.ArrayLike, bias: npt.ArrayLike, spread: npt.ArrayLike
) -> FloatArray:
    r"""Chance that a forecast value stays between its limits.

    Parameters
    ----------
    room_below, room_above : array_like
        Distance down to the lower and up to the upper limit, infinite where there is none; negative
        where the forecast lies outside. NaN gives NaN.
    bias, spread : array_like
        Mean and standard deviation of what comes less what was forecast; spread above 0.

    Returns
    -------
    ndarray
        Broadcast shape, 0..1.

    Notes
    -----
    .. math:: P = \Phi((r_a - b)/\sigma) - \Phi((-r_b - b)/\sigma)
    """
    below, above, mean, deviation = floating(room_below, room_above, bias, spread)
    if not below.ndim and np.isposinf(below):
        return normal_distribution((above - mean) / deviation)
    lower = normal_distribution((-below - mean) / deviation)
    upper = 1.0 if not above.ndim and np.isposinf(above) else normal_distribution((above - mean) / deviation)
    return np.maximum(upper - lower, 0.0)


def window_chance(chances: Sequence[Sequence[npt.ArrayLike]], rain_probability: npt.ArrayLike) -> FloatArray:
    """Chance that the hours of a stretch all stay within the limits.

    Parameters
    ----------
    chances : sequence of groups, each a sequence of array_like, shape (..., hour)
        Chance of each quantity in each hour. Quantities of one group go wrong together (wind and gust;
        temperature and dryness of the air), different groups independently.
    rain_probability : array_like, shape (...)
        Largest probability of rain within the time that has to stay dry. 0 where rain does no harm. [1]

    Returns
    -------
    ndarray, shape (...)
        NaN where any part is unknown.

    Notes
    -----
    Errors of neighbouring hours are taken as one error, so a group is as good as its worst hour and
    quantity; the groups are multiplied. Of the hourly rain probabilities the *largest* is taken and
    not the product of the dry ones: they belong to one shower and are far from independent. This is an upper
    bound of the chance of a dry period, which calibration has to bring down.

    Examples
    --------
    >>> window_chance([[[0.9, 0.8]], [[1.0, 1.0], [0.75, 1.0]]], 0.5).tolist()
    0.30000000000000004
    """
    (probability,) = floating(rain_probability)
    held = 1.0 - probability
    for group in chances:
        worst = np.stack([np.asarray(part, dtype=np.float64).min(axis=-1) for part in group]).min(axis=0)
        held = held * worst
    return np.asarray(held, dtype=np.float64)


def fit_calibration(chance: npt.ArrayLike, held: npt.ArrayLike, *, cases_min: int) -> Calibration | None:
    r"""Correction of chances by what became of earlier ones.

    Parameters
    ----------
    chance : array_like, shape (case,)
        Raw chances as issued; NaN cases are left out. [1]
    held : array_like, shape (case,)
        1 where it held, else 0; NaN cases are left out.
    cases_min : int
        Fewer cases give no correction.

    Returns
    -------
    Calibration or None
        Rising, close to no change while there are few cases; None with too few.

    Notes
    -----
    Logistic: :math:`\mathrm{logit}\,p' = a + b\,\mathrm{logit}\,p`, the most likely a and b under
    :math:`a \sim N(0, 1)`, :math:`b \sim N(1, 0.5^2)` (working rule), b at least 0.05. Found by Newton's
    method. After Platt 1999 (from memory), who fitted such a curve to classifiers.
    """
    raw, came = np.ravel(np.asarray(chance, dtype=np.float64)), np.ravel(np.asarray(held, dtype=np.float64))
    known = ~(np.isnan(raw) | np.isnan(came))
    raw, came = raw[known], came[known]
    if raw.size < cases_min:
        return None
    features = np.stack([np.ones_like(raw), _logit(raw)], axis=1)
    believed, precision = np.array([0.0, 1.0]), np.diag([1.0, 4.0])
    weights = believed.copy()
    for _ in range(50):
        fitted = 1.0 / (1.0 + np.exp(-features @ weights))
        gradient = features.T @ (came - fitted) - precision @ (weights - believed)
        curvature = (features * (fitted * (1.0 - fitted))[:, None]).T @ features + precision
        step = np.linalg.solve(curvature, gradient)
        weights = weights + np.clip(step, -1.0, 1.0)
        if float(np.abs(step).max()) < 1e-10:
            break
    return Calibration(float(weights[0]), max(float(weights[1]), 0.05), int(raw.size))


def _logit(chance: FloatArray) -> FloatArray:
    inside = np.clip(chance, 0.005, 0.995)
    return np.asarray(np.log(inside / (1.0 - inside)), dtype=np.float64)
