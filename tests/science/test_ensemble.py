"""The spread of an ensemble: the textbook's deviation, in the shape that chances are worked out from."""

from __future__ import annotations

import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.science.chance import ErrorSpread, chance_within, prior_errors
from alertd.science.ensemble import member_spread, spread_by_lead, with_members

BELIEVED = ErrorSpread((12.0, 36.0, 96.0), (0.5, 0.0, -1.0), (1.0, 2.0, 3.0), (9, 8, 0))
values = st.lists(st.floats(-40.0, 50.0), min_size=5, max_size=20)


@given(values)
def test_the_spread_is_the_sample_standard_deviation(members: list[float]) -> None:
    (found,) = member_spread(np.array(members)[:, np.newaxis], members_min=5)
    assert found == pytest.approx(statistics.stdev(members), abs=1e-9)


@given(values, st.floats(1.0, 5.0))
def test_members_that_part_more_have_the_larger_spread(members: list[float], factor: float) -> None:
    near = np.array(members)[:, np.newaxis]
    assert member_spread(near * factor, members_min=5)[0] >= member_spread(near, members_min=5)[0] - 1e-9


def test_missing_members_are_left_out_and_too_few_say_nothing() -> None:
    gap = np.nan
    members = [[1.0, 1.0, gap], [3.0, gap, gap], [5.0, gap, 2.0], [7.0, 2.0, gap]]
    found = member_spread(members, members_min=3)
    assert found[0] == pytest.approx(statistics.stdev([1.0, 3.0, 5.0, 7.0]))
    assert np.isnan(found[1:]).all()
    assert np.isnan(member_spread([[1.0]], members_min=1)).all()
    assert np.isnan(member_spread(np.empty((0, 2)), members_min=2)).all()


def test_blocks_are_joined_by_mean_square_and_an_unknown_block_is_left_out() -> None:
    gap = np.nan
    found = spread_by_lead([3.0, 4.0, gap, gap, 2.0, gap, 1.0], 0.5 + np.arange(7.0), block=2)
    assert found is not None
    assert found.lead_h == (1.0, 5.0, 6.5)
    assert found.spread == pytest.approx((np.sqrt(12.5), 2.0, 1.0))
    assert set(found.bias) == {0.0}
    assert set(found.days) == {0}
    assert spread_by_lead([gap, gap], [0.5, 1.5]) is None
    assert spread_by_lead([], []) is None


def parted(spread: float, hours: tuple[float, ...] = (3.0, 9.0, 15.0, 21.0)) -> ErrorSpread:
    return ErrorSpread(hours, (0.0,) * len(hours), (spread,) * len(hours), (0,) * len(hours))


def over(members: ErrorSpread, believed: ErrorSpread = BELIEVED, later_h: float = 0.0) -> ErrorSpread:
    return with_members(believed, members, later_h=later_h, step_h=6.0, floor=0.7)


def test_equal_members_leave_the_floor() -> None:
    found = over(parted(0.0))
    for lead in (3.0, 9.0, 15.0, 21.0):
        assert found.at(lead)[1] == pytest.approx(0.7 * BELIEVED.at(lead)[1])


@given(st.floats(0.0, 20.0), st.floats(0.0, 20.0), st.floats(-30.0, 30.0))
def test_a_larger_spread_brings_every_chance_nearer_to_a_half(a: float, b: float, room: float) -> None:
    level = prior_errors((0.0, 10.0), (2.0, 2.0))  # without bias
    near, far = (
        float(chance_within(np.inf, room, *over(parted(spread), level).at(12.0))) for spread in sorted((a, b))
    )
    assert abs(far - 0.5) <= abs(near - 0.5) + 1e-6


@given(st.floats(0.0, 20.0), st.floats(0.0, 90.0))
def test_what_the_ensemble_does_not_reach_and_the_bias_stay_as_believed(spread: float, lead: float) -> None:
    found = over(parted(spread))
    assert found.at(lead)[0] == pytest.approx(BELIEVED.at(lead)[0], abs=0.15)  # lines between other points
    if lead > 27.0:
        assert found.at(lead)[1] == pytest.approx(BELIEVED.at(lead)[1], abs=0.15)
    assert found.at(500.0)[1] == pytest.approx(3.0)
    assert max(found.days) == 9


def test_a_missing_block_stays_as_believed() -> None:
    found = over(parted(9.0, (3.0, 9.0, 21.0)))
    assert found.at(15.0)[1] == pytest.approx(BELIEVED.at(15.0)[1])
    assert found.at(21.0)[1] == 9.0
    late = over(parted(9.0, (27.0, 33.0)))
    assert late.at(3.0)[1] == pytest.approx(BELIEVED.at(3.0)[1])
    assert late.at(9.0)[1] == pytest.approx(BELIEVED.at(9.0)[1])
    assert late.at(27.0)[1] == 9.0


def test_lead_times_count_from_the_issue_of_the_forecast() -> None:
    rising = ErrorSpread((3.0, 9.0, 15.0), (0.0,) * 3, (4.0, 5.0, 6.0), (0,) * 3)
    assert over(rising, later_h=6.0).at(3.0)[1] == 5.0
    assert over(rising, later_h=-6.0).at(21.0)[1] == 6.0
    assert over(rising, later_h=40.0) == BELIEVED


def test_steps_of_days_may_be_an_hour_off() -> None:
    days = ErrorSpread((15.0, 38.0, 63.0), (0.0,) * 3, (4.0, 5.0, 6.0), (0,) * 3)
    found = with_members(BELIEVED, days, later_h=0.0, step_h=24.0, floor=0.7)
    assert found.lead_h[1:4] == (15.0, 38.0, 63.0)
    assert found.spread[1:4] == (4.0, 5.0, 6.0)
    assert list(found.lead_h) == sorted(set(found.lead_h))
