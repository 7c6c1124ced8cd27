"""Mite pressure 0-100: how much the last fortnight's weather has let a species build up."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from alertd.catalog.pressure import Pressure, load_pressure
from alertd.catalog.species import Species
from alertd.science.arrays import FloatArray
from alertd.science.development import species_record
from alertd.science.season import SeasonPhase

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Index = npt.NDArray[np.int64]


class PressureParts(NamedTuple):
    """The score and the points that add up to it, each of shape [site] or [site, end].

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
    last = np.array([growth.shape[1] - 1])
    air = air_of_days(rain, deficit, humidity, last, weights=use)
    codes = np.broadcast_to(np.asarray(phase), (len(growth),))[:, np.newaxis]
    factors = np.asarray(host_factor, dtype=np.float64), np.asarray(irrigation_factor, dtype=np.float64)
    found = pressure_of_days(growth, hottest, air, codes, *factors, last, species, weights=use)
    return PressureParts(*(part[:, 0] for part in found))


class Air(NamedTuple):
    """What rain and air of a window do to any mite, for the windows that end on some of the days.

    ``dryness`` is the share of its points, ``relief`` the share that rain and moist spells take away, both
    [site, end]; ``precipitation_mm`` are the days, [site, day].
    """

    precipitation_mm: FloatArray
    dryness: FloatArray
    relief: FloatArray


def air_of_days(
    precipitation_mm: FloatArray,
    vapour_pressure_deficit_max_kpa: FloatArray,
    relative_humidity_pct: FloatArray,
    ends: Index,
    *,
    weights: Pressure | None = None,
) -> Air:
    """Return the part of the pressure that is the same for every species.

    Parameters
    ----------
    precipitation_mm, vapour_pressure_deficit_max_kpa, relative_humidity_pct : ndarray
        As for ``mite_pressure``, shape (n_sites, n_days), any number of days. [mm], [kPa], [%]
    ends : ndarray of int, shape (n_ends,)
        Positions of the last days of the windows.
    weights : Pressure, optional
        Weights other than the catalog's.

    Returns
    -------
    Air
        For ``pressure_of_days``.
    """
    use = load_pressure() if weights is None else weights
    rain, deficit, humidity = precipitation_mm, vapour_pressure_deficit_max_kpa, relative_humidity_pct
    return Air(rain, _dryness(rain, deficit, ends, use), _relief(rain, humidity, ends, use))


def pressure_of_days(
    growth_per_d: FloatArray,
    temperature_max_c: FloatArray,
    air: Air,
    phase: npt.NDArray[np.integer[Any]],
    host_factor: FloatArray,
    irrigation_factor: FloatArray,
    ends: Index,
    species: str,
    *,
    weights: Pressure | None = None,
) -> PressureParts:
    """Mite pressure of a species at the end of several days; what ``mite_pressure`` says of each.

    Parameters
    ----------
    growth_per_d, temperature_max_c : ndarray, shape (n_sites, n_days)
        As for ``mite_pressure``, any number of days. [1/d], [degC]
    air : Air
        Of the same sites, days and ends, from ``air_of_days``.
    phase : ndarray of int, shape (n_sites, n_ends)
        Codes of ``SeasonPhase`` at the end of each of these days.
    host_factor, irrigation_factor : ndarray, shape (n_sites,)
        As for ``mite_pressure``. [1]
    ends : ndarray of int, shape (n_ends,)
        Positions of the days; each looks back on the 14 days that end with it, or as many as there are.
    species : str
        Catalog key.
    weights : Pressure, optional
        Weights other than the catalog's.

    Returns
    -------
    PressureParts
        Arrays of shape (n_sites, n_ends).

    Raises
    ------
    ValueError
        As for ``mite_pressure``.
    """
    use = load_pressure() if weights is None else weights
    n_sites = len(growth_per_d)
    host = _factor("host_factor", host_factor, n_sites) * _irrigation(irrigation_factor, n_sites)
    host = host[:, np.newaxis]
    share = _flare_share(growth_per_d, temperature_max_c, species_record(species))
    mean_share = _mean(share, ends, use)
    warmth = _ramp(mean_share, float(use.heat.none_at), float(use.heat.full_at))
    heat = float(use.heat.points) * warmth
    dryness = float(use.dryness.points) * warmth * air.dryness
    run_d = _run_length(share, air.precipitation_mm, ends, use)
    run = float(use.run.points) * np.clip(run_d / float(use.run.full_at), 0.0, 1.0)
    subtotal = heat + dryness + run
    host_part = subtotal * (host - 1.0)
    rain_part = 0.0 - subtotal * host * air.relief
    at_rest = phase != SeasonPhase.ACTIVE
    known = _windows(~np.isnan(growth_per_d), ends, use).sum(axis=-1) >= float(use.known_days_min)
    heat, dryness, run, host_part, rain_part = (
        _gated(part, at_rest, known) for part in (heat, dryness, run, host_part, rain_part)
    )
    score = heat + dryness + run + host_part + rain_part
    # Rounding may leave a hair below zero where a host factor of zero takes everything away.
    score = np.where(score < 0.0, 0.0, score)
    return PressureParts(score, heat, dryness, run, host_part, rain_part, run_d, mean_share)


def _flare_share(growth: FloatArray, hottest: FloatArray, record: Species) -> Array:
    share: Array = np.clip(growth / float(record.flare_rate), 0.0, None)
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


def _ramp(value: FloatArray, low: float, high: float) -> Array:
    return np.clip((value - low) / (high - low), 0.0, 1.0)


def _windows(days: npt.NDArray[Any], ends: Index, use: Pressure) -> npt.NDArray[Any]:
    """Return the days of the windows that end on ``ends``, [site, end, day]; shorter if there are fewer."""
    window = min(int(float(use.window)), days.shape[1])
    return np.lib.stride_tricks.sliding_window_view(days, window, axis=1)[:, ends - window + 1]


def _mean(days: FloatArray, ends: Index, use: Pressure) -> Array:
    """Mean over the known days of each window, NaN where none is known."""
    known = ~np.isnan(days)
    count = _windows(known, ends, use).sum(axis=-1)
    total = _windows(np.where(known, days, 0.0), ends, use).sum(axis=-1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _dryness(rain: FloatArray, deficit: FloatArray, ends: Index, use: Pressure) -> Array:
    """Half from the rain of the window, half from the air; an unknown half is left to the other."""
    rain_mm = _mean(rain, ends, use) * float(use.window)
    rain_share = 1.0 - _ramp(rain_mm, 0.0, float(use.dryness.rain_none_at))
    dry_air = _ramp(deficit, float(use.dryness.deficit_none_at), float(use.dryness.deficit_full_at))
    air_share = _mean(dry_air, ends, use)
    both = np.where(np.isnan(rain_share), air_share, rain_share)
    both = np.where(np.isnan(air_share), both, (both + air_share) / 2.0)
    # Nothing known of rain or air: no points are invented for dryness.
    return np.where(np.isnan(both), 0.0, both)


def _run_length(share: FloatArray, rain: FloatArray, ends: Index, use: Pressure) -> Array:
    """Count fast dry days back from the last day of each window until a slow day or a wetting rain."""
    slow = share < float(use.run.fast_day_at)
    # Comparisons with NaN are false, so an unknown day neither ends the run nor counts.
    breaks = slow | (rain >= float(use.run.ending_rain))
    counts = (share >= float(use.run.fast_day_at)) & (rain < float(use.run.dry_day))
    day = np.arange(share.shape[1])
    first = np.maximum.accumulate(np.where(breaks, day + 1, 0), axis=1)[:, ends]
    first = np.maximum(first, ends - int(float(use.window)) + 1)
    so_far = np.zeros((len(share), share.shape[1] + 1), dtype=np.int64)
    np.cumsum(counts, axis=1, out=so_far[:, 1:])
    run_d: Array = (so_far[:, ends + 1] - np.take_along_axis(so_far, first, axis=1)).astype(np.float64)
    return run_d


def _relief(rain: FloatArray, humidity: FloatArray, ends: Index, use: Pressure) -> Array:
    """Share taken away by rain and moist spells of each window, fading with their age."""
    days = min(int(float(use.window)), rain.shape[1])
    age_d = np.arange(days - 1, -1, -1, dtype=np.float64)
    weight = np.clip(1.0 - age_d / float(use.relief.fades_after), 0.0, 1.0)
    loss = np.interp(np.where(np.isnan(rain), 0.0, rain), use.relief.loss.x, use.relief.loss.y)
    kept = np.prod(1.0 - _windows(loss, ends, use) * weight, axis=-1)
    moist = humidity >= float(use.relief.moist_day_humidity)
    length = int(float(use.relief.moist_days))
    if days >= length:
        in_a_row = np.lib.stride_tricks.sliding_window_view(_windows(moist, ends, use), length, axis=-1)
        recent = (in_a_row.all(axis=-1) * weight[length - 1 :]).max(axis=-1)
        kept = kept * (1.0 - float(use.relief.moist_loss) * recent)
    return np.asarray(1.0 - kept, dtype=np.float64)
