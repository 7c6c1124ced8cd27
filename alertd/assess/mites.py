"""The season of each mite species on the sites of a batch, carried over its days."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch
from alertd.assess.stages import Brood, Hours, brood, carried, woken
from alertd.assess.stretch import Stretch, flat_rows, gap_d, placed, trailing_mean, trailing_min
from alertd.catalog.pressure import load_pressure
from alertd.catalog.species import Species, load_species
from alertd.records.season import HISTORY_DAYS, SeasonState, SpeciesSeason
from alertd.records.site import Site
from alertd.science import degree_days, sun
from alertd.science.arrays import FloatArray as Floats
from alertd.science.arrays import IntArray as Ints
from alertd.science.development import intrinsic_rate
from alertd.science.growth import WarmHours, daily_degrees, daily_growth, of_sites, warm_hours
from alertd.science.season import UNKNOWN, SeasonPhase, biofix_day, season_phases

LATE_START_D = 75
"""A season whose weather begins longer than this after the biofix has unknown degree-days."""
COLD_START_C_D = 0.5
"""A later start than a week counts from zero only if its first known days gain less than this a day."""
WEEK_D = 7
HOTTEST_HOUR = 15.0


@dataclass(frozen=True, slots=True)
class MiteSeason:
    """One species on every site of a batch, over the days of a stretch.

    ``rows`` are the sites with a host; the arrays are [row, day] on the stretch's axis.
    ``phase`` holds a code for each day up to today. ``stages`` is the population at the end of each
    finished day, [row, day, column], beginning with what the season held; ``brood`` what it is today.
    """

    species: str
    rows: Ints
    biofix: tuple[dt.date, ...]
    host_factor: Floats
    irrigation_factor: Floats
    hosts: tuple[tuple[str, ...], ...]
    growth: Floats
    degree_days: Floats
    generations: Floats
    phase: npt.NDArray[np.int8]
    stages: Floats
    brood: Brood
    days: tuple[dt.date, ...]


@dataclass(frozen=True, slots=True)
class _Common:
    """What is worked out once for every species: the hours, the days behind each, what the season held.

    ``held`` is the season of each site, None where a gap that no weather covers makes it worth nothing;
    ``gap_d`` the days between it and the batch.
    """

    hours: WarmHours
    gained: dict[tuple[float, float | None], Floats]
    mean_7d: Floats
    max_7d: Floats
    mean_10d: Floats
    min_10d: Floats
    day_of_year: Floats
    day_length_h: Floats
    held: list[SeasonState | None]
    gap_d: list[int]


@dataclass(slots=True)
class _Hosts:
    """The sites on which a species has a host, with suitability and watering where it fares best."""

    rows: list[int] = field(default_factory=list)
    best: list[tuple[float, float]] = field(default_factory=list)
    plantings: list[tuple[str, ...]] = field(default_factory=list)


def mite_seasons(batch: Batch, stretch: Stretch, hours: Hours) -> list[MiteSeason]:
    """Return the species that have a host on at least one site, carried over the days of the batch."""
    common = _common(batch, stretch)
    hosts = _hosts(batch.sites)
    return [
        _season(batch, stretch, hours, common, key, hosts[key]) for key in load_species() if hosts[key].rows
    ]


def _common(batch: Batch, stretch: Stretch) -> _Common:
    mean, high = stretch["temperature_mean_c"], stretch["temperature_max_c"]
    new = slice(stretch.first_new, stretch.today + 1)
    dates = batch.local.days[batch.first_new : batch.today + 1]
    of_year = np.array([date.timetuple().tm_yday for date in dates], dtype=np.float64)
    first = batch.local.days[batch.first_new]
    gaps = [gap_d(member, first) for member in batch.members]
    return _Common(
        hours=warm_hours(batch.hourly["air_temperature_c"], batch.local, batch.first_new),
        gained={},
        mean_7d=trailing_mean(mean, 7)[:, new],
        max_7d=trailing_mean(high, 7)[:, new],
        mean_10d=trailing_mean(mean, 10)[:, new],
        min_10d=trailing_min(stretch["temperature_min_c"], 10)[:, new],
        day_of_year=of_year,
        day_length_h=sun.day_length(batch.latitude_deg[:, None], of_year[None, :], twilight="civil"),
        held=[None if gap > 0 else member.season for member, gap in zip(batch.members, gaps, strict=True)],
        gap_d=gaps,
    )


def _hosts(sites: Sequence[Site]) -> dict[str, _Hosts]:
    """Return for each species the sites with a host and the planting there on which it fares best."""
    suited: dict[str, list[tuple[str, float]]] = {}
    for key, species in load_species().items():
        for host, figure in species.hosts.items():
            suited.setdefault(host, []).append((key, float(figure)))
    weights: dict[str, float] = {name: float(value) for name, value in load_pressure().irrigation.items()}
    found = {key: _Hosts() for key in load_species()}
    for row, site in enumerate(sites):
        here: dict[str, tuple[list[str], tuple[float, float]]] = {}
        for planting in site.plantings:
            watering = weights[planting.irrigation]
            for key, suitability in suited.get(planting.host, ()):
                if key not in here:
                    here[key] = [planting.id], (suitability, watering)
                    continue
                ids, (before, water) = here[key]
                ids.append(planting.id)
                if suitability * watering > before * water:
                    here[key] = ids, (suitability, watering)
        for key, (ids, best) in here.items():
            one = found[key]
            one.rows.append(row)
            one.best.append(best)
            one.plantings.append(tuple(ids))
    return found


def _season(
    batch: Batch, stretch: Stretch, hours: Hours, common: _Common, key: str, hosts: _Hosts
) -> MiteSeason:
    species, rows = load_species()[key], np.array(hosts.rows, dtype=np.int64)
    held = [common.held[row] for row in hosts.rows]
    before = [None if one is None else one.species.get(key) for one in held]
    today = batch.local.days[batch.today]
    biofix = tuple([_biofix(batch.members[row].site, key, today) for row in hosts.rows])
    heat = _degree_days(batch, stretch, common, species, rows, before, biofix)
    yesterday = np.array([UNKNOWN if one is None else one.phase for one in before], dtype=np.int8)
    phase = _phases(batch, stretch, common, key, rows, yesterday, heat)
    host_factor, irrigation_factor = np.array(hosts.best, dtype=np.float64).T
    stages = carried(hours, rows, key, before, phase[:, stretch.first_new : stretch.today], host_factor)
    if stretch.today > stretch.first_new:
        yesterday = phase[:, stretch.today - 1]
    this_morning = woken(stages[:, -1].T, phase[:, stretch.today], yesterday, key).T
    return MiteSeason(
        species=key,
        rows=rows,
        biofix=biofix,
        host_factor=host_factor,
        irrigation_factor=irrigation_factor,
        hosts=tuple(hosts.plantings),
        growth=_growth(stretch, common, key, rows, before),
        degree_days=heat,
        generations=_generations(stretch, common, species, rows, before, phase),
        phase=phase,
        stages=stages,
        brood=brood(hours, rows, key, this_morning),
        days=hours.ahead_days,
    )


def _growth(
    stretch: Stretch, common: _Common, key: str, rows: Ints, before: list[SpeciesSeason | None]
) -> Floats:
    new = daily_growth(of_sites(common.hours, rows), key)
    past = np.full((len(rows), HISTORY_DAYS), np.nan)
    usual: list[int] = []
    fresh: list[int] = []
    for i, (season, row) in enumerate(zip(before, rows.tolist(), strict=True)):
        if season is None:
            fresh.append(i)
        elif common.gap_d[row] == 0 and len(season.growth) == HISTORY_DAYS:
            usual.append(i)
        else:
            where, kept = placed(season.growth, common.gap_d[row])
            past[i, where] = kept
    past[usual] = flat_rows([one.growth for i in usual if (one := before[i]) is not None], HISTORY_DAYS)
    if fresh:
        past[fresh] = _growth_of_history(stretch, key, rows[fresh])
    return np.concatenate([past, new], axis=1)


def _growth_of_history(stretch: Stretch, key: str, rows: Ints) -> Floats:
    """Return the growth of the finished days of a species that is new on its site, from their extremes."""
    low = stretch["temperature_min_c"][rows, : stretch.first_new]
    high = stretch["temperature_max_c"][rows, : stretch.first_new]
    swing = np.cos(2.0 * np.pi * (np.arange(24) + 0.5 - HOTTEST_HOUR) / 24.0)
    hourly = (low + high)[..., None] / 2.0 + (high - low)[..., None] / 2.0 * swing
    return np.asarray(intrinsic_rate(hourly, key).mean(axis=-1))


def _biofix(site: Site, key: str, today: dt.date) -> dt.date:
    """Return the newest biofix that is not in the future."""
    if site.biofix is not None:
        month, day = site.biofix.month, site.biofix.day
        here = _date(today.year, month, day)
        return here if here <= today else _date(today.year - 1, month, day)
    return _usual_biofix(site.southern, key, today)


@lru_cache(maxsize=256)
def _usual_biofix(southern: bool, key: str, today: dt.date) -> dt.date:
    of_year = int(biofix_day(-1.0 if southern else 1.0, key))
    here = dt.date(today.year, 1, 1) + dt.timedelta(days=of_year - 1)
    return here if here <= today else dt.date(today.year - 1, 1, 1) + dt.timedelta(days=of_year - 1)


def _date(year: int, month: int, day: int) -> dt.date:
    """Return the date; 29 February of a common year counts as 1 March."""
    try:
        return dt.date(year, month, day)
    except ValueError:
        return dt.date(year, 3, 1)


def _gained(
    stretch: Stretch, common: _Common, rows: Ints, lower_c: float, upper_c: float | None = None
) -> Floats:
    """Return the degree-days of each new day, worked out once for species that count alike.

    An unknown day gains what the known days of the fortnight before it gained on average, by their
    extremes; NaN if none of them is known.
    """
    key = (lower_c, upper_c)
    if key not in common.gained:
        gained = daily_degrees(common.hours, lower_c, upper_c)
        unknown = np.flatnonzero(np.isnan(gained).any(axis=1))
        if unknown.size:
            low, high = stretch["temperature_min_c"][unknown], stretch["temperature_max_c"][unknown]
            by_extremes = degree_days.single_sine(low, high, lower_c, upper_c)
            usual = trailing_mean(by_extremes, HISTORY_DAYS, least=1)[:, stretch.first_new :]
            gained[unknown] = np.where(np.isnan(gained[unknown]), usual, gained[unknown])
        common.gained[key] = gained
    return common.gained[key][rows]


def _degree_days(
    batch: Batch,
    stretch: Stretch,
    common: _Common,
    species: Species,
    rows: Ints,
    before: list[SpeciesSeason | None],
    biofix: tuple[dt.date, ...],
) -> Floats:
    """Return degree-days since the biofix at the end of each day; NaN where nobody knows."""
    gained = _gained(stretch, common, rows, float(species.season.base_c))
    dates = batch.local.days[batch.first_new :]
    total = np.full((len(rows), stretch.days), np.nan)
    with_siblings = [
        season or _sibling(common.held[row], species)
        for season, row in zip(before, rows.tolist(), strict=True)
    ]
    current = np.array([
        season.degree_days_c_d if season is not None else _start(fix, dates[0], gained[i])
        for i, (season, fix) in enumerate(zip(with_siblings, biofix, strict=True))
    ])  # fmt: skip
    fixes = np.array([fix.toordinal() for fix in biofix])
    for i, date in enumerate(dates):
        begins = fixes == date.toordinal()
        current = (np.where(begins, 0.0, current) if begins.any() else current) + gained[:, i]
        total[:, stretch.first_new + i] = current
    return total


def _sibling(held: SeasonState | None, species: Species) -> SpeciesSeason | None:
    """Return another species of the site whose degree-days count from the same day above the same base."""

    def counted(one: Species) -> tuple[float, float, float]:
        season = one.season
        return float(season.base_c), float(season.biofix_north), float(season.biofix_south)

    if held is None:
        return None
    same = (key for key, other in load_species().items() if counted(other) == counted(species))
    return next((found for key in same if (found := held.species.get(key)) is not None), None)


def _start(biofix: dt.date, first: dt.date, gained: Floats) -> float:
    """Return the degree-days before the first known day: none soon after the biofix, or later in the cold."""
    late = (first - biofix).days
    if 0 <= late <= WEEK_D:
        return 0.0
    cold = bool(np.mean(gained[:WEEK_D]) < COLD_START_C_D)
    return 0.0 if 0 <= late <= LATE_START_D and cold else math.nan


def _phases(
    batch: Batch,
    stretch: Stretch,
    common: _Common,
    key: str,
    rows: Ints,
    yesterday: npt.NDArray[np.int8],
    heat: Floats,
) -> npt.NDArray[np.int8]:
    """Return the phase at the end of each day up to today; later days are taken to be like today."""
    new = slice(stretch.first_new, stretch.today + 1)
    phase = np.full((len(rows), stretch.days), UNKNOWN, dtype=np.int8)
    phase[:, new] = season_phases(
        heat[:, new],
        common.mean_7d[rows],
        common.max_7d[rows],
        common.mean_10d[rows],
        common.min_10d[rows],
        common.day_length_h[rows],
        common.day_of_year[None, :],
        batch.latitude_deg[rows][:, None],
        key,
        yesterday,
    )
    phase[:, stretch.today + 1 :] = phase[:, stretch.today, None]
    return phase


def _generations(
    stretch: Stretch,
    common: _Common,
    species: Species,
    rows: Ints,
    before: list[SpeciesSeason | None],
    phase: npt.NDArray[np.int8],
) -> Floats:
    """Return generations since the species woke, at the end of each day; none are added at rest.

    A lower bound where the service does not know the whole season.
    """
    gained = np.nan_to_num(_gained(stretch, common, rows, float(species.lower_c), float(species.optimum_c)))
    active = phase[:, stretch.first_new :] == SeasonPhase.ACTIVE
    winter = phase[:, stretch.first_new :] == SeasonPhase.WINTER_REST
    total = np.full((len(rows), stretch.days), np.nan)
    current = np.array([0.0 if season is None else season.generations for season in before])
    added = np.where(active, gained / float(species.egg_to_egg), 0.0)
    for i in range(gained.shape[1]):
        current = np.where(winter[:, i], 0.0, current) + added[:, i]
        total[:, stretch.first_new + i] = current
    return total
