"""Mite pressure 0-100: how much the last fortnight's weather has let a species build up."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from alertd.catalog.pressure import Pressure, load_pressure
from alertd.catalog.species import Species
from alertd.science.development import species_record
from alertd.science.season import SeasonPhase

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


class PressureParts(NamedTuple):
    """The score and the points that add up to it, each of shape [site].

    ``heat``, ``dryness`` and ``run`` are never below zero, ``host`` and ``rain`` never above. ``run_d``
    is the run length in days, ``growth`` the mean growth as a share of the species' flare rate.
    """

    score: Array
    heat: Array
    dryness: Array
    run: Array
    host: Array
    rain: Array
    run_d: Array
    growth: Array


def mite_pressure(
    growth_per_d: npt.ArrayLike,
    temperature_max_c: npt.ArrayLike,
    precipitation_mm: npt.ArrayLike,
    vapour_pressure_deficit_max_kpa: npt.ArrayLike,
    relative_humidity_pct: npt.ArrayLike,
    phase: npt.ArrayLike,
    host_factor: npt.ArrayLike,
    irrigation_factor: npt.ArrayLike,
    species: str,
    *,
    weights: Pressure | None = None,
) -> PressureParts:
    r"""Mite pressure of a species on each site at the end of the last day given.

    The pressure says, on a scale from 0 to 100, how far the weather of the last 14 days has let this
    mite build up, measured by the rate at which its numbers can grow. The flare rate is the growth in
    the weather this species is known for (twospotted: five doublings in the fortnight, as days of 20 to
    35 degC give; spruce mite: days of about 10 to 21 degC). Half of the points are for growth: none below
    a quarter of the flare rate, all 50 from the flare rate on. Up to 20 points are for dryness: little
    rain and dry air, counted in proportion to the growth. Up to 30 points are for the run: the dry days
    in a row on which the mite grew at three quarters of the flare rate or faster, all points from ten
    days on; a slower day or a wetting rain ends the run. For a cool-season mite a day in the upper 80s degF
    (29.4 degC) or hotter is a day without growth. A poor host plant or watering from above then takes a
    share away, and so does heavy rain or a moist spell, less so the longer ago it was. A species at rest
    has no pressure. Water stress of the plant is left out on purpose: it makes the damage worse
    and closes spray windows, but does not make mites grow faster.

    Parameters
    ----------
    growth_per_d : array_like, shape (n_sites, n_days)
        Mean over each local day of the intrinsic rate of increase at the hourly temperature, oldest day
        first, NaN where unknown. Only the last 14 days count. [1/d]
    temperature_max_c : array_like, shape (n_sites, n_days)
        Largest temperature of each day, NaN where unknown; a day too hot for a cool-season species
        counts as a day without growth. [degC]
    precipitation_mm : array_like, shape (n_sites, n_days)
        Precipitation of each day, NaN where unknown. [mm]
    vapour_pressure_deficit_max_kpa : array_like, shape (n_sites, n_days)
        Largest vapour pressure deficit of each day, NaN where unknown. [kPa]
    relative_humidity_pct : array_like, shape (n_sites, n_days)
        Mean relative humidity of each day, NaN where unknown. [%]
    phase : array_like of int, shape (n_sites,)
        Codes of ``SeasonPhase`` on the last day.
    host_factor : array_like, shape (n_sites,)
        Suitability of the best host on the site, 0 to 1; 0 where there is none. [1]
    irrigation_factor : array_like, shape (n_sites,)
        Factor for the way of watering, above 0 up to 1; NaN counts as 1. [1]
    species : str
        Catalog key.
    weights : Pressure, optional
        Weights other than the catalog's.

    Returns
    -------
    PressureParts
        Arrays of shape (n_sites,); NaN where fewer than seven of the days are known, except that a
        species at rest has 0. ``score`` is heat + dryness + run + host + rain. [points]

    Raises
    ------
    ValueError
        If the arrays are not of one shape, a factor is outside its range, or the species is unknown.

    Notes
    -----
    .. math:: S = (H + D + R)\, h\, (1 - \rho)

    with host part (H+D+R)(h-1) and rain part -(H+D+R) h rho. Unknown days are left out of the means;
    in the run they neither count nor end it; unknown rain never relieves. Monotone in temperature as
    far as the rate of increase is, that is up to the species' best temperature.
    Weights are working rules (``pressure.toml``), not published ones.
    """
    use = load_pressure() if weights is None else weights
    days = _checked(
        growth_per_d,
        temperature_max_c,
        precipitation_mm,
        vapour_pressure_deficit_max_kpa,
        relative_humidity_pct,
    )
    growth, hottest, rain, deficit, humidity = (item[:, -int(float(use.window)) :] for item in days)
    n_sites = growth.shape[0]
    host = _factor("host_factor", host_factor, n_sites) * _irrigation(irrigation_factor, n_sites)
    share = _flare_share(growth, hottest, species_record(species))
    mean_share = _mean(share)
    warmth = _ramp(mean_share, float(use.heat.none_at), float(use.heat.full_at))
    heat = float(use.heat.points) * warmth
    dryness = float(use.dryness.points) * warmth * _dryness(rain, deficit, use)
    run_d = _run_length(share, rain, use)
    run = float(use.run.points) * np.clip(run_d / float(use.run.full_at), 0.0, 1.0)
    subtotal = heat + dryness + run
    host_part = subtotal * (host - 1.0)
    rain_part = 0.0 - subtotal * host * _relief(rain, humidity, use)
    at_rest = np.broadcast_to(np.asarray(phase), (n_sites,)) != SeasonPhase.ACTIVE
    known = np.count_nonzero(~np.isnan(growth), axis=1) >= float(use.known_days_min)
    heat, dryness, run, host_part, rain_part = (
        _gated(part, at_rest, known) for part in (heat, dryness, run, host_part, rain_part)
    )
    score = heat + dryness + run + host_part + rain_part
    # Rounding may leave a hair below zero where a host factor of zero takes everything away.
    score = np.where(score < 0.0, 0.0, score)
    return PressureParts(score, heat, dryness, run, host_part, rain_part, run_d, mean_share)


def _flare_share(growth: Array, hottest: Array, record: Species) -> Array:
    share = np.clip(growth / float(record.flare_rate), 0.0, None)
    rest = record.season.summer_rest
    if rest is None:
        return share
    return np.where(hottest >= float(rest.enter_temperature_max_c), 0.0, share)


def _gated(part: Array, at_rest: Mask, known: Mask) -> Array:
    return np.where(at_rest, 0.0, np.where(known, part, np.nan))


def _checked(*given: npt.ArrayLike) -> tuple[Array, ...]:
    arrays = tuple(np.atleast_2d(np.asarray(item, dtype=np.float64)) for item in given)
    if any(item.shape != arrays[0].shape or item.ndim != 2 for item in arrays):
        shapes = ", ".join(str(item.shape) for item in arrays)
        raise ValueError(
            f"growth, maxima, rain, deficit, humidity: shapes {shapes}; give one shape (n_sites, n_days)"
        )
    return arrays


def _factor(name: str, given: npt.ArrayLike, n_sites: int) -> Array:
    factor = np.broadcast_to(np.asarray(given, dtype=np.float64), (n_sites,))
    if not np.all((factor >= 0.0) & (factor <= 1.0)):
        raise ValueError(f"{name}: outside 0..1; give a share of the best host")
    return factor


def _irrigation(given: npt.ArrayLike, n_sites: int) -> Array:
    factor = np.asarray(given, dtype=np.float64)
    known = _factor("irrigation_factor", np.where(np.isnan(factor), 1.0, factor), n_sites)
    if not np.all(known > 0.0):
        raise ValueError("irrigation_factor: 0; watering lowers pressure but never zeroes it")
    return known


def _ramp(value: Array, low: float, high: float) -> Array:
    return np.clip((value - low) / (high - low), 0.0, 1.0)


def _mean(values: Array) -> Array:
    """Mean over the known days, NaN where none is known."""
    known = ~np.isnan(values)
    count = np.count_nonzero(known, axis=1)
    total = np.where(known, values, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _dryness(rain: Array, deficit: Array, use: Pressure) -> Array:
    """Half from the rain of the window, half from the air; an unknown half is left to the other."""
    rain_share = 1.0 - _ramp(_mean(rain) * float(use.window), 0.0, float(use.dryness.rain_none_at))
    air_share = _mean(_ramp(deficit, float(use.dryness.deficit_none_at), float(use.dryness.deficit_full_at)))
    both = _mean(np.stack([rain_share, air_share], axis=1))
    # Nothing known of rain or air: no points are invented for dryness.
    return np.where(np.isnan(both), 0.0, both)


def _run_length(share: Array, rain: Array, use: Pressure) -> Array:
    """Count fast dry days back from the last day until a slow day or a wetting rain."""
    slow = share < float(use.run.fast_day_at)
    # Comparisons with NaN are false, so an unknown day neither ends the run nor counts.
    ends = slow | (rain >= float(use.run.ending_rain))
    counts = (share >= float(use.run.fast_day_at)) & (rain < float(use.run.dry_day))
    unbroken = ~np.logical_or.accumulate(ends[:, ::-1], axis=1)
    run_d: Array = np.count_nonzero(counts[:, ::-1] & unbroken, axis=1).astype(np.float64)
    return run_d


def _relief(rain: Array, humidity: Array, use: Pressure) -> Array:
    """Share taken away by rain and moist spells of the window, fading with their age."""
    days = rain.shape[1]
    age_d = np.arange(days - 1, -1, -1, dtype=np.float64)
    weight = np.clip(1.0 - age_d / float(use.relief.fades_after), 0.0, 1.0)
    loss = np.interp(np.where(np.isnan(rain), 0.0, rain), use.relief.loss.x, use.relief.loss.y)
    kept = np.prod(1.0 - loss * weight, axis=1)
    moist = humidity >= float(use.relief.moist_day_humidity)
    length = int(float(use.relief.moist_days))
    if days >= length:
        runs = np.lib.stride_tricks.sliding_window_view(moist, length, axis=1).all(axis=2)
        recent = (runs * weight[length - 1 :]).max(axis=1)
        kept = kept * (1.0 - float(use.relief.moist_loss) * recent)
    return np.asarray(1.0 - kept, dtype=np.float64)
