"""The whole of Turner's table (Turner 1964, J. Appl. Meteor. 3:83-91) and its rules."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.science.stability import turner_class

INF, NAN = float("inf"), float("nan")
# Wind class as printed [m/s], then the classes at net radiation index 4, 3, 2, 1, 0, -1, -2.
TABLE = [
    (0.0, 0.7, (1, 1, 2, 3, 4, 6, 7)),
    (0.8, 1.8, (1, 2, 2, 3, 4, 6, 7)),
    (1.9, 2.8, (1, 2, 3, 4, 4, 5, 6)),
    (2.9, 3.3, (2, 2, 3, 4, 4, 5, 6)),
    (3.4, 3.8, (2, 2, 3, 4, 4, 4, 5)),
    (3.9, 4.8, (2, 3, 3, 4, 4, 4, 5)),
    (4.9, 5.4, (3, 3, 4, 4, 4, 4, 5)),
    (5.5, 5.9, (3, 3, 4, 4, 4, 4, 4)),
    (6.0, 30.0, (3, 4, 4, 4, 4, 4, 4)),
]
# Cloud tenths, ceiling, sun altitude, night that make each index.
INDEX = [
    (0.0, INF, 70.0, False),
    (0.0, INF, 50.0, False),
    (0.0, INF, 25.0, False),
    (0.0, INF, 10.0, False),
    (10.0, 1000.0, 40.0, False),
    (7.0, INF, -20.0, True),
    (2.0, INF, -20.0, True),
]


@pytest.mark.parametrize(("least", "most", "classes"), TABLE)
def test_the_whole_table_holds_at_both_ends_of_every_wind_class(
    least: float, most: float, classes: tuple[int, ...]
) -> None:
    cloud, ceiling, sun, night = (np.array(part) for part in zip(*INDEX, strict=True))
    for wind in (least, most):
        assert turner_class(wind, cloud, ceiling, sun, night).tolist() == list(classes)


@pytest.mark.parametrize(
    ("cloud", "ceiling_ft", "sun", "night", "index"),
    [
        (5, 3000, 65, False, 4),  # up to 5/10 the ceiling does not count
        (6, 3000, 65, False, 2),
        (6, 7000, 65, False, 3),
        (6, 15999, 65, False, 3),
        (6, 16000, 65, False, 4),
        (10, 20000, 65, False, 3),
        (10, 10000, 65, False, 3),
        (10, 6999, 65, False, 0),
        (8, 3000, 30, False, 1),  # not below 1
        (8, 3000, 10, False, 1),
        (0, 99999, 60, False, 3),
        (0, 99999, 35, False, 2),
        (0, 99999, 15, False, 1),
        (4, 99999, -30, True, -2),
        (5, 99999, -30, True, -1),
        (10, 7000, -30, True, -1),
        (10, 6999, -30, True, 0),
    ],
)
def test_the_net_radiation_index_follows_turners_rules(
    cloud: float, ceiling_ft: float, sun: float, night: bool, index: int
) -> None:
    # At 2.5 m/s every index from 4 to 1 has its own class; below, 0 is told by 4, -1 by 5, -2 by 6.
    expected = {4: 1, 3: 2, 2: 3, 1: 4, 0: 4, -1: 5, -2: 6}[index]
    assert turner_class(2.5, cloud, ceiling_ft * 0.3048, sun, night) == expected


def test_what_decides_and_is_missing_makes_the_class_missing() -> None:
    unknown = turner_class(
        [NAN, 2.0, 2.0, 2.0, 2.0],
        [0.0, NAN, 8.0, 0.0, 10.0],
        [INF, INF, NAN, INF, NAN],
        [40.0, 40.0, 40.0, NAN, -20.0],
        [False, False, False, False, True],
    )
    assert np.isnan(unknown).all()


def test_what_does_not_decide_may_be_missing() -> None:
    assert turner_class(2.0, 0.0, NAN, 40.0, False) == 2.0
    assert turner_class(2.0, 0.0, NAN, NAN, True) == 6.0
    assert turner_class(2.0, 10.0, 500.0, NAN, False) == 4.0


def test_sites_and_hours_broadcast_and_single_precision_stays() -> None:
    wind = np.full((3, 1), 2.0, dtype=np.float32)
    grid = turner_class(wind, np.zeros(4, dtype=np.float32), INF, np.float32(40.0), False)
    assert grid.shape == (3, 4)
    assert grid.dtype == np.float32


@given(
    st.floats(0.0, 40.0), st.floats(0.0, 10.0), st.floats(0.0, 9000.0), st.floats(-90.0, 90.0), st.booleans()
)
def test_classes_are_whole_and_within_1_to_7_and_stable_only_at_night(
    wind: float, cloud: float, ceiling: float, sun: float, night: bool
) -> None:
    stability = float(turner_class(wind, cloud, ceiling, sun, night))
    assert stability in range(1, 8)
    if not night:
        assert stability <= 4.0
    else:
        assert stability >= 4.0


@given(st.floats(0.0, 20.0), st.floats(0.0, 5.0), st.booleans())
def test_more_wind_moves_every_class_towards_neutral(wind: float, more: float, night: bool) -> None:
    calm, windy = turner_class([wind, wind + more], 0.0, INF, 70.0, night)
    assert abs(windy - 4.0) <= abs(calm - 4.0)
