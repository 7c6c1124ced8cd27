"""One cycle: fetch each due cell once, assess every site, decide, and commit it all together."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol
from zoneinfo import ZoneInfo

import structlog

from alertd.alerts.decide import Decisions, decide
from alertd.assess.batch import BOOTSTRAP_D
from alertd.errors import StoreError, WeatherError, WeatherUnavailable
from alertd.records.alert import Alert, Episode, OutboxMessage
from alertd.records.assessment import Assessment, Level
from alertd.records.evidence import ProviderFault
from alertd.records.keeping import Lead
from alertd.records.preferences import Preferences
from alertd.records.season import SeasonState
from alertd.records.site import Site, Subscriber, Subscription
from alertd.records.weather import HourlyWeather, WeatherCell, cell_of
from alertd.service.judge import Judged, SkillLookup, judge, log_failed, members_of, told
from alertd.service.route import route
from alertd.weather.merge import merge_past

PAST_KEPT_H = 10 * 24
"""Past hours kept in each stored table; the season carries what lies further back."""
PAST_USUAL_D = 7
PAST_SHORT_D = 3
"""A season that ends longer ago than this wants more of the past than a provider is usually asked for."""
_TOLD_BACK = dt.timedelta(hours=36)
log = structlog.get_logger("alertd.cycle")

Progress = Callable[[str, int, int], None]
MailDays = dict[tuple[str, str], set[dt.date]]
"""Local days by subscriber and site."""


class CycleStore(Protocol):
    """What a cycle needs of the store."""

    def sites(self) -> Sequence[Site]:
        """Return the active sites of every firm."""
        ...

    def latest_weather(self, cell_keys: Sequence[str], as_of: dt.datetime) -> Mapping[str, HourlyWeather]:
        """Return the newest stored weather of each cell, fetched no later than ``as_of``."""
        ...

    def save_weather(self, weather: HourlyWeather | Iterable[HourlyWeather]) -> None:
        """Keep the tables."""
        ...

    def seasons(self, site_ids: Iterable[str], as_of: dt.datetime) -> Mapping[str, SeasonState]:
        """Return the newest season state of each site made no later than ``as_of``."""
        ...

    def open_episodes(self, site_ids: Iterable[str]) -> Sequence[Episode]:
        """Return the open episodes of these sites."""
        ...

    def subscriptions_for(self, site_ids: Sequence[str]) -> Sequence[tuple[Subscription, Subscriber]]:
        """Return who wants to hear about these sites."""
        ...

    def preferences(self, subscriber_ids: Iterable[str]) -> Mapping[str, Preferences]:
        """Return how these subscribers want to be told, as far as they said so."""
        ...

    def told_since(
        self, site_ids: Iterable[str], since: dt.datetime
    ) -> Collection[tuple[str, str, dt.datetime, bool]]:
        """Return (subscriber, site, when, waits for a digest) of what readers got or are to get."""
        ...

    def commit_decisions(
        self,
        *,
        episodes: Sequence[Episode],
        alerts: Sequence[Alert],
        messages: Sequence[OutboxMessage],
        seasons: Sequence[SeasonState],
        now: dt.datetime,
        lead: Lead | None,
    ) -> int:
        """Keep it all in one transaction; returns how many alerts were new.

        Raises StoreConflict if ``lead`` is not None and holds no more.
        """
        ...


class Forecaster(Protocol):
    """What a cycle needs of the weather room."""

    def fetch_all(
        self,
        cells: Iterable[WeatherCell],
        now: dt.datetime,
        workers: int,
        past_days: Mapping[str, int] | None = None,
    ) -> Mapping[str, HourlyWeather | WeatherError]:
        """Fetch each distinct cell once, those named in ``past_days`` with more of the past."""
        ...


@dataclass(slots=True)
class CycleReport:
    """What one cycle did."""

    started_at: dt.datetime
    sites: int = 0
    cells: int = 0
    fetched: int = 0
    assessed: int = 0
    alerts: int = 0
    messages: int = 0
    faults: dict[str, str] = field(default_factory=dict)
    failed_sites: dict[str, str] = field(default_factory=dict)
    cut_short: bool = False
    seconds: float = 0.0

    @property
    def ok(self) -> bool:
        """Whether at least one cell was fetched and one site went well, or there was nothing to do."""
        return (self.fetched > 0 or self.cells == 0) and (
            len(self.failed_sites) < self.sites or self.sites == 0
        )


@dataclass(frozen=True, slots=True)
class Cycle:
    """The steps of one cycle over the parts it is given.

    ``lead_of`` tells the lead to work under, where several processes share the database: what a cycle
    decides is kept only while the lead that it began with holds.
    """

    store: CycleStore
    forecaster: Forecaster
    cell_size_deg: float
    workers: int = 4
    stopping: Callable[[], bool] = lambda: False
    skill_of: SkillLookup | None = None
    lead_of: Callable[[], Lead | None] = lambda: None

    def run(
        self, now: dt.datetime, progress: Progress | None = None, site_ids: Collection[str] | None = None
    ) -> CycleReport:
        """Fetch, assess, decide and commit; a fault of one site or cell never stops the others.

        Only a StoreError ends a cycle; what was committed before it stays, and the next cycle goes on.
        ``site_ids`` limits the cycle to these sites. With ``cut_short`` in the report it was told to stop
        before it had looked at all of them.

        Raises
        ------
        StoreError
            StoreConflict where another process decided first or leads now.
        """
        began, lead = time.monotonic(), self.lead_of()
        report = CycleReport(started_at=now)
        sites = [site for site in self.store.sites() if site_ids is None or site.id in site_ids]
        cells = {site.id: self._cell(site) for site in sites}
        report.sites = len(sites)
        seasons = self.store.seasons([site.id for site in sites], now)
        weathers, faults = self._fetch(cells, _past_wanted(sites, cells, seasons, now), now, report)
        if progress:
            progress("weather", report.fetched, report.cells)
        keys = {site_id: cell.key for site_id, cell in cells.items()}
        for judged in judge(members_of(sites, keys, weathers, seasons), now, self.skill_of):
            self._commit(judged, keys, faults, now, report, lead)
            report.assessed += len(judged.assessments)
            if progress:
                progress("sites", report.assessed, report.sites)
            if self.stopping():
                report.cut_short = report.assessed + len(report.failed_sites) < report.sites
                break
        else:
            blind = [site for site in sites if keys[site.id] not in weathers]
            self._commit(Judged(blind), keys, faults, now, report, lead)
        report.seconds = time.monotonic() - began
        log.info(
            "cycle-done", sites=report.sites, cells=report.cells, fetched=report.fetched,
            alerts=report.alerts, messages=report.messages, failed=len(report.failed_sites),
            seconds=round(report.seconds, 3),
        )  # fmt: skip
        return report

    def _cell(self, site: Site) -> WeatherCell:
        return cell_of(site.latitude_deg, site.longitude_deg, site.elevation_m, self.cell_size_deg)

    def _fetch(
        self,
        cells: Mapping[str, WeatherCell],
        past_days: Mapping[str, int],
        now: dt.datetime,
        report: CycleReport,
    ) -> tuple[dict[str, HourlyWeather], dict[str, list[ProviderFault]]]:
        """Return the best weather of each cell, new or stored, and the faults of the cells without new.

        New tables are read back, so that what is assessed now and what is looked at later is the same.
        """
        wanted = sorted(set(cells.values()))
        report.cells = len(wanted)
        weathers = dict(self.store.latest_weather([cell.key for cell in wanted], now))
        faults: dict[str, list[ProviderFault]] = {}
        fresh: list[HourlyWeather] = []
        for key, answer in self.forecaster.fetch_all(wanted, now, self.workers, past_days).items():
            if isinstance(answer, WeatherError):
                faults[key] = _provider_faults(answer)
                report.faults[key] = str(answer)
                log.warning("weather-missing", cell=key, error=str(answer))
            else:
                kept_h = max(PAST_KEPT_H, (past_days.get(key, 0) + 1) * 24)
                fresh.append(merge_past(answer, weathers.get(key), kept_h))
        self.store.save_weather(fresh)
        weathers.update(self.store.latest_weather([one.cell.key for one in fresh], now))
        report.fetched = len(fresh)
        return weathers, faults

    def _commit(
        self,
        judged: Judged,
        cell_keys: Mapping[str, str],
        faults: Mapping[str, list[ProviderFault]],
        now: dt.datetime,
        report: CycleReport,
        lead: Lead | None,
    ) -> None:
        """Decide for each site that did not fail and keep it all in one transaction."""
        report.failed_sites.update(judged.failed)
        sites = [site for site in judged.sites if site.id not in judged.failed]
        if not sites:
            return
        ids = [site.id for site in sites]
        by_site: dict[str, list[Episode]] = {}
        for episode in self.store.open_episodes(ids):
            by_site.setdefault(episode.site_id, []).append(episode)
        made = [
            self._decide(
                site,
                judged.assessments.get(site.id),
                by_site.get(site.id, ()),
                faults.get(cell_keys[site.id], ()),
                now,
                report,
            )
            for site in sites
        ]
        alerts = [alert for decisions in made for alert in decisions.alerts]
        zones = {site.id: site.zone for site in sites}
        peaks = {
            episode.id: Level(int(episode.memory.get("peak", episode.level)))
            for decisions in made
            for episode in decisions.episodes
        }
        people = self.store.subscriptions_for(ids)
        wishes = self.store.preferences({subscriber.id for _, subscriber in people})
        told_on, digests_on = self._mail_days(zones, wishes.values(), now)
        messages = route(alerts, people, zones, now, wishes, told_on, peaks, digests_on)
        try:
            report.alerts += self.store.commit_decisions(
                episodes=[episode for decisions in made for episode in decisions.episodes],
                alerts=alerts,
                messages=messages,
                seasons=judged.seasons,
                now=now,
                lead=lead,
            )
        except StoreError as error:
            report.failed_sites.update(dict.fromkeys(ids, str(error)))
            raise
        report.messages += len(messages)

    def _mail_days(
        self, zones: Mapping[str, str], wishes: Iterable[Preferences], now: dt.datetime
    ) -> tuple[MailDays, MailDays]:
        """Return the local days of mails, and of digests to come; only if somebody wants one mail a day."""
        told_on: MailDays = {}
        digests_on: MailDays = {}
        if any(one.one_a_day for one in wishes):
            for reader, site_id, at, waits in self.store.told_since(zones, now - _TOLD_BACK):
                days = digests_on if waits else told_on
                local_day = at.astimezone(ZoneInfo(zones[site_id])).date()
                days.setdefault((reader, site_id), set()).add(local_day)
        return told_on, digests_on

    def _decide(
        self,
        site: Site,
        assessment: Assessment | None,
        episodes: Sequence[Episode],
        faults: Sequence[ProviderFault],
        now: dt.datetime,
        report: CycleReport,
    ) -> Decisions:
        """Return what is decided of one site; nothing, and a line in the report, where that breaks."""
        try:
            return decide(site, assessment, episodes, faults, now)
        except Exception as error:  # noqa: BLE001  one site's data must not silence the others
            report.failed_sites[site.id] = told(error)
            log_failed(site, error)
            return Decisions((), ())


def _past_wanted(
    sites: Sequence[Site],
    cells: Mapping[str, WeatherCell],
    seasons: Mapping[str, SeasonState],
    now: dt.datetime,
) -> dict[str, int]:
    """Return how many past days to ask for, by cell, where a site is new or was not looked at for days."""
    wanted: dict[str, int] = {}
    for site in sites:
        season = seasons.get(site.id)
        gap_d = BOOTSTRAP_D if season is None else (now.date() - season.day).days
        if gap_d > PAST_SHORT_D:
            key = cells[site.id].key
            days = min(max(gap_d + 1, PAST_USUAL_D), BOOTSTRAP_D)
            wanted[key] = max(wanted.get(key, 0), days)
    return wanted


def _provider_faults(error: WeatherError) -> list[ProviderFault]:
    """Return why each provider gave no weather."""
    faults = error.faults if isinstance(error, WeatherUnavailable) else ()
    return [ProviderFault(name=name, error=reason) for name, reason in faults] or [
        ProviderFault(name="weather", error=str(error))
    ]
