"""The hourly grid that every provider's answer is laid on, and the reading of numbers and instants."""

from __future__ import annotations

import datetime as dt
import math
import re
from bisect import bisect_left
from collections import Counter
from enum import StrEnum

import numpy as np
import numpy.typing as npt
import pandas as pd

from alertd.records.weather import COLUMNS
from alertd.weather.measure import FloatArray

HOUR_S = 3600
PAST_LIMIT_H = 24 * 100
AHEAD_LIMIT_H = 24 * 20
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
_DURATION = re.compile(r"P(?:(\d{1,4})D)?(?:T(\d{1,4})H)?")


class Reason(StrEnum):
    """Why a value was turned into unknown."""

    OUT_OF_RANGE = "out of range"
    STUCK = "stuck"
    SPIKE = "spike"
    GUST_BELOW_WIND = "gust below wind"
    DEW_ABOVE_AIR = "dew point above air temperature"
    DUPLICATED = "duplicated stamp"
    OUT_OF_ORDER = "stamp out of order"
    OFF_HOUR = "stamp off the hour"
    OUTSIDE = "stamp outside the window"
    WRONG_UNIT = "wrong unit"
    NOT_A_NUMBER = "not a number"
    BAD_INTERVAL = "unreadable interval"
    FAILED_CHECK = "failed the provider's own check"


def instant_s(text: object, assumed_offset_s: int | None = None) -> int | None:
    """Return the epoch second of an ISO 8601 instant, or None where it is not one.

    A text without a zone is read with ``assumed_offset_s`` east of UTC, and refused without it.
    """
    if not isinstance(text, str):
        return None
    try:
        at = dt.datetime.fromisoformat(text)
        if at.tzinfo is None:
            if assumed_offset_s is None:
                return None
            return int(at.replace(tzinfo=dt.UTC).timestamp()) - assumed_offset_s
        return int(at.timestamp())
    except (ValueError, OverflowError):
        return None


def duration_h(text: str) -> int | None:
    """Return the hours of an ISO 8601 duration of days and hours; None for anything else.

    Months have no fixed length and minutes no place on this grid: such a duration is not guessed at.
    """
    match = _DURATION.fullmatch(text)
    if match is None:
        return None
    hours = int(match[1] or 0) * 24 + int(match[2] or 0)
    return hours or None


def number(value: object, dropped: Counter[str]) -> float:
    """Return a JSON number as float; null is NaN, and anything else is NaN and counted."""
    if value is None:
        return math.nan
    if type(value) is int or type(value) is float:
        try:
            figure = float(value)
        except OverflowError:
            figure = math.inf
        if math.isfinite(figure):
            return figure
    dropped[Reason.NOT_A_NUMBER] += 1
    return math.nan


def numbers(values: list[object], dropped: Counter[str]) -> FloatArray:
    """Return a JSON list as an array of float, read like ``number``."""
    return np.array([number(value, dropped) for value in values], dtype=np.float64)


def hour_floor_s(at: dt.datetime) -> int:
    """Return the epoch second of the hour the instant lies in."""
    return math.floor(at.timestamp() / HOUR_S) * HOUR_S


def known(values: FloatArray) -> int:
    """Return how many of the values are known."""
    return int(np.count_nonzero(~np.isnan(values)))


def counts(dropped: Counter[str]) -> dict[str, int]:
    """Return the counts by plain words, those of zero left out."""
    return {str(reason): count for reason, count in dropped.items() if count}


class Grid:
    """Canonical columns over whole hours, unknown until filled."""

    def __init__(self, start_s: int, hours: int) -> None:
        self.start_s = start_s
        self.hours = hours
        self.columns: dict[str, FloatArray] = {name: np.full(hours, np.nan) for name in COLUMNS}
        self.coarse: BoolArray = np.zeros(hours, dtype=np.bool_)

    @classmethod
    def between(cls, start_s: int, end_s: int) -> Grid:
        """Return an unknown grid over ``[start_s, end_s)``."""
        return cls(start_s, max((end_s - start_s) // HOUR_S, 1))

    def index(self, at_s: int) -> int:
        """Return the row of an instant; it may lie outside of the grid."""
        return (at_s - self.start_s) // HOUR_S

    def put(self, column: str, at_s: IntArray, values: FloatArray) -> None:
        """Write values at their hours; hours outside of the grid are left out."""
        rows = (at_s - self.start_s) // HOUR_S
        inside = (rows >= 0) & (rows < self.hours)
        self.columns[column][rows[inside]] = values[inside]

    def table(self, now: dt.datetime) -> pd.DataFrame:
        """Return the canonical table, with every hour not yet over at ``now`` marked as forecast."""
        start_s = self.start_s + HOUR_S * np.arange(self.hours, dtype=np.int64)
        index = pd.DatetimeIndex(start_s.astype("datetime64[s]"), name="start_at").tz_localize("UTC")
        table = pd.DataFrame(
            np.column_stack([self.columns[name] for name in COLUMNS]), index=index, columns=list(COLUMNS)
        )
        table["forecast"] = start_s + HOUR_S > now.timestamp()
        table["coarse"] = self.coarse
        return table


def rising_stamps(
    stamps_s: IntArray, values: FloatArray, now: dt.datetime, dropped: Counter[str]
) -> BoolArray:
    """Return which rows of a series stand on a usable stamp; the values of the others are counted.

    ``values`` has shape (stamps, variables). Usable is: on the hour, within reach of ``now``, and in
    rising order; of a doubled stamp the first is kept if all copies agree, and none if they do not.
    """
    here_s = hour_floor_s(now)
    keep: BoolArray = np.ones(len(stamps_s), dtype=np.bool_)

    def drop(rows: BoolArray, reason: Reason) -> None:
        rows = rows & keep
        if rows.any():
            dropped[reason] += known(values[rows])
            keep[rows] = False

    outside = (stamps_s < here_s - PAST_LIMIT_H * HOUR_S) | (stamps_s > here_s + AHEAD_LIMIT_H * HOUR_S)
    drop(outside, Reason.OUTSIDE)
    drop(stamps_s % HOUR_S != 0, Reason.OFF_HOUR)
    if (np.diff(stamps_s[keep]) > 0).all():
        return keep
    drop(_doubled(stamps_s, values, keep), Reason.DUPLICATED)
    drop(_out_of_order(stamps_s, keep), Reason.OUT_OF_ORDER)
    return keep


def _doubled(stamps_s: IntArray, values: FloatArray, keep: BoolArray) -> BoolArray:
    doubled: BoolArray = np.zeros(len(stamps_s), dtype=np.bool_)
    rows_at: dict[int, list[int]] = {}
    for row in np.flatnonzero(keep):
        rows_at.setdefault(int(stamps_s[row]), []).append(int(row))
    for rows in rows_at.values():
        agree = np.array_equal(
            values[rows], np.broadcast_to(values[rows[0]], values[rows].shape), equal_nan=True
        )
        doubled[rows[1:] if agree else rows] = len(rows) > 1
    return doubled


def _out_of_order(stamps_s: IntArray, keep: BoolArray) -> BoolArray:
    """Return the rows outside of the longest rising run of stamps (patience sorting)."""
    rows = np.flatnonzero(keep)
    tails: list[int] = []
    tail_rows: list[int] = []
    before: dict[int, int] = {}
    for row in rows.tolist():
        place = bisect_left(tails, int(stamps_s[row]))
        before[row] = tail_rows[place - 1] if place else -1
        tails[place : place + 1] = [int(stamps_s[row])]
        tail_rows[place : place + 1] = [row]
    wrong = keep.copy()
    row = tail_rows[-1] if tail_rows else -1
    while row >= 0:
        wrong[row] = False
        row = before[row]
    return wrong
