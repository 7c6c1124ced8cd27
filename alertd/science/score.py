"""How good warnings and probabilities were: scores of the verification of forecasts.

References
----------
WWRP/WGNE Joint Working Group on Forecast Verification Research, Forecast verification: issues, methods
and FAQ. Finley 1884 is the classic example.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import FloatArray, IntArray


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole else float("nan")


@dataclass(frozen=True, slots=True)
class Contingency:
    """Counts of warnings against what came; every score is NaN where its denominator is 0."""

    hits: int
    false_alarms: int
    misses: int
    correct_negatives: int

    @property
    def total(self) -> int:
        """All cases."""
        return self.hits + self.false_alarms + self.misses + self.correct_negatives

    @property
    def proportion_correct(self) -> float:
        """Share of right cases; flatters whoever never warns of a rare event."""
        return _ratio(self.hits + self.correct_negatives, self.total)

    @property
    def frequency_bias(self) -> float:
        """Warnings per event; 1 is right."""
        return _ratio(self.hits + self.false_alarms, self.hits + self.misses)

    @property
    def probability_of_detection(self) -> float:
        """Share of events that were warned of (POD)."""
        return _ratio(self.hits, self.hits + self.misses)

    @property
    def false_alarm_ratio(self) -> float:
        """Share of warnings that were not followed by the event (FAR)."""
        return _ratio(self.false_alarms, self.hits + self.false_alarms)

    @property
    def probability_of_false_detection(self) -> float:
        """Share of non-events that were warned of (POFD, the false alarm rate)."""
        return _ratio(self.false_alarms, self.false_alarms + self.correct_negatives)

    @property
    def critical_success_index(self) -> float:
        """Hits among all cases with a warning or an event (CSI, threat score)."""
        return _ratio(self.hits, self.hits + self.false_alarms + self.misses)

    @property
    def equitable_threat_score(self) -> float:
        """CSI less the hits that chance would give (ETS, Gilbert skill score)."""
        chance = _ratio((self.hits + self.false_alarms) * (self.hits + self.misses), self.total)
        return _ratio(self.hits - chance, self.hits + self.false_alarms + self.misses - chance)

    @property
    def heidke_skill_score(self) -> float:
        """Proportion correct less chance, 1 perfect, 0 no skill (HSS)."""
        a, b, c, d = self.hits, self.false_alarms, self.misses, self.correct_negatives
        return _ratio(2.0 * (a * d - b * c), (a + c) * (c + d) + (a + b) * (b + d))

    @property
    def peirce_skill_score(self) -> float:
        """POD less POFD (PSS, true skill statistic)."""
        return self.probability_of_detection - self.probability_of_false_detection

    @property
    def odds_ratio(self) -> float:
        """Odds of a hit over the odds of a false alarm."""
        return _ratio(self.hits * self.correct_negatives, self.false_alarms * self.misses)


def contingency(warned: npt.ArrayLike, came: npt.ArrayLike) -> Contingency:
    """Count warnings against events.

    Parameters
    ----------
    warned, came : array_like, same shape
        True or 1, False or 0; NaN (unknown) in either leaves the case out.

    Returns
    -------
    Contingency
        The four counts.

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    said, true = _pairs(warned, came, "warned", "came")
    yes, event = said > 0.5, true > 0.5
    return Contingency(
        hits=int(np.count_nonzero(yes & event)),
        false_alarms=int(np.count_nonzero(yes & ~event)),
        misses=int(np.count_nonzero(~yes & event)),
        correct_negatives=int(np.count_nonzero(~yes & ~event)),
    )


@dataclass(frozen=True, slots=True)
class Brier:
    """Brier score and its parts: score = reliability - resolution + uncertainty + within-bin rest."""

    score: float
    reliability: float
    resolution: float
    uncertainty: float
    count: int

    @property
    def skill(self) -> float:
        """Brier skill score against the frequency of the sample: 1 perfect, 0 none."""
        return brier_skill_score(self.score, self.uncertainty)


@dataclass(frozen=True, slots=True, eq=False)
class Reliability:
    """What came after each class of forecast probability.

    Attributes
    ----------
    count : ndarray of int, shape (bin,)
        Cases in the class.
    mean_forecast, observed_frequency : ndarray, shape (bin,)
        NaN in an empty class. [1]
    """

    count: IntArray
    mean_forecast: FloatArray
    observed_frequency: FloatArray


def brier_score(probability: npt.ArrayLike, came: npt.ArrayLike) -> float:
    """Mean squared error of probabilities.

    Parameters
    ----------
    probability : array_like
        Forecast probability, 0..1; NaN leaves the case out. [1]
    came : array_like, same shape
        1 or True where the event came, else 0; NaN leaves the case out.

    Returns
    -------
    float
        0 is perfect; NaN without cases.

    Raises
    ------
    ValueError
        If the shapes differ or a probability is outside 0..1.
    """
    forecast, event = _probability_pairs(probability, came)
    return float(np.mean((forecast - event) ** 2)) if forecast.size else float("nan")


def brier_skill_score(score: float, reference_score: float) -> float:
    """Share by which a Brier score is better than a reference.

    Parameters
    ----------
    score, reference_score : float
        Brier scores; the reference is often the uncertainty of the sample.

    Returns
    -------
    float
        1 perfect, 0 no better, negative worse; NaN if the reference is 0.
    """
    return 1.0 - _ratio(score, reference_score)


def reliability(probability: npt.ArrayLike, came: npt.ArrayLike, edges: npt.ArrayLike) -> Reliability:
    """Sort forecasts by probability and count what came.

    Parameters
    ----------
    probability, came : array_like
        As for `brier_score`.
    edges : array_like, shape (bin + 1,)
        Rising limits of the classes from 0 to 1; a class holds its lower limit, the last one both.

    Returns
    -------
    Reliability
        One entry per class.

    Raises
    ------
    ValueError
        As for `brier_score`, or if the limits do not rise from 0 to 1.
    """
    forecast, event = _probability_pairs(probability, came)
    limits = np.asarray(edges, dtype=np.float64)
    if (
        limits.ndim != 1
        or limits.size < 2
        or limits[0] != 0.0
        or limits[-1] != 1.0
        or np.any(np.diff(limits) <= 0)
    ):
        raise ValueError(f"edges: {edges!r} does not rise from 0 to 1")
    bins = limits.size - 1
    place = np.minimum(np.searchsorted(limits, forecast, side="right") - 1, bins - 1)
    count = np.bincount(place, minlength=bins)
    filled = np.where(count > 0, count, np.nan)
    return Reliability(
        count=count,
        mean_forecast=np.bincount(place, weights=forecast, minlength=bins) / filled,
        observed_frequency=np.bincount(place, weights=event, minlength=bins) / filled,
    )


def brier_decomposition(probability: npt.ArrayLike, came: npt.ArrayLike, edges: npt.ArrayLike) -> Brier:
    r"""Brier score with reliability, resolution and uncertainty.

    Parameters
    ----------
    probability, came, edges
        As for `reliability`.

    Returns
    -------
    Brier
        NaN throughout without cases.

    Raises
    ------
    ValueError
        As for `reliability`.

    Notes
    -----
    .. math:: BS = \frac{1}{n}\sum_k n_k (p_k - o_k)^2 - \frac{1}{n}\sum_k n_k (o_k - \bar o)^2
              + \bar o (1 - \bar o)

    exact where all forecasts of a class are equal; else a small rest of the spread within classes
    remains.

    References
    ----------
    Murphy 1973, A new vector partition of the probability score, J. Appl. Meteor. 12:595-600 (citation
    from memory).
    """
    forecast, event = _probability_pairs(probability, came)
    table = reliability(forecast, event, edges)
    if not forecast.size:
        unknown = float("nan")
        return Brier(unknown, unknown, unknown, unknown, 0)
    base = float(np.mean(event))
    weight = table.count / forecast.size
    return Brier(
        score=brier_score(forecast, event),
        reliability=float(np.nansum(weight * (table.mean_forecast - table.observed_frequency) ** 2)),
        resolution=float(np.nansum(weight * (table.observed_frequency - base) ** 2)),
        uncertainty=base * (1.0 - base),
        count=int(forecast.size),
    )


def _probability_pairs(probability: npt.ArrayLike, came: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    forecast, event = _pairs(probability, came, "probability", "came")
    if np.any((forecast < 0.0) | (forecast > 1.0)):
        raise ValueError("probability: lies outside 0..1")
    return forecast, event


def _pairs(
    first: npt.ArrayLike, second: npt.ArrayLike, first_name: str, second_name: str
) -> tuple[FloatArray, FloatArray]:
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.shape != b.shape:
        raise ValueError(f"{first_name}: shape {a.shape} differs from that of {second_name}, {b.shape}")
    known = ~(np.isnan(a) | np.isnan(b))
    return a[known], b[known]
