from __future__ import annotations

import datetime as dt
import functools
import zoneinfo
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.records.localtime import local_instant, next_local_time

NEW_YORK = "America/New_York"
YEARS = range(2016, 2027)
RULES = ((0, 0), (0, 30), (1, 30), (2, 0), (2, 30), (3, 0), (6, 0), (23, 30))


def utc(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


def offset_at(zone: ZoneInfo, at: dt.datetime) -> dt.timedelta:
    offset = at.astimezone(zone).utcoffset()
    assert offset is not None
    return offset


@functools.cache
def changes(zone: ZoneInfo) -> tuple[dt.date, ...]:
    """Return the local days of every clock change in ``YEARS``, found by looking every twelve hours."""
    found = []
    at = dt.datetime(YEARS[0], 1, 1, tzinfo=dt.UTC)
    step = dt.timedelta(hours=12)
    offset = offset_at(zone, at)
    while at.year <= YEARS[-1]:
        at += step
        if (new := offset_at(zone, at)) != offset:
            found.append(at.astimezone(zone).date())
            offset = new
    return tuple(found)


def first_reached(day: dt.date, rule: tuple[int, int], zone: ZoneInfo) -> dt.datetime:
    """Return the first minute at which a wall clock in the zone shows the rule's time or later."""
    wanted = dt.datetime.combine(day, dt.time(*rule))
    at = dt.datetime.combine(day, dt.time(*rule), tzinfo=dt.UTC) - offset_at(zone, utc(f"{day}T12:00"))
    at -= dt.timedelta(hours=5)  # no change of these years is longer
    assert at.astimezone(zone).replace(tzinfo=None) < wanted
    while at.astimezone(zone).replace(tzinfo=None) < wanted:
        at += dt.timedelta(minutes=1)
    return at


@pytest.mark.parametrize(
    ("hour", "minute", "day", "expected"),
    [
        # US change-over days of 2026: 8 March and 1 November, at 02:00
        # (Energy Policy Act of 2005, section 110: second Sunday of March to first Sunday of November).
        (6, 0, "2026-03-08", "2026-03-08T10:00"),
        (2, 30, "2026-03-08", "2026-03-08T07:00"),
        (2, 0, "2026-03-08", "2026-03-08T07:00"),
        (3, 0, "2026-03-08", "2026-03-08T07:00"),
        (1, 30, "2026-11-01", "2026-11-01T05:30"),
        (6, 0, "2026-11-01", "2026-11-01T11:00"),
    ],
)
def test_gap_fires_at_its_end_and_overlap_at_its_first(
    hour: int, minute: int, day: str, expected: str
) -> None:
    assert local_instant(dt.date.fromisoformat(day), hour, minute, NEW_YORK) == utc(expected)


def test_the_second_turn_of_the_overlap_does_not_fire_again() -> None:
    first = next_local_time(1, 30, NEW_YORK, utc("2026-11-01T00:00"))
    assert first == utc("2026-11-01T05:30")
    assert next_local_time(1, 30, NEW_YORK, first) == utc("2026-11-02T06:30")


def test_a_half_hour_gap_ends_half_an_hour_later() -> None:
    # Lord Howe Island moves by thirty minutes (tz database, australasia).
    zone = "Australia/Lord_Howe"
    assert local_instant(dt.date(2026, 10, 4), 2, 10, zone) == utc("2026-10-03T15:30")


def test_a_day_that_a_zone_leaves_out_has_no_firing() -> None:
    # Samoa had no 30 December 2011 (tz database, australasia).
    zone = "Pacific/Apia"
    assert local_instant(dt.date(2011, 12, 30), 6, 0, zone) is None
    eve = next_local_time(6, 0, zone, utc("2011-12-29T00:00"))
    after = next_local_time(6, 0, zone, eve)
    assert [at.astimezone(ZoneInfo(zone)).day for at in (eve, after)] == [29, 31]


def test_a_gap_before_midnight_still_fires_once() -> None:
    # Greenland goes from 23:00 to midnight since 2024 (tz database, europe).
    zone = "America/Nuuk"
    at = local_instant(dt.date(2026, 3, 28), 23, 30, zone)
    assert at == utc("2026-03-29T01:00")


def test_a_naive_instant_is_refused() -> None:
    with pytest.raises(ValueError, match="aware"):
        next_local_time(6, 0, NEW_YORK, dt.datetime(2026, 1, 1))  # noqa: DTZ001  # the fault under test


ZONES = sorted(name for name in zoneinfo.available_timezones() if "/" in name and not name.startswith("Etc/"))


@given(name=st.sampled_from(ZONES), rule=st.sampled_from(RULES), nth=st.integers(0, 2 * len(YEARS)))
def test_each_rule_fires_once_a_day_around_every_change(name: str, rule: tuple[int, int], nth: int) -> None:
    zone = ZoneInfo(name)
    found = changes(zone) or (dt.date(2020, 3, 8),)
    change = found[nth % len(found)]
    days = [change + dt.timedelta(days=shift) for shift in range(-2, 3)]
    expected = [first_reached(day, rule, zone) for day in days]
    fired = [next_local_time(*rule, name, expected[0] - dt.timedelta(seconds=1))]
    while len(fired) < len(days):
        fired.append(next_local_time(*rule, name, fired[-1]))
    assert fired == expected


@given(
    name=st.sampled_from(ZONES),
    rule=st.sampled_from(RULES),
    after=st.integers(1_451_606_400, 1_796_083_200).map(lambda s: dt.datetime.fromtimestamp(s, dt.UTC)),
)
def test_the_next_firing_is_later_and_within_two_days(
    name: str, rule: tuple[int, int], after: dt.datetime
) -> None:
    at = next_local_time(*rule, name, after)
    assert dt.timedelta() < at - after <= dt.timedelta(hours=50)
