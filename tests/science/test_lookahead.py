"""Sliding windows against the plain way of working them out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.science.lookahead import (
    any_ahead,
    beyond_end,
    maximum_ahead,
    minimum_ahead,
    steps,
    sum_ahead,
    unknown_ahead,
)

VALUES = st.lists(st.one_of(st.floats(-50.0, 50.0), st.just(float("nan"))), min_size=1, max_size=40).map(
    np.array
)


@given(VALUES, st.integers(0, 45), st.booleans())
def test_extremes_ahead_are_those_of_the_slice(
    values: np.ndarray[tuple[int], np.dtype[np.float64]], hours: int, skip_first: bool
) -> None:
    first = 1 if skip_first else 0
    slices = [values[t + first : t + hours + 1] for t in range(len(values))]
    highest = [max((v for v in part if not np.isnan(v)), default=-np.inf) for part in slices]
    lowest = [min((v for v in part if not np.isnan(v)), default=np.inf) for part in slices]
    assert maximum_ahead(values, hours, skip_first=skip_first).tolist() == highest
    assert minimum_ahead(values, hours, skip_first=skip_first).tolist() == lowest


@given(VALUES, st.integers(0, 45))
def test_sums_and_gaps_ahead_are_those_of_the_slice(
    values: np.ndarray[tuple[int], np.dtype[np.float64]], hours: int
) -> None:
    slices = [values[t : t + hours + 1] for t in range(len(values))]
    np.testing.assert_allclose(sum_ahead(values, hours), [np.nansum(part) for part in slices], atol=1e-9)
    gaps = unknown_ahead(np.isnan(values), hours)
    assert gaps.tolist() == [bool(np.isnan(part).any()) for part in slices]


def test_a_look_ahead_of_no_hours_past_the_present_sees_nothing() -> None:
    assert maximum_ahead(np.array([1.0, 2.0]), 0, skip_first=True).tolist() == [-np.inf, -np.inf]


def test_rows_are_worked_on_one_by_one() -> None:
    rows = np.array([[1.0, 5.0, 2.0], [9.0, 0.0, 3.0]])
    assert maximum_ahead(rows, 1).tolist() == [[5.0, 5.0, 2.0], [9.0, 3.0, 3.0]]
    assert sum_ahead(rows, 1).tolist() == [[6.0, 7.0, 2.0], [9.0, 3.0, 3.0]]


@pytest.mark.parametrize(("hours", "whole"), [(0.0, 0), (-1.0, 0), (0.2, 1), (6.0, 6), (6.1, 7)])
def test_part_of_an_hour_counts_as_an_hour(hours: float, whole: int) -> None:
    assert steps(hours) == whole


def test_the_last_hours_look_beyond_the_end() -> None:
    assert beyond_end(4, 2.0).tolist() == [False, False, True, True]
    assert beyond_end(4, 0.0).tolist() == [False] * 4


@given(st.lists(st.booleans(), min_size=1, max_size=40), st.integers(0, 45))
def test_a_flag_is_seen_from_every_hour_before_it_within_the_look_ahead(
    flags: list[bool], hours: int
) -> None:
    expected = [any(flags[t : t + hours + 1]) for t in range(len(flags))]
    assert any_ahead(np.array(flags), hours).tolist() == expected


def test_looking_ahead_leaves_the_values_alone_and_keeps_their_width() -> None:
    values = np.array([[1.0, np.nan, 3.0]], dtype=np.float32)
    before = values.copy()
    assert maximum_ahead(values, 2).dtype == np.float32
    assert minimum_ahead(values, 2, skip_first=True).tolist() == [[3.0, 3.0, np.inf]]
    sum_ahead(values, 2)
    np.testing.assert_array_equal(values, before)
