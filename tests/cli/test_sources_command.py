from __future__ import annotations

import json

import pytest

from tests.cli.conftest import Program


def test_every_figure_is_listed_with_status_and_source(program: Program) -> None:
    found = json.loads(program.done("sources", "--json"))
    keys = {(one["file"], one["key"]) for one in found}
    assert ("limits.toml", "default.wind_upper_block") in keys
    assert ("chance.toml", "spread.wind_speed_m_s") in keys
    assert all(one["source"] for one in found)


@pytest.mark.parametrize("words", ["from memory", "from-memory", "From_Memory"])
def test_a_status_picks_its_figures(program: Program, words: str) -> None:
    found = json.loads(program.done("sources", "--json", "--status", words))
    assert found
    assert {one["status"] for one in found} == {"from memory"}
    assert not any(one["verified"] for one in found)


def test_unverified_figures_are_marked(program: Program) -> None:
    told = program.done("sources")
    assert "! spread.temperature_max_c" in told.replace("\n", " ")
    assert "unverified" in told
    assert "label of the product in hand" in told


def test_published_figures_carry_no_mark(program: Program) -> None:
    told = program.done("sources", "--status", "published")
    assert "! " not in told
    assert "unverified" not in told


def test_an_unknown_status_is_refused_with_the_choices(program: Program) -> None:
    assert "published" in program.refused(2, "sources", "--status", "hearsay")
