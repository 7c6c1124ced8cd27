"""One cycle: fetch each due cell once, assess every site, decide, and commit it all together."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import structlog

from alertd.alerts.decide import decide
from alertd.assess.batch import SiteWeather, batches
from alertd.assess.site import assess
from alertd.errors import StoreError, WeatherError
from alertd.records.alert import Alert, Episode, OutboxMessage
from alertd.records.assessment import Assessment
from alertd.records.evidence import ProviderFault
from alertd.records.season import SeasonState
from alertd.records.site import Site, Subscriber, Subscription
from alertd.records.weather import HourlyWeather, WeatherCell, cell_of
from alertd.service.route import route
from alertd.weather.merge import merge_past

PAST_KEPT_H = 10 * 24
"""Past hours kept in each stored table; the season carries what lies further back."""
log = structlog.get_logger("alertd.cycle")

Progress = Callable[[str, int, int], None]


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

    def commit_decisions(
        self,
        *,
        episodes: Sequence[Episode],
        alerts: Sequence[Alert],
        messages: Sequence[OutboxMessage],
        seasons: Sequence[SeasonState],
        now: dt.datetime,
    ) -> int:
        """Keep it all in one transaction; returns how many alerts were new."""
        ...


class Forecaster(Protocol):
    """What a cycle needs of the weather room."""

    def fetch_all(
        self, cells: Iterable[WeatherCell], now: dt.datetime, workers: int
    ) -> Mapping[str, HourlyWeather | WeatherError]:
        """Fetch each distinct cell once."""
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
    seconds: float = 0.0

    @property
    def ok(self) -> bool:
        """Whether at least one cell was fetched, or there was nothing to fetch, and no site failed."""
        return (self.fetched > 0 or self.cells == 0) and not self.failed_sites


@dataclass(frozen=True, slots=True)
class Cycle:
    """The steps of one cycle over the parts it is given."""

    store: CycleStore
    forecaster: Forecaster
    cell_size_deg: float
    workers: int = 4
    stopping: Callable[[], bool] = lambda: False

    def run(
        self, now: dt.datetime, progress: Progress | None = None, site_ids: Collection[str] | None = None
    ) -> CycleReport:
        """Fetch, assess, decide and commit; a fault of one site or cell never stops the others.

        ``site_ids`` limits the cycle to these sites.
        """
        began = time.monotonic()
        report = CycleReport(started_at=now)
        sites = [site for site in self.store.sites() if site_ids is None or site.id in site_ids]
        cells = {site.id: self._cell(site) for site in sites}
        report.sites = len(sites)
        weathers, faults = self._fetch(set(cells.values()), now, report)
        if progress:
            progress("weather", report.fetched, report.cells)
        self._decide(sites, cells, weathers, faults, now, report, progress)
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
        self, cells: set[WeatherCell], now: dt.datetime, report: CycleReport
    ) -> tuple[dict[str, HourlyWeather], dict[str, list[ProviderFault]]]:
        """Return the best weather of each cell, new or stored, and the faults of the cells without new."""
        wanted = sorted(cells)
        report.cells = len(wanted)
        weathers = dict(self.store.latest_weather([cell.key for cell in wanted], now))
        faults: dict[str, list[ProviderFault]] = {}
        fresh: list[HourlyWeather] = []
        for key, answer in self.forecaster.fetch_all(wanted, now, self.workers).items():
            if isinstance(answer, WeatherError):
                faults[key] = [ProviderFault(name="weather", error=str(answer))]
                report.faults[key] = str(answer)
                log.warning("weather-missing", cell=key, error=str(answer))
            else:
                weathers[key] = merge_past(answer, weathers.get(key), PAST_KEPT_H)
                fresh.append(weathers[key])
        self.store.save_weather(fresh)
        report.fetched = len(fresh)
        return weathers, faults

    def _decide(
        self,
        sites: Sequence[Site],
        cells: Mapping[str, WeatherCell],
        weathers: Mapping[str, HourlyWeather],
        faults: Mapping[str, list[ProviderFault]],
        now: dt.datetime,
        report: CycleReport,
        progress: Progress | None,
    ) -> None:
        seasons = self.store.seasons([site.id for site in sites], now)
        seen = [site for site in sites if cells[site.id].key in weathers]
        members = [SiteWeather(site, weathers[cells[site.id].key], seasons.get(site.id)) for site in seen]
        blind = [site for site in sites if cells[site.id].key not in weathers]
        for batch in batches(members, now):
            if self.stopping():
                return
            assessments, states = assess(batch)
            found = {assessment.site_id: assessment for assessment in assessments}
            self._commit(batch.sites, found, states, cells, faults, now, report)
            report.assessed += len(found)
            if progress:
                progress("sites", report.assessed, report.sites)
        if blind:
            self._commit(blind, {}, (), cells, faults, now, report)

    def _commit(
        self,
        sites: Sequence[Site],
        assessments: Mapping[str, Assessment],
        states: Iterable[SeasonState],
        cells: Mapping[str, WeatherCell],
        faults: Mapping[str, list[ProviderFault]],
        now: dt.datetime,
        report: CycleReport,
    ) -> None:
        ids = [site.id for site in sites]
        by_site: dict[str, list[Episode]] = {}
        for episode in self.store.open_episodes(ids):
            by_site.setdefault(episode.site_id, []).append(episode)
        episodes: list[Episode] = []
        alerts: list[Alert] = []
        for site in sites:
            decisions = decide(
                site,
                assessments.get(site.id),
                by_site.get(site.id, ()),
                faults.get(cells[site.id].key, ()),
                now,
            )
            episodes.extend(decisions.episodes)
            alerts.extend(decisions.alerts)
        zones = {site.id: site.zone for site in sites}
        messages = route(alerts, self.store.subscriptions_for(ids), zones, now)
        try:
            report.alerts += self.store.commit_decisions(
                episodes=episodes, alerts=alerts, messages=messages, seasons=tuple(states), now=now
            )
        except StoreError as error:
            report.failed_sites.update(dict.fromkeys(ids, str(error)))
            raise
        report.messages += len(messages)
