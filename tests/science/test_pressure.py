"""Mite pressure: sensible ends, honest parts, no alarm at the wrong time of year."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.catalog.pressure import load_pressure
from alertd.catalog.species import load_species
from alertd.science.development import intrinsic_rate
from alertd.science.pressure import PressureParts, mite_pressure
from alertd.science.season import SeasonPhase

Array = npt.NDArray[np.float64]
SPECIES = tuple(load_species())
WARM = ("twospotted", "european_red", "honeylocust", "oak", "boxwood")
DAYS = 14
PARTS = ("heat", "dryness", "run", "host", "rain")


def growth(species: str, low_c: float, high_c: float) -> float:
    hour = np.arange(24)
    day_c = (low_c + high_c) / 2 + (high_c - low_c) / 2 * np.sin((hour - 9) / 24 * 2 * np.pi)
    return float(intrinsic_rate(day_c, species).mean())


def fortnight(
    species: str,
    low_c: float,
    high_c: float,
    *,
    rain_mm: float | list[float] = 0.0,
    deficit_kpa: float = 2.0,
    humidity_pct: float = 60.0,
    phase: SeasonPhase = SeasonPhase.ACTIVE,
    host: float = 1.0,
    irrigation: float = 1.0,
) -> PressureParts:
    days = np.ones((1, DAYS))
    return mite_pressure(
        days * growth(species, low_c, high_c), days * high_c, days * np.asarray(rain_mm), days * deficit_kpa,
        days * humidity_pct, phase, host, irrigation, species,
    )  # fmt: skip


def test_a_cool_wet_fortnight_is_near_zero() -> None:
    score = fortnight("twospotted", 10.0, 16.0, rain_mm=8.0, deficit_kpa=0.3, humidity_pct=88.0).score
    assert score[0] <= 3.0


def test_the_published_worst_is_near_a_hundred() -> None:
    # 1 July to 4 September 2012: Michigan cities had 12-24 days of 90 degF and more (Michigan State
    # University and press); a fortnight of 20/35 degC without rain.
    assert fortnight("twospotted", 20.0, 35.0, deficit_kpa=3.5, humidity_pct=45.0).score[0] >= 95.0


@pytest.mark.parametrize("species", WARM)
def test_every_warm_season_mite_can_reach_the_top_in_hot_dry_weather(species: str) -> None:
    best_c = min(30.0, float(load_species()[species].optimum_c))
    assert fortnight(species, best_c - 9.0, best_c + 3.0, deficit_kpa=3.0).score[0] >= 85.0


def test_a_july_heat_wave_raises_no_spruce_mite_alarm() -> None:
    resting = fortnight("spruce", 22.0, 35.0, phase=SeasonPhase.SUMMER_REST)
    assert resting.score[0] == 0.0
    # Even before the seven-day means have sent it to rest.
    assert fortnight("spruce", 22.0, 35.0).score[0] == 0.0


def test_the_first_days_of_a_heat_wave_only_ever_lower_the_spruce_mite_pressure() -> None:
    base = np.full((1, DAYS), growth("spruce", 12.0, 24.0))
    hottest = np.full((1, DAYS), 24.0)
    scores = []
    for hot_days in range(8):
        now, now_max = base.copy(), hottest.copy()
        if hot_days:
            now[:, -hot_days:], now_max[:, -hot_days:] = growth("spruce", 22.0, 35.0), 35.0
        flat = np.ones((1, DAYS))
        scores.append(
            mite_pressure(now, now_max, flat * 0, flat * 1.5, flat * 60, 1, 1.0, 1.0, "spruce").score[0]
        )
    assert scores == sorted(scores, reverse=True)
    assert scores[-1] < float(load_pressure().levels.watch)


def test_a_cool_dry_april_can_raise_a_spruce_mite_alarm() -> None:
    score = fortnight("spruce", 8.0, 20.0, deficit_kpa=1.2).score[0]
    assert score >= float(load_pressure().levels.watch)
    assert fortnight("twospotted", 8.0, 20.0, deficit_kpa=1.2).score[0] < 25.0


def test_an_ordinary_summer_fortnight_lies_between() -> None:
    ordinary = fortnight("twospotted", 15.0, 26.0, rain_mm=[0, 0, 6, 0, 0, 0, 12, 0, 0, 3, 0, 0, 0, 8])
    assert 5.0 <= ordinary.score[0] < float(load_pressure().levels.watch)


@pytest.mark.parametrize("phase", [SeasonPhase.WINTER_REST, SeasonPhase.SUMMER_REST, SeasonPhase.SEASON_OVER])
def test_a_species_at_rest_has_no_pressure(phase: SeasonPhase) -> None:
    parts = fortnight("twospotted", 20.0, 35.0, phase=phase)
    assert [float(getattr(parts, name)[0]) for name in ("score", *PARTS)] == [0.0] * 6


def test_irrigation_lowers_and_never_zeroes() -> None:
    ways = {name: float(figure) for name, figure in load_pressure().irrigation.items()}
    dry = fortnight("twospotted", 20.0, 35.0).score[0]
    for name, factor in ways.items():
        watered = fortnight("twospotted", 20.0, 35.0, irrigation=factor).score[0]
        assert dry * 0.5 < watered <= dry, name
    assert ways["overhead"] < ways["drip"] < ways["none"] == ways["unknown"]


def test_unknown_irrigation_counts_as_none() -> None:
    unknown = fortnight("twospotted", 20.0, 35.0, irrigation=float("nan"))
    assert unknown.score[0] == fortnight("twospotted", 20.0, 35.0, irrigation=1.0).score[0]


def test_a_poor_host_takes_its_share_and_says_so() -> None:
    good, poor = fortnight("twospotted", 20.0, 35.0), fortnight("twospotted", 20.0, 35.0, host=0.5)
    assert poor.score[0] == pytest.approx(good.score[0] * 0.5)
    assert poor.host[0] == pytest.approx(-good.score[0] * 0.5)


@pytest.mark.parametrize(
    ("rain_mm", "loss"), [(0.0, 0.0), (2.4, 0.0), (12.0, 0.175), (25.0, 0.375), (75.0, 0.75), (120.0, 0.75)]
)
def test_rain_of_the_last_day_relieves_by_the_common_steps(rain_mm: float, loss: float) -> None:
    # Common practice: nothing below 2.5 mm, 10 % to 12, 25 % to 25, 50 % above, 75 % from 75 mm in 24 h.
    parts = fortnight("twospotted", 20.0, 35.0, rain_mm=[0.0] * 13 + [rain_mm])
    assert parts.rain[0] == pytest.approx(-loss * (parts.heat[0] + parts.dryness[0] + parts.run[0]))


def test_relief_fades_with_the_age_of_the_rain() -> None:
    relief = []
    for age in range(13):
        rain = [0.0] * DAYS
        rain[DAYS - 1 - age] = 30.0
        parts = fortnight("twospotted", 20.0, 35.0, rain_mm=rain)
        relief.append(float(parts.rain[0] / (parts.heat[0] + parts.dryness[0] + parts.run[0])))
    assert relief == sorted(relief)
    assert relief[-1] == 0.0


def test_a_moist_spell_relieves_as_fungus_does() -> None:
    # J. Econ. Entomol. 75:691, 1982: fungus rose after about 40 h above 90 % humidity.
    assert fortnight("twospotted", 20.0, 35.0, humidity_pct=92.0).rain[0] < 0.0
    assert fortnight("twospotted", 20.0, 35.0, humidity_pct=85.0).rain[0] == 0.0


def test_a_wetting_rain_or_a_cold_day_ends_the_run_and_a_drizzle_does_not() -> None:
    drizzle, wet = [0.0] * DAYS, [0.0] * DAYS
    drizzle[-4], wet[-4] = 3.0, 8.0
    assert fortnight("twospotted", 20.0, 35.0).run_d[0] == 14.0
    assert fortnight("twospotted", 20.0, 35.0, rain_mm=drizzle).run_d[0] == 13.0
    assert fortnight("twospotted", 20.0, 35.0, rain_mm=wet).run_d[0] == 3.0
    assert fortnight("twospotted", 5.0, 15.0).run_d[0] == 0.0


def test_too_few_known_days_make_the_pressure_unknown_and_never_low() -> None:
    flat = np.ones((2, DAYS))
    rate = flat * growth("twospotted", 20.0, 35.0)
    rate[0, :8] = np.nan
    rate[1, :7] = np.nan
    parts = mite_pressure(rate, flat * 35, flat * 0, flat * 3.5, flat * 45, 1, 1.0, 1.0, "twospotted")
    assert np.isnan(parts.score[0])
    assert parts.score[1] > 80.0


def test_unknown_rain_is_not_rain_and_unknown_air_leaves_the_rest() -> None:
    flat = np.ones((1, DAYS))
    rate, none = flat * growth("twospotted", 20.0, 35.0), flat * np.nan
    parts = mite_pressure(rate, flat * 35, none, none, none, 1, 1.0, 1.0, "twospotted")
    assert parts.rain[0] == 0.0
    assert parts.dryness[0] == 0.0
    assert parts.score[0] == pytest.approx(50.0)


def test_impossible_input_is_refused() -> None:
    flat = np.ones((2, DAYS))
    with pytest.raises(ValueError, match="shape"):
        mite_pressure(flat, flat[:1], flat, flat, flat, 1, 1.0, 1.0, "twospotted")
    with pytest.raises(ValueError, match="host_factor"):
        mite_pressure(flat, flat, flat, flat, flat, 1, 1.2, 1.0, "twospotted")
    with pytest.raises(ValueError, match="never zeroes"):
        mite_pressure(flat, flat, flat, flat, flat, 1, 1.0, 0.0, "twospotted")
    with pytest.raises(ValueError, match="species"):
        mite_pressure(flat, flat, flat, flat, flat, 1, 1.0, 1.0, "wolf")


def seasons(n_sites: int, rng: np.random.Generator) -> tuple[Array, ...]:
    rate = rng.uniform(0.0, 0.35, (n_sites, DAYS))
    rate[rng.random(rate.shape) < 0.1] = np.nan
    rain = np.where(rng.random(rate.shape) < 0.7, 0.0, rng.exponential(10.0, rate.shape))
    return (
        rate,
        rng.uniform(5, 42, rate.shape),
        rain,
        rng.uniform(0, 6, rate.shape),
        rng.uniform(20, 100, rate.shape),
    )


@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1), st.sampled_from(SPECIES), st.floats(0.0, 1.0), st.floats(0.1, 1.0))
def test_the_parts_add_up_and_the_score_stays_within_its_scale(
    seed: int, species: str, host: float, irrigation: float
) -> None:
    parts = mite_pressure(*seasons(6, np.random.default_rng(seed)), 1, host, irrigation, species)
    known = ~np.isnan(parts.score)
    total = sum(getattr(parts, name)[known] for name in PARTS)
    np.testing.assert_allclose(total, parts.score[known], atol=1e-9)
    assert (parts.score[known] >= 0.0).all()
    assert (parts.score[known] <= 100.0 + 1e-9).all()
    assert (parts.host[known] <= 0.0).all()
    assert (parts.rain[known] <= 0.0).all()


@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1))
def test_the_order_of_sites_changes_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    given_days = seasons(5, rng)
    order = rng.permutation(5)
    straight = mite_pressure(*given_days, 1, 0.8, 1.0, "twospotted")
    shuffled = mite_pressure(*(item[order] for item in given_days), 1, 0.8, 1.0, "twospotted")
    np.testing.assert_array_equal(shuffled.score, straight.score[order])


@given(st.floats(0.0, 24.0), st.floats(0.0, 6.0), st.floats(6.0, 14.0), st.sampled_from(WARM))
def test_more_heat_within_the_range_of_the_species_never_lowers_the_score(
    low_c: float, warmer_c: float, span_c: float, species: str
) -> None:
    knots = load_species()[species].rate_of_increase
    best_c = knots.x[int(np.argmax(knots.y))]
    warmer_high_c = min(low_c + span_c + warmer_c, best_c)
    high_c = min(low_c + span_c, warmer_high_c)
    cooler = fortnight(species, high_c - span_c, high_c).score[0]
    assert fortnight(species, warmer_high_c - span_c, warmer_high_c).score[0] >= cooler - 1e-9


@given(st.floats(0.0, 5.0), st.floats(0.0, 3.0))
def test_drier_air_never_lowers_the_score(deficit_kpa: float, drier_kpa: float) -> None:
    cooler = fortnight("twospotted", 16.0, 30.0, deficit_kpa=deficit_kpa).score[0]
    assert fortnight("twospotted", 16.0, 30.0, deficit_kpa=deficit_kpa + drier_kpa).score[0] >= cooler - 1e-9


@given(
    st.lists(st.floats(0.0, 60.0), min_size=DAYS, max_size=DAYS),
    st.integers(0, DAYS - 1),
    st.floats(0.0, 60.0),
)
def test_more_rain_never_raises_the_score(rain_mm: list[float], day: int, more_mm: float) -> None:
    wetter = list(rain_mm)
    wetter[day] += more_mm
    assert (
        fortnight("twospotted", 20.0, 35.0, rain_mm=wetter).score[0]
        <= fortnight("twospotted", 20.0, 35.0, rain_mm=rain_mm).score[0] + 1e-9
    )
