"""The season and the pressure of each mite species on the sites of a batch."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch
from alertd.assess.stages import Brood, Hours, brood, carried, woken
from alertd.assess.stretch import Stretch, gap_d, placed, trailing_mean, trailing_min
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
COLD_START_C_D = 0.5
"""A later start than a week counts from zero only if its first known days gain less than this a day."""
WEEK_D = 7
AHEAD_D = 7
DOUBLING_DAYS = 3
GROWTH_MIN_D = 0.01
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


def mite_seasons(batch: Batch, stretch: Stretch, hours: Hours) -> list[MiteSeason]:
    """Return the species that have a host on at least one site, carried over the days of the batch."""
    found = []
    sites = batch.sites
    for key, species in load_species().items():
        rows = [row for row, site in enumerate(sites) if _hosts(site, species)]
        if rows:
            found.append(_season(batch, stretch, hours, key, species, np.array(rows, dtype=np.int64)))
    return found


def _hosts(site: Site, species: Species) -> tuple[str, ...]:
    return tuple(planting.id for planting in site.plantings if planting.host in species.hosts)


def _season(
    batch: Batch, stretch: Stretch, hours: Hours, key: str, species: Species, rows: Ints
) -> MiteSeason:
    sites = [batch.members[row].site for row in rows]
    before = [_before(batch, row, key) for row in rows]
    biofix = tuple(_biofix(site, key, batch.local.days[batch.today]) for site in sites)
    heat = _degree_days(batch, stretch, species, rows, before, biofix)
    phase = _phases(batch, stretch, key, rows, before, heat)
    weights = {name: float(value) for name, value in load_pressure().irrigation.items()}
    factors = [_factors(site, species, weights) for site in sites]
    host_factor = np.array([host for host, _ in factors])
    stages = carried(hours, rows, key, before, phase[:, stretch.first_new : stretch.today], host_factor)
    this_morning = woken(stages[:, -1], phase[:, stretch.today], _yesterday(stretch, phase, before), key)
    return MiteSeason(
        species=key,
        rows=rows,
        biofix=biofix,
        host_factor=host_factor,
        irrigation_factor=np.array([irrigation for _, irrigation in factors]),
        hosts=tuple(_hosts(site, species) for site in sites),
        growth=_growth(batch, stretch, key, rows, before),
        degree_days=heat,
        generations=_generations(batch, stretch, species, rows, before, phase),
        phase=phase,
        stages=stages,
        brood=brood(hours, rows, key, this_morning),
        days=hours.ahead_days,
    )


def _before(batch: Batch, row: int, key: str) -> SpeciesSeason | None:
    """Return what the season holds of the species; nothing after a gap that no weather covers."""
    member = batch.members[row]
    if member.season is None or gap_d(member, batch.local.days[batch.first_new]) > 0:
        return None
    return member.season.species.get(key)


def _codes(before: list[SpeciesSeason | None]) -> npt.NDArray[np.int8]:
    return np.array([UNKNOWN if season is None else season.phase for season in before], dtype=np.int8)


def _yesterday(
    stretch: Stretch, phase: npt.NDArray[np.int8], before: list[SpeciesSeason | None]
) -> npt.NDArray[np.int8]:
    return _codes(before) if stretch.today == stretch.first_new else phase[:, stretch.today - 1]


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
    first = batch.local.days[batch.first_new]
    for i, season in enumerate(before):
        if season is not None:
            where, kept = placed(season.growth, gap_d(batch.members[rows[i]], first))
            past[i, where] = kept
    fresh = [i for i, season in enumerate(before) if season is None]
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
    of_year = int(biofix_day(site.latitude_deg, key))
    here = dt.date(today.year, 1, 1) + dt.timedelta(days=of_year - 1)
    return here if here <= today else dt.date(today.year - 1, 1, 1) + dt.timedelta(days=of_year - 1)


def _date(year: int, month: int, day: int) -> dt.date:
    """Return the date; 29 February of a common year counts as 1 March."""
    try:
        return dt.date(year, month, day)
    except ValueError:
        return dt.date(year, 3, 1)


def _gained(
    batch: Batch, stretch: Stretch, rows: Ints, lower_c: float, upper_c: float | None = None
) -> Floats:
    """Return the degree-days of each new day.

    An unknown day gains what the known days of the fortnight before it gained on average, by their
    extremes; NaN if none of them is known.
    """
    warm = degree_days.above_threshold(batch.hourly["air_temperature_c"][rows], lower_c, upper_c) / 24.0
    gained = local_days.daily_sum(warm, batch.local)[:, batch.first_new :]
    unknown = np.isnan(gained)
    if not unknown.any():
        return gained
    low, high = stretch["temperature_min_c"][rows], stretch["temperature_max_c"][rows]
    by_extremes = degree_days.single_sine(low, high, lower_c, upper_c)
    usual = trailing_mean(by_extremes, HISTORY_DAYS, least=1)[:, stretch.first_new :]
    return np.where(unknown, usual, gained)


def _degree_days(
    batch: Batch,
    stretch: Stretch,
    species: Species,
    rows: Ints,
    before: list[SpeciesSeason | None],
    biofix: tuple[dt.date, ...],
) -> Floats:
    """Return degree-days since the biofix at the end of each day; NaN where nobody knows."""
    gained = _gained(batch, stretch, rows, float(species.season.base_c))
    dates = batch.local.days[batch.first_new :]
    total = np.full((len(rows), stretch.days), np.nan)
    with_siblings = [
        season or _sibling(batch, row, species) for season, row in zip(before, rows, strict=True)
    ]
    current = np.array([
        season.degree_days_c_d if season is not None else _start(fix, dates[0], gained[i])
        for i, (season, fix) in enumerate(zip(with_siblings, biofix, strict=True))
    ])  # fmt: skip
    fixes = np.array([fix.toordinal() for fix in biofix])
    for i, date in enumerate(dates):
        current = np.where(fixes == date.toordinal(), 0.0, current) + gained[:, i]
        total[:, stretch.first_new + i] = current
    return total


def _sibling(batch: Batch, row: int, species: Species) -> SpeciesSeason | None:
    """Return another species of the site whose degree-days count from the same day above the same base."""

    def counted(one: Species) -> tuple[float, float, float]:
        season = one.season
        return float(season.base_c), float(season.biofix_north), float(season.biofix_south)

    same = (key for key, other in load_species().items() if counted(other) == counted(species))
    return next((found for key in same if (found := _before(batch, row, key)) is not None), None)


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
    key: str,
    rows: Ints,
    before: list[SpeciesSeason | None],
    heat: Floats,
) -> npt.NDArray[np.int8]:
    """Return the phase at the end of each day up to today; later days are taken to be like today."""
    mean, high = stretch["temperature_mean_c"][rows], stretch["temperature_max_c"][rows]
    mean_7d, max_7d, mean_10d = trailing_mean(mean, 7), trailing_mean(high, 7), trailing_mean(mean, 10)
    min_10d = trailing_min(stretch["temperature_min_c"][rows], 10)
    latitude = batch.latitude_deg[rows]
    phase = np.full((len(rows), stretch.days), UNKNOWN, dtype=np.int8)
    previous = _codes(before)
    for i in range(stretch.first_new, stretch.today + 1):
        date = batch.local.days[batch.first_new + i - stretch.first_new]
        of_year = float(date.timetuple().tm_yday)
        # Degree-days that got lost must not keep a species asleep all year: it counts as awake.
        lost = np.isnan(heat[:, i]) & (previous == SeasonPhase.WINTER_REST)
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
            np.where(lost, np.int8(UNKNOWN), previous),
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
    """Return generations since the species woke, at the end of each day; none are added at rest.

    A lower bound where the service does not know the whole season.
    """
    gained = np.nan_to_num(_gained(batch, stretch, rows, float(species.lower_c), float(species.optimum_c)))
    active = phase[:, stretch.first_new :] == SeasonPhase.ACTIVE
    winter = phase[:, stretch.first_new :] == SeasonPhase.WINTER_REST
    total = np.full((len(rows), stretch.days), np.nan)
    current = np.array([0.0 if season is None else season.generations for season in before])
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
    rain = stretch.told_rain_mm()[season.rows]
    parts = _parts(stretch, season, ends, rain)
    scores = parts.score.reshape(len(ends), len(season.rows))
    ahead = np.nan_to_num(np.fmax.reduce(scores, axis=0)).tolist()
    now = PressureParts(*(values.reshape(len(ends), -1)[0] for values in parts))
    named = _named(now, stretch, season, rain)
    doubling = _doubling(season, stretch.today, DOUBLING_DAYS)
    doubling_ahead = _doubling(season, stretch.today, AHEAD_D + 1)
    found = []
    for i, row in enumerate(season.rows.tolist()):
        score, heat = float(now.score[i]), float(season.degree_days[i, stretch.today])
        known = not math.isnan(score)
        phase = PHASES[SeasonPhase(int(season.phase[i, stretch.today]))]
        eggs, hatch, adults = _brood(season, i) if phase is Phase.ACTIVE else (None, None, None)
        found.append((
            row,
            MitePressure(
                species=season.species,
                score=score if known else 0.0,
                level=_level(score, levels),
                parts=named[i] if known else (),
                phase=phase,
                doubling_time_d=doubling[i],
                generations=float(season.generations[i, stretch.today]),
                degree_days_c_d=None if math.isnan(heat) else heat,
                biofix=season.biofix[i],
                hosts=season.hosts[i],
                score_ahead=ahead[i],
                egg_share=eggs,
                next_hatch_on=hatch,
                next_adults_on=adults,
                doubling_ahead_d=doubling_ahead[i],
                known=known,
            ),
        ))  # fmt: skip
    return found


def _brood(season: MiteSeason, i: int) -> tuple[float | None, dt.date | None, dt.date | None]:
    share = float(season.brood.egg_share[i])
    hatch, adults = int(season.brood.hatch_day[i]), int(season.brood.adult_day[i])
    return (
        None if math.isnan(share) else share,
        None if hatch < 0 else season.days[hatch],
        None if adults < 0 else season.days[adults],
    )


def _parts(stretch: Stretch, season: MiteSeason, ends: list[int], rain_mm: Floats) -> PressureParts:
    """Return the pressure at the end of each of the days ``ends``: those days laid out as more sites."""
    window = HISTORY_DAYS

    def cut(values: Floats) -> Floats:
        return np.concatenate([values[:, end - window + 1 : end + 1] for end in ends], axis=0)

    rows = season.rows
    times = len(ends)
    return mite_pressure(
        cut(season.growth),
        cut(stretch["temperature_max_c"][rows]),
        cut(rain_mm),
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


def _named(
    parts: PressureParts, stretch: Stretch, season: MiteSeason, rain_mm: Floats
) -> list[tuple[Part, ...]]:
    """Return the parts of each site's score with the fact behind each; unknown days are left out of it."""
    window = slice(stretch.today - HISTORY_DAYS + 1, stretch.today + 1)
    deficit = stretch["vapour_pressure_deficit_max_kpa"][season.rows, window]
    known = np.maximum((~np.isnan(deficit)).sum(axis=1), 1)
    columns = (
        ("heat", parts.heat, np.nan_to_num(parts.growth), "1"),
        ("dryness", parts.dryness, np.nansum(deficit, axis=1) / known, "kPa"),
        ("run of fast days", parts.run, parts.run_d, "d"),
        ("host plant and watering", parts.host, season.host_factor * season.irrigation_factor, "1"),
        ("rain", parts.rain, np.nansum(rain_mm[:, window], axis=1), "mm"),
    )
    listed = [(name, points.tolist(), values.tolist(), unit) for name, points, values, unit in columns]
    return [
        tuple(Part(name, points[i], values[i], unit) for name, points, values, unit in listed)
        for i in range(len(season.rows))
    ]


def _doubling(season: MiteSeason, today: int, days: int) -> list[float | None]:
    """Return each site's doubling time of steady growth on its best host, None if it hardly grows."""
    growth = season.growth[:, today : today + days]
    known = np.maximum((~np.isnan(growth)).sum(axis=1), 1)
    rates = np.nansum(growth, axis=1) / known * season.host_factor
    return [math.log(2.0) / rate if rate >= GROWTH_MIN_D else None for rate in rates.tolist()]
