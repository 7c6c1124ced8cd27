"""The list of sources holds the whole catalog."""

from __future__ import annotations

import tomllib
from importlib import resources

from alertd.catalog.figure import Status
from alertd.catalog.limits import load_limits
from alertd.service.sources import catalog_entries


def test_every_catalog_file_is_listed() -> None:
    files = {item.name for item in resources.files("alertd.catalog").iterdir() if item.name.endswith(".toml")}
    assert {entry.file for entry in catalog_entries()} == files


def test_every_figure_of_every_file_is_listed_once() -> None:
    def count(value: object) -> int:
        if isinstance(value, dict):
            return 1 if {"unit", "source", "status"} <= value.keys() else sum(map(count, value.values()))
        return sum(map(count, value)) if isinstance(value, list) else 0

    folder = resources.files("alertd.catalog")
    total = sum(
        count(tomllib.loads(item.read_text(encoding="utf-8")))
        for item in folder.iterdir()
        if item.name.endswith(".toml")
    )
    figures = [entry for entry in catalog_entries() if entry.status is not None]
    assert len(figures) == total
    assert len({(entry.file, entry.key) for entry in figures}) == total


def test_an_entry_holds_what_the_catalog_holds() -> None:
    figure = load_limits()["default"].gust_block
    entry = next(one for one in catalog_entries() if one.key == "default.gust_block")
    assert (entry.value, entry.unit, entry.source, entry.status) == (
        6.7056,
        "m/s",
        figure.source,
        figure.status,
    )
    assert entry.note == figure.note


def test_a_curve_is_listed_with_its_knots() -> None:
    entry = next(one for one in catalog_entries() if one.key == "spread.wind_speed_m_s")
    assert isinstance(entry.value, tuple)
    assert entry.value[0] == (0.0, 1.0)
    assert entry.x_unit == "d"


def test_figures_from_memory_are_unverified_and_the_published_ones_are_not() -> None:
    assert not any(entry.verified for entry in catalog_entries(Status.FROM_MEMORY))
    assert all(entry.verified for entry in catalog_entries(Status.PUBLISHED))
    assert {entry.status for entry in catalog_entries(Status.DERIVED)} == {Status.DERIVED}
