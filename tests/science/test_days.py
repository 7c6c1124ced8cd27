"""Local days: clock changes, odd zones, missing hours."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.science.days import daily_max, daily_mean, daily_min, daily_sum, local_days

UTC = dt.UTC
NAN = float("nan")


def _midnight(day: dt.date, zone: str) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(), tzinfo=ZoneInfo(zone)).astimezone(UTC)


def test_a_whole_day_in_utc_is_its_24_hours() -> None:
    axis = local_days(dt.datetime(2025, 7, 1, tzinfo=UTC), 48, "UTC")
    assert axis.days == (dt.date(2025, 7, 1), dt.date(2025, 7, 2))
    assert axis.starts.tolist() == [0, 24]
    assert axis.lengths.tolist() == [24, 24]
    assert axis.complete.all()
    assert axis.hour_of_day.tolist() == [*range(24), *range(24)]


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    # Clock changes of the IANA time zone database.
    [
        ("America/New_York", dt.date(2025, 3, 9), 23),
        ("America/New_York", dt.date(2025, 11, 2), 25),
        ("Europe/Berlin", dt.date(2025, 3, 30), 23),
        ("Europe/Berlin", dt.date(2025, 10, 26), 25),
        ("Australia/Sydney", dt.date(2025, 4, 6), 25),
        ("Asia/Kolkata", dt.date(2025, 3, 30), 24),
        ("Asia/Kathmandu", dt.date(2025, 3, 30), 24),
        ("Pacific/Kiritimati", dt.date(2025, 3, 30), 24),
    ],
)
def test_a_local_day_has_its_hours_at_every_change_of_the_clock(zone: str, day: dt.date, hours: int) -> None:
    start = _midnight(day - dt.timedelta(days=1), zone)
    axis = local_days(start.replace(minute=0), 96, zone)
    place = axis.days.index(day)
    assert axis.lengths[place] == axis.full_lengths[place] == hours
    assert axis.complete[place]


def test_the_days_at_the_edges_are_flagged_when_the_axis_cuts_them() -> None:
    axis = local_days(dt.datetime(2025, 7, 1, 12, tzinfo=UTC), 48, "America/New_York")
    assert axis.lengths.tolist() == [16, 24, 8]
    assert axis.full_lengths.tolist() == [24, 24, 24]
    assert axis.complete.tolist() == [False, True, False]


def test_an_hour_across_a_half_past_midnight_goes_to_the_day_of_its_middle() -> None:
    # 18:00 UTC is 23:30 in Kolkata (middle at midnight) and 23:45 in Kathmandu (most of it tomorrow).
    for zone in ("Asia/Kolkata", "Asia/Kathmandu"):
        axis = local_days(dt.datetime(2025, 7, 1, 17, tzinfo=UTC), 3, zone)
        assert axis.days == (dt.date(2025, 7, 1), dt.date(2025, 7, 2))
        assert axis.starts.tolist() == [0, 1]
        assert axis.hour_of_day.tolist() == [23, 0, 1]


def test_the_aware_start_may_stand_in_any_zone() -> None:
    local = dt.datetime(2025, 7, 1, tzinfo=ZoneInfo("America/New_York"))
    axis = local_days(local, 24, "America/New_York")
    assert axis.days == (dt.date(2025, 7, 1),)
    assert axis.complete.tolist() == [True]


def test_extremes_sums_and_means_are_those_of_the_local_day() -> None:
    axis = local_days(dt.datetime(2025, 3, 8, 5, tzinfo=UTC), 71, "America/New_York")
    values = np.arange(71.0)
    assert daily_min(values, axis).tolist() == [0.0, 24.0, 47.0]
    assert daily_max(values, axis).tolist() == [23.0, 46.0, 70.0]
    assert daily_sum(values, axis).tolist() == [sum(range(24)), sum(range(24, 47)), sum(range(47, 71))]
    assert daily_mean(values, axis).tolist() == [11.5, 35.0, 58.5]


def test_a_day_with_too_few_known_hours_is_unknown() -> None:
    axis = local_days(dt.datetime(2025, 7, 1, tzinfo=UTC), 48, "UTC")
    values = np.ones(48)
    values[:4] = NAN
    values[24:29] = NAN
    for function in (daily_max, daily_min, daily_mean):
        assert function(values, axis)[0] == 1.0
        assert np.isnan(function(values, axis)[1])
    assert daily_sum(values, axis)[0] == 20.0
    assert np.isnan(daily_sum(values, axis)[1])
    assert daily_sum(values, axis, required=19)[1] == 19.0
    assert np.isnan(daily_sum(values, axis, required=24)).all()


def test_a_short_day_needs_the_same_share_of_its_hours() -> None:
    # 20/24 of 23 h is 19.2: 19 hours; 20/24 of 25 h is 20.8: 21 hours.
    for day, length, needed in ((dt.date(2025, 3, 9), 23, 19), (dt.date(2025, 11, 2), 25, 21)):
        axis = local_days(_midnight(day, "America/New_York"), length, "America/New_York")
        values = np.ones(length)
        values[needed:] = NAN
        assert daily_max(values, axis).tolist() == [1.0]
        values[needed - 1] = NAN
        assert np.isnan(daily_max(values, axis)).all()


def test_a_day_that_the_axis_cuts_short_is_unknown() -> None:
    axis = local_days(dt.datetime(2025, 7, 1, 12, tzinfo=UTC), 60, "UTC")
    assert np.isnan(daily_max(np.ones(60), axis)).tolist() == [True, False, False]


def test_an_unknown_day_gives_no_warning_and_no_zero() -> None:
    axis = local_days(dt.datetime(2025, 7, 1, tzinfo=UTC), 24, "UTC")
    for function in (daily_max, daily_min, daily_sum, daily_mean):
        assert np.isnan(function(np.full(24, NAN), axis, required=1)).all()


def test_leading_axes_and_single_precision_are_kept() -> None:
    axis = local_days(dt.datetime(2025, 7, 1, tzinfo=UTC), 72, "UTC")
    values = np.ones((2, 5, 72), dtype=np.float32)
    for function in (daily_max, daily_min, daily_sum, daily_mean):
        daily = function(values, axis)
        assert daily.shape == (2, 5, 3)
        assert daily.dtype == np.float32


def test_the_mean_of_the_afternoon_is_taken_by_blanking_the_other_hours() -> None:
    axis = local_days(dt.datetime(2025, 7, 1, 4, tzinfo=UTC), 24, "America/New_York")
    afternoon = (axis.hour_of_day >= 12) & (axis.hour_of_day < 18)
    values = np.where(afternoon, axis.hour_of_day, NAN)
    assert daily_mean(values, axis, required=6).tolist() == [14.5]


def test_what_does_not_fit_is_refused_by_name() -> None:
    axis = local_days(dt.datetime(2025, 7, 1, tzinfo=UTC), 24, "UTC")
    with pytest.raises(ValueError, match="values"):
        daily_max(np.ones(23), axis)
    with pytest.raises(ValueError, match="required"):
        daily_max(np.ones(24), axis, required=0)
    with pytest.raises(ValueError, match="start_utc"):
        local_days(dt.datetime(2025, 7, 1), 24, "UTC")  # noqa: DTZ001  # that is the point
    with pytest.raises(ValueError, match="hours"):
        local_days(dt.datetime(2025, 7, 1, tzinfo=UTC), 0, "UTC")


def test_the_shared_arrays_cannot_be_written() -> None:
    axis = local_days(dt.datetime(2025, 7, 1, tzinfo=UTC), 24, "UTC")
    with pytest.raises(ValueError, match="read-only"):
        axis.starts[0] = 1


zones = st.sampled_from([
    *("UTC", "America/New_York", "America/St_Johns", "Asia/Kolkata", "Asia/Kathmandu"),
    *("Australia/Lord_Howe", "Pacific/Apia"),
])  # fmt: skip


@given(st.integers(0, 19 * 8766), st.integers(1, 200), zones)
def test_every_hour_belongs_to_exactly_one_day_and_only_the_edges_are_cut(
    after: int, hours: int, zone: str
) -> None:
    first = dt.datetime(2011, 1, 1, tzinfo=UTC) + dt.timedelta(hours=after)
    axis = local_days(first, hours, zone)
    assert axis.lengths.sum() == hours == len(axis.hour_of_day)
    assert list(axis.days) == sorted(set(axis.days))
    assert axis.complete[1:-1].all()
    assert (axis.lengths <= axis.full_lengths).all()
    assert ((axis.full_lengths >= 23) & (axis.full_lengths <= 25)).all()
    assert daily_sum(np.ones(hours), axis, required=1).sum() <= hours


@given(st.integers(1, 47))
def test_splitting_the_axis_at_a_local_midnight_changes_nothing(cut_day: int) -> None:
    zone = "America/New_York"
    first = _midnight(dt.date(2025, 9, 20), zone)
    cut = _midnight(dt.date(2025, 9, 20) + dt.timedelta(days=cut_day), zone)
    end = _midnight(dt.date(2025, 9, 20) + dt.timedelta(days=48), zone)
    values = np.sin(np.arange((end - first) // dt.timedelta(hours=1)))
    split = (cut - first) // dt.timedelta(hours=1)
    whole = daily_sum(values, local_days(first, len(values), zone))
    parts = [
        daily_sum(values[:split], local_days(first, split, zone)),
        daily_sum(values[split:], local_days(cut, len(values) - split, zone)),
    ]
    assert np.concatenate(parts) == pytest.approx(whole, abs=1e-9)
