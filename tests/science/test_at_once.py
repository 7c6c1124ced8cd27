"""What is worked out for many days, draws or rows at once is what plain steps give."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.catalog.species import load_species
from alertd.science.chance import SpellRule, normal_distribution, spell_chance
from alertd.science.pressure import air_of_days, mite_pressure, pressure_of_days
from alertd.science.season import UNKNOWN, SeasonPhase, season_phase, season_phases
from alertd.science.spells import trailing_count, trailing_sum
from alertd.science.spray_reasons import Reason
from alertd.science.windows import ROWS_AT_ONCE, commonest, main_reasons

SPECIES = tuple(load_species())
Floats = npt.NDArray[np.float64]


def holed(draw: np.random.Generator, values: Floats) -> Floats:
    values[draw.random(values.shape) < draw.choice([0.0, 0.1, 0.6])] = np.nan
    return values


@given(seed=st.integers(0, 10_000), species=st.sampled_from(SPECIES))
def test_phases_of_days_in_a_row_are_those_of_one_day_after_the_other(seed: int, species: str) -> None:
    draw = np.random.default_rng(seed)
    sites, n_days = 4, 12
    shape = (sites, n_days)
    heat = holed(draw, np.cumsum(draw.uniform(0.0, 30.0, shape), axis=1))
    mean_7d, high_7d, mean_10d, low_10d = (holed(draw, draw.uniform(-5.0, 40.0, shape)) for _ in range(4))
    length = draw.uniform(8.0, 17.0, shape)
    of_year = (draw.integers(1, 360) + np.arange(n_days)).astype(np.float64)
    latitude = draw.uniform(-60.0, 60.0, sites)
    before = draw.integers(-1, 4, sites).astype(np.int8)
    found = season_phases(
        heat,
        mean_7d,
        high_7d,
        mean_10d,
        low_10d,
        length,
        of_year[None, :],
        latitude[:, None],
        species,
        before,
    )
    was = before
    for day in range(n_days):
        lost = np.isnan(heat[:, day]) & (was == SeasonPhase.WINTER_REST)
        was = season_phase(
            heat[:, day], mean_7d[:, day], high_7d[:, day], mean_10d[:, day], low_10d[:, day],
            length[:, day], of_year[day], latitude, species, np.where(lost, UNKNOWN, was),
        )  # fmt: skip
        np.testing.assert_array_equal(found[:, day], was)


@given(seed=st.integers(0, 10_000), species=st.sampled_from(SPECIES), n_days=st.integers(3, 24))
def test_pressures_of_several_days_are_those_of_each_day_asked_alone(
    seed: int, species: str, n_days: int
) -> None:
    draw = np.random.default_rng(seed)
    shape = (5, n_days)
    growth, hottest = holed(draw, draw.uniform(0.0, 0.35, shape)), draw.uniform(10.0, 40.0, shape)
    rain = holed(draw, draw.choice([0.0, 0.4, 3.0, 25.0], shape, p=[0.7, 0.1, 0.1, 0.1]))
    deficit = holed(draw, draw.uniform(0.0, 5.0, shape))
    humidity = holed(draw, draw.uniform(20.0, 100.0, shape))
    host, watering = draw.uniform(0.0, 1.0, 5), draw.uniform(0.1, 1.0, 5)
    ends = np.unique(draw.integers(min(13, n_days - 1), n_days, 4))
    phase = draw.integers(-1, 4, (5, len(ends)))
    air = air_of_days(rain, deficit, humidity, ends)
    found = pressure_of_days(growth, hottest, air, phase, host, watering, ends, species)
    for i, end in enumerate(ends.tolist()):
        cut = slice(max(end - 13, 0), end + 1)
        alone = mite_pressure(
            growth[:, cut], hottest[:, cut], rain[:, cut], deficit[:, cut], humidity[:, cut], phase[:, i],
            host, watering, species,
        )  # fmt: skip
        for name, mine in found._asdict().items():
            np.testing.assert_allclose(mine[:, i], getattr(alone, name), atol=1e-12, err_msg=name)


@settings(max_examples=30)
@given(seed=st.integers(0, 10_000))
def test_the_chance_of_a_spell_is_the_share_of_its_draws_counted_plainly(seed: int) -> None:
    draw = np.random.default_rng(seed)
    days = int(draw.integers(3, 14))
    rule = SpellRule(29.4, int(draw.integers(1, 6)), 7, float(draw.choice([0.5, 5.0])))
    high, rain = draw.uniform(25.0, 36.0, days), np.round(draw.gamma(0.3, 3.0, days), 1)
    wet, observed = draw.uniform(0.0, 1.0, days), np.arange(days) < draw.integers(0, days)
    bias, spread, first = (
        draw.normal(0.0, 1.0, days),
        draw.uniform(0.5, 4.0, days),
        int(draw.integers(0, days)),
    )
    found = spell_chance(
        high, rain, wet, observed, bias, spread, first, rule, persistence=0.6, wet_day_mm=6.0, samples=200,
        seed=seed,
    )  # fmt: skip
    numbers = np.random.default_rng(seed)
    strays = numbers.standard_normal((200, days))
    for day in range(1, days):
        strays[:, day] = 0.6 * strays[:, day - 1] + math.sqrt(1.0 - 0.6**2) * strays[:, day]
    uniform, amount = numbers.random((200, days)), numbers.exponential(1.0, (200, days))
    hot = np.where(observed, high, high + bias + spread * strays) >= rule.heat_c
    depth = np.where(observed, rain, np.where(uniform < wet, amount * (rain + 6.0) / 2.0, 0.0))
    reached = (trailing_count(hot, rule.window) >= rule.hot_days) & (
        trailing_sum(depth, rule.window) <= rule.rain_max_mm
    )
    assert found == float(reached[:, first:].any(axis=-1).mean())


def test_the_normal_distribution_is_looked_up_within_its_tolerance() -> None:
    z = np.concatenate([np.linspace(-9.0, 9.0, 7919), [-np.inf, np.inf, 0.0]])
    exact = [0.5 * math.erfc(-one / math.sqrt(2.0)) for one in z.tolist()]
    np.testing.assert_allclose(normal_distribution(z), exact, atol=1e-7)
    assert np.all(np.diff(normal_distribution(np.sort(z))) >= 0.0)
    assert math.isnan(float(normal_distribution(np.nan)))
    assert float(normal_distribution(np.inf)) == pytest.approx(1.0, abs=1e-12)
    assert float(normal_distribution(-np.inf)) == pytest.approx(0.0, abs=1e-15)


def test_reasons_are_counted_alike_however_many_rows_are_counted_together() -> None:
    draw = np.random.default_rng(8)
    rows = ROWS_AT_ONCE + 37
    bits = np.zeros((rows, 50), dtype=np.uint32)
    for _ in range(3):
        bits |= (np.uint32(1) << draw.integers(0, 32, bits.shape).astype(np.uint32)) * (
            draw.random(bits.shape) < 0.4
        )
    night = Reason.OUTSIDE_HOURS | Reason.INVERSION_CLOCK
    found = commonest(bits, most=4, aside=night)
    for row in (0, ROWS_AT_ONCE - 1, ROWS_AT_ONCE, rows - 1):
        alone = main_reasons(bits[row].astype(np.int64), most=4, aside=night)
        assert [int(reason) for reason in alone] == [bit for bit in found[row].tolist() if bit]
