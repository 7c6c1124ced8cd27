"""The assessment of every site of a batch, and the season carried one step further."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alertd.assess import chance, mites, plantings, spell, spraying, stages
from alertd.assess import pressures as pressure_steps
from alertd.assess.batch import Batch
from alertd.assess.closing import Folded, new_seasons
from alertd.assess.daily import Daily, fold
from alertd.assess.mites import MiteSeason
from alertd.assess.plantings import Account
from alertd.assess.spell import Spells
from alertd.assess.stretch import Stretch, stretch_of
from alertd.catalog.triggers import load_triggers
from alertd.records.assessment import Assessment, DayWeather, HotDrySpell, MitePressure, WaterStatus
from alertd.records.bulk import many
from alertd.records.season import SeasonState
from alertd.records.weather import COLUMNS
from alertd.science.arrays import FloatArray as Floats
from alertd.science.chance import ForecastSkill

SHOWN_PAST_D = 3
SHOWN_AHEAD_D = 7


@dataclass(frozen=True, slots=True)
class Workings:
    """What the assessments of a batch are made of, by site; explanations read it, nothing else does."""

    daily: Daily
    stretch: Stretch
    seasons: list[MiteSeason]
    account: Account
    pressures: list[list[MitePressure]]
    water: list[list[WaterStatus]]
    spelled: Spells
    dry: npt.NDArray[np.bool_]

    @property
    def spells(self) -> list[tuple[HotDrySpell, ...]]:
        """The spells of each site that are not over."""
        return self.spelled.found


def work_out(batch: Batch) -> Workings:
    """Return everything that is decided before the hours are judged for spraying."""
    daily = fold(batch, float(load_triggers().severe.moist_humidity_above))
    stretch = stretch_of(batch, daily)
    seasons = mites.mite_seasons(batch, stretch, stages.look_up(batch))
    pressures: list[list[MitePressure]] = [[] for _ in batch.members]
    for row, pressure in pressure_steps.pressures(stretch, seasons):
        pressures[row].append(pressure)
    account = plantings.run_account(batch, daily, stretch, plantings.roots_of(batch))
    water: list[list[WaterStatus]] = [[] for _ in batch.members]
    for row, status in plantings.statuses(batch, account):
        water[row].append(status)
    spelled = spell.spells(batch, stretch)
    dry = np.array([_running(found, batch) for found in spelled.found], dtype=np.bool_)
    return Workings(daily, stretch, seasons, account, pressures, water, spelled, dry)


def assess(
    batch: Batch, skills: Mapping[str, ForecastSkill] | None = None
) -> tuple[list[Assessment], list[SeasonState]]:
    """Return the assessment of each site, and its new season state where a local day could be closed.

    ``skills`` by site id say how good the forecasts have been; a site without has the prior.
    """
    found = work_out(batch)
    stretch, water, dry = found.stretch, found.water, found.dry
    shown, missing = _shown_days(batch, stretch), _missing(batch)
    materials = spraying.material_outlooks(batch, water, dry, chance.window_chances(batch, skills))
    spells = chance.with_chances(batch, stretch, found.spells, skills)
    assessments = [
        Assessment(
            site_id=member.site.id,
            made_at=batch.now,
            data_as_of=member.weather.issued_at,
            fetched_at=member.weather.fetched_at,
            provider=member.weather.provider,
            attribution=member.weather.attribution,
            start_at=batch.start_at + dt.timedelta(hours=batch.now_hour),
            days=shown[row],
            pressures=tuple(found.pressures[row]),
            spells=spells[row],
            water=tuple(water[row]),
            materials=materials[row],
            missing=missing[row],
            spell_doubtful=bool(found.spelled.doubtful[row]),
            chance_days=skills[member.site.id].days if skills and member.site.id in skills else 0,
            chance_ensemble=skills[member.site.id].ensemble if skills and member.site.id in skills else "",
        )
        for row, member in enumerate(batch.members)
    ]
    folded = Folded(batch, found.daily, stretch, found.seasons, found.account, found.spelled)
    return assessments, new_seasons(folded)


def _running(found: tuple[HotDrySpell, ...], batch: Batch) -> bool:
    return any(one.start_day <= batch.local.days[batch.today] for one in found)


def _missing(batch: Batch) -> list[dict[str, float]]:
    """Return for each site the share of unknown hours of the next two days, by column with any."""
    ahead = slice(batch.now_hour, batch.now_hour + 48)
    shares = [np.isnan(batch.hourly[name][:, ahead]).mean(axis=1).tolist() for name in COLUMNS]
    return [
        {name: share for name, share in zip(COLUMNS, row, strict=True) if share > 0.0}
        for row in zip(*shares, strict=True)
    ]


def _shown_days(batch: Batch, stretch: Stretch) -> list[tuple[DayWeather, ...]]:
    """Return for each site the days around today, unknown values as None."""
    first, end = stretch.today - SHOWN_PAST_D, min(stretch.today + SHOWN_AHEAD_D + 1, stretch.days)
    today = batch.local.days[batch.today]
    dates = [today + dt.timedelta(days=i - stretch.today) for i in range(first, end)]
    columns = {
        "temperature_min_c": stretch["temperature_min_c"],
        "temperature_max_c": stretch["temperature_max_c"],
        "precipitation_mm": stretch.told_rain_mm(),
        "vapour_pressure_deficit_max_kpa": stretch["vapour_pressure_deficit_max_kpa"],
        "humidity_afternoon_pct": stretch["humidity_afternoon_pct"],
        "wind_max_m_s": stretch["wind_max_m_s"],
    }
    sites = len(batch.members)
    told = many(
        DayWeather,
        day=dates * sites,
        observed=[date < today for date in dates] * sites,
        **{name: _rounded(values[:, first:end]) for name, values in columns.items()},
    )
    return [tuple(told[i : i + len(dates)]) for i in range(0, len(told), len(dates))]


def _rounded(values: Floats) -> list[float | None]:
    """Return the values in one line to two digits, None for those unknown."""
    known: list[float | None] = [*np.round(values, 2).ravel().tolist()]
    for place in np.flatnonzero(np.isnan(values.ravel())).tolist():
        known[place] = None
    return known
