"""The outlook of sites as of any moment, from the weather stored then; nothing is fetched or written."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from alertd.alerts.decide import Decisions, decide
from alertd.errors import InputError
from alertd.records.alert import Episode
from alertd.records.assessment import Assessment
from alertd.records.season import SeasonState
from alertd.records.site import Site
from alertd.records.weather import HourlyWeather, cell_of
from alertd.service.judge import SkillLookup, judge, members_of


class OutlookStore(Protocol):
    """What an outlook needs of the store."""

    def latest_weather(self, cell_keys: Iterable[str], as_of: dt.datetime) -> Mapping[str, HourlyWeather]:
        """Return the newest stored weather of each cell, fetched no later than ``as_of``."""
        ...

    def seasons(self, site_ids: Iterable[str], as_of: dt.datetime) -> Mapping[str, SeasonState]:
        """Return the newest season state of each site made no later than ``as_of``."""
        ...

    def open_episodes(self, site_ids: Iterable[str]) -> Sequence[Episode]:
        """Return the open episodes of these sites."""
        ...


@dataclass(frozen=True, slots=True)
class Look:
    """One site as it stood at one moment; no assessment where no weather was stored by then."""

    site: Site
    assessment: Assessment | None
    decisions: Decisions


@dataclass(frozen=True, slots=True)
class Outlooks:
    """Looks at sites as of a moment."""

    store: OutlookStore
    cell_size_deg: float
    skill_of: SkillLookup | None = None

    def look(self, sites: Sequence[Site], at: dt.datetime) -> list[Look]:
        """Return each site with its assessment and what a cycle would have decided then."""
        cells = {
            site.id: cell_of(site.latitude_deg, site.longitude_deg, site.elevation_m, self.cell_size_deg).key
            for site in sites
        }
        weathers = self.store.latest_weather(sorted(set(cells.values())), at)
        ids = [site.id for site in sites]
        seasons = self.store.seasons(ids, at)
        episodes: dict[str, list[Episode]] = {}
        for episode in self.store.open_episodes(ids):
            if episode.opened_at <= at:
                episodes.setdefault(episode.site_id, []).append(episode)
        found: dict[str, Assessment] = {}
        for judged in judge(members_of(sites, cells, weathers, seasons), at, self.skill_of):
            found.update(judged.assessments)
        return [
            Look(
                site,
                found.get(site.id),
                decide(site, found.get(site.id), episodes.get(site.id, ()), (), at),
            )
            for site in sites
        ]

    def assessment(self, site: Site, at: dt.datetime) -> Assessment:
        """Return the assessment of one site. Raises InputError where no weather was stored by then."""
        (look,) = self.look([site], at)
        if look.assessment is None:
            raise InputError(
                "at", f"no weather was stored for {site.name!r} by then; run `alertd cycle` to fetch some"
            )
        return look.assessment
