from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from alertd.assess.daily import fold
from alertd.assess.stretch import placed, stretch_of, trailing_max, trailing_mean, trailing_min
from alertd.records.season import HISTORY_DAYS
from tests.assess.skies import DAY, HOT, Sky, Watch, at, truth_of

FIRST = dt.date(2025, 6, 1)


@pytest.mark.parametrize(
    ("gap", "where", "kept"),
    [
        (0, slice(9, 14), [1, 2, 3, 4, 5]),
        (2, slice(7, 12), [1, 2, 3, 4, 5]),
        (11, slice(0, 3), [3, 4, 5]),
        (14, slice(0, 0), []),
        (200, slice(0, 0), []),
        (-1, slice(10, 14), [1, 2, 3, 4]),
        (-9, slice(14, 14), []),
    ],
)
def test_kept_days_lie_where_their_dates_are(gap: int, where: slice, kept: list[int]) -> None:
    assert placed([1, 2, 3, 4, 5], gap) == (where, kept)


def test_history_and_batch_join_without_a_doubled_or_a_lost_day() -> None:
    skies = [Sky(high_c=20.0 + day) for day in range(40)]
    watch = Watch(truth_of(FIRST, skies), past_h=20 * 24)
    watch.look(at(FIRST + 20 * DAY), at(FIRST + 21 * DAY))
    batch = watch.batch(at(FIRST + 22 * DAY))
    stretch = stretch_of(batch, fold(batch, 90.0))
    maxima = stretch["temperature_max_c"][0]
    today = 22
    days = np.arange(stretch.days) - stretch.today + today
    known = ~np.isnan(maxima)
    assert known[: stretch.today + 5].all()
    assert maxima[known] == pytest.approx(20.0 + days[known])


def test_a_state_written_before_a_column_was_added_leaves_that_column_unknown() -> None:
    watch = Watch(truth_of(FIRST, [HOT] * 40), past_h=20 * 24)
    watch.look(at(FIRST + 20 * DAY))
    state = watch.seasons["s1"]
    watch.seasons["s1"] = replace(state, history=tuple(day[:9] for day in state.history))
    batch = watch.batch(at(FIRST + 21 * DAY))
    stretch = stretch_of(batch, fold(batch, 90.0))
    assert np.isnan(stretch["evapotranspiration_mm"][0, : stretch.first_new]).all()
    assert stretch["temperature_max_c"][0, HISTORY_DAYS - 1] == pytest.approx(35.0)


def test_windows_pass_over_unknown_days_and_say_so_when_too_few_are_known() -> None:
    nan = np.nan
    values = np.array([[1.0, nan, 3.0, nan, nan, nan]])
    assert trailing_min(values, 3)[0].tolist()[:5] == [1.0, 1.0, 1.0, 3.0, 3.0]
    assert trailing_max(values, 3)[0].tolist()[:5] == [1.0, 1.0, 3.0, 3.0, 3.0]
    assert np.isnan(trailing_max(values, 3)[0, 5])
    mean = trailing_mean(values, 3)[0]
    assert mean[2] == 2.0
    assert np.isnan(mean[[0, 1, 3, 4, 5]]).all()
    assert trailing_mean(values, 3, least=1)[0].tolist()[:5] == [1.0, 1.0, 2.0, 3.0, 3.0]
