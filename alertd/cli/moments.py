"""Times and days as people type them."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from alertd.errors import InputError

TIME_HELP = "ISO 8601, as 2026-07-14T06:00; without an offset or Z it is the site's local time."


def parse_moment(text: str, zone: str, now: dt.datetime, field: str = "at") -> dt.datetime:
    """Return the UTC instant written as ``text``. Raises InputError for nonsense and for the future.

    Without an offset it is local time in ``zone``: the first of two in autumn, after the gap in spring.
    """
    try:
        moment = dt.datetime.fromisoformat(text.strip())
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=ZoneInfo(zone))
        moment = moment.astimezone(dt.UTC)
    except (ValueError, OverflowError) as error:
        raise InputError(
            field, f"{text!r} is not a time; write it like 2026-07-14T06:00 or 2026-07-14T10:00Z"
        ) from error
    if moment > now:
        raise InputError(field, f"{text} lies in the future; give a past moment, or leave it out for now")
    return moment


def parse_day(text: str, field: str) -> dt.date:
    """Return the day written as ``text``. Raises InputError naming the fix."""
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError as error:
        raise InputError(field, f"{text!r} is not a day; write it like 2026-07-14") from error


def day_begins_anywhere(day: dt.date) -> dt.datetime:
    """Return the instant at which a day begins first of all on earth, 14 hours ahead of UTC."""
    try:
        return dt.datetime.combine(day, dt.time(), tzinfo=dt.UTC) - dt.timedelta(hours=14)
    except OverflowError:
        return dt.datetime.min.replace(tzinfo=dt.UTC)
