"""How good warnings, windows and chances were: forecasts as issued, judged by what then came.

Each past morning is looked at twice with the same rules: once with the forecast as it was stored, once
with the weather that came. No rule is written twice for it.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

from alertd.assess.batch import HORIZON_D, SiteWeather, batches
from alertd.assess.daily import KNOWN_HOURS
from alertd.assess.site import assess
from alertd.catalog.alerts import load_alert_policy
from alertd.catalog.chance import load_chance
from alertd.catalog.triggers import load_triggers
from alertd.records.assessment import Assessment, MaterialOutlook, SprayWindow
from alertd.records.localtime import local_instant
from alertd.records.season import SeasonState
from alertd.records.site import Site
from alertd.records.weather import HourlyWeather, cell_of
from alertd.science import days as local_days
from alertd.science.chance import Calibration, ForecastSkill, fit_calibration
from alertd.science.score import (
    Brier,
    Contingency,
    Reliability,
    brier_decomposition,
    contingency,
    reliability,
)
from alertd.science.spells import hot_dry_spells
from alertd.science.spray import Reason
from alertd.service.skill import Skills, tables_as_of, what_came

EDGES = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)
"""Classes of the reliability table."""
MORNING = 6
"""Local hour at which each day is looked at, when crews decide."""
PAST = dt.timedelta(days=10)
DATA_BITS = int(Reason.MISSING_WEATHER | Reason.HORIZON_END | Reason.COARSE_STEP)
EARLIEST_LEAD_D = 9
NEAR_D = 1

SPELL, SPELL_HELD, WINDOW, WINDOW_HELD, RAIN = "spell", "spell-held", "window", "window-held", "rain"
EVENTS: Mapping[str, str] = {
    SPELL: "a hot dry spell of 5 days or more begins within the coming week, once a site and week",
    SPELL_HELD: "an announced hot dry spell comes",
    WINDOW: "a day has a spray window, by material",
    WINDOW_HELD: "the likeliest hours of a forecast window stay without a block",
    RAIN: "soaking rain soon after a forecast window",
}

FORECASTS_ONLY = frozenset({SPELL_HELD, WINDOW_HELD})
"""Events that are only looked at where one was forecast: there are no misses and no quiet cases."""


class ScoreStore(Protocol):
    """What a score needs of the store."""

    def latest_weather(self, cell_keys: Iterable[str], as_of: dt.datetime) -> Mapping[str, HourlyWeather]:
        """Return the newest stored weather of each cell, fetched no later than ``as_of``."""
        ...

    def seasons(self, site_ids: Iterable[str], as_of: dt.datetime) -> Mapping[str, SeasonState]:
        """Return the newest season state of each site made no later than ``as_of``."""
        ...


@dataclass(frozen=True, slots=True)
class Case:
    """One forecast and what came of it. ``warned`` is the yes or no, ``chance`` the probability told."""

    event: str
    site_id: str
    made_at: dt.datetime
    lead_d: int
    warned: bool
    came: bool
    chance: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """Scores of one event. ``enough`` says whether there are enough cases to judge by."""

    event: str
    table: Contingency
    brier: Brier | None
    classes: Reliability | None
    by_lead: tuple[tuple[int, int, int], ...]
    enough: bool


@dataclass(frozen=True, slots=True)
class Scores:
    """Scores of one site, or of all; ``leads_d`` are the days by which spells that came were foreseen."""

    site_id: str | None
    name: str
    mornings: int
    verdicts: tuple[Verdict, ...]
    spells_came: int
    leads_d: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Record:
    """Everything verified on one site."""

    site: Site
    mornings: int
    cases: tuple[Case, ...]
    spells_came: int
    leads_d: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Scorer:
    """Verifies stored forecasts."""

    store: ScoreStore
    cell_size_deg: float

    def record(
        self,
        site: Site,
        since: dt.date,
        now: dt.datetime,
        skill: ForecastSkill | None = None,
    ) -> Record:
        """Return the cases of one site from the morning of ``since`` on.

        ``skill`` is used for every morning and should be that of the days before ``since``: no forecast
        profits from its own error. Without one chances are those of the prior.
        """
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
            cases.extend(self._one_morning(site, weather, truth, morning, skill))
            today = morning.astimezone(ZoneInfo(site.zone)).date()
            starts_seen.append((today, _spell_starts(weather.table, site.zone)))
            week = today.isocalendar()[:2]
            if week not in weeks:
                found = _weekly(site, starts_seen[-1], truth, morning)
                weeks.update([week] if found else [])
                cases.extend(found)
        came = [day for day in _spell_starts(truth, site.zone) if starts_seen and day > starts_seen[0][0]]
        leads = [lead for lead in (_lead(day, starts_seen) for day in came) if lead is not None]
        return Record(site, len(starts_seen), tuple(cases), len(came), tuple(leads))

    def _one_morning(
        self,
        site: Site,
        weather: HourlyWeather,
        truth: pd.DataFrame,
        now: dt.datetime,
        skill: ForecastSkill | None,
    ) -> Iterator[Case]:
        season = self.store.seasons([site.id], now).get(site.id)
        came = _weather_that_came(weather, truth, now)
        if came is None:
            return
        skills = None if skill is None else {site.id: skill}
        said = _assessed(SiteWeather(site, weather, season), now, skills)
        true = _assessed(SiteWeather(site, came, season), now, None)
        yield from _window_cases(site, said, true, truth, weather.table)
        yield from _held_spells(said, true, truth, site)


def _mornings(zone: str, since: dt.date, now: dt.datetime) -> Iterator[dt.datetime]:
    day = since
    while day <= now.astimezone(ZoneInfo(zone)).date():
        at = local_instant(day, MORNING, 0, zone)
        if at is not None and at <= now:
            yield at
        day += dt.timedelta(days=1)


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


def _window_cases(
    site: Site, said: Assessment, true: Assessment, truth: pd.DataFrame, table: pd.DataFrame
) -> Iterator[Case]:
    zone = ZoneInfo(site.zone)
    today = said.made_at.astimezone(zone).date()
    actual = {one.material: one for one in true.materials}
    for outlook in said.materials:
        other = actual[outlook.material]
        for window in outlook.windows:
            lead = (window.start_at.astimezone(zone).date() - today).days
            held = _held(window, other, true.start_at)
            if held is not None:
                yield Case(WINDOW_HELD, site.id, said.made_at, lead, True, held, window.chance)
            yield from _rain_case(site, said, window, lead, truth, table)
        yield from _window_days(site, said, outlook, other, today)


def _held(window: SprayWindow, actual: MaterialOutlook, start_at: dt.datetime) -> bool | None:
    """Return whether the likeliest hours stayed open; None where that is not known (yet)."""
    job = round(float(load_alert_policy().spray_notice.shortest_window))
    first = round(((window.best_start_at or window.start_at) - start_at).total_seconds() / 3600.0)
    bits = actual.block_bits[first : first + job]
    if len(bits) < job:
        return None
    if (bits & ~np.int64(DATA_BITS)).any():
        return False
    return None if bits.any() else True


def _rain_case(
    site: Site,
    said: Assessment,
    window: SprayWindow,
    lead: int,
    truth: pd.DataFrame,
    table: pd.DataFrame,
) -> Iterator[Case]:
    """Yield whether soaking rain was forecast, and came, soon after the window."""
    hours = round(float(load_chance().score_rain_time))
    least = float(load_chance().score_rain)
    amounts = []
    for source in (table, truth):
        first = round((window.end_at - source.index[0].to_pydatetime()).total_seconds() / 3600.0)
        rain = source["precipitation_mm"].to_numpy()[max(first, 0) : first + hours]
        amounts.append(float(rain.sum()) if len(rain) == hours else math.nan)
    if not any(math.isnan(amount) for amount in amounts):
        forecast, fallen = amounts
        yield Case(RAIN, site.id, said.made_at, lead, forecast >= least, fallen >= least)


def _window_days(
    site: Site, said: Assessment, forecast: MaterialOutlook, actual: MaterialOutlook, today: dt.date
) -> Iterator[Case]:
    """Yield for each day ahead whether a window was forecast on it and whether there was one."""
    job = round(float(load_alert_policy().spray_notice.shortest_window))
    zone = ZoneInfo(site.zone)
    stamps = [said.start_at + dt.timedelta(hours=hour) for hour in range(len(forecast.block_bits))]
    ordinals = np.array([at.astimezone(zone).date().toordinal() for at in stamps])
    for ordinal in np.unique(ordinals)[:-1].tolist():
        here = ordinals == ordinal
        came_bits = actual.block_bits[here]
        came = _has_run(came_bits == 0, job)
        if not came and _has_run((came_bits & ~np.int64(DATA_BITS)) == 0, job):
            continue  # closed for want of data only: not known
        warned = _has_run(forecast.block_bits[here] == 0, job)
        yield Case(WINDOW, site.id, said.made_at, ordinal - today.toordinal(), warned, came)


def _has_run(flags: npt.NDArray[np.bool_], length: int) -> bool:
    if len(flags) < length:
        return False
    return bool(np.lib.stride_tricks.sliding_window_view(flags, length).all(axis=-1).any())


def _held_spells(said: Assessment, true: Assessment, truth: pd.DataFrame, site: Site) -> Iterator[Case]:
    """Yield whether each forecast spell that was not yet running came."""
    zone = ZoneInfo(site.zone)
    today = said.made_at.astimezone(zone).date()
    known_until = truth.index[-1].to_pydatetime().astimezone(zone).date()
    for spell in said.spells:
        if spell.lead_time_d == 0 or known_until <= spell.end_day:
            continue
        came = any(
            one.start_day <= spell.end_day and one.end_day >= max(spell.start_day, today)
            for one in true.spells
        )
        yield Case(SPELL_HELD, site.id, said.made_at, spell.lead_time_d, True, came, spell.chance)


def _spell_starts(table: pd.DataFrame, zone: str) -> list[dt.date]:
    """Return the first days of the hot dry spells in a table, by the catalog's definition of a spell."""
    rule = load_triggers().spell
    axis = local_days.local_days(table.index[0].to_pydatetime(), len(table), zone)
    numbers = hot_dry_spells(
        local_days.daily_max(table["air_temperature_c"].to_numpy(), axis, required=KNOWN_HOURS),
        local_days.daily_sum(table["precipitation_mm"].to_numpy(), axis, required=KNOWN_HOURS),
        heat_c=float(rule.hot_day_c),
        dry_mm=float(rule.dry_day_mm),
        wetting_mm=float(rule.break_day_mm),
        min_days=int(float(rule.days_min)),
        break_days=int(float(rule.break_days)),
    )
    first = np.flatnonzero((numbers > 0) & (numbers != np.concatenate([[0], numbers[:-1]])))
    return [axis.days[i] for i in first.tolist()]


def _weekly(
    site: Site, seen: tuple[dt.date, list[dt.date]], truth: pd.DataFrame, morning: dt.datetime
) -> list[Case]:
    """Return the case of the week; nothing while its days are not all known."""
    today, forecast = seen
    ahead = int(float(load_chance().score_ahead))
    length = int(float(load_triggers().spell.days_min))
    last = today + dt.timedelta(days=ahead)
    known_until = truth.index[-1].to_pydatetime().astimezone(ZoneInfo(site.zone)).date()
    if known_until <= last + dt.timedelta(days=length):
        return []

    def within(days: Iterable[dt.date]) -> list[dt.date]:
        return [day for day in days if today < day <= last]

    warned, came = within(forecast), within(_spell_starts(truth, site.zone))
    lead = (min(warned or came) - today).days if warned or came else 0
    return [Case(SPELL, site.id, morning, lead, bool(warned), bool(came))]


def _lead(start: dt.date, seen: Sequence[tuple[dt.date, list[dt.date]]]) -> int | None:
    """Return how many days before its start a spell was first forecast for about then; None if never."""
    for today, forecast in seen:
        early = 0 < (start - today).days <= EARLIEST_LEAD_D
        if early and any(abs((day - start).days) <= NEAR_D for day in forecast):
            return (start - today).days
    return None


def scores(records: Sequence[Record], lead_d: int | None = None) -> list[Scores]:
    """Return the scores of each site and, where there are several, of all together, last.

    ``lead_d`` keeps only the cases of that lead time in days.
    """
    found = [_scored(one.site.id, one.site.name, [one], lead_d) for one in records]
    if len(records) > 1:
        found.append(_scored(None, "all sites", records, lead_d))
    return found


def _scored(site_id: str | None, name: str, records: Sequence[Record], lead_d: int | None) -> Scores:
    cases = [case for one in records for case in one.cases if lead_d is None or case.lead_d == lead_d]
    return Scores(
        site_id=site_id,
        name=name,
        mornings=sum(one.mornings for one in records),
        verdicts=tuple(_verdict(event, [case for case in cases if case.event == event]) for event in EVENTS),
        spells_came=sum(one.spells_came for one in records),
        leads_d=tuple(lead for one in records for lead in one.leads_d),
    )


def _verdict(event: str, cases: Sequence[Case]) -> Verdict:
    came = np.array([case.came for case in cases], dtype=float)
    table = contingency(np.array([case.warned for case in cases], dtype=float), came)
    chances = np.array([math.nan if case.chance is None else case.chance for case in cases], dtype=float)
    told = not np.isnan(chances).all() if len(cases) else False
    leads = sorted({case.lead_d for case in cases})
    return Verdict(
        event=event,
        table=table,
        brier=brier_decomposition(chances, came, EDGES) if told else None,
        classes=reliability(chances, came, EDGES) if told else None,
        by_lead=tuple(
            (lead, sum(c.lead_d == lead for c in cases), sum(c.came for c in cases if c.lead_d == lead))
            for lead in leads
        ),
        enough=len(cases) >= float(load_chance().score_cases),
    )


LEARNED_FROM = dt.timedelta(days=30)
"""Days of chances that a correction is learned from."""
LEARNED_AT_ONCE = 10
"""Sites that are learned from in one go."""


def learn(
    scorer: Scorer,
    skills: Skills,
    sites: Iterable[Site],
    now: dt.datetime,
    *,
    at_once: int = LEARNED_AT_ONCE,
    stopping: Callable[[], bool] = lambda: False,
) -> int:
    """Learn the corrections of chances from what became of them, of the sites that are due.

    It takes a second or two a site, so that only some are taken at once. Returns how many were.
    """
    due = skills.due(sites, now)[:at_once]
    since = now - LEARNED_FROM
    before = Skills(skills.archive, skills.cell_size_deg)
    for done, site in enumerate(due):
        if stopping():
            return done
        skill = before.of([site], since)[site.id]
        cases = scorer.record(site, since.date(), now, skill).cases
        windows, spells = calibration_of(cases, WINDOW_HELD), calibration_of(cases, SPELL_HELD)
        skills.correct(site.id, windows, spells, now)
    return len(due)


def calibration_of(cases: Iterable[Case], event: str) -> Calibration | None:
    """Return the correction that the verified chances of one event ask for; None with too few."""
    told = [case for case in cases if case.event == event and case.chance is not None]
    return fit_calibration(
        np.array([case.chance for case in told], dtype=float),
        np.array([case.came for case in told], dtype=float),
        cases_min=int(float(load_chance().calibration_cases)),
    )
