"""Where a mite species stands in its year: rest, activity, summer rest, end."""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from alertd.catalog.species import SeasonEnd, SummerRest
from alertd.science.development import species_record

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int8]
Mask = npt.NDArray[np.bool_]

UNKNOWN = -1
SOLSTICE_DAY = 172
HALF_YEAR_D = 183
YEAR_D = 366


class SeasonPhase(IntEnum):
    """The four phases of a species' year, as codes for arrays."""

    WINTER_REST = 0
    ACTIVE = 1
    SUMMER_REST = 2
    SEASON_OVER = 3


def northern_day(day_of_year: npt.ArrayLike, latitude_deg: npt.ArrayLike) -> Array:
    """Day of the year at which the northern hemisphere has this season.

    Parameters
    ----------
    day_of_year : array_like
        Day of the year, 1-366. [day of year]
    latitude_deg : array_like
        Latitude, south negative. [deg]

    Returns
    -------
    ndarray
        The same day north of the equator, half a year later or earlier south of it. [day of year]

    Examples
    --------
    >>> northern_day([1, 196], [-35.0, -35.0]).tolist()
    [184.0, 13.0]
    """
    day = np.asarray(day_of_year, dtype=np.float64)
    south = np.asarray(latitude_deg, dtype=np.float64) < 0.0
    return np.where(south, (day - 1.0 + HALF_YEAR_D) % YEAR_D + 1.0, day)


def critical_day_length(latitude_deg: npt.ArrayLike, species: str, *, with_margin: bool = True) -> Array:
    """Day length under which half of the young mites turn to winter females.

    Parameters
    ----------
    latitude_deg : array_like
        Latitude, south negative. [deg]
    species : str
        Catalog key.
    with_margin : bool
        Add the catalog's margin and keep within its bounds, as the season rule does.

    Returns
    -------
    ndarray
        Critical day length, to be compared with day length including civil twilight; zero for a
        species whose season day length does not end. [h]

    Notes
    -----
    A straight line through seven European lowland strains, 40.6 to 59.9 degrees north. High mountain
    strains run 2-3 h longer. No North American figure was found, hence the margin.

    References
    ----------
    Koveos 1993 and Vaz Nunes 1990, digitised; Gotoh and Shinkaji 1981, Jpn. J. Appl. Entomol. Zool.
    25:113-118 for the margin.

    Examples
    --------
    >>> round(float(critical_day_length(45.0, "twospotted", with_margin=False)), 2)
    12.11
    """
    end = species_record(species).season.end
    latitude = np.abs(np.asarray(latitude_deg, dtype=np.float64))
    if end.day_length_intercept is None or end.day_length_slope is None:
        return np.zeros_like(latitude)
    line = float(end.day_length_intercept) + float(end.day_length_slope) * latitude
    if not with_margin:
        return np.asarray(line)
    margin, low, high = end.day_length_margin, end.day_length_min, end.day_length_max
    line = line + (0.0 if margin is None else float(margin))
    return np.clip(line, 0.0 if low is None else float(low), 24.0 if high is None else float(high))


def biofix_day(latitude_deg: npt.ArrayLike, species: str) -> npt.NDArray[np.int64]:
    """Day of the year from which degree-days are counted.

    Parameters
    ----------
    latitude_deg : array_like
        Latitude, south negative. [deg]
    species : str
        Catalog key.

    Returns
    -------
    ndarray of int
        1 January in the north, 1 July in the south, unless the catalog says otherwise. [day of year]

    Examples
    --------
    >>> biofix_day([40.0, -35.0], "spruce").tolist()
    [1, 182]
    """
    season = species_record(species).season
    south = np.asarray(latitude_deg, dtype=np.float64) < 0.0
    return np.where(south, int(float(season.biofix_south)), int(float(season.biofix_north)))


def _summer(rest: SummerRest | None, mean_7d_c: Array, max_7d_c: Array) -> tuple[Mask, Mask]:
    """Return whether it is hot enough for a summer rest to begin, and cool enough for one to end."""
    if rest is None:
        never = np.zeros(mean_7d_c.shape, dtype=np.bool_)
        return never, ~never
    enters = (max_7d_c >= float(rest.enter_temperature_max_c)) | (
        mean_7d_c >= float(rest.enter_temperature_mean_c)
    )
    cool = (mean_7d_c < float(rest.leave_temperature_mean_c)) & (
        max_7d_c < float(rest.leave_temperature_max_c)
    )
    return enters, cool


def _season_over(
    end: SeasonEnd, critical_h: Array, mean_10d_c: Array, min_10d_c: Array, day_length_h: Array, day: Array
) -> Mask:
    after_solstice = day > SOLSTICE_DAY
    frosted = min_10d_c <= float(end.hard_frost_c)
    if end.temperature_mean_c is None:
        return after_solstice & frosted
    short = (day_length_h < critical_h) & (mean_10d_c < float(end.temperature_mean_c))
    return after_solstice & (frosted | short)


def season_phase(
    degree_days_c_d: npt.ArrayLike,
    temperature_mean_7d_c: npt.ArrayLike,
    temperature_max_7d_c: npt.ArrayLike,
    temperature_mean_10d_c: npt.ArrayLike,
    temperature_min_10d_c: npt.ArrayLike,
    day_length_civil_h: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
    latitude_deg: npt.ArrayLike,
    species: str,
    previous: npt.ArrayLike | None = None,
) -> Codes:
    """Phase of a species' year at the end of a day, or of many days at once.

    Parameters
    ----------
    degree_days_c_d : array_like
        Degree-days above the season base (10 degC) since the biofix. [degC d]
    temperature_mean_7d_c, temperature_max_7d_c : array_like
        Means of the last seven daily means and of the last seven daily maxima. [degC]
    temperature_mean_10d_c, temperature_min_10d_c : array_like
        Mean of the last ten daily means and the lowest minimum of those days. [degC]
    day_length_civil_h : array_like
        Day length including civil twilight. [h]
    day_of_year : array_like
        Day of the year, 1-366. [day of year]
    latitude_deg : array_like
        Latitude, south negative. [deg]
    species : str
        Catalog key.
    previous : array_like of int, optional
        Phase of the day before; -1 or nothing where it is not known.

    Returns
    -------
    ndarray of int8, broadcast shape
        Codes of ``SeasonPhase``.

    Notes
    -----
    Below the first degree-days: winter rest. Then active, unless a cool-season species meets summer
    heat (seven-day mean of the maxima, or of the means, at or above its limit): summer rest until both
    have cooled. After the solstice a hard frost, or for warm-season
    species short days together with a cool ten-day mean, ends the season until the next biofix.
    NaN never changes the phase: unknown weather neither starts nor ends a rest.
    """
    given = (
        degree_days_c_d, temperature_mean_7d_c, temperature_max_7d_c, temperature_mean_10d_c,
        temperature_min_10d_c, day_length_civil_h, day_of_year, latitude_deg,
    )  # fmt: skip
    shaped = np.broadcast_arrays(*(np.asarray(item, dtype=np.float64) for item in given))
    was: Codes = np.broadcast_to(
        np.asarray(UNKNOWN if previous is None else previous, dtype=np.int8), shaped[0].shape
    )
    return _phase(_signs(shaped, species), was)


def season_phases(
    degree_days_c_d: npt.ArrayLike,
    temperature_mean_7d_c: npt.ArrayLike,
    temperature_max_7d_c: npt.ArrayLike,
    temperature_mean_10d_c: npt.ArrayLike,
    temperature_min_10d_c: npt.ArrayLike,
    day_length_civil_h: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
    latitude_deg: npt.ArrayLike,
    species: str,
    previous: npt.ArrayLike,
) -> Codes:
    """Phases of a species' year at the ends of days in a row.

    Parameters
    ----------
    degree_days_c_d, ..., latitude_deg : array_like
        As for ``season_phase``, broadcastable to shape (n_sites, n_days).
    species : str
        Catalog key.
    previous : array_like of int, shape (n_sites,)
        Phase of the day before the first; -1 where it is not known.

    Returns
    -------
    ndarray of int8, shape (n_sites, n_days)
        Codes of ``SeasonPhase``.

    Notes
    -----
    ``season_phase`` day by day, each after the other, with one addition: degree-days that got lost must
    not keep a species asleep all year, so it counts as awake.
    """
    given = (
        degree_days_c_d, temperature_mean_7d_c, temperature_max_7d_c, temperature_mean_10d_c,
        temperature_min_10d_c, day_length_civil_h, day_of_year, latitude_deg,
    )  # fmt: skip
    # days first, so that each step works on all sites at a stretch
    shaped = [
        np.ascontiguousarray(item.T)
        for item in np.broadcast_arrays(*(np.asarray(item, dtype=np.float64) for item in given))
    ]
    signs = _signs(shaped, species)
    phases = np.empty(shaped[0].shape, dtype=np.int8)
    was: Codes = np.asarray(previous, dtype=np.int8)
    for day in range(len(phases)):
        today = _Signs(*(sign[day] for sign in signs))
        lost = today.unknown & (was == SeasonPhase.WINTER_REST)
        was = _phase(today, np.where(lost, np.int8(UNKNOWN), was))
        phases[day] = was
    return np.ascontiguousarray(phases.T)


class _Signs(NamedTuple):
    """What the weather and the calendar say, whatever the phase was the day before; any one shape.

    ``over``: the season ends; ``late``: past the solstice; ``enters``, ``cool``: summer rest begins, may
    end; ``summer``: its usual time; ``unknown``: degree-days are; ``warmed``: they have been reached.
    """

    over: Mask
    late: Mask
    enters: Mask
    cool: Mask
    summer: Mask
    unknown: Mask
    warmed: Mask


def _signs(given: Sequence[Array], species: str) -> _Signs:
    season = species_record(species).season
    degree_days, mean_7d, max_7d, mean_10d, min_10d, day_length, day_raw, latitude = given
    day = northern_day(day_raw, latitude)
    critical_h = critical_day_length(latitude, species)
    enters, cool = _summer(season.summer_rest, mean_7d, max_7d)
    return _Signs(
        over=_season_over(season.end, critical_h, mean_10d, min_10d, day_length, day),
        late=day > SOLSTICE_DAY,
        enters=enters,
        cool=cool,
        summer=day >= SOLSTICE_DAY,
        unknown=np.isnan(degree_days),
        warmed=degree_days >= float(season.active_from),
    )


def _phase(signs: _Signs, was: Codes) -> Codes:
    """Return the phase of a day after that of the day before."""
    # Once over, over: a warm November does not start the year again; the next biofix does.
    over = signs.over | ((was == SeasonPhase.SEASON_OVER) & signs.late)
    # With no memory of yesterday, the warm half of summer between the two limits counts as rest.
    rested = np.where(was == UNKNOWN, signs.summer, was == SeasonPhase.SUMMER_REST)
    # An unknown temperature neither starts nor ends a rest.
    resting = signs.enters | (rested & ~signs.cool)
    # Unknown degree-days keep what was known; with nothing known the mites count as awake.
    awake = np.where(signs.unknown, was != SeasonPhase.WINTER_REST, signs.warmed)
    phase = np.where(awake, np.int8(SeasonPhase.ACTIVE), np.int8(SeasonPhase.WINTER_REST))
    phase = np.where(awake & resting, np.int8(SeasonPhase.SUMMER_REST), phase)
    return np.where(over, np.int8(SeasonPhase.SEASON_OVER), phase)
