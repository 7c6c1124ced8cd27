"""New weather joined to what is already known of the past."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import replace

import numpy as np
import pandas as pd

from alertd.records.weather import COLUMNS, HourlyWeather
from alertd.weather.hours import HOUR_S, BoolArray, Grid
from alertd.weather.measure import FloatArray

FROM_FORECAST = "past hours known only from a forecast"
CREDITS = " · "
"""Stands between the credits of two providers whose hours share a table."""


def merge_past(new: HourlyWeather, previous: HourlyWeather | None, keep_past_h: int) -> HourlyWeather:
    """Return ``new`` from ``keep_past_h`` before its first forecast hour to its end, without gaps.

    Past values that ``new`` does not know are taken from ``previous``; hours not yet over never are,
    for two issues of a forecast do not mix. Values that ``previous`` held only as a forecast are taken
    too, and their hours counted once under ``FROM_FORECAST`` in ``dropped``. Whoever gave an hour is
    credited. Raises ValueError for
    weather of two cells.
    """
    if previous is not None and previous.cell != new.cell:
        raise ValueError(f"previous: is of cell {previous.cell.key}, not of {new.cell.key}")
    seconds = new.table.index.as_unit("s").asi8  # type: ignore[attr-defined]  # checked by the record
    ahead = new.table["forecast"].to_numpy(dtype=np.bool_)
    here_s = int(seconds[np.argmax(ahead)]) if ahead.any() else int(seconds[-1]) + HOUR_S
    grid = Grid.between(here_s - keep_past_h * HOUR_S, int(seconds[-1]) + HOUR_S)
    merged, coarse = _columns(new.table, grid), _flag(new.table, "coarse", grid)
    dropped, credits = Counter(new.dropped), new.attribution
    if previous is not None:
        past = grid.start_s + HOUR_S * np.arange(grid.hours) < here_s
        old = _columns(previous.table, grid)
        taken = {name: past & np.isnan(merged[name]) & ~np.isnan(old[name]) for name in COLUMNS}
        for name, rows in taken.items():
            merged[name][rows] = old[name][rows]
        filled: BoolArray = np.any(list(taken.values()), axis=0)
        coarse |= filled & _flag(previous.table, "coarse", grid)
        only_forecast = int(np.count_nonzero(filled & _flag(previous.table, "forecast", grid)))
        if filled.any():
            parts = dict.fromkeys([*credits.split(CREDITS), *previous.attribution.split(CREDITS)])
            credits = CREDITS.join(parts)
        if only_forecast:
            dropped[FROM_FORECAST] += only_forecast
    grid.columns, grid.coarse = merged, coarse
    table = grid.table(dt.datetime.fromtimestamp(here_s, dt.UTC))
    return replace(new, table=table, attribution=credits, dropped=dict(dropped))


def _rows(table: pd.DataFrame, grid: Grid) -> tuple[slice, slice]:
    """Return the rows of the table that lie on the grid, and where."""
    first = (int(table.index.as_unit("s").asi8[0]) - grid.start_s) // HOUR_S  # type: ignore[attr-defined]  # checked by the record
    there = slice(max(first, 0), max(min(first + len(table), grid.hours), 0))
    here = slice(there.start - first, max(there.stop - first, 0))
    return (here, there) if there.stop > there.start else (slice(0, 0), slice(0, 0))


def _columns(table: pd.DataFrame, grid: Grid) -> dict[str, FloatArray]:
    here, there = _rows(table, grid)
    columns: dict[str, FloatArray] = {}
    for name in COLUMNS:
        columns[name] = np.full(grid.hours, np.nan)
        columns[name][there] = table[name].to_numpy(dtype=np.float64)[here]
    return columns


def _flag(table: pd.DataFrame, name: str, grid: Grid) -> BoolArray:
    here, there = _rows(table, grid)
    flags: BoolArray = np.zeros(grid.hours, dtype=np.bool_)
    flags[there] = table[name].to_numpy(dtype=np.bool_)[here]
    return flags
