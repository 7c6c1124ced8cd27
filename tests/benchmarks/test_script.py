"""The plain script of the benchmark is a second opinion on the whole assessment; it has to agree."""

from __future__ import annotations

from tests.benchmarks.assessment import compare
from tests.benchmarks.invented import members


def test_a_plain_pandas_script_finds_the_same_bits_windows_scores_and_spells() -> None:
    # the first of them has gaps in its weather
    assert compare(members(3)) > 20_000
