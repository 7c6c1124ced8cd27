"""The season and the pressure of each mite species on the sites of a batch."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch
from alertd.assess.stretch import Stretch, trailing_mean, trailing_min
from alertd.catalog.pressure import Levels, load_pressure
from alertd.catalog.species import Species, load_species
from alertd.records.assessment import Level, MitePressure, Part, Phase
from alertd.records.season import HISTORY_DAYS, SpeciesSeason
from alertd.records.site import Site
from alertd.science import days as local_days
from alertd.science import degree_days, sun
from alertd.science.arrays import FloatArray as Floats
from alertd.science.arrays import IntArray as Ints
from alertd.science.development import intrinsic_rate
from alertd.science.pressure import PressureParts, mite_pressure
from alertd.science.season import UNKNOWN, SeasonPhase, biofix_day, season_phase

PHASES = {
    SeasonPhase.WINTER_REST: Phase.WINTER_REST,
    SeasonPhase.ACTIVE: Phase.ACTIVE,
    SeasonPhase.SUMMER_REST: Phase.SUMMER_REST,
    SeasonPhase.SEASON_OVER: Phase.SEASON_OVER,
}
LATE_START_D = 75
"""A season whose weather begins longer than this after the biofix has unknown degree-days."""
AHEAD_D = 7
DOUBLING_DAYS = 3
GROWTH_MIN_D = 0.01


@dataclass(frozen=True, slots=True)
class MiteSeason:
    """One species on every site of a batch, over the days of a stretch.

    ``rows`` are the sites with a host; the arrays are [row, day] on the stretch's axis.
    ``phase`` holds a code for each day up to today.
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


def mite_seasons(batch: Batch, stretch: Stretch) -> list[MiteSeason]:
    """Return the species that have a host on at least one site, carried over the days of the batch."""
    found = []
    for key, species in load_species().items():
        rows = [row for row, site in enumerate(batch.sites) if _hosts(site, species)]
        if rows:
            found.append(_season(batch, stretch, key, species, np.array(rows, dtype=np.int64)))
    return found


def _hosts(site: Site, species: Species) -> tuple[str, ...]:
    return tuple(planting.id for planting in site.plantings if planting.host in species.hosts)


def _season(batch: Batch, stretch: Stretch, key: str, species: Species, rows: Ints) -> MiteSeason:
    sites = [batch.sites[row] for row in rows]
    before = [_before(batch, row, key) for row in rows]
    growth = _growth(batch, stretch, key, rows, before)
    biofix = tuple(_biofix(site, key, batch.local.days[batch.today]) for site in sites)
    heat = _degree_days(batch, stretch, species, rows, before, biofix)
    phase = _phases(batch, stretch, key, rows, before, heat)
    weights = load_pressure().irrigation
    factors = [
        _factors(site, species, {name: float(value) for name, value in weights.items()}) for site in sites
    ]
    return MiteSeason(
        species=key,
        rows=rows,
        biofix=biofix,
        host_factor=np.array([host for host, _ in factors]),
        irrigation_factor=np.array([irrigation for _, irrigation in factors]),
        hosts=tuple(_hosts(site, species) for site in sites),
        growth=growth,
        degree_days=heat,
        generations=_generations(batch, stretch, species, rows, before, phase),
        phase=phase,
    )


def _before(batch: Batch, row: int, key: str) -> SpeciesSeason | None:
    season = batch.members[row].season
    return None if season is None else season.species.get(key)


def _factors(site: Site, species: Species, irrigation: Mapping[str, float]) -> tuple[float, float]:
    """Return host suitability and irrigation factor of the planting on which mites fare best."""
    return max(
        (
            (float(species.hosts[planting.host]), irrigation[planting.irrigation])
            for planting in site.plantings
            if planting.host in species.hosts
        ),
        key=lambda pair: pair[0] * pair[1],
    )


def _growth(
    batch: Batch, stretch: Stretch, key: str, rows: Ints, before: list[SpeciesSeason | None]
) -> Floats:
    hourly = intrinsic_rate(batch.hourly["air_temperature_c"][rows], key)
    new = local_days.daily_mean(hourly, batch.local)[:, batch.first_new :]
    past = np.full((len(rows), HISTORY_DAYS), np.nan)
    for i, season in enumerate(before):
        kept = () if season is None else season.growth[-HISTORY_DAYS:]
        if kept:
            past[i, HISTORY_DAYS - len(kept) :] = kept
    return np.concatenate([past, new], axis=1)


def _biofix(site: Site, key: str, today: dt.date) -> dt.date:
    """Return the newest biofix that is not in the future."""
    if site.biofix is not None:
        month, day = site.biofix.month, site.biofix.day
        here = _date(today.year, month, day)
        return here if here <= today else _date(today.year - 1, month, day)
    of_year = int(biofix_day(site.latitude_deg, key))
    here = dt.date(today.year, 1, 1) + dt.timedelta(days=of_year - 1)
    return here if here <= today else dt.date(today.year - 1, 1, 1) + dt.timedelta(days=of_year - 1)


def _date(year: int, month: int, day: int) -> dt.date:
    """Return the date; 29 February of a common year counts as 1 March."""
    try:
        return dt.date(year, month, day)
    except ValueError:
        return dt.date(year, 3, 1)


def _degree_days(
    batch: Batch,
    stretch: Stretch,
    species: Species,
    rows: Ints,
    before: list[SpeciesSeason | None],
    biofix: tuple[dt.date, ...],
) -> Floats:
    """Return degree-days since the biofix at the end of each day; an unknown day adds nothing."""
    base = float(species.season.base_c)
    warm = degree_days.above_threshold(batch.hourly["air_temperature_c"][rows], base) / 24.0
    gained = np.nan_to_num(local_days.daily_sum(warm, batch.local)[:, batch.first_new :])
    dates = batch.local.days[batch.first_new :]
    total = np.full((len(rows), stretch.days), np.nan)
    current = np.array([_start(season, fix, dates[0]) for season, fix in zip(before, biofix, strict=True)])
    fixes = np.array([fix.toordinal() for fix in biofix])
    for i, date in enumerate(dates):
        current = np.where(fixes == date.toordinal(), 0.0, current) + gained[:, i]
        total[:, stretch.first_new + i] = current
    return total


def _start(season: SpeciesSeason | None, biofix: dt.date, first: dt.date) -> float:
    if season is not None:
        return season.degree_days_c_d
    late = (first - biofix).days
    return 0.0 if 0 <= late <= LATE_START_D else math.nan


def _phases(
    batch: Batch,
    stretch: Stretch,
    key: str,
    rows: Ints,
    before: list[SpeciesSeason | None],
    heat: Floats,
) -> npt.NDArray[np.int8]:
    """Return the phase at the end of each day up to today; later days are not needed."""
    mean, high = stretch["temperature_mean_c"][rows], stretch["temperature_max_c"][rows]
    mean_7d, max_7d, mean_10d = trailing_mean(mean, 7), trailing_mean(high, 7), trailing_mean(mean, 10)
    min_10d = trailing_min(stretch["temperature_min_c"][rows], 10)
    latitude = batch.latitude_deg[rows]
    phase = np.full((len(rows), stretch.days), UNKNOWN, dtype=np.int8)
    previous = np.array([UNKNOWN if season is None else season.phase for season in before], dtype=np.int8)
    for i in range(stretch.first_new, stretch.today + 1):
        date = batch.local.days[batch.first_new + i - stretch.first_new]
        of_year = float(date.timetuple().tm_yday)
        previous = season_phase(
            heat[:, i],
            mean_7d[:, i],
            max_7d[:, i],
            mean_10d[:, i],
            min_10d[:, i],
            sun.day_length(latitude, of_year, twilight="civil"),
            of_year,
            latitude,
            key,
            previous,
        )
        phase[:, i] = previous
    phase[:, stretch.today + 1 :] = previous[:, None]
    return phase


def _generations(
    batch: Batch,
    stretch: Stretch,
    species: Species,
    rows: Ints,
    before: list[SpeciesSeason | None],
    phase: npt.NDArray[np.int8],
) -> Floats:
    """Return generations since the species woke, at the end of each day; none are added at rest."""
    lower, upper = float(species.lower_c), float(species.optimum_c)
    warm = degree_days.above_threshold(batch.hourly["air_temperature_c"][rows], lower, upper) / 24.0
    gained = np.nan_to_num(local_days.daily_sum(warm, batch.local)[:, batch.first_new :])
    active = phase[:, stretch.first_new :] == SeasonPhase.ACTIVE
    start = np.array([0.0 if season is None else season.generations for season in before])
    winter = phase[:, stretch.first_new :] == SeasonPhase.WINTER_REST
    total = np.full((len(rows), stretch.days), np.nan)
    current = start
    for i in range(gained.shape[1]):
        current = np.where(winter[:, i], 0.0, current)
        current = current + np.where(active[:, i], gained[:, i] / float(species.egg_to_egg), 0.0)
        total[:, stretch.first_new + i] = current
    return total


def pressures(stretch: Stretch, season: MiteSeason) -> list[tuple[int, MitePressure]]:
    """Return the pressure of one species today, with the row of each site."""
    levels = load_pressure().levels
    last = min(stretch.today + AHEAD_D, stretch.days - 1)
    ends = list(range(stretch.today, last + 1))
    parts = _parts(stretch, season, ends)
    scores = parts.score.reshape(len(ends), len(season.rows))
    now = [values.reshape(len(ends), -1)[0] for values in parts]
    found = []
    for i, row in enumerate(season.rows):
        score = float(now[0][i])
        ahead = float(np.fmax.reduce(scores[:, i]))
        heat = float(season.degree_days[i, stretch.today])
        found.append((
            int(row),
            MitePressure(
                species=season.species,
                score=0.0 if math.isnan(score) else score,
                level=_level(score, levels),
                parts=_named(PressureParts(*(values[i] for values in now)), stretch, int(row)),
                phase=PHASES[SeasonPhase(int(season.phase[i, stretch.today]))],
                doubling_time_d=_doubling(season.growth[i, stretch.today : stretch.today + DOUBLING_DAYS]),
                generations=float(season.generations[i, stretch.today]),
                degree_days_c_d=None if math.isnan(heat) else heat,
                biofix=season.biofix[i],
                hosts=season.hosts[i],
                score_ahead=0.0 if math.isnan(ahead) else ahead,
            ),
        ))  # fmt: skip
    return found


def _parts(stretch: Stretch, season: MiteSeason, ends: list[int]) -> PressureParts:
    """Return the pressure at the end of each of the days ``ends``: those days laid out as more sites."""
    window = HISTORY_DAYS

    def cut(values: Floats) -> Floats:
        return np.concatenate([values[:, end - window + 1 : end + 1] for end in ends], axis=0)

    rows = season.rows
    times = len(ends)
    return mite_pressure(
        cut(season.growth),
        cut(stretch["temperature_max_c"][rows]),
        cut(stretch["precipitation_mm"][rows]),
        cut(stretch["vapour_pressure_deficit_max_kpa"][rows]),
        cut(stretch["humidity_mean_pct"][rows]),
        np.concatenate([season.phase[:, end] for end in ends]),
        np.tile(season.host_factor, times),
        np.tile(season.irrigation_factor, times),
        season.species,
    )


def _level(score: float, levels: Levels) -> Level:
    steps = (
        (levels.severe, Level.SEVERE),
        (levels.high, Level.HIGH),
        (levels.watch, Level.WATCH),
        (levels.note, Level.NOTE),
    )
    return next((level for least, level in steps if score >= float(least)), Level.NONE)


def _named(parts: PressureParts, stretch: Stretch, row: int) -> tuple[Part, ...]:
    window = slice(stretch.today - HISTORY_DAYS + 1, stretch.today + 1)
    rain = float(np.nansum(stretch["precipitation_mm"][row, window]))
    deficit = stretch["vapour_pressure_deficit_max_kpa"][row, window]
    dryest = float(np.nanmean(deficit)) if not np.isnan(deficit).all() else 0.0
    return tuple(
        Part(name, 0.0 if math.isnan(points) else float(points), float(value), unit)
        for name, points, value, unit in (
            ("heat", parts.heat, parts.growth, "1"),
            ("dryness", parts.dryness, dryest, "kPa"),
            ("run of fast days", parts.run, parts.run_d, "d"),
            ("host plant and watering", parts.host, 0.0, "1"),
            ("rain", parts.rain, rain, "mm"),
        )
    )


def _doubling(growth: Floats) -> float | None:
    known = growth[~np.isnan(growth)]
    rate = float(known.mean()) if known.size else 0.0
    return math.log(2.0) / rate if rate >= GROWTH_MIN_D else None
