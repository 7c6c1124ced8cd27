from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.cli.moments import day_begins_anywhere, parse_day, parse_moment
from alertd.errors import InputError

NOW = dt.datetime(2026, 12, 1, tzinfo=dt.UTC)
ZONE = "America/New_York"


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-07-14T06:00", "2026-07-14T10:00"),
        ("2026-07-14 06:00", "2026-07-14T10:00"),
        ("2026-07-14T06:00Z", "2026-07-14T06:00"),
        ("2026-07-14T06:00+02:00", "2026-07-14T04:00"),
        ("2026-07-14", "2026-07-14T04:00"),
        ("2026-11-01T01:30", "2026-11-01T05:30"),  # the first of two
        ("2026-03-08T02:30", "2026-03-08T07:30"),  # in the gap: after it
    ],
)
def test_a_time_is_the_sites_own_unless_it_carries_an_offset(text: str, utc: str) -> None:
    assert parse_moment(text, ZONE, NOW) == dt.datetime.fromisoformat(utc).replace(tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("soon", "is not a time"),
        ("", "is not a time"),
        ("2027-01-01", "future"),
        ("9999-12-31T23:59-12:00", "is not a time"),
    ],
)
def test_nonsense_and_the_future_are_refused(text: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        parse_moment(text, ZONE, NOW)


@given(st.text())
def test_whatever_is_typed_is_a_past_instant_or_refused(text: str) -> None:
    try:
        found = parse_moment(text, ZONE, NOW)
    except InputError:
        return
    assert found <= NOW


def test_a_day_is_iso() -> None:
    assert parse_day(" 2026-07-14 ", "since") == dt.date(2026, 7, 14)
    with pytest.raises(InputError, match="since"):
        parse_day("14.7.2026", "since")


@given(st.dates())
def test_a_day_begins_nowhere_earlier(day: dt.date) -> None:
    began = day_begins_anywhere(day)
    assert began <= dt.datetime.combine(day, dt.time(), tzinfo=dt.UTC)
