from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.web.limits import Limiter, visitor_key
from alertd.web.pages import Button, Page, long_day, render_page


def test_a_bucket_empties_and_fills_again() -> None:
    limiter = Limiter(per_minute=60, burst=2)
    assert [limiter.wait_s("a", 0.0) for _ in range(3)] == [0.0, 0.0, 1.0]
    assert limiter.wait_s("b", 0.0) == 0.0
    assert limiter.wait_s("a", 0.5) == pytest.approx(0.5)
    assert limiter.wait_s("a", 1.0) == 0.0


@given(st.lists(st.floats(0.0, 600.0), max_size=80))
def test_never_more_than_burst_and_refill_get_through(gaps_s: list[float]) -> None:
    limiter = Limiter(per_minute=6, burst=3)
    now_s = passed = 0.0
    for gap_s in gaps_s:
        now_s += gap_s
        passed += limiter.wait_s("a", now_s) == 0.0
    assert passed <= 3 + now_s * 0.1 + 1e-6


def test_a_clock_that_jumps_back_gives_nothing_away_and_breaks_nothing() -> None:
    limiter = Limiter(per_minute=60, burst=1)
    assert limiter.wait_s("a", 1000.0) == 0.0
    assert limiter.wait_s("a", 0.0) == 1.0
    assert limiter.wait_s("a", 1.0) == 0.0


def test_the_memory_of_visitors_is_bounded() -> None:
    limiter = Limiter(per_minute=60, burst=1, keys_max=100)
    for n in range(10_000):
        limiter.wait_s(str(n), 0.0)
    assert len(limiter._buckets) == 100


@pytest.mark.parametrize(
    ("address", "key"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("", "unknown"),
        ("testclient", "unknown"),
    ],
)
def test_one_line_counts_as_one_visitor(address: str, key: str) -> None:
    assert visitor_key(address) == key


@given(st.text(max_size=60))
def test_no_words_become_markup(words: str) -> None:
    page = Page(words, (words,), (Button(words, words or "x", "n", words),))
    tags = render_page(Page("x", ("x",), (Button("x", "x", "n", "x"),))).count("<")
    assert render_page(page).count("<") == tags


def test_days_are_said_as_people_say_them() -> None:
    assert long_day(dt.date(2026, 7, 4)) == "Saturday 4 July"
