"""The days a rule looks at: the finished ones of the season, then those of the batch."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from typing import TypeVar

import numpy as np

from alertd.assess.batch import Batch, SiteWeather
from alertd.assess.daily import Daily
from alertd.catalog.water import load_water_rules
from alertd.records.season import HISTORY_COLUMNS, HISTORY_DAYS
from alertd.science.arrays import FloatArray as Floats

Kept = TypeVar("Kept")


@dataclass(frozen=True, slots=True)
class Stretch:
    """Daily values, [site, day]: ``HISTORY_DAYS`` finished days, then the batch from its first new day.

    ``first_new`` and ``today`` are positions on that axis.
    """

    columns: dict[str, Floats]
    first_new: int
    today: int

    def __getitem__(self, name: str) -> Floats:
        return self.columns[name]

    @property
    def days(self) -> int:
        """Length of the axis."""
        return int(next(iter(self.columns.values())).shape[1])

    def told_rain_mm(self) -> Floats:
        """Return the rain of each day; of a day with unknown hours only if the known ones are a wetting rain.

        Such a day is wet whatever the unknown hours brought, and the sum is a lower bound.
        """
        known = self["precipitation_known_mm"]
        wetting_mm = float(load_water_rules().wetting_rain)
        return np.where(known >= wetting_mm, known, self["precipitation_mm"])


def stretch_of(batch: Batch, daily: Daily) -> Stretch:
    """Return history and batch joined; a site without history has unknown days before its first."""
    first = batch.local.days[batch.first_new]
    width = len(HISTORY_COLUMNS)
    past = np.full((len(batch.members), HISTORY_DAYS, width), np.nan)
    usual: list[int] = []
    for row, member in enumerate(batch.members):
        if member.season is None:
            continue
        history, gap = member.season.history, gap_d(member, first)
        if gap == 0 and len(history) == HISTORY_DAYS and all(len(day) == width for day in history):
            usual.append(row)
            continue
        where, kept = placed(history, gap)
        for i, day in zip(range(where.start, where.stop), kept, strict=True):
            past[row, i, : len(day)] = day
    days = [day for row in usual if (season := batch.members[row].season) for day in season.history]
    past[usual] = flat_rows(days, width).reshape(len(usual), HISTORY_DAYS, width)
    columns = {
        name: np.concatenate([past[:, :, i], getattr(daily, name)[:, batch.first_new :]], axis=1)
        for i, name in enumerate(HISTORY_COLUMNS)
    }
    return Stretch(columns, HISTORY_DAYS, HISTORY_DAYS + batch.today - batch.first_new)


def flat_rows(rows: Sequence[Sequence[float]], width: int) -> Floats:
    """Return rows of one width as an array, [row, column]; one line of numbers is read fastest."""
    numbers = np.fromiter(chain.from_iterable(rows), dtype=np.float64, count=len(rows) * width)
    return numbers.reshape(len(rows), width)


def gap_d(member: SiteWeather, first_new: dt.date) -> int:
    """Return how many days lie between the season's last day and ``first_new``, usually none.

    Below zero where the season runs into the batch, as after a move to a zone further west.
    """
    return 0 if member.season is None else (first_new - member.season.day).days - 1


def placed(kept: Sequence[Kept], gap: int) -> tuple[slice, Sequence[Kept]]:
    """Return where the newest of ``kept`` lie among the ``HISTORY_DAYS`` before the batch, and which.

    They end ``gap`` days before it; those that a gap pushes out, or that overlap the batch, are left out.
    """
    if gap < 0:
        kept, gap = kept[:gap], 0
    room = max(HISTORY_DAYS - gap, 0)
    kept = kept[max(len(kept) - room, 0) :]
    return slice(room - len(kept), room), kept


def trailing_mean(values: Floats, window: int, least: int | None = None) -> Floats:
    """Return the mean over the known ones of each day and those before it.

    NaN where fewer than ``least`` are known, by default half of the window.
    """
    windows = _windows(values, window)
    known = ~np.isnan(windows)
    count = known.sum(axis=-1)
    total = np.where(known, windows, 0.0).sum(axis=-1)
    enough = count >= least if least is not None else count * 2 >= window
    return np.where(enough, total / np.maximum(count, 1), np.nan)


def trailing_min(values: Floats, window: int) -> Floats:
    """Return the smallest known value of each day and those before it; NaN if none is known."""
    return np.asarray(np.fmin.reduce(_windows(values, window), axis=-1))


def trailing_max(values: Floats, window: int) -> Floats:
    """Return the largest known value of each day and those before it; NaN if none is known."""
    return np.asarray(np.fmax.reduce(_windows(values, window), axis=-1))


def _windows(values: Floats, window: int) -> Floats:
    padding = np.full((*values.shape[:-1], window - 1), np.nan)
    return np.lib.stride_tricks.sliding_window_view(
        np.concatenate([padding, values], axis=-1), window, axis=-1
    )
