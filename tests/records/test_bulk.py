"""Records made in bulk are the records that their constructor makes."""

from __future__ import annotations

import pickle
from dataclasses import FrozenInstanceError, dataclass, field, fields, replace
from itertools import repeat
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.records.assessment import (
    DayWeather,
    MaterialOutlook,
    MitePressure,
    Part,
    SprayWindow,
    WaterStatus,
)
from alertd.records.bulk import many
from alertd.records.season import SpeciesSeason
from alertd.records.site import Planting

KINDS: tuple[type[Any], ...] = (
    DayWeather, MaterialOutlook, MitePressure, Part, SpeciesSeason, SprayWindow, WaterStatus,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Pair:
    """A record with a default that is made anew each time."""

    first: int
    second: list[int] = field(default_factory=list)


@pytest.mark.parametrize("kind", KINDS)
@given(rows=st.lists(st.integers(), max_size=5))
def test_every_record_is_equal_to_the_one_made_by_its_constructor(kind: type[Any], rows: list[int]) -> None:
    names = [item.name for item in fields(kind)]
    columns = {name: [(row, place) for row in rows] for place, name in enumerate(names)}
    made = many(kind, **columns)
    assert made == [kind(**{name: columns[name][i] for name in names}) for i in range(len(rows))]
    assert all(type(one) is kind for one in made)


def test_the_columns_go_by_name_and_the_shortest_ends() -> None:
    made = many(Part, unit=repeat("mm"), value=[1.0, 2.0, 3.0], name=repeat("rain"), points=[4.0, 5.0])
    assert made == [Part("rain", 4.0, 1.0, "mm"), Part("rain", 5.0, 2.0, "mm")]


def test_they_are_frozen_hashed_copied_and_stored_like_any_other() -> None:
    (one,) = many(Part, name=["rain"], points=[4.0], value=[1.0], unit=["mm"])
    with pytest.raises(FrozenInstanceError):
        one.points = 5.0  # type: ignore[misc]  # that is the question
    with pytest.raises((AttributeError, TypeError)):
        one.other = 5.0  # type: ignore[attr-defined]
    assert hash(one) == hash(Part("rain", 4.0, 1.0, "mm"))
    assert repr(one) == repr(Part("rain", 4.0, 1.0, "mm"))
    assert replace(one, points=5.0) == Part("rain", 5.0, 1.0, "mm")
    assert pickle.loads(pickle.dumps(one)) == one


def test_a_missing_or_unknown_column_is_refused() -> None:
    for columns in (
        {"first": [1]},
        {"first": [1], "third": [2]},
        {"first": [1], "second": [[]], "third": [2]},
    ):
        with pytest.raises(TypeError, match="give first, second"):
            many(Pair, **columns)


def test_a_record_that_checks_itself_is_refused() -> None:
    with pytest.raises(TypeError, match="call it row by row"):
        many(Planting, **{item.name: [1] for item in fields(Planting)})
    with pytest.raises(TypeError, match="call it row by row"):
        many(dict, first=[1])
