"""The stages of each mite population, carried over the finished days, and what they will become."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch
from alertd.assess.stretch import flat_rows
from alertd.records.season import SpeciesSeason
from alertd.science.arrays import IntArray as Ints
from alertd.science.development import development_rate
from alertd.science.life_tables import N_ROWS, TABLE_LOW_C, TABLE_STEP_C, stage_layout
from alertd.science.population import (
    DayHours,
    abundance,
    advance,
    advance_columns,
    day_hours,
    development_to_adults,
    development_to_hatch,
    egg_share,
    first_day_reaching,
    initial_state,
    laying,
)
from alertd.science.season import UNKNOWN, SeasonPhase

Floats = npt.NDArray[np.float64]
Phases = npt.NDArray[np.int8]

SETTLING_C = 20.0
SETTLING_D = 60
"""A population met in the middle of its season has the stages of steady growth at this temperature."""


@dataclass(frozen=True, slots=True)
class Hours:
    """The hours of a batch, looked up once for every species: each finished day, and today with all ahead."""

    finished: tuple[DayHours, ...]
    ahead: DayHours
    ahead_starts: Ints
    ahead_days: tuple[dt.date, ...]


@dataclass(frozen=True, slots=True)
class Brood:
    """What one population holds this morning, [site]; -1 for a day beyond the forecast."""

    abundance: Floats
    egg_share: Floats
    hatch_day: Ints
    adult_day: Ints


def look_up(batch: Batch) -> Hours:
    """Look the hours of the batch up, from the first new day on."""
    starts, lengths = batch.local.starts, batch.local.lengths
    today = int(starts[batch.today])
    finished = tuple(
        _hours(batch, int(starts[day]), int(starts[day] + lengths[day]))
        for day in range(batch.first_new, batch.today)
    )
    return Hours(
        finished,
        _hours(batch, today, batch.hours),
        starts[batch.today :] - today,
        batch.local.days[batch.today :],
    )


def _hours(batch: Batch, start: int, end: int) -> DayHours:
    names = ("air_temperature_c", "vapour_pressure_deficit_kpa", "precipitation_mm")
    return day_hours(*(batch.hourly[name][:, start:end] for name in names))


def carried(
    hours: Hours,
    rows: Ints,
    species: str,
    before: Sequence[SpeciesSeason | None],
    phase: Phases,
    host_factor: Floats,
) -> Floats:
    """Return the population at the end of each finished day, [row, day, column].

    ``phase`` is that of each finished day, [row, day]. The first entry is what the season held; an
    empty population is all zeros. A species that wakes starts from what winters; a resting one stands
    still; the new year's winter rest empties it.
    """
    columns = stage_layout(species).n_columns
    states = np.zeros((len(hours.finished) + 1, columns, len(rows)))
    kept = [i for i, season in enumerate(before) if season is not None and len(season.stages) == columns]
    states[0, :, kept] = flat_rows([one.stages for i in kept if (one := before[i]) is not None], columns)
    yesterday = np.array([UNKNOWN if season is None else season.phase for season in before], dtype=np.int8)
    laid_by = laying(species, host_factor) if len(rows) else None
    for day, looked_up in enumerate(hours.finished):
        current = woken(states[day], phase[:, day], yesterday, species)
        active = phase[:, day] == SeasonPhase.ACTIVE
        states[day + 1] = current
        if laid_by is not None and active.any():
            advance_columns(states[day + 1], _of_rows(looked_up, rows), species, laid_by)
            if not active.all():
                states[day + 1][:, ~active] = current[:, ~active]
        yesterday = phase[:, day]
    return states.transpose(2, 0, 1)


def woken(state: Floats, phase: Phases, yesterday: Phases, species: str) -> Floats:
    """Return the population of a day's morning: started where the species is active and there is none.

    ``state`` is [column, row]; it is not changed.
    """
    winter = phase == SeasonPhase.WINTER_REST
    current = np.where(winter, 0.0, state) if winter.any() else state
    empty = (phase == SeasonPhase.ACTIVE) & ~state.any(axis=0)
    if empty.any():
        rested = yesterday == SeasonPhase.WINTER_REST
        current = current.copy()
        current[:, empty & rested] = initial_state(1, species)[0][:, None]
        current[:, empty & ~rested] = settled(species)[:, None]
    return current


@lru_cache(maxsize=64)
def settled(species: str) -> Floats:
    """Return the stages of steady growth, one unit in all: for a population met in mid-season."""
    state = initial_state(1, species)
    hours = np.full((1, 24), SETTLING_C)
    for _ in range(SETTLING_D):
        state = advance(state, hours, np.ones((1, 24)), np.zeros((1, 24)), species, 1.0)
        state = state / state.sum()
    found: Floats = state[0]
    found.setflags(write=False)
    return found


def _of_rows(day: DayHours, rows: Ints) -> DayHours:
    if len(rows) == day.washed_off.size:
        return day
    return DayHours(day.rows[:, rows], day.deficit_rows[:, rows], day.washed_off[rows])


def brood(hours: Hours, rows: Ints, species: str, state: Floats) -> Brood:
    """Return how many and what share of eggs this morning, when half of them hatch and half are adult."""
    looked_up = _of_rows(hours.ahead, rows)
    per_hour = _development(species)[looked_up.rows]
    per_day = np.add.reduceat(per_hour, hours.ahead_starts, axis=0).T / 24.0
    return Brood(
        abundance(state),
        egg_share(state, species),
        first_day_reaching(development_to_hatch(state, species), per_day),
        first_day_reaching(development_to_adults(state, species), per_day),
    )


@lru_cache(maxsize=64)
def _development(species: str) -> Floats:
    """Return the rate of development at each row of the look-up, 1/d; an unknown hour stands still."""
    grid_c = TABLE_LOW_C + TABLE_STEP_C * np.arange(N_ROWS, dtype=np.float64)
    return np.append(development_rate(grid_c, species), 0.0)
