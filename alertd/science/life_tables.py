"""What an hour at each temperature does to each stage of a species, tabulated once."""

from __future__ import annotations

from enum import IntEnum
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from alertd.catalog.figure import Series
from alertd.catalog.species import Species
from alertd.science.development import development_rate, intrinsic_rate, species_record

Array = npt.NDArray[np.float64]

BLOCK_H = 6
HOURS_A_DAY = 24.0
TABLE_LOW_C = -20.0
TABLE_HIGH_C = 55.0
TABLE_STEP_C = 0.02
N_ROWS = round((TABLE_HIGH_C - TABLE_LOW_C) / TABLE_STEP_C) + 1
DEFICIT_HIGH_KPA = 10.0
DEFICIT_STEP_KPA = 0.01
N_DEFICIT_ROWS = round(DEFICIT_HIGH_KPA / DEFICIT_STEP_KPA) + 1
LARGEST_MOVE = 0.98


class Stage(IntEnum):
    """The stages of a mite's life, in order."""

    EGG = 0
    LARVA = 1
    PROTONYMPH = 2
    DEUTONYMPH = 3
    PREOVIPOSITION = 4
    FEMALE = 5


class StageLayout(NamedTuple):
    """Which columns of a state hold which stage: ``starts[stage]:starts[stage + 1]``."""

    starts: tuple[int, ...]
    steps_to_adult: int

    @property
    def n_columns(self) -> int:
        """Length of the state vector of one site."""
        return self.starts[-1]


class HourTables(NamedTuple):
    """Effects of one hour at each tabulated temperature, and ``humidity`` at each tabulated deficit.

    The last row is the unknown hour.
    """

    move: Array
    log_survival: Array
    log_female_survival: Array
    humidity_gain: Array
    humidity: Array


@lru_cache(maxsize=64)
def stage_layout(species: str) -> StageLayout:
    """Columns of the state of a species.

    Parameters
    ----------
    species : str
        Catalog key.

    Returns
    -------
    StageLayout
        First column of each stage, and the number of steps from laying to adult.

    Raises
    ------
    ValueError
        If the catalog has no such species.

    Notes
    -----
    The steps from laying to adult are shared out over egg, larva, protonymph and deutonymph in
    proportion to their degree-days, by largest remainder; preoviposition gets steps of the same size.

    Examples
    --------
    >>> stage_layout("twospotted")
    StageLayout(starts=(0, 8, 12, 16, 20, 22, 23), steps_to_adult=20)
    """
    record = species_record(species)
    stages = record.stages
    steps = int(float(record.life.substages))
    shares = np.array([float(s) for s in (stages.egg, stages.larva, stages.protonymph, stages.deutonymph)])
    exact = shares / shares.sum() * steps
    whole = np.maximum(np.floor(exact).astype(int), 1)
    for stage in np.argsort(whole - exact, kind="stable")[: max(steps - int(whole.sum()), 0)]:
        whole[stage] += 1
    resting = max(round(float(stages.preoviposition) / shares.sum() * steps), 1)
    ends = np.cumsum([*whole.tolist(), resting, 1]).tolist()
    return StageLayout((0, *ends), int(whole.sum()))


def _grid_c() -> Array:
    return TABLE_LOW_C + TABLE_STEP_C * np.arange(N_ROWS, dtype=np.float64)


def _at(series: Series, temperature_c: Array) -> Array:
    return np.asarray(np.interp(temperature_c, series.x, series.y), dtype=np.float64)


@lru_cache(maxsize=64)
def hour_tables(species: str) -> HourTables:
    """Tabulate the effects of one hour on a species.

    Parameters
    ----------
    species : str
        Catalog key.

    Returns
    -------
    HourTables
        One row for every 0.02 degC from -20 to 55 degC, and one for the unknown hour. [1/h]

    Raises
    ------
    ValueError
        If the catalog has no such species.
    """
    record = species_record(species)
    grid_c = _grid_c()
    steps = stage_layout(species).steps_to_adult
    develop = development_rate(grid_c, species)
    move = np.minimum(develop * steps * BLOCK_H / HOURS_A_DAY, LARGEST_MOVE) / BLOCK_H
    lost = np.log(np.maximum(_at(record.life.survival, grid_c), 1e-6))
    log_survival = develop * lost / HOURS_A_DAY
    log_female_survival = -1.0 / (_at(record.life.longevity, grid_c) * HOURS_A_DAY)
    return HourTables(
        np.append(move, 0.0),
        np.append(log_survival, 0.0),
        np.append(log_female_survival, 0.0),
        np.append(_humidity_gain(record, species, grid_c), 0.0),
        np.append(_humidity_change(record), 0.0),
    )


class HourEffects(NamedTuple):
    """The tables of a species side by side, so that an hour is looked up once; ``humidity`` None: no effect.

    ``by_row`` has shape (N_ROWS + 1, 4): move, log survival of young and of females, gain by humidity.
    """

    by_row: Array
    humidity: Array | None


@lru_cache(maxsize=64)
def hour_effects(species: str) -> HourEffects:
    """Return ``hour_tables`` side by side."""
    tables = hour_tables(species)
    columns = (tables.move, tables.log_survival, tables.log_female_survival, tables.humidity_gain)
    by_row = np.stack(columns, axis=1)
    by_row.setflags(write=False)
    return HourEffects(by_row, tables.humidity if tables.humidity_gain.any() else None)


@lru_cache(maxsize=1024)
def daughters_per_hour(species: str, host_factor: float) -> Array:
    """Return daughters per female and hour at which growth is host_factor times the rate of increase.

    Parameters
    ----------
    species : str
        Catalog key.
    host_factor : float
        Suitability of the host. [1]

    Returns
    -------
    ndarray, shape (N_ROWS + 1,)
        Daughters at each tabulated temperature; zero where nothing develops or it is unknown. [1/h]

    Notes
    -----
    With moves p, survivals s (young) and f (females) of one block, the steady growth L of a block
    obeys 1 = b L (f p / (L - f)) q**(n - 1) / (L - s (1 - p)) with q = s p / (L - s (1 - p)).
    """
    tables = hour_tables(species)
    last = stage_layout(species).starts[Stage.FEMALE] - 1
    move, young, female = (
        table[:N_ROWS] * BLOCK_H for table in (tables.move, tables.log_survival, tables.log_female_survival)
    )
    log_growth = host_factor * intrinsic_rate(_grid_c(), species) * BLOCK_H / HOURS_A_DAY
    moving = move > 0.0
    safe_move = np.where(moving, move, 1.0)
    # Near the lower threshold everything is next to 1: differences of expm1 keep their digits.
    stay = np.expm1(log_growth) - np.expm1(young) + np.exp(young) * safe_move
    growth, young, female = np.exp(log_growth), np.exp(young), np.exp(female)
    passed = (young * safe_move / stay) ** last
    daughters = (growth - female) * stay / (growth * female * safe_move * passed)
    return np.append(np.where(moving, daughters / BLOCK_H, 0.0), 0.0)


def _humidity_change(record: Species) -> Array:
    """Factor on growth, less one, at each tabulated deficit."""
    deficit_kpa = DEFICIT_STEP_KPA * np.arange(N_DEFICIT_ROWS, dtype=np.float64)
    humidity = record.life.humidity
    return np.zeros(N_DEFICIT_ROWS) if humidity is None else _at(humidity, deficit_kpa) - 1.0


def _humidity_gain(record: Species, species: str, grid_c: Array) -> Array:
    """Change of log daughters per change of the growth factor, faded in between two temperatures."""
    life = record.life
    if life.humidity is None or life.humidity_from_c is None or life.humidity_full_c is None:
        return np.zeros(N_ROWS)
    span_c = float(life.humidity_full_c) - float(life.humidity_from_c)
    fade = np.clip((grid_c - float(life.humidity_from_c)) / span_c, 0.0, 1.0)
    generation_d = _generation(species, grid_c)
    return np.asarray(fade * intrinsic_rate(grid_c, species) * generation_d, dtype=np.float64)


def _generation(species: str, grid_c: Array) -> Array:
    """Mean age of a mother at laying in a growing population, in days."""
    record = species_record(species)
    layout = stage_layout(species)
    develop = development_rate(grid_c, species)
    span = layout.starts[Stage.FEMALE] / layout.steps_to_adult
    laying = 1.0 / (intrinsic_rate(grid_c, species) + 1.0 / _at(record.life.longevity, grid_c))
    return np.where(develop > 0.0, span / np.where(develop > 0.0, develop, 1.0), 0.0) + laying
