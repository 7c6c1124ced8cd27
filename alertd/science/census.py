"""What a population holds: how many of each stage, how fast it grew, when its young will be further on."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from alertd.science.life_tables import Stage, stage_layout

Array = npt.NDArray[np.float64]


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
