from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.cli.spray_grid import OPEN, OPEN_WITH_CARE, grid_rows, hour_line, letter_of, meanings
from alertd.records.assessment import MaterialOutlook
from alertd.science.spray import REASON_WORDS, Reason

START = dt.datetime(2026, 7, 14, 12, tzinfo=dt.UTC)  # 08:00 EDT


def outlook(blocks: list[int], cautions: list[int] | None = None) -> MaterialOutlook:
    return MaterialOutlook(
        "soap", (), np.array(blocks, dtype=np.int64), np.array(cautions or [0] * len(blocks), dtype=np.int64)
    )


def test_each_hour_stands_under_its_own_local_hour() -> None:
    rows = grid_rows(
        outlook([0, Reason.HEAT, Reason.RAIN_NOW, 0], [0, 0, 0, Reason.DROUGHT]), START, "America/New_York"
    )
    (row,) = rows
    assert row.day == dt.date(2026, 7, 14)
    assert row.letters == " " * 8 + "OHRo" + " " * 12


def test_a_new_local_day_begins_a_new_row() -> None:
    rows = grid_rows(outlook([0] * 40), START, "America/New_York")
    assert [(row.day.day, row.letters) for row in rows] == [(14, " " * 8 + "O" * 16), (15, "O" * 24)]


def test_the_doubled_hour_of_autumn_shows_the_worse_and_the_lost_hour_of_spring_stays_empty() -> None:
    # New York: clocks back on 1 November 2026 at 06:00 UTC, ahead on 8 March 2026 at 07:00 UTC.
    autumn = dt.datetime(2026, 11, 1, 4, tzinfo=dt.UTC)
    (day, *_) = grid_rows(outlook([0, 0, Reason.GUST] + [0] * 22), autumn, "America/New_York")
    assert day.letters == "Og" + "O" * 22
    spring = dt.datetime(2026, 3, 8, 5, tzinfo=dt.UTC)
    (day, *_) = grid_rows(outlook([0] * 23), spring, "America/New_York")
    assert day.letters == "OO O" + "O" * 20


def test_a_zone_of_half_an_hour_has_every_hour_once() -> None:
    rows = grid_rows(outlook([0] * 24), dt.datetime(2026, 7, 13, 18, tzinfo=dt.UTC), "Asia/Kolkata")
    assert sum(row.letters.count("O") for row in rows) == 24


@given(st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1))
def test_an_hour_looks_open_only_if_nothing_blocks_it(blocks: int, cautions: int) -> None:
    letter = letter_of(blocks, cautions)
    assert (letter in {OPEN, OPEN_WITH_CARE}) == (blocks == 0)
    if blocks == 0:
        assert (letter == OPEN_WITH_CARE) == (cautions != 0)


@pytest.mark.parametrize("reason", list(Reason))
def test_every_reason_has_a_letter_and_its_words_in_the_key(reason: Reason) -> None:
    ((letter, words),) = meanings([outlook([int(reason)])])
    assert letter == letter_of(int(reason), 0)
    assert REASON_WORDS[reason] == words


def test_the_key_names_only_what_occurs_and_never_says_safe() -> None:
    told = dict(meanings([outlook([0, Reason.HEAT]), outlook([0, Reason.SUN_HEAT], [1, 0])]))
    assert set(told) == {"O", "o", "H"}
    assert told["O"] == "no block found"
    assert told["H"] == "too hot or too hot in full sun"
    assert "safe" not in " ".join(told.values())


@pytest.mark.parametrize("is_us", [True, False])
def test_the_line_of_hours_is_as_wide_as_a_day(is_us: bool) -> None:
    assert len(hour_line(is_us)) == 24
