"""Local-time rules ("06:00 at the site") turned into UTC instants, across every clock change.

In the gap of spring a rule fires at the first instant that exists after it; in the overlap of autumn
once, at the first of the two. A day that a zone leaves out altogether has no firing.
"""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

_DAY = dt.timedelta(days=1)


def local_instant(day: dt.date, hour: int, minute: int, zone: str) -> dt.datetime | None:
    """Return the one UTC instant at which a local time counts as reached on ``day``.

    ``zone`` is the name of an IANA time zone.
    None where the zone leaves the whole day out, as some did when they crossed the date line.
    """
    place = ZoneInfo(zone)
    wanted = dt.datetime.combine(day, dt.time(hour, minute), tzinfo=place)  # fold 0: the first of two
    if _exists(wanted):
        return wanted.astimezone(dt.UTC)
    if not any(_exists(dt.datetime.combine(day, edge, tzinfo=place)) for edge in (dt.time.min, dt.time.max)):
        return None
    return _end_of_gap(wanted, place)


def next_local_time(hour: int, minute: int, zone: str, after: dt.datetime) -> dt.datetime:
    """Return the first firing of the rule strictly later than ``after`` (aware), in UTC.

    Raises
    ------
    ValueError
        If ``after`` is naive.
    """
    if after.tzinfo is None:
        raise ValueError("after: must be an aware instant")
    day = after.astimezone(ZoneInfo(zone)).date() - _DAY  # a gap at midnight moves a firing into the next day
    while (instant := local_instant(day, hour, minute, zone)) is None or instant <= after:
        day += _DAY
    return instant


def _exists(local: dt.datetime) -> bool:
    there_and_back = local.astimezone(dt.UTC).astimezone(local.tzinfo)
    return there_and_back.replace(tzinfo=None) == local.replace(tzinfo=None)


def _end_of_gap(wanted: dt.datetime, zone: ZoneInfo) -> dt.datetime:
    """Return the instant of the clock change that skipped ``wanted``.

    Within a gap, fold 0 reads the wall clock with the offset before it and fold 1 with the offset
    after it (PEP 495), so the change lies between the two readings.
    """
    early = wanted.replace(fold=1).astimezone(dt.UTC)
    late = wanted.astimezone(dt.UTC)
    offset = early.astimezone(zone).utcoffset()
    low, high = 0, round((late - early).total_seconds())
    while high - low > 1:
        middle = (low + high) // 2
        if (early + dt.timedelta(seconds=middle)).astimezone(zone).utcoffset() == offset:
            low = middle
        else:
            high = middle
    return early + dt.timedelta(seconds=high)
