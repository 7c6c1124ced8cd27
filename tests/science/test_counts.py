"""Counts: the filter against published counts, a reference library, and its own promises."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from alertd.catalog.counts import load_counts
from alertd.science.counts import (
    Density,
    PredatorAdvice,
    exceedance,
    exceedance_by_day,
    grow,
    mite_days,
    next_scouting_day,
    predator_advice,
    prior,
    update,
)

NAN = float("nan")
POISSON = float("inf")

#: European red mites per apple leaf, 150 leaves, counts 0..7. Ross and Preece 1985, Statistician 34:323.
APPLE_LEAVES = np.repeat(np.arange(8), (70, 38, 17, 10, 9, 3, 2, 1))


def test_the_apple_leaves_have_their_published_moments() -> None:
    mean, variance = APPLE_LEAVES.mean(), APPLE_LEAVES.var(ddof=1)
    assert mean == pytest.approx(1.1467, abs=0.0001)
    assert variance == pytest.approx(2.2736, abs=0.0001)
    assert mean**2 / (variance - mean) == pytest.approx(1.167, abs=0.001)
    assert (APPLE_LEAVES == 0).mean() == pytest.approx(0.467, abs=0.001)


def test_the_catalogs_dispersion_is_that_of_the_apple_leaves() -> None:
    # k 1.167 by moments, 1.0246 by maximum likelihood.
    assert 0.9 <= float(load_counts().dispersion) <= 1.2


def test_after_many_leaves_the_belief_has_their_mean_and_the_spread_of_clumped_counts() -> None:
    after = update(prior(), APPLE_LEAVES.sum(), APPLE_LEAVES.size, 1.167)
    assert float(after.mean) == pytest.approx(1.1467, rel=0.02)
    spread = float(np.sqrt(after.shape) / after.rate)
    assert spread == pytest.approx(np.sqrt(2.2736 / 150), rel=0.02)


def test_poisson_counts_give_the_textbook_posterior() -> None:
    # Gamma(2, 1) prior, 7 mites on 3 leaves: Gamma(9, 4). Conjugacy, any text on Bayesian statistics.
    after = update(prior(2.0, 2.0), 7, 3, POISSON)
    assert (float(after.shape), float(after.rate)) == (9.0, 4.0)


def test_clumped_counts_say_less_than_even_ones() -> None:
    even, clumped = (update(prior(), 30, 10, k) for k in (POISSON, 1.0))
    assert float(clumped.shape) < float(even.shape)


def test_clean_taps_lower_the_belief_without_making_it_certain() -> None:
    before = prior(5.0, 1.0)
    after = update(before, 0, 10)
    assert 0.0 < float(after.mean) < float(before.mean)


def test_where_nobody_looked_nothing_is_learned() -> None:
    before = prior(np.array([2.0, 2.0, 2.0]), 1.0)
    after = update(before, np.array([NAN, 0.0, 8.0]), np.array([10.0, 0.0, 10.0]))
    np.testing.assert_array_equal(after.mean[:2], before.mean[:2])
    assert float(after.mean[2]) != 2.0


@pytest.mark.parametrize(
    ("rate", "days", "fold"),
    [(0.321, 10.0, 24.8), (0.321, 14.0, 89.5), (0.080, 10.0, 2.2), (0.262, 7.0, 6.26)],
)
def test_growth_multiplies_the_mean_as_published_rates_do(rate: float, days: float, fold: float) -> None:
    # Bounfour and Tanigoshi 2001 at 30 and 15 degC; Huffaker 1958, Hilgardia 27: 98 to 612 mites in the
    # first week is 0.262 per day (612 / 98 = 6.24).
    later = grow(prior(2.0, 4.0), rate, days)
    assert float(later.mean) / 2.0 == pytest.approx(fold, rel=0.02)


def test_huffakers_first_week_grew_by_a_quarter_a_day() -> None:
    assert np.log(612 / 98) / 7 == pytest.approx(0.262, abs=0.001)


def test_the_longer_ago_the_count_the_wider_the_belief() -> None:
    shapes = [float(grow(prior(2.0, 4.0), 0.1, days).shape) for days in (0.0, 3.0, 10.0, 30.0)]
    assert shapes == sorted(shapes, reverse=True)
    assert shapes[0] == pytest.approx(4.0)


def test_growing_in_two_steps_is_growing_in_one() -> None:
    once = grow(prior(2.0, 4.0), 0.2, 9.0)
    twice = grow(grow(prior(2.0, 4.0), 0.2, 4.0), 0.2, 5.0)
    assert float(twice.shape) == pytest.approx(float(once.shape), rel=1e-9)
    assert float(twice.mean) == pytest.approx(float(once.mean), rel=1e-9)


def test_unknown_growth_widens_the_belief_all_the_same() -> None:
    later = grow(prior(2.0, 4.0), NAN, 5.0)
    assert float(later.mean) == pytest.approx(2.0)
    assert float(later.shape) < 4.0


def test_the_upper_tail_is_that_of_the_reference_library() -> None:
    shape = np.geomspace(1e-3, 5e3, 60)[:, None]
    ratio = np.geomspace(1e-4, 30.0, 60)[None, :]
    x = shape * ratio
    tail = exceedance(Density(np.broadcast_to(shape, x.shape), np.ones_like(x)), x)
    np.testing.assert_allclose(tail, special.gammaincc(shape, x), rtol=1e-8, atol=1e-12)
    assert float(exceedance(Density(np.array(3.0), np.array(0.5)), 8.0)) == pytest.approx(
        stats.gamma.sf(8.0, 3.0, scale=2.0), rel=1e-12
    )


def test_with_a_threshold_of_zero_there_is_always_too_much() -> None:
    assert float(exceedance(prior(), 0.0)) == 1.0


def test_the_next_visit_falls_on_the_day_the_risk_is_passed() -> None:
    belief = update(prior(), 8, 10)
    probability = exceedance_by_day(belief, np.full((1, 14), 0.25), 10.0)
    day = int(next_scouting_day(probability)[0])
    risk = float(load_counts().scouting_risk)
    assert 0 < day < 13
    assert probability[0, day] >= risk > probability[0, day - 1]
    assert next_scouting_day(probability, 0.999).tolist() == [-1]


def test_heat_brings_the_next_visit_forward() -> None:
    belief = update(prior(np.full(2, 0.5), 0.5), np.full(2, 8.0), 10)
    growth = np.repeat([[0.07], [0.30]], 21, axis=1)
    cool, hot = next_scouting_day(exceedance_by_day(belief, growth, 10.0)).tolist()
    assert 0 <= hot < cool or cool == -1


def test_no_days_ahead_give_no_probability() -> None:
    assert exceedance_by_day(prior(), np.empty((1, 0)), 10.0).shape == (1, 0)


def test_mite_days_add_up_and_skip_unknown_days() -> None:
    assert mite_days([[1.0, 2.0, NAN, 4.0], [0.0, 0.0, 0.0, 0.0]]).tolist() == [7.0, 0.0]


@pytest.mark.parametrize(
    ("predators", "mites", "rising", "advice"),
    [
        (10, 100, True, PredatorAdvice.HOLD),  # University of California IPM: one for ten suffices
        (0, 0, True, PredatorAdvice.HOLD),
        (9, 100, True, PredatorAdvice.RECHECK),  # common practice from here on
        (5, 100, True, PredatorAdvice.RECHECK),
        (4, 100, True, PredatorAdvice.ACT),
        (4, 100, False, PredatorAdvice.RECHECK),
        (NAN, 100, True, PredatorAdvice.UNKNOWN),
        (5, NAN, True, PredatorAdvice.UNKNOWN),
    ],
)
def test_the_predator_ratio_advises(
    predators: float, mites: float, rising: bool, advice: PredatorAdvice
) -> None:
    assert PredatorAdvice(int(predator_advice(predators, mites, rising))) is advice


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: prior(0.0), "mean"),
        (lambda: prior(1.0, -1.0), "shape"),
        (lambda: update(prior(), -1, 10), "negative"),
        (lambda: update(prior(), 3, 0), "samples"),
        (lambda: grow(prior(), 0.1, -1.0), "days"),
        (lambda: exceedance(prior(), -1.0), "threshold"),
        (lambda: predator_advice(-1, 5), "predators"),
    ],
)
def test_impossible_counts_are_refused(call: object, named: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=named):
        call()


@given(st.floats(0.01, 50.0), st.floats(0.05, 50.0), st.floats(0.0, 100.0), st.floats(0.0, 50.0))
def test_the_probability_falls_as_the_threshold_rises(
    mean: float, shape: float, threshold: float, more: float
) -> None:
    belief = prior(mean, shape)
    low, high = float(exceedance(belief, threshold)), float(exceedance(belief, threshold + more))
    assert 0.0 <= high <= low + 1e-12
    assert low <= 1.0


@given(st.integers(0, 500), st.integers(1, 50), st.integers(1, 100))
def test_more_mites_on_the_same_taps_never_lower_the_belief(found: int, taps: int, more: int) -> None:
    few, many = update(prior(), found, taps), update(prior(), found + more, taps)
    assert float(many.mean) >= float(few.mean) - 1e-9
