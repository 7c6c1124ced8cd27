"""A stage-structured mite population, driven by hourly weather and carried from day to day.

Females are followed through a chain of equal steps from laying to laying (egg, larva, protonymph,
deutonymph, preoviposition), each step the same share of the development, and a last class of laying
females. Every individual waits in a step for a random time, so a cohort spreads out as it ages (a
distributed delay). Rates come from hourly temperatures and are summed over six-hour blocks of a local
day; within a block the population moves once.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from alertd.catalog.counts import load_counts
from alertd.catalog.species import WinterStage
from alertd.science.census import (
    abundance,
    development_to_adults,
    development_to_hatch,
    egg_share,
    first_day_reaching,
    growth_rate,
    motile_abundance,
    stage_abundance,
)
from alertd.science.development import species_record
from alertd.science.life_tables import (
    BLOCK_H,
    DEFICIT_HIGH_KPA,
    DEFICIT_STEP_KPA,
    N_ROWS,
    TABLE_HIGH_C,
    TABLE_LOW_C,
    TABLE_STEP_C,
    Stage,
    daughters_per_hour,
    hour_effects,
    stage_layout,
)

__all__ = [
    "DayHours",
    "Laying",
    "abundance",
    "advance",
    "advance_columns",
    "advance_hours",
    "day_hours",
    "development_to_adults",
    "development_to_hatch",
    "egg_share",
    "first_day_reaching",
    "growth_rate",
    "initial_state",
    "laying",
    "motile_abundance",
    "stage_abundance",
    "unknown_hours",
]

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
    n_sites, n_columns = hours.washed_off.size, stage_layout(species).n_columns
    if state.shape != (n_sites, n_columns):
        raise ValueError(f"state: shape {state.shape}; give ({n_sites}, {n_columns})")
    # Columns first, so that every step runs over all sites at a stretch.
    after = np.array(state.T, dtype=np.float64, order="C", copy=True)
    advance_columns(after, hours, species, laying(species, np.broadcast_to(host_factor, (n_sites,))))
    awake = np.asarray(active, dtype=np.bool_)
    if awake.all():
        return np.ascontiguousarray(after.T)
    return np.where(np.broadcast_to(awake, (n_sites,))[:, None], after.T, state)


def advance_columns(state: Array, hours: DayHours, species: str, laid_by: Laying) -> None:
    """Carry populations over one local day in place; ``advance_hours`` does it to a copy, sites first.

    Parameters
    ----------
    state : ndarray, shape (n_columns, n_sites)
        Population at the start of the day, and then at its end. [1]
    hours : DayHours
        The day, from ``day_hours``.
    species : str
        Catalog key.
    laid_by : Laying
        From ``laying``, for the hosts of these sites.
    """
    move, survival, female_survival, laid = _effects(hours, species, laid_by)
    # what stays in a step and what enters the next one, of what was in it
    stay, enter = survival * (1.0 - move), survival * move
    young, females = state[:-1], state[-1]
    moved = np.empty_like(young)
    for block in range(len(move)):
        females += young[-1] * move[block]
        females *= female_survival[block]
        np.multiply(young, enter[block], out=moved)
        young *= stay[block]
        young[1:] += moved[:-1]
        young[0] += laid[block] * females
    state[stage_layout(species).starts[Stage.LARVA] :] *= 1.0 - hours.washed_off
    _keep_bounds(state)


class Laying(NamedTuple):
    """Daughters a female and hour at each row of the look-up, for every different host one after the other.

    ``first_row`` is where those of each site begin, None if all have the same host.
    """

    daughters: Array
    first_row: Index | None


def laying(species: str, host_factor: npt.NDArray[np.floating[Any]]) -> Laying:
    """Return what females lay on hosts of this suitability, an array of shape (n_sites,)."""
    factors = np.maximum(np.round(np.asarray(host_factor, dtype=np.float64), 4), HOST_FACTOR_MIN)
    different, which = np.unique(factors, return_inverse=True)
    if different.size == 1:
        return Laying(daughters_per_hour(species, float(different[0])), None)
    tables = np.concatenate([daughters_per_hour(species, float(factor)) for factor in different])
    return Laying(tables, which * (N_ROWS + 1))


def _effects(hours: DayHours, species: str, laid_by: Laying) -> tuple[Array, Array, Array, Array]:
    """Return move, survival of young and of females, and daughters of each block, [block, site]."""
    effects = hour_effects(species)
    looked_up = effects.by_row.take(hours.rows, axis=0)
    if effects.humidity is not None:
        looked_up[..., -1] *= effects.humidity.take(hours.deficit_rows)
    n_hours, n_sites = hours.rows.shape
    sums = _blocks(looked_up.reshape(n_hours, -1)).reshape(-1, n_sites, looked_up.shape[-1])
    move, log_survival, log_female_survival, change = np.ascontiguousarray(np.moveaxis(sums, -1, 0))
    rows = hours.rows if laid_by.first_row is None else hours.rows + laid_by.first_row
    laid = _blocks(laid_by.daughters.take(rows))
    if effects.humidity is not None:
        laid *= np.exp(change / BLOCK_H)
    return move, np.exp(log_survival), np.exp(log_female_survival), laid


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
