"""Looking back on a site: each past morning once with its forecast, once with the weather that came.

Both looks follow the same rules; no rule is written twice for it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from alertd.assess.batch import HORIZON_D, SiteWeather, batches
from alertd.assess.chance import prior_skill
from alertd.assess.site import assess
from alertd.catalog.alerts import load_alert_policy
from alertd.records.assessment import Assessment
from alertd.records.localtime import local_instant
from alertd.records.season import SeasonState
from alertd.records.site import Site
from alertd.records.skill import LearntCorrection
from alertd.records.weather import HourlyWeather, cell_of
from alertd.science.chance import ForecastSkill
from alertd.service.cases import Case, held_spells, spell_starts, weekly, window_cases
from alertd.service.skill import corrected, expiry, tables_as_of, what_came

MORNING = 6
"""Local hour at which each day is looked at, when crews decide."""
PAST = dt.timedelta(days=10)
EARLIEST_LEAD_D = 9
NEAR_D = 1


class VerifyStore(Protocol):
    """What looking back needs of the store."""

    def latest_weather(self, cell_keys: Iterable[str], as_of: dt.datetime) -> Mapping[str, HourlyWeather]:
        """Return the newest stored weather of each cell, fetched no later than ``as_of``."""
        ...

    def seasons(self, site_ids: Iterable[str], as_of: dt.datetime) -> Mapping[str, SeasonState]:
        """Return the newest season state of each site made no later than ``as_of``."""
        ...


@dataclass(frozen=True, slots=True)
class Record:
    """Everything verified on one site."""

    site: Site
    mornings: int
    cases: tuple[Case, ...]
    spells_came: int
    leads_d: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Verifier:
    """Verifies stored forecasts."""

    store: VerifyStore
    cell_size_deg: float

    def record(
        self,
        site: Site,
        since: dt.date,
        now: dt.datetime,
        skill: ForecastSkill | None = None,
        corrections: Sequence[LearntCorrection] = (),
    ) -> Record:
        """Return the cases of one site from the morning of ``since`` on.

        ``skill`` is used for every morning and should be that of the days before ``since``: no forecast
        profits from its own error. Without one chances are those of the prior. Of the ``corrections``,
        oldest first, each morning has the one that was in force: chances are judged as they were told.
        """
        skill = skill or prior_skill()
        mornings = list(_mornings(site.zone, since, now))
        key = cell_of(site.latitude_deg, site.longitude_deg, site.elevation_m, self.cell_size_deg).key
        tables = tables_as_of(self.store, [key], [*mornings, now])[key]
        truth = what_came(tables)
        if truth is None:
            return Record(site, 0, (), 0, ())
        cases: list[Case] = []
        starts_seen: list[tuple[dt.date, list[dt.date]]] = []
        weeks: set[tuple[int, int]] = set()
        for morning in mornings:
            weather = _as_of(tables, morning)
            if weather is None:
                continue
            told = corrected(skill, _in_force(corrections, morning))
            cases.extend(self._one_morning(site, weather, truth, morning, told))
            today = morning.astimezone(ZoneInfo(site.zone)).date()
            starts_seen.append((today, spell_starts(weather.table, site.zone)))
            week = today.isocalendar()[:2]
            if week not in weeks:
                found = weekly(site, starts_seen[-1], truth, morning)
                weeks.update([week] if found else [])
                cases.extend(found)
        came = [day for day in spell_starts(truth, site.zone) if starts_seen and day > starts_seen[0][0]]
        leads = [lead for lead in (_lead(day, starts_seen) for day in came) if lead is not None]
        return Record(site, len(starts_seen), tuple(cases), len(came), tuple(leads))

    def _one_morning(
        self,
        site: Site,
        weather: HourlyWeather,
        truth: pd.DataFrame,
        now: dt.datetime,
        skill: ForecastSkill,
    ) -> Iterator[Case]:
        season = self.store.seasons([site.id], now).get(site.id)
        came = _weather_that_came(weather, truth, now)
        if came is None:
            return
        said = _assessed(SiteWeather(site, weather, season), now, {site.id: skill})
        true = _assessed(SiteWeather(site, came, season), now, None)
        yield from window_cases(site, said, true, truth, weather.table)
        yield from held_spells(said, true, truth, site)


def _mornings(zone: str, since: dt.date, now: dt.datetime) -> Iterator[dt.datetime]:
    day = since
    while day <= now.astimezone(ZoneInfo(zone)).date():
        at = local_instant(day, MORNING, 0, zone)
        if at is not None and at <= now:
            yield at
        day += dt.timedelta(days=1)


def _in_force(corrections: Sequence[LearntCorrection], at: dt.datetime) -> LearntCorrection | None:
    """Return the newest correction of that moment, unless it had expired."""
    known = [one for one in corrections if one.learnt_at <= at]
    return known[-1] if known and at - known[-1].learnt_at < expiry() else None


def _as_of(tables: Sequence[HourlyWeather], at: dt.datetime) -> HourlyWeather | None:
    """Return the newest table at that instant, unless it was too old to decide on."""
    known = [one for one in tables if one.fetched_at <= at]
    if not known:
        return None
    newest = max(known, key=lambda one: one.fetched_at)
    oldest = dt.timedelta(hours=float(load_alert_policy().weather_age.missing_after))
    return newest if at - newest.issued_at < oldest else None


def _weather_that_came(weather: HourlyWeather, truth: pd.DataFrame, now: dt.datetime) -> HourlyWeather | None:
    """Return the weather that came in the form of a perfect forecast made at ``now``."""
    end = now + dt.timedelta(days=HORIZON_D + 2)
    table = truth[(truth.index >= now - PAST) & (truth.index < end)].copy()
    if len(table) == 0 or table.index[-1] <= now:
        return None
    table["forecast"] = table.index >= now
    table["coarse"] = False
    # afterwards rain is no longer a matter of chance: the amount decides
    rain = table["precipitation_mm"].to_numpy()
    table["precipitation_probability_pct"] = np.where(np.isnan(rain), np.nan, 0.0)
    return replace(weather, table=table, issued_at=now, dropped={})


def _assessed(
    member: SiteWeather, now: dt.datetime, skills: Mapping[str, ForecastSkill] | None
) -> Assessment:
    (batch,) = batches([member], now)
    (found,), _ = assess(batch, skills)
    return found


def _lead(start: dt.date, seen: Sequence[tuple[dt.date, list[dt.date]]]) -> int | None:
    """Return how many days before its start a spell was first forecast for about then; None if never."""
    for today, forecast in seen:
        early = 0 < (start - today).days <= EARLIEST_LEAD_D
        if early and any(abs((day - start).days) <= NEAR_D for day in forecast):
            return (start - today).days
    return None
