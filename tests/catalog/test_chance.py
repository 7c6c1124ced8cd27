"""The figures behind a chance: complete, rising with lead time, and honest about where they come from."""

from __future__ import annotations

from dataclasses import fields

from alertd.catalog.chance import load_chance
from alertd.catalog.figure import Status
from alertd.science.chance import CLASS_EDGES_H


def test_every_spread_grows_with_lead_time_and_reaches_the_last_class() -> None:
    spread = load_chance().spread
    for item in fields(spread):
        series = getattr(spread, item.name)
        assert series.x_unit == "d"
        assert list(series.y) == sorted(series.y)
        assert series.x[-1] * 24.0 >= CLASS_EDGES_H[-1]


def test_no_spread_is_told_as_published() -> None:
    spread = load_chance().spread
    statuses = {getattr(spread, item.name).status for item in fields(spread)}
    assert statuses <= {Status.FROM_MEMORY, Status.DERIVED}


def test_fewer_than_thirty_cases_neither_correct_nor_judge() -> None:
    assert float(load_chance().calibration_cases) >= 30.0
    assert float(load_chance().score_cases) >= 30.0
