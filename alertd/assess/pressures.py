"""The mite pressure of each species on the sites of a batch today, with the facts behind it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from itertools import repeat

import numpy as np

from alertd.assess.mites import MiteSeason
from alertd.assess.stretch import Stretch
from alertd.catalog.pressure import Levels, load_pressure
from alertd.records.assessment import Level, MitePressure, Part, Phase
from alertd.records.bulk import many
from alertd.records.season import HISTORY_DAYS
from alertd.science.arrays import FloatArray as Floats
from alertd.science.arrays import IntArray as Ints
from alertd.science.pressure import Air, PressureParts, air_of_days, pressure_of_days
from alertd.science.season import SeasonPhase

PHASES: dict[int, Phase] = {
    SeasonPhase.WINTER_REST: Phase.WINTER_REST,
    SeasonPhase.ACTIVE: Phase.ACTIVE,
    SeasonPhase.SUMMER_REST: Phase.SUMMER_REST,
    SeasonPhase.SEASON_OVER: Phase.SEASON_OVER,
}
AHEAD_D = 7
DOUBLING_DAYS = 3
GROWTH_MIN_D = 0.01


def pressures(stretch: Stretch, seasons: list[MiteSeason]) -> Iterator[tuple[int, MitePressure]]:
    """Yield the pressure of each species today with the row of its site, species after species."""
    ends = np.arange(stretch.today, min(stretch.today + AHEAD_D, stretch.days - 1) + 1)
    rain_mm = stretch.told_rain_mm()
    deficit_kpa = stretch["vapour_pressure_deficit_max_kpa"]
    air = air_of_days(rain_mm, deficit_kpa, stretch["humidity_mean_pct"], ends)
    window = slice(stretch.today - HISTORY_DAYS + 1, stretch.today + 1)
    known_d = np.maximum((~np.isnan(deficit_kpa[:, window])).sum(axis=1), 1)
    facts = np.nansum(deficit_kpa[:, window], axis=1) / known_d, np.nansum(rain_mm[:, window], axis=1)
    for season in seasons:
        rows = season.rows
        own = Air(*(part[rows] for part in air))
        parts = pressure_of_days(
            season.growth,
            stretch["temperature_max_c"][rows],
            own,
            season.phase[:, ends],
            season.host_factor,
            season.irrigation_factor,
            ends,
            season.species,
        )
        deficit, rain = (fact[rows] for fact in facts)
        yield from zip(rows.tolist(), _records(stretch, season, parts, deficit, rain), strict=True)


def _records(
    stretch: Stretch, season: MiteSeason, parts: PressureParts, deficit_kpa: Floats, rain_mm: Floats
) -> list[MitePressure]:
    today = stretch.today
    now = PressureParts(*(values[:, 0] for values in parts))
    known = ~np.isnan(now.score)
    phases = [PHASES[code] for code in season.phase[:, today].tolist()]
    awake = season.phase[:, today] == SeasonPhase.ACTIVE
    brood = season.brood
    return many(
        MitePressure,
        species=repeat(season.species),
        score=np.where(known, now.score, 0.0).tolist(),
        level=_levels(now.score, load_pressure().levels),
        parts=_named(now, season, deficit_kpa, rain_mm, known.tolist()),
        phase=phases,
        doubling_time_d=_doubling(season, today, DOUBLING_DAYS),
        generations=season.generations[:, today].tolist(),
        degree_days_c_d=_or_none(season.degree_days[:, today]),
        biofix=season.biofix,
        hosts=season.hosts,
        score_ahead=np.nan_to_num(np.fmax.reduce(parts.score, axis=1)).tolist(),
        next_adults_on=_days(season, np.where(awake, brood.adult_day, -1)),
        egg_share=_or_none(np.where(awake, brood.egg_share, np.nan)),
        next_hatch_on=_days(season, np.where(awake, brood.hatch_day, -1)),
        doubling_ahead_d=_doubling(season, today, AHEAD_D + 1),
        known=known.tolist(),
        abundance=_or_none(np.where(awake & (brood.abundance > 0.0), brood.abundance, np.nan)),
    )


def _or_none(values: Floats) -> list[float | None]:
    """Return the values, None for those unknown."""
    return [None if math.isnan(value) else value for value in values.tolist()]


def _days(season: MiteSeason, places: Ints) -> list[dt.date | None]:
    """Return the days at these places from today on, None below 0: beyond the forecast."""
    return [None if place < 0 else season.days[place] for place in places.tolist()]


def _levels(score: Floats, levels: Levels) -> list[Level]:
    """Return the highest level that each score reaches; an unknown score reaches none."""
    steps = (
        (levels.severe, Level.SEVERE),
        (levels.high, Level.HIGH),
        (levels.watch, Level.WATCH),
        (levels.note, Level.NOTE),
    )
    found = np.full(score.shape, int(Level.NONE))
    for least, level in reversed(steps):
        found[score >= float(least)] = int(level)
    named = {int(level): level for level in Level}
    return [named[code] for code in found.tolist()]


def _named(
    parts: PressureParts,
    season: MiteSeason,
    deficit_kpa: Floats,
    rain_mm: Floats,
    known: list[bool],
) -> list[tuple[Part, ...]]:
    """Return the parts of each site's score with the fact behind each; none where the score is unknown."""
    columns: tuple[tuple[str, Floats, Floats, str], ...] = (
        ("heat", parts.heat, np.nan_to_num(parts.growth), "1"),
        ("dryness", parts.dryness, deficit_kpa, "kPa"),
        ("run of fast days", parts.run, parts.run_d, "d"),
        ("host plant and watering", parts.host, season.host_factor * season.irrigation_factor, "1"),
        ("rain", parts.rain, rain_mm, "mm"),
    )
    listed = [
        many(Part, name=repeat(name), points=points.tolist(), value=values.tolist(), unit=repeat(unit))
        for name, points, values, unit in columns
    ]
    return [row if one else () for row, one in zip(zip(*listed, strict=True), known, strict=True)]


def _doubling(season: MiteSeason, today: int, days: int) -> list[float | None]:
    """Return each site's doubling time of steady growth on its best host, None if it hardly grows."""
    growth = season.growth[:, today : today + days]
    known = np.maximum((~np.isnan(growth)).sum(axis=1), 1)
    rates = np.nansum(growth, axis=1) / known * season.host_factor
    return [math.log(2.0) / rate if rate >= GROWTH_MIN_D else None for rate in rates.tolist()]
