"""The assessment of every site of a batch, and the season carried one step further."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace

import numpy as np

from alertd.assess import mites, plantings, spell, spraying
from alertd.assess.batch import Batch
from alertd.assess.daily import Daily, fold
from alertd.assess.mites import MiteSeason
from alertd.assess.plantings import Account
from alertd.assess.stretch import Stretch, stretch_of
from alertd.catalog.triggers import load_triggers
from alertd.records.assessment import Assessment, DayWeather, HotDrySpell, MitePressure, WaterStatus
from alertd.records.season import HISTORY_COLUMNS, HISTORY_DAYS, SeasonState, SpeciesSeason
from alertd.records.weather import COLUMNS

SETTLE_H = 3
"""Hours after local midnight before a day is closed: late observations still count."""
GIVE_UP_H = 48
"""Hours after which a day is closed with what is known of it."""
SHOWN_PAST_D = 3
SHOWN_AHEAD_D = 7


def assess(batch: Batch) -> tuple[list[Assessment], list[SeasonState]]:
    """Return the assessment of each site, and its new season state where a local day could be closed."""
    daily = fold(batch, float(load_triggers().severe.moist_humidity_above))
    stretch = stretch_of(batch, daily)
    seasons = mites.mite_seasons(batch, stretch)
    pressures: list[list[MitePressure]] = [[] for _ in batch.members]
    for season in seasons:
        for row, pressure in mites.pressures(stretch, season):
            pressures[row].append(pressure)
    account = plantings.run_account(batch, daily, plantings.roots_of(batch))
    water: list[list[WaterStatus]] = [[] for _ in batch.members]
    for row, status in plantings.statuses(batch, account):
        water[row].append(status)
    spells = spell.spells(batch, stretch)
    dry = np.array([_running(found, batch) for found in spells], dtype=bool)
    materials = spraying.material_outlooks(batch, water, dry)
    assessments = [
        Assessment(
            site_id=member.site.id,
            made_at=batch.now,
            data_as_of=member.weather.issued_at,
            fetched_at=member.weather.fetched_at,
            provider=member.weather.provider,
            attribution=member.weather.attribution,
            start_at=batch.start_at + dt.timedelta(hours=batch.now_hour),
            days=_shown_days(batch, daily, stretch, row),
            pressures=tuple(pressures[row]),
            spells=spells[row],
            water=tuple(water[row]),
            materials=materials[row],
            missing=_missing(batch, row),
        )
        for row, member in enumerate(batch.members)
    ]
    return assessments, _new_seasons(batch, daily, stretch, seasons, account)


def _running(found: tuple[HotDrySpell, ...], batch: Batch) -> bool:
    return any(one.start_day <= batch.local.days[batch.today] for one in found)


def _missing(batch: Batch, row: int) -> dict[str, float]:
    """Return the share of unknown hours of the next two days, by column, where there are any."""
    ahead = slice(batch.now_hour, batch.now_hour + 48)
    shares = {name: float(np.isnan(batch.hourly[name][row, ahead]).mean()) for name in COLUMNS}
    return {name: share for name, share in shares.items() if share > 0.0}


def _shown_days(batch: Batch, daily: Daily, stretch: Stretch, row: int) -> tuple[DayWeather, ...]:
    today = batch.local.days[batch.today]
    shown = []
    for offset in range(-SHOWN_PAST_D, SHOWN_AHEAD_D + 1):
        i = stretch.today + offset
        if 0 <= i < stretch.days:
            values = {name: _known(float(stretch[name][row, i])) for name in HISTORY_COLUMNS}
            shown.append(
                DayWeather(
                    day=today + dt.timedelta(days=offset),
                    observed=offset < 0,
                    temperature_min_c=values["temperature_min_c"],
                    temperature_max_c=values["temperature_max_c"],
                    precipitation_mm=values["precipitation_mm"],
                    vapour_pressure_deficit_max_kpa=values["vapour_pressure_deficit_max_kpa"],
                    humidity_afternoon_pct=values["humidity_afternoon_pct"],
                    wind_max_m_s=values["wind_max_m_s"],
                )
            )
    return tuple(shown)


def _known(value: float) -> float | None:
    return None if math.isnan(value) else round(value, 2)


def _closable(batch: Batch, daily: Daily, row: int) -> int:
    """Return how many days from the first new one on can be closed on this site."""
    closed = 0
    for i in range(batch.first_new, batch.today):
        ended = batch.start_at + dt.timedelta(hours=int(batch.local.starts[i] + batch.local.lengths[i]))
        age_h = (batch.now - ended).total_seconds() / 3600.0
        if age_h < SETTLE_H or (age_h < GIVE_UP_H and not daily.known[row, i]):
            break
        closed += 1
    return closed


def _new_seasons(
    batch: Batch, daily: Daily, stretch: Stretch, seasons: list[MiteSeason], account: Account
) -> list[SeasonState]:
    species = _species_by_row(batch, seasons)
    rows_of: dict[int, list[int]] = {}
    for i, row in enumerate(account.roots.site_row):
        rows_of.setdefault(int(row), []).append(i)
    states = []
    for row in range(len(batch.members)):
        closed = _closable(batch, daily, row)
        if closed:
            last = batch.first_new + closed - 1
            states.append(_state(batch, stretch, row, last, species[row], account, rows_of.get(row, [])))
    return states


def _species_by_row(batch: Batch, seasons: list[MiteSeason]) -> list[list[tuple[MiteSeason, int]]]:
    found: list[list[tuple[MiteSeason, int]]] = [[] for _ in batch.members]
    for season in seasons:
        for i, row in enumerate(season.rows):
            found[int(row)].append((season, i))
    return found


def _state(
    batch: Batch,
    stretch: Stretch,
    row: int,
    last: int,
    species: list[tuple[MiteSeason, int]],
    account: Account,
    planting_rows: list[int],
) -> SeasonState:
    """Return the season at the end of the batch's day ``last``."""
    at = stretch.first_new + last - batch.first_new
    window = slice(at - HISTORY_DAYS + 1, at + 1)
    member = batch.members[row]
    carried = dict(member.season.species) if member.season is not None else {}
    for season, i in species:
        carried[season.species] = replace(
            carried.get(season.species, SpeciesSeason()),
            degree_days_c_d=float(season.degree_days[i, at]),
            generations=float(season.generations[i, at]),
            phase=int(season.phase[i, at]),
            growth=tuple(map(float, season.growth[i, window])),
        )
    history = np.stack([stretch[name][row, window] for name in HISTORY_COLUMNS], axis=1)
    wettings = {
        account.roots.plantings[i].id: plantings.last_wetting(batch, account, i, last) for i in planting_rows
    }
    return SeasonState(
        site_id=member.site.id,
        day=batch.local.days[last],
        made_at=batch.now,
        species=carried,
        depletion_mm={
            account.roots.plantings[i].id: float(account.depletion_mm[i, last]) for i in planting_rows
        },
        last_wetting_day={key: day.isoformat() for key, day in wettings.items() if day is not None},
        history=tuple(tuple(map(float, day)) for day in history),
    )
