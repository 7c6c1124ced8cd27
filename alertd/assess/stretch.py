"""The days a rule looks at: the finished ones of the season, then those of the batch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from alertd.assess.batch import Batch
from alertd.assess.daily import Daily
from alertd.records.season import HISTORY_COLUMNS, HISTORY_DAYS
from alertd.science.arrays import FloatArray as Floats


@dataclass(frozen=True, slots=True)
class Stretch:
    """Daily values, [site, day]: ``HISTORY_DAYS`` finished days, then the batch from its first new day.

    ``today`` and ``known_end`` are positions on that axis; days from ``known_end`` on lie beyond the
    forecast of every site.
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


def stretch_of(batch: Batch, daily: Daily) -> Stretch:
    """Return history and batch joined; a site without history has unknown days before its first."""
    past = np.full((len(batch.members), HISTORY_DAYS, len(HISTORY_COLUMNS)), np.nan)
    for row, member in enumerate(batch.members):
        history = () if member.season is None else member.season.history[-HISTORY_DAYS:]
        if history:
            past[row, HISTORY_DAYS - len(history) :] = history
    columns = {
        name: np.concatenate([past[:, :, i], getattr(daily, name)[:, batch.first_new :]], axis=1)
        for i, name in enumerate(HISTORY_COLUMNS)
    }
    return Stretch(columns, HISTORY_DAYS, HISTORY_DAYS + batch.today - batch.first_new)


def trailing_mean(values: Floats, window: int) -> Floats:
    """Return the mean of each day and those before it, over the known ones; NaN if fewer than half are."""
    padding = np.full((*values.shape[:-1], window - 1), np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(
        np.concatenate([padding, values], axis=-1), window, axis=-1
    )
    known = ~np.isnan(windows)
    count = known.sum(axis=-1)
    total = np.where(known, windows, 0.0).sum(axis=-1)
    return np.where(count * 2 >= window, total / np.maximum(count, 1), np.nan)


def trailing_min(values: Floats, window: int) -> Floats:
    """Return the smallest known value of each day and those before it; NaN if none is known."""
    padding = np.full((*values.shape[:-1], window - 1), np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(
        np.concatenate([padding, values], axis=-1), window, axis=-1
    )
    return np.asarray(np.fmin.reduce(windows, axis=-1))
