"""Chances against exact values, reference functions and synthetic forecasts whose error is known."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from alertd.science.chance import (
    CLASS_EDGES_H,
    Calibration,
    ErrorSpread,
    SpellRule,
    chance_within,
    fit_calibration,
    normal_distribution,
    prior_errors,
    rising,
    spell_chance,
    verified_errors,
    window_chance,
)
from alertd.science.score import brier_decomposition, reliability

PRIOR = prior_errors((0.0, 1.0, 3.0, 7.0, 10.0), (1.0, 1.5, 2.5, 4.0, 5.0))
WATCH = SpellRule(heat_c=29.4, hot_days=5, window=7, rain_max_mm=5.0)
EDGES = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)


def spell(
    high: object = 33.0,
    chance: object = 0.0,
    spread: object = 1.5,
    *,
    days: int = 13,
    samples: int = 400,
    **more: object,
) -> float:
    """Chance of a spell: six observed days, then forecast ones; the step may be reached from day 6 on."""
    full = {
        name: np.full(days, value, dtype=float)
        for name, value in (("high", high), ("chance", chance), ("spread", spread))
    }
    rain = np.full(days, more.get("rain", 0.0), dtype=float)
    return spell_chance(
        full["high"], rain, full["chance"], np.arange(days) < 6, np.full(days, more.get("bias", 0.0)),
        full["spread"], 6, WATCH,
        persistence=float(more.get("persistence", 0.6)), wet_day_mm=6.0, samples=samples,
    )  # type: ignore[arg-type]  # fmt: skip


def test_the_normal_distribution_agrees_with_the_reference_library() -> None:
    z = np.linspace(-9.0, 9.0, 1999)
    np.testing.assert_allclose(normal_distribution(z), stats.norm.cdf(z), atol=1e-7)
    assert normal_distribution([-np.inf, np.inf]).tolist() == pytest.approx([0.0, 1.0], abs=1e-12)
    assert math.isnan(float(normal_distribution(np.nan)))


def test_a_limit_one_spread_away_holds_in_84_of_100_cases() -> None:
    # normal table: 0.8413 below +1, 0.6827 between -1 and +1
    assert float(chance_within(np.inf, 2.0, 0.0, 2.0)) == pytest.approx(0.8413, abs=1e-4)
    assert float(chance_within(2.0, 2.0, 0.0, 2.0)) == pytest.approx(0.6827, abs=1e-4)


def test_a_bias_towards_the_limit_lowers_the_chance() -> None:
    assert float(chance_within(np.inf, 2.0, 1.0, 2.0)) == pytest.approx(0.6915, abs=1e-4)


@given(
    room=st.floats(0.0, 20.0),
    more=st.floats(0.0, 10.0),
    spread=st.floats(0.1, 8.0),
    wider=st.floats(0.0, 5.0),
)
def test_more_room_never_lowers_a_chance_and_a_wider_spread_never_raises_it(
    room: float, more: float, spread: float, wider: float
) -> None:
    chance = float(chance_within(np.inf, room, 0.0, spread))
    assert float(chance_within(np.inf, room + more, 0.0, spread)) >= chance - 1e-12
    assert float(chance_within(np.inf, room, 0.0, spread + wider)) <= chance + 1e-7


@given(room=st.floats(0.0, 20.0), lead=st.floats(0.0, 240.0), later=st.floats(0.0, 240.0))
def test_a_later_hour_never_has_the_better_chance(room: float, lead: float, later: float) -> None:
    def chance(lead_h: float) -> float:
        bias, spread = PRIOR.at(lead_h)
        return float(chance_within(room, room, bias, spread))

    assert chance(lead + later) <= chance(lead) + 1e-7


@pytest.mark.parametrize("missing", range(4))
def test_an_unknown_value_gives_no_chance(missing: int) -> None:
    values = [1.0, 1.0, 0.0, 1.0]
    values[missing] = math.nan
    assert math.isnan(float(chance_within(*values)))


def test_a_window_is_as_good_as_its_worst_hour_in_each_group_times_the_chance_of_no_rain() -> None:
    wind, gust, air = [0.9, 0.8], [0.95, 0.7], [1.0, 0.6]
    assert float(window_chance([[wind, gust], [air]], 0.25)) == pytest.approx(0.7 * 0.6 * 0.75)


@pytest.mark.parametrize("part", ["wind", "air", "rain"])
def test_a_window_with_an_unknown_part_has_no_chance(part: str) -> None:
    wind, air, rain = (
        [0.9, math.nan if part == "wind" else 0.9],
        [math.nan if part == "air" else 1.0, 1.0],
        0.1,
    )
    assert math.isnan(float(window_chance([[wind], [air]], math.nan if part == "rain" else rain)))


def test_the_archive_of_nothing_leaves_the_prior() -> None:
    found = verified_errors(PRIOR, [], [], [], prior_days=20.0)
    middle = [(a + b) / 2.0 for a, b in itertools.pairwise(CLASS_EDGES_H)]
    np.testing.assert_allclose(found.spread, PRIOR.at(middle)[1])
    assert found.days == (0,) * 6
    assert set(found.bias) == {0.0}


def test_the_archive_of_a_class_is_weighed_by_its_days_by_hand() -> None:
    # first class: prior spread at 12 h = 1.25; two days with errors 1 and 3: mean 2, mean square 5
    found = verified_errors(PRIOR, [1.0, 3.0], [6.0, 7.0], [100, 101], prior_days=2.0)
    bias = 2 * 2.0 / 4.0
    variance = (2 * 1.25**2 + 2 * (5.0 - 2 * bias * 2.0 + bias**2)) / 4.0
    assert found.bias[0] == pytest.approx(bias)
    assert found.spread[0] == pytest.approx(math.sqrt(variance))
    assert found.days[0] == 2


def test_many_hours_of_one_day_count_as_one_case() -> None:
    many = verified_errors(PRIOR, [4.0] * 24, np.arange(24.0), [7] * 24, prior_days=20.0)
    one = verified_errors(PRIOR, [4.0], [3.0], [7], prior_days=20.0)
    assert many.bias[0] == pytest.approx(one.bias[0])
    assert many.days[0] == one.days[0] == 1


def test_a_long_archive_outweighs_a_wrong_prior() -> None:
    draw = np.random.default_rng(1)
    days = np.arange(4000)
    found = verified_errors(
        PRIOR, 0.8 + 0.5 * draw.standard_normal(4000), np.full(4000, 12.0), days, prior_days=20.0
    )
    assert found.bias[0] == pytest.approx(0.8, abs=0.05)
    assert found.spread[0] == pytest.approx(0.5, abs=0.05)


@given(st.lists(st.tuples(st.floats(0.0, 10.0), st.floats(0.1, 5.0)), min_size=1, max_size=12))
def test_pooled_spreads_never_sink_and_keep_their_weighted_mean(pairs: list[tuple[float, float]]) -> None:
    values, weights = zip(*pairs, strict=True)
    pooled = rising(values, weights)
    assert np.all(np.diff(pooled) >= -1e-12)
    assert np.average(pooled, weights=weights) == pytest.approx(np.average(values, weights=weights))


def test_a_prior_that_sinks_with_lead_time_is_refused() -> None:
    with pytest.raises(ValueError, match="sinks"):
        prior_errors((0.0, 1.0), (2.0, 1.0))


def test_chances_of_windows_are_reliable_where_the_error_is_known() -> None:
    # 6000 invented windows with room of -1..4 spreads and normal errors: each class comes true as told,
    # within three standard errors of a binomial share
    draw = np.random.default_rng(20)
    room, spread = draw.uniform(-1.0, 8.0, 6000), draw.uniform(1.0, 3.0, 6000)
    chance = chance_within(np.inf, room, 0.3, spread)
    came = 0.3 + spread * draw.standard_normal(6000) <= room
    table = reliability(chance, came, EDGES)
    error = np.sqrt(table.mean_forecast * (1.0 - table.mean_forecast) / table.count)
    filled = table.count > 0
    assert filled.sum() == 5
    assert np.all(np.abs(table.observed_frequency - table.mean_forecast)[filled] < 3.0 * error[filled])
    assert brier_decomposition(chance, came, EDGES).reliability < 0.001


def test_errors_learned_from_an_archive_give_reliable_chances_afterwards() -> None:
    # a forecaster twice as good as the prior and 1 degC too cold: 400 days teach it, 4000 test it
    draw = np.random.default_rng(3)
    errors = 1.0 + 0.75 * draw.standard_normal(400)
    bias, spread = verified_errors(PRIOR, errors, np.full(400, 24.5), np.arange(400), prior_days=20.0).at(
        36.0
    )
    room = draw.uniform(-1.0, 4.0, 4000)
    came = 1.0 + 0.75 * draw.standard_normal(4000) <= room
    learned = brier_decomposition(chance_within(np.inf, room, bias, spread), came, EDGES)
    blind = brier_decomposition(chance_within(np.inf, room, *PRIOR.at(36.0)), came, EDGES)
    assert learned.reliability < 0.002
    assert learned.score < blind.score


def test_chances_of_spells_are_reliable_where_the_error_is_known() -> None:
    # invented spells near the heat line; what came is drawn with the same spread and persistence
    draw = np.random.default_rng(11)
    chances, came = [], []
    for _ in range(500):
        high, spread = draw.uniform(28.0, 33.0), draw.uniform(1.0, 3.0)
        chances.append(spell(high, 0.0, spread, samples=300))
        noise = draw.standard_normal(13)
        for day in range(7, 13):
            noise[day] = 0.6 * noise[day - 1] + 0.8 * noise[day]
        true = np.where(np.arange(13) < 6, high, high + spread * noise)
        hot = (true >= WATCH.heat_c).astype(int)
        came.append(any(hot[day - 6 : day + 1].sum() >= 5 for day in range(6, 13)))
    table = reliability(chances, np.array(came, dtype=float), EDGES)
    error = np.sqrt(np.maximum(table.mean_forecast * (1.0 - table.mean_forecast), 0.02) / table.count)
    filled = table.count >= 15
    assert filled.sum() >= 3
    assert np.all(np.abs(table.observed_frequency - table.mean_forecast)[filled] < 3.0 * error[filled])


def test_a_spell_that_is_observed_needs_no_luck() -> None:
    high = np.full(8, 33.0)
    dry = np.zeros(8)
    chance = spell_chance(
        high,
        dry,
        dry,
        np.ones(8, dtype=bool),
        dry,
        np.ones(8),
        6,
        WATCH,
        persistence=0.6,
        wet_day_mm=6.0,
        samples=50,
    )
    assert chance == 1.0


def test_one_seed_gives_one_answer() -> None:
    assert spell(30.0, 0.2) == spell(30.0, 0.2)


@given(
    high=st.floats(25.0, 38.0),
    warmer=st.floats(0.0, 5.0),
    wet=st.floats(0.0, 1.0),
    wetter=st.floats(0.0, 1.0),
)
def test_a_warmer_or_drier_forecast_never_has_the_lower_chance_of_a_spell(
    high: float, warmer: float, wet: float, wetter: float
) -> None:
    here = spell(high, wet, samples=100)
    assert spell(high + warmer, wet, samples=100) >= here
    assert spell(high, min(1.0, wet + wetter), samples=100) <= here


@given(spread=st.floats(0.2, 4.0), wider=st.floats(0.0, 4.0))
def test_a_spell_above_the_heat_line_is_less_certain_the_further_ahead_it_lies(
    spread: float, wider: float
) -> None:
    assert spell(31.0, 0.0, spread + wider, samples=100) <= spell(31.0, 0.0, spread, samples=100)


@pytest.mark.parametrize("missing", ["high", "chance", "spread", "rain", "bias"])
def test_a_spell_with_a_missing_value_has_no_chance(missing: str) -> None:
    assert math.isnan(spell(**{missing: math.nan}))  # type: ignore[arg-type]


def test_too_few_cases_correct_nothing() -> None:
    assert fit_calibration(np.full(29, 0.8), np.ones(29), cases_min=30) is None
    assert fit_calibration(np.full(40, math.nan), np.ones(40), cases_min=30) is None


def test_boastful_chances_are_brought_down_to_what_came() -> None:
    draw = np.random.default_rng(5)
    told = draw.uniform(0.5, 0.95, 3000)
    came = draw.random(3000) < told - 0.3
    found = fit_calibration(told, came, cases_min=30)
    assert found is not None
    corrected = found(told)
    assert brier_decomposition(corrected, came, EDGES).reliability < 0.002
    assert brier_decomposition(told, came, EDGES).reliability > 0.08


def test_a_few_cases_move_a_chance_only_a_little() -> None:
    found = fit_calibration(np.tile([0.6, 0.8], 15), np.tile([1.0, 0.0], 15), cases_min=30)
    assert found is not None
    assert 0.2 < float(found(0.8)) < 0.8


@given(
    st.lists(st.tuples(st.floats(0.0, 1.0), st.booleans()), min_size=30, max_size=60),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
)
def test_a_correction_keeps_the_order_of_chances(
    cases: list[tuple[float, bool]], one: float, other: float
) -> None:
    chance, came = zip(*cases, strict=True)
    found = fit_calibration(chance, np.array(came, dtype=float), cases_min=30)
    assert isinstance(found, Calibration)
    low, high = sorted((one, other))
    assert 0.0 < float(found(low)) <= float(found(high)) < 1.0


def test_a_spread_between_two_lead_times_lies_between_theirs() -> None:
    bias, spread = ErrorSpread((0.0, 24.0), (0.0, 1.0), (1.0, 2.0), (0, 0)).at([12.0, 48.0])
    assert bias.tolist() == [0.5, 1.0]
    assert spread.tolist() == [1.5, 2.0]
