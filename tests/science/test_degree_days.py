"""Degree-days against numerical integration, Zalom et al. 1983 and McMaster and Wilhelm 1997."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from alertd.science import degree_days as dd
from alertd.units import degree_days_c_to_f, fahrenheit_to_celsius

PAIRS = [
    *((2, 8), (5, 10), (4, 16), (8, 20), (10, 22), (12, 26)),
    *((18, 30), (15, 34), (5, 34), (24, 36), (31, 40), (20, 20)),
]
LOW, HIGH = np.array(PAIRS, dtype=float).T

daily = st.tuples(st.floats(-20.0, 45.0), st.floats(0.0, 25.0)).map(lambda pair: (pair[0], pair[0] + pair[1]))
cutoffs = st.sampled_from(dd.CUTOFFS)


def _sine(low: float, high: float) -> Callable[[float], float]:
    return lambda x: (low + high) / 2.0 + (high - low) / 2.0 * np.sin(2.0 * np.pi * x)


def _triangle(low: float, high: float) -> Callable[[float], float]:
    return lambda x: low + (high - low) * (1.0 - abs(2.0 * x - 1.0))


def _crossings(kind: str, low: float, high: float, level: float) -> list[float]:
    if not low < level < high:
        return []
    if kind == "sine":
        angle = np.arcsin((level - (low + high) / 2.0) / ((high - low) / 2.0)) / (2.0 * np.pi)
        return [angle % 1.0, (0.5 - angle) % 1.0]
    half = (level - low) / (high - low) / 2.0
    return [half, 1.0 - half]


def _integral(kind: str, low: float, high: float, lower: float, upper: float, cutoff: str) -> float:
    """Integrate the daily curve numerically, split where it crosses a threshold."""
    curve = (_sine if kind == "sine" else _triangle)(low, high)
    levels = (lower, upper, 2.0 * upper - lower)
    points = sorted(
        {0.0, 0.25, 0.5, 0.75, 1.0, *(x for lv in levels for x in _crossings(kind, low, high, lv))}
    )
    total = 0.0
    for a, b in itertools.pairwise(points):
        total += quad(lambda x: _rate(curve(x), lower, upper, cutoff), a, b, epsabs=1e-10)[0]
    return total


def _rate(temperature: float, lower: float, upper: float, cutoff: str) -> float:
    if temperature <= lower:
        return 0.0
    if temperature <= upper:
        return temperature - lower
    if cutoff == "horizontal":
        return upper - lower
    if cutoff == "vertical":
        return 0.0
    return max(0.0, upper - lower - (temperature - upper))


@pytest.mark.parametrize("cutoff", dd.CUTOFFS)
@pytest.mark.parametrize(("low", "high"), [*PAIRS, (15, 48), (38, 48), (-5, 45)])
def test_sine_and_triangle_equal_numerical_integration_to_a_millionth(
    low: int, high: int, cutoff: str
) -> None:
    # scipy.integrate.quad of the curve itself.
    for lower, upper in ((10.0, 30.0), (12.2, 25.0)):
        sine = dd.single_sine(low, high, lower, upper, cutoff)
        triangle = dd.single_triangle(low, high, lower, upper, cutoff)
        assert sine == pytest.approx(_integral("sine", low, high, lower, upper, cutoff), abs=1e-6)
        assert triangle == pytest.approx(_integral("triangle", low, high, lower, upper, cutoff), abs=1e-6)


@given(daily, cutoffs, st.floats(0.0, 20.0), st.floats(0.5, 20.0))
def test_any_day_equals_numerical_integration(
    day: tuple[float, float], cutoff: str, lower: float, span: float
) -> None:
    low, high = day
    upper = lower + span
    expected = _integral("sine", low, high, lower, upper, cutoff)
    # A jump of the vertical cutoff that lies within rounding of an extreme may fall on either side.
    slack = 1e-6 if cutoff != "vertical" or abs(high - upper) > 1e-6 else np.inf
    assert abs(dd.single_sine(low, high, lower, upper, cutoff) - expected) < slack


def test_twelve_days_give_the_known_values_of_every_method() -> None:
    # Thresholds 10 and 30 degC; values computed with scipy 1.17 quad, averages by hand.
    def check(values: object, expected: list[float]) -> None:
        assert np.asarray(values) == pytest.approx(expected, abs=1e-6)

    check(dd.simple_average(LOW, HIGH, 10.0), [0, 0, 0, 4, 6, 9, 14, 14.5, 9.5, 20, 25.5, 10])
    check(dd.clipped_average(LOW, HIGH, 10.0, 30.0), [0, 0, 3, 5, 6, 9, 14, 12.5, 10, 17, 20, 10])
    check(
        dd.single_sine(LOW, HIGH, 10.0),
        [0, 0, 1.909859, 4.352643, 6, 9, 14, 14.5, 10.397248, 20, 25.5, 10],
    )
    check(
        dd.single_sine(LOW, HIGH, 10.0, 30.0),
        [0, 0, 1.909859, 4.352643, 6, 9, 14, 13.703432, 9.757647, 18.090141, 20, 10],
    )
    check(
        dd.single_sine(LOW, HIGH, 10.0, 30.0, "intermediate"),
        [0, 0, 1.909859, 4.352643, 6, 9, 14, 12.906865, 9.118046, 16.180281, 14.5, 10],
    )
    check(
        dd.single_sine(LOW, HIGH, 10.0, 30.0, "vertical"),
        [0, 0, 1.909859, 4.352643, 6, 9, 14, 7.634159, 4.912890, 8.090141, 0, 10],
    )
    check(
        dd.single_triangle(LOW, HIGH, 10.0, 30.0),
        [0, 0, 1.5, 4.166667, 6, 9, 14, 14.078947, 9.655172, 18.5, 20, 10],
    )
    check(
        dd.single_triangle(LOW, HIGH, 10.0, 30.0, "intermediate"),
        [0, 0, 1.5, 4.166667, 6, 9, 14, 13.657895, 9.379310, 17.0, 14.5, 10],
    )
    check(
        dd.single_triangle(LOW, HIGH, 10.0, 30.0, "vertical"),
        [0, 0, 1.5, 4.166667, 6, 9, 14, 9.868421, 6.896552, 8.5, 0, 10],
    )
    check(
        dd.double_sine([8, 15, 5, 24], [20, 34, 34, 36], [12, 19, 9, 22], 10.0, 30.0).round(4),
        [5.1763, 14.6505, 10.3262, 17.6696],
    )


# Zalom, Goodell, Wilson, Barnett and Bentley 1983, Degree-days, UC Leaflet 21373, Table 7: 55 and 90 degF,
# horizontal cutoff. Minimum, maximum, next minimum; single triangle, double triangle, single sine, double
# sine. The double triangle of row 9 (printed 24.88) is a misprint: quad gives 27.125.
ZALOM = [
    (96, 110, 91, 35, 35, 35, 35),
    (91, 105, 96, 35, 35, 35, 35),
    (45, 54, 38, 0, 0, 0, 0),
    (38, 50, 45, 0, 0, 0, 0),
    (60, 80, 75, 15, 18.75, 15, 18.75),
    (75, 88, 60, 26.5, 22.75, 26.5, 22.75),
    (50, 82, 45, 11.39, 10.62, 11.85, 11.31),
    (45, 70, 50, 4.50, 5.06, 5.31, 5.70),
    (60, 100, 75, 23.75, 27.125, 22.82, 26.26),
    (75, 95, 60, 29.38, 25.76, 28.91, 25.30),
    (50, 101, 48, 19.56, 19.19, 18.95, 18.69),
    (48, 95, 50, 16.76, 17.13, 16.96, 17.23),
]


@pytest.mark.parametrize("row", ZALOM)
def test_table_7_of_zalom_1983_is_met_to_its_printed_figures(row: tuple[float, ...]) -> None:
    low, high, following = (fahrenheit_to_celsius(float(value)) for value in row[:3])
    lower, upper = fahrenheit_to_celsius(55.0), fahrenheit_to_celsius(90.0)
    ours = [
        dd.single_triangle(low, high, lower, upper),
        dd.double_triangle(low, high, following, lower, upper),
        dd.single_sine(low, high, lower, upper),
        dd.double_sine(low, high, following, lower, upper),
    ]
    assert [degree_days_c_to_f(float(value)) for value in ours] == pytest.approx(row[3:], abs=0.0075)


@pytest.mark.parametrize(
    ("high", "low", "first", "second"),
    # McMaster and Wilhelm 1997, Agric. For. Meteorol. 87:291-300, Table 1, base 0 degC.
    [
        (20, 10, 15, 15),
        (10, 1, 5.5, 5.5),
        (8, -2, 3, 4),
        (6, 0, 3, 3),
        (10, 5, 7.5, 7.5),
        (5, -5, 0, 2.5),
        (-2, -7, 0, 0),
        (-5, -10, 0, 0),
        (10, -2, 4, 5),
        (15, 2, 8.5, 8.5),
    ],
)
def test_both_averages_are_those_of_mcmaster_and_wilhelm(
    high: float, low: float, first: float, second: float
) -> None:
    assert dd.simple_average(low, high, 0.0) == pytest.approx(first)
    assert dd.clipped_average(low, high, 0.0) == pytest.approx(second)


def test_fahrenheit_extras_agree() -> None:
    # scipy quad: (45, 70) with 50/88 degF and (60, 95) with 53/85 degF horizontal.
    c = fahrenheit_to_celsius
    sine = dd.single_sine(c(45.0), c(70.0), c(50.0), c(88.0))
    assert degree_days_c_to_f(float(sine)) == pytest.approx(8.4693, abs=1e-4)
    triangle = dd.single_triangle(c(45.0), c(70.0), c(50.0), c(88.0))
    assert degree_days_c_to_f(float(triangle)) == pytest.approx(8.0, abs=1e-4)
    hot = dd.single_sine(c(60.0), c(95.0), c(53.0), c(85.0))
    assert degree_days_c_to_f(float(hot)) == pytest.approx(22.1597, abs=1e-4)


def test_development_stands_still_in_great_heat_but_never_runs_backwards() -> None:
    # Without the floor the textbook form gives -13 for (38, 48) with 10/20.
    for method in (dd.single_sine, dd.single_triangle, dd.simple_average):
        assert 0.0 <= method(38.0, 48.0, 10.0, 20.0, "intermediate") < 1e-12
    assert dd.hourly([48.0] * 24, 10.0, 20.0, "intermediate") == 0.0


def test_a_day_at_the_upper_threshold_throughout_counts_whole_under_every_cutoff() -> None:
    for method in (dd.single_sine, dd.single_triangle, dd.simple_average):
        for cutoff in dd.CUTOFFS:
            assert method(30.0, 30.0, 10.0, 30.0, cutoff) == pytest.approx(20.0)
            assert method(10.0, 10.0, 10.0, 30.0, cutoff) == 0.0


def test_hourly_sums_the_last_axis_and_approaches_the_sine() -> None:
    hours = 22.0 + 13.0 * np.sin(2.0 * np.pi * (np.arange(24) + 0.5) / 24.0)
    series = np.stack([hours, hours - 30.0])
    for cutoff in ("horizontal", "intermediate"):
        total = dd.hourly(series, 10.0, 30.0, cutoff)
        assert total.shape == (2,)
        assert total[0] == pytest.approx(dd.single_sine(9.0, 35.0, 10.0, 30.0, cutoff), abs=0.06)
        assert total[1] == 0.0
    assert dd.hourly([31.0] * 12 + [20.0] * 12, 10.0, 30.0, "vertical") == pytest.approx(5.0)


def test_a_next_minimum_above_the_maximum_only_turns_the_evening_round() -> None:
    assert dd.double_triangle(4.0, 8.0, 14.0, 0.0) == pytest.approx((6.0 + 11.0) / 2.0)


def test_missing_in_is_missing_out() -> None:
    nan = float("nan")
    for cutoff in dd.CUTOFFS:
        for method in (dd.simple_average, dd.single_sine, dd.single_triangle):
            assert np.isnan(method([nan, 10.0, nan], [20.0, nan, nan], 10.0, 30.0, cutoff)).all()
        for method in (dd.double_sine, dd.double_triangle):
            values = method([nan, 10.0, 10.0], [20.0, nan, 20.0], [5.0, 5.0, nan], 10.0, 30.0, cutoff)
            assert np.isnan(values).all()
        assert np.isnan(dd.hourly([20.0] * 23 + [nan], 10.0, 30.0, cutoff))
    assert np.isnan(dd.clipped_average(nan, 20.0, 10.0))


@pytest.mark.parametrize("method", [dd.simple_average, dd.single_sine, dd.single_triangle])
def test_what_cannot_be_is_refused_by_name(method: Callable[..., object]) -> None:
    with pytest.raises(ValueError, match="lower_c"):
        method(10.0, 20.0, 30.0, 30.0)
    with pytest.raises(ValueError, match="cutoff"):
        method(10.0, 20.0, 10.0, 30.0, "diagonal")
    with pytest.raises(ValueError, match="air_temperature_min_c"):
        method([10.0, 21.0], [20.0, 20.0], 10.0)


def test_refusals_hold_for_the_other_methods_too() -> None:
    with pytest.raises(ValueError, match="lower_c"):
        dd.hourly([20.0], 30.0, 10.0)
    with pytest.raises(ValueError, match="cutoff"):
        dd.hourly([20.0], 10.0, 30.0, "none")  # type: ignore[arg-type]  # that is the point
    with pytest.raises(ValueError, match="air_temperature_min_c"):
        dd.double_sine(21.0, 20.0, 10.0, 10.0)
    with pytest.raises(ValueError, match="lower_c"):
        dd.clipped_average(10.0, 20.0, 30.0, 30.0)


def test_single_precision_stays_single_and_sites_broadcast() -> None:
    low, high = LOW.astype(np.float32), HIGH.astype(np.float32)
    for method in (dd.simple_average, dd.single_sine, dd.single_triangle):
        for cutoff in dd.CUTOFFS:
            narrow = method(low, high, 10.0, 30.0, cutoff)
            assert narrow.dtype == np.float32
            assert narrow == pytest.approx(method(LOW, HIGH, 10.0, 30.0, cutoff), abs=2e-5)
    assert dd.single_sine(low[None, :], high[None, :], [[5.0], [10.0]], 30.0).shape == (2, 12)
    assert dd.hourly(np.zeros((2, 24), dtype=np.float32), 10.0, 30.0).dtype == np.float32


@given(daily, st.floats(0.0, 5.0), cutoffs)
def test_a_warmer_day_never_adds_less_up_to_the_upper_threshold(
    day: tuple[float, float], warmer: float, cutoff: str
) -> None:
    low, high = day
    for method in (dd.simple_average, dd.single_sine, dd.single_triangle):
        assert method(low + warmer, high + warmer, 10.0) >= method(low, high, 10.0) - 1e-9
        horizontal = method(low + warmer, high + warmer, 10.0, 30.0)
        assert horizontal >= method(low, high, 10.0, 30.0) - 1e-9
        assert 0.0 <= method(low, high, 10.0, 30.0, cutoff) <= 20.0 + 1e-9


@given(daily)
def test_the_cutoffs_keep_their_order(day: tuple[float, float]) -> None:
    low, high = day
    for method in (dd.single_sine, dd.single_triangle):
        values = [float(method(low, high, 10.0, 30.0, cutoff)) for cutoff in dd.CUTOFFS]
        assert values[0] + 1e-9 >= values[1]
        assert values[0] + 1e-9 >= values[2]
        assert float(method(low, high, 10.0)) + 1e-9 >= values[0]


@given(st.lists(daily, min_size=2, max_size=8), st.randoms(use_true_random=False))
def test_permuting_sites_permutes_the_answers(days: list[tuple[float, float]], random: object) -> None:
    low, high = np.array(days).T
    order = np.arange(len(days))
    random.shuffle(order)  # type: ignore[attr-defined]  # a random.Random
    whole = dd.single_sine(low, high, 10.0, 30.0)
    assert np.array_equal(dd.single_sine(low[order], high[order], 10.0, 30.0), whole[order])
