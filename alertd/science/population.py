"""A stage-structured mite population, driven by hourly weather and carried from day to day.

Females are followed through a chain of equal steps from laying to laying (egg, larva, protonymph,
deutonymph, preoviposition), each step the same share of the development, and a last class of laying
females. Every individual waits in a step for a random time, so a cohort spreads out as it ages (a
distributed delay). Rates come from hourly temperatures and are summed over six-hour blocks of a local
day; within a block the population moves once.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from alertd.catalog.counts import load_counts
from alertd.catalog.species import WinterStage
from alertd.science.development import species_record
from alertd.science.life_tables import (
    BLOCK_H,
    DEFICIT_HIGH_KPA,
    DEFICIT_STEP_KPA,
    N_ROWS,
    TABLE_HIGH_C,
    TABLE_LOW_C,
    TABLE_STEP_C,
    HourTables,
    Stage,
    daughters_per_hour,
    hour_tables,
    stage_layout,
)

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

HOST_FACTOR_MIN = 0.05


class DayHours(NamedTuple):
    """The hours of one local day, looked up once for every species.

    ``rows`` and ``deficit_rows`` have shape (n_hours, n_sites): hours first, so that each step works on
    all sites at a stretch. ``washed_off`` has shape (n_sites,).
    """

    rows: Index
    deficit_rows: Index
    washed_off: Array


def day_hours(
    air_temperature_c: npt.ArrayLike,
    vapour_pressure_deficit_kpa: npt.ArrayLike,
    precipitation_mm: npt.ArrayLike,
) -> DayHours:
    """Look up the hours of one local day; ``advance_hours`` takes the result for each species.

    Parameters
    ----------
    air_temperature_c, vapour_pressure_deficit_kpa, precipitation_mm : array_like, shape (n_sites, n_hours)
        As for ``advance``. [degC], [kPa], [mm]

    Returns
    -------
    DayHours
        Table rows and the share of walking mites that the day's rain takes.

    Raises
    ------
    ValueError
        If the shapes differ.

    Notes
    -----
    Temperatures are rounded to 0.02 degC and deficits to 0.01 kPa, finer than any forecast.
    """
    temperature_c, deficit_kpa, rain_mm = (
        np.atleast_2d(np.asarray(item, dtype=np.float64))
        for item in (air_temperature_c, vapour_pressure_deficit_kpa, precipitation_mm)
    )
    if not temperature_c.shape == deficit_kpa.shape == rain_mm.shape or temperature_c.shape[1] == 0:
        shapes = (temperature_c.shape, deficit_kpa.shape, rain_mm.shape)
        raise ValueError(f"hours: shapes {shapes}; give one shape (n_sites, n_hours)")
    return DayHours(
        _rows(temperature_c, TABLE_LOW_C, TABLE_HIGH_C, TABLE_STEP_C),
        _rows(deficit_kpa, 0.0, DEFICIT_HIGH_KPA, DEFICIT_STEP_KPA),
        _washed_off(rain_mm),
    )


def _rows(values: Array, low: float, high: float, step: float) -> Index:
    """Row of each hour in a table; unknown hours take the row after the last, which does nothing."""
    scaled = np.clip((np.ascontiguousarray(values.T) - low) / step, 0.0, (high - low) / step)
    np.nan_to_num(scaled, copy=False, nan=(high - low) / step + 1.0)
    return np.rint(scaled).astype(np.intp)


def _blocks(hours: Array) -> Array:
    """Add up six-hour blocks along the first axis; the last block may be shorter."""
    n_hours = hours.shape[0]
    if n_hours % BLOCK_H == 0:
        return np.asarray(hours.reshape(n_hours // BLOCK_H, BLOCK_H, -1).sum(axis=1), dtype=np.float64)
    starts = np.arange(0, n_hours, BLOCK_H)
    return np.asarray(np.add.reduceat(hours, starts, axis=0), dtype=np.float64)


def initial_state(n_sites: int, species: str) -> Array:
    """Return the population as it comes out of winter, one unit of density on every site.

    Parameters
    ----------
    n_sites : int
        Number of sites.
    species : str
        Catalog key.

    Returns
    -------
    ndarray, shape (n_sites, n_columns)
        Females only, or eggs in the second half of their development, as the species winters. [1]

    Raises
    ------
    ValueError
        If the catalog has no such species.

    Examples
    --------
    >>> float(initial_state(1, "twospotted").sum()), float(egg_share(initial_state(1, "spruce"), "spruce")[0])
    (1.0, 1.0)
    """
    layout = stage_layout(species)
    state = np.zeros((n_sites, layout.n_columns))
    if species_record(species).season.winter_stage is WinterStage.FEMALE:
        state[:, -1] = 1.0
    else:
        eggs = layout.starts[Stage.LARVA]
        state[:, eggs // 2 : eggs] = 1.0 / (eggs - eggs // 2)
    return state


def advance(
    state: Array,
    air_temperature_c: npt.ArrayLike,
    vapour_pressure_deficit_kpa: npt.ArrayLike,
    precipitation_mm: npt.ArrayLike,
    species: str,
    host_factor: npt.ArrayLike,
    active: npt.ArrayLike = True,
) -> Array:
    r"""Carry the population of each site over one local day.

    Parameters
    ----------
    state : ndarray, shape (n_sites, n_columns)
        Population at the start of the day; it is not changed. [1]
    air_temperature_c : array_like, shape (n_sites, n_hours)
        Air temperature of the hours of one local day (23, 24 or 25), NaN where unknown. [degC]
    vapour_pressure_deficit_kpa : array_like, shape (n_sites, n_hours)
        Vapour pressure deficit, NaN where unknown. [kPa]
    precipitation_mm : array_like, shape (n_sites, n_hours)
        Precipitation of each hour, NaN where unknown. [mm]
    species : str
        Catalog key.
    host_factor : array_like, shape (n_sites,)
        Suitability of the host, a factor on the rate of increase; taken as 0.05 at least. [1]
    active : array_like of bool, shape (n_sites,)
        False where the species rests: such a site keeps its state unchanged.

    Returns
    -------
    ndarray, shape (n_sites, n_columns)
        Population at the end of the day, never negative. [1]

    Raises
    ------
    ValueError
        If shapes do not fit or the species is unknown.

    Notes
    -----
    A block of six hours moves the share p of every step onwards, keeps the share s of the young and f of
    the females, and adds b daughters per female:

    .. math:: N_j' = s ((1 - p) N_j + p N_{j-1}), \quad F' = f (F + p N_n), \quad N_0' += b F'

    The mean time from laying to adult at constant temperature is that of ``development_rate``. b is
    solved so that steady growth at constant temperature is host_factor times ``intrinsic_rate``. In
    heat dry air raises and moist air lowers b (species.toml). At the end of the day the day's rain takes
    a share of the walking stages; eggs stick. The sum is kept between a refuge and a ceiling (counts.toml):
    some mites always survive, and leaves are finite.

    Above the upper limit of development the young neither age nor die, for want of any published rate
    outdoors; females die faster the hotter it is.

    An unknown temperature stands still: no development, laying or death in that hour. Unknown humidity
    is neutral, unknown rain washes nothing off. ``unknown_hours`` counts them.

    A day is the unit: a season split into calls at day boundaries gives the same numbers.
    """
    hours = day_hours(air_temperature_c, vapour_pressure_deficit_kpa, precipitation_mm)
    return advance_hours(state, hours, species, host_factor, active)


def advance_hours(
    state: Array, hours: DayHours, species: str, host_factor: npt.ArrayLike, active: npt.ArrayLike = True
) -> Array:
    """Carry the population of each site over one local day already looked up.

    Parameters
    ----------
    state : ndarray, shape (n_sites, n_columns)
        Population at the start of the day; it is not changed. [1]
    hours : DayHours
        The day, from ``day_hours``.
    species, host_factor, active
        As for ``advance``.

    Returns
    -------
    ndarray, shape (n_sites, n_columns)
        Population at the end of the day, never negative. [1]

    Raises
    ------
    ValueError
        If the state does not fit the species or the day.
    """
    layout = stage_layout(species)
    n_sites = hours.washed_off.size
    if state.shape != (n_sites, layout.n_columns):
        raise ValueError(f"state: shape {state.shape}; give ({n_sites}, {layout.n_columns})")
    tables = hour_tables(species)
    move = _blocks(tables.move[hours.rows])
    survival = np.exp(_blocks(tables.log_survival[hours.rows]))
    female_survival = np.exp(_blocks(tables.log_female_survival[hours.rows]))
    laid = _blocks(_laid(hours.rows, species, host_factor))
    laid *= _humidity_effect(hours, tables)
    # Columns first, so that every step runs over all sites at a stretch.
    after = np.array(state.T, dtype=np.float64, order="C", copy=True)
    young, females = after[:-1], after[-1]
    for block in range(move.shape[0]):
        moved = young * move[block]
        young -= moved
        young[1:] += moved[:-1]
        young *= survival[block]
        females += moved[-1]
        females *= female_survival[block]
        young[0] += laid[block] * females
    after[layout.starts[Stage.LARVA] :] *= 1.0 - hours.washed_off
    _keep_bounds(after)
    awake = np.asarray(active, dtype=np.bool_)
    if awake.all():
        return np.ascontiguousarray(after.T)
    return np.where(np.broadcast_to(awake, (n_sites,))[:, None], after.T, state)


def _laid(rows: Index, species: str, host_factor: npt.ArrayLike) -> Array:
    factors = np.round(np.broadcast_to(np.asarray(host_factor, dtype=np.float64), rows.shape[1:]), 4)
    different, which = np.unique(np.maximum(factors, HOST_FACTOR_MIN), return_inverse=True)
    if different.size == 1:
        return np.asarray(daughters_per_hour(species, float(different[0]))[rows])
    laying = np.concatenate([daughters_per_hour(species, float(factor)) for factor in different])
    return np.asarray(laying[which * (N_ROWS + 1) + rows])


def _humidity_effect(hours: DayHours, tables: HourTables) -> Array:
    """Factor that humidity puts on laying, averaged over each block."""
    if not tables.humidity_gain.any():
        return np.ones(1)
    change = _blocks(tables.humidity_gain[hours.rows] * tables.humidity[hours.deficit_rows])
    return np.asarray(np.exp(change / BLOCK_H), dtype=np.float64)


def _washed_off(rain_mm: Array) -> Array:
    total_mm = np.nansum(rain_mm, axis=1)
    loss = load_counts().wash_off
    return np.asarray(np.interp(total_mm, loss.x, loss.y), dtype=np.float64)


def _keep_bounds(columns: Array) -> None:
    """Scale each site so that its sum lies between the refuge and the ceiling."""
    figures = load_counts()
    total = columns.sum(axis=0)
    kept = np.clip(total, float(figures.refuge), float(figures.ceiling))
    columns *= np.divide(kept, total, out=np.ones_like(total), where=total > 0.0)


def unknown_hours(*hours: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Hours in which any of the given weather values is unknown.

    Parameters
    ----------
    *hours : array_like, shape (n_sites, n_hours)
        Hourly values with NaN where unknown.

    Returns
    -------
    ndarray of int, shape (n_sites,)
        Count of hours. [h]

    Examples
    --------
    >>> unknown_hours([[1.0, float("nan")]], [[float("nan"), float("nan")]]).tolist()
    [2]
    """
    unknown = np.logical_or.reduce([np.isnan(np.atleast_2d(item)) for item in hours])
    return np.asarray(np.count_nonzero(unknown, axis=1), dtype=np.int64)


def stage_abundance(state: Array, species: str) -> Array:
    """Relative abundance of each stage.

    Parameters
    ----------
    state : ndarray, shape (n_sites, n_columns)
        Population. [1]
    species : str
        Catalog key.

    Returns
    -------
    ndarray, shape (n_sites, 6)
        Columns in the order of ``Stage``. [1]
    """
    return np.asarray(np.add.reduceat(state, stage_layout(species).starts[:-1], axis=1), dtype=np.float64)


def abundance(state: Array) -> Array:
    """Relative abundance, all stages together; 1 is what came out of winter.

    It is what the weather allows on this host, with no predators and no treatment: counts decide.

    Parameters
    ----------
    state : ndarray, shape (n_sites, n_columns)
        Population. [1]

    Returns
    -------
    ndarray, shape (n_sites,)
        Relative abundance. [1]
    """
    return np.asarray(state.sum(axis=1), dtype=np.float64)


def motile_abundance(state: Array, species: str) -> Array:
    """Relative abundance of what a tap or a lens finds walking: every stage but the egg.

    Parameters
    ----------
    state : ndarray, shape (n_sites, n_columns)
        Population. [1]
    species : str
        Catalog key.

    Returns
    -------
    ndarray, shape (n_sites,)
        Relative abundance of larvae, nymphs and females. [1]
    """
    return np.asarray(state[:, stage_layout(species).starts[Stage.LARVA] :].sum(axis=1), dtype=np.float64)


def egg_share(state: Array, species: str) -> Array:
    """Share of eggs in the population; high means that more is coming than can be seen.

    Parameters
    ----------
    state : ndarray, shape (n_sites, n_columns)
        Population. [1]
    species : str
        Catalog key.

    Returns
    -------
    ndarray, shape (n_sites,)
        Share of eggs, 0 to 1; NaN for an empty state. [1]
    """
    total = abundance(state)
    eggs = total - motile_abundance(state, species)
    return np.divide(eggs, total, out=np.full_like(total, np.nan), where=total > 0.0)


def growth_rate(before: Array, after: Array, days: float = 1.0) -> Array:
    r"""Growth of a population between two states.

    Parameters
    ----------
    before, after : ndarray, shape (n_sites, n_columns)
        Population at the start and at the end. [1]
    days : float
        Time between the two. [d]

    Returns
    -------
    ndarray, shape (n_sites,)
        Growth; below zero where the population shrank. [1/d]

    Notes
    -----
    .. math:: r = \ln(N_2 / N_1) / t
    """
    return np.asarray(np.log(abundance(after) / abundance(before)) / days, dtype=np.float64)


def _median_remaining(weights: Array, remaining: Array) -> Array:
    """Remaining development of the individual in the middle, oldest first; NaN where there is none."""
    gathered = np.cumsum(weights[:, ::-1], axis=1)
    total = gathered[:, -1]
    middle = np.argmax(gathered >= 0.5 * total[:, None], axis=1)
    return np.where(total > 0.0, remaining[::-1][middle], np.nan)


def development_to_hatch(state: Array, species: str) -> Array:
    """Development that the eggs of today still need until half of them have hatched.

    Parameters
    ----------
    state : ndarray, shape (n_sites, n_columns)
        Population. [1]
    species : str
        Catalog key.

    Returns
    -------
    ndarray, shape (n_sites,)
        Share of the development from laying to adult; NaN without eggs. [1]
    """
    layout = stage_layout(species)
    eggs = layout.starts[Stage.LARVA]
    remaining = (eggs - np.arange(eggs, dtype=np.float64)) / layout.steps_to_adult
    return _median_remaining(state[:, :eggs], remaining)


def development_to_adults(state: Array, species: str) -> Array:
    """Development that the young of today still need until half of them are adult.

    Parameters
    ----------
    state : ndarray, shape (n_sites, n_columns)
        Population. [1]
    species : str
        Catalog key.

    Returns
    -------
    ndarray, shape (n_sites,)
        Share of the development from laying to adult; 1 where there are only adults, whose eggs of
        today are next. [1]
    """
    layout = stage_layout(species)
    steps = layout.steps_to_adult
    remaining = (steps - np.arange(steps, dtype=np.float64)) / steps
    needed = _median_remaining(state[:, :steps], remaining)
    return np.where(np.isnan(needed), 1.0, needed)


def first_day_reaching(needed: npt.ArrayLike, development_per_day: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """First day on which the development needed has been reached.

    Parameters
    ----------
    needed : array_like, shape (n_sites,)
        Development needed, as ``development_to_hatch`` gives it. [1]
    development_per_day : array_like, shape (n_sites, n_days)
        Mean development rate of each day to come; NaN counts as none. [1/d]

    Returns
    -------
    ndarray of int, shape (n_sites,)
        Index of the day; -1 where it lies beyond the days given or the need is unknown.

    Examples
    --------
    >>> first_day_reaching([0.25, 0.9], [[0.1, 0.1, 0.1], [0.1, 0.1, 0.1]]).tolist()
    [2, -1]
    """
    rates = np.atleast_2d(np.asarray(development_per_day, dtype=np.float64))
    gathered = np.cumsum(np.where(np.isnan(rates), 0.0, rates), axis=1)
    reached = gathered >= np.atleast_1d(np.asarray(needed, dtype=np.float64))[:, None]
    return np.where(reached.any(axis=1), np.argmax(reached, axis=1), -1).astype(np.int64)
