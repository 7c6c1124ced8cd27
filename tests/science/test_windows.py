"""Windows on hand-made bit rows."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.science.spray import Reason
from alertd.science.windows import (
    OpenRun,
    commonest,
    first_open,
    main_reasons,
    open_runs,
    open_windows,
    run_bounds,
)


def row(*bits: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array(bits, dtype=np.int64)


H, W, R, N = int(Reason.HEAT), int(Reason.WIND_HIGH), int(Reason.RAIN_AHEAD), int(Reason.OUTSIDE_HOURS)


def test_a_window_says_where_it_begins_what_ends_it_and_how_roomy_it_is() -> None:
    block = row(H, 0, 0, 0, W | R, 0, H)
    caution = row(0, 0, R, 0, H, 0, 0)
    margin = np.array([0.0, 0.1, 0.6, 0.5, 0.0, 0.9, 0.0])
    (found,) = open_runs(block, caution, margin, hours_min=2)
    assert found == OpenRun(1, 4, (Reason.RAIN_AHEAD, Reason.WIND_HIGH), (Reason.RAIN_AHEAD,), 0.5)
    assert found.hours == 3


def test_a_run_shorter_than_the_job_is_no_window() -> None:
    block = row(0, H, 0, 0, H, 0)
    lengths = [
        [run.hours for run in open_runs(block, block * 0, np.ones(6), hours_min=least)] for least in (1, 2, 3)
    ]
    assert lengths == [[1, 2, 1], [2], []]


def test_a_window_at_the_end_of_the_data_is_closed_by_it() -> None:
    (found,) = open_runs(row(H, 0, 0), row(0, 0, 0), np.ones(3), hours_min=1)
    assert found.closed_by == (Reason.HORIZON_END,)


def test_blocked_until_is_the_first_hour_of_the_first_long_enough_window() -> None:
    block = row(H, 0, H, 0, 0, 0)
    assert first_open(block, hours_min=1) == 1
    assert first_open(block, hours_min=2) == 3
    assert first_open(block, hours_min=4) is None
    assert first_open(row(), hours_min=1) is None


def test_the_commonest_reasons_come_first_and_night_does_not_drown_them() -> None:
    block = row(H, H, H | W, W, N, N | R, N | R, N, N)
    assert main_reasons(block, most=2) == (Reason.OUTSIDE_HOURS, Reason.HEAT)
    assert main_reasons(block, most=3, aside=Reason.OUTSIDE_HOURS) == (Reason.HEAT, Reason.WIND_HIGH)
    assert main_reasons(row(N, N), most=3, aside=Reason.OUTSIDE_HOURS) == (Reason.OUTSIDE_HOURS,)
    assert main_reasons(row(0, 0), most=3) == ()


def test_equal_counts_keep_the_order_of_the_bits() -> None:
    assert main_reasons(row(W, H, R), most=3) == (Reason.HEAT, Reason.RAIN_AHEAD, Reason.WIND_HIGH)


def test_senseless_questions_are_refused() -> None:
    with pytest.raises(ValueError, match="hours_min"):
        open_runs(row(0), row(0), np.ones(1), hours_min=0)
    with pytest.raises(ValueError, match="shapes"):
        open_runs(row(0, 0), row(0), np.ones(2), hours_min=1)


@given(
    st.lists(st.lists(st.booleans(), min_size=30, max_size=30), min_size=1, max_size=4).map(
        lambda rows: np.array(rows, dtype=np.bool_)
    )
)
def test_runs_cover_exactly_the_flagged_hours_and_do_not_touch(
    flags: np.ndarray[tuple[int, int], np.dtype[np.bool_]],
) -> None:
    covered = np.zeros_like(flags)
    for site, start, end in run_bounds(flags):
        assert end > start
        assert not covered[site, start:end].any()
        assert start == 0 or not flags[site, start - 1]
        assert end == flags.shape[1] or not flags[site, end]
        covered[site, start:end] = True
    np.testing.assert_array_equal(covered, flags)


@given(st.lists(st.floats(0.0, 1.0), min_size=3, max_size=20), st.integers(1, 3))
def test_quality_is_the_margin_of_the_best_stretch_as_long_as_the_job(
    margins: list[float], least: int
) -> None:
    margin = np.array(margins)
    nothing = np.zeros(len(margins), dtype=np.int64)
    (found,) = open_runs(nothing, nothing, margin, hours_min=least)
    stretches = [min(margins[i : i + least]) for i in range(len(margins) - least + 1)]
    assert found.quality == max(stretches)


def words(draw: st.DataObject, dtype: str) -> np.ndarray[tuple[int, int], np.dtype[np.integer]]:
    """Return rows of bits, about a third of the hours open."""
    random = np.random.default_rng(draw.draw(st.integers(0, 2**32 - 1)))
    shape = (draw.draw(st.integers(1, 5)), draw.draw(st.integers(1, 60)))
    bits = sum((random.random(shape) < 0.2).astype(np.int64) << bit for bit in (0, 2, 11, 25, 31))
    return np.where(random.random(shape) < 0.3, 0, bits).astype(dtype)


@pytest.mark.parametrize("dtype", ["uint32", "int64"])
@given(draw=st.data(), least=st.integers(1, 4))
def test_many_rows_at_once_have_the_windows_of_each_row_found_alone(
    dtype: str, draw: st.DataObject, least: int
) -> None:
    blocks, cautions = words(draw, dtype), words(draw, dtype)
    cautions = np.resize(cautions, blocks.shape)
    margin = np.random.default_rng(1).random(blocks.shape)
    found = open_windows(blocks, cautions, margin, hours_min=least)
    expected = []
    for number, row in enumerate(blocks):
        hours = [-1, *np.flatnonzero(row != 0).tolist(), len(row)]
        for start, end in ((a + 1, b) for a, b in itertools.pairwise(hours) if b - a - 1 >= least):
            stretches = [margin[number, i : i + least].min() for i in range(start, end - least + 1)]
            expected.append((
                number, start, end,
                int(row[end]) if end < len(row) else int(Reason.HORIZON_END),
                int(np.bitwise_or.reduce(cautions[number, start:end])),
                max(stretches),
            ))  # fmt: skip
    columns = (found.row, found.start, found.end, found.closed_bits, found.caution_bits, found.quality)
    assert list(zip(*(column.tolist() for column in columns), strict=True)) == expected


@pytest.mark.parametrize("dtype", ["uint32", "int64"])
@given(draw=st.data(), aside=st.sampled_from([None, Reason.MISSING_WEATHER, Reason.HEAT | Reason.LOOK_AGAIN]))
def test_the_commonest_reasons_of_many_rows_are_those_of_plain_counting(
    dtype: str, draw: st.DataObject, aside: Reason | None
) -> None:
    blocks = words(draw, dtype)
    for row, found in zip(blocks, commonest(blocks, most=3, aside=aside), strict=True):
        told = [int(word) for word in row if not int(word) & int(aside or 0)]
        if not any(told):
            told = [int(word) for word in row]
        counts = {int(reason): sum(1 for word in told if word & reason) for reason in Reason}
        ranked = sorted((bit for bit in counts if counts[bit]), key=lambda bit: -counts[bit])[:3]
        assert [bit for bit in found.tolist() if bit] == ranked


def test_no_rows_have_no_windows_and_no_reasons() -> None:
    nothing = np.zeros((0, 24), dtype=np.uint32)
    assert open_windows(nothing, nothing, nothing.astype(float), hours_min=3).row.size == 0
    assert commonest(nothing, most=4).shape == (0, 4)
