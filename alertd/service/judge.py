"""Assessing many sites at once, so that one bad site never takes the others with it."""

from __future__ import annotations

import datetime as dt
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import structlog

from alertd.assess.batch import SiteWeather, batches
from alertd.assess.site import assess
from alertd.errors import AlertdError
from alertd.records.assessment import Assessment
from alertd.records.season import SeasonState
from alertd.records.site import Site
from alertd.records.weather import HourlyWeather
from alertd.science.chance import ForecastSkill

CHUNK = 2000
"""Sites laid out at once: more would only fill the memory."""
log = structlog.get_logger("alertd.judge")

SkillLookup = Callable[[Sequence[Site], dt.datetime], Mapping[str, ForecastSkill]]


@dataclass(slots=True)
class Judged:
    """What came of some sites: assessments by site id, new season states, and why sites failed."""

    sites: Sequence[Site]
    assessments: dict[str, Assessment] = field(default_factory=dict)
    seasons: list[SeasonState] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)


def members_of(
    sites: Sequence[Site],
    cell_keys: Mapping[str, str],
    weathers: Mapping[str, HourlyWeather],
    seasons: Mapping[str, SeasonState],
) -> list[SiteWeather]:
    """Return the sites that have weather, with it and their season; alike ones next to each other."""
    members = [
        SiteWeather(site, weathers[cell_keys[site.id]], seasons.get(site.id))
        for site in sites
        if cell_keys[site.id] in weathers
    ]
    return sorted(members, key=lambda one: (one.site.zone, one.season.day if one.season else dt.date.min))


def judge(
    members: Sequence[SiteWeather], now: dt.datetime, skill_of: SkillLookup | None = None
) -> Iterator[Judged]:
    """Assess the sites, some thousand at a time; a site that cannot be assessed is named and left out.

    ``skill_of`` tells how good the forecasts of sites have been; without it the prior holds.
    """
    for i in range(0, len(members), CHUNK):
        chunk = members[i : i + CHUNK]
        judged = Judged([member.site for member in chunk])
        _judge(chunk, now, judged, _skills(judged.sites, now, skill_of))
        yield judged


def _skills(
    sites: Sequence[Site], now: dt.datetime, skill_of: SkillLookup | None
) -> Mapping[str, ForecastSkill]:
    """Return the skills by site id; what cannot be read leaves the prior, for a warning must still go out."""
    if skill_of is None:
        return {}
    try:
        return skill_of(sites, now)
    except AlertdError as error:
        log.warning("skill-unknown", error=str(error))
        return {}


def _judge(
    members: Sequence[SiteWeather],
    now: dt.datetime,
    judged: Judged,
    skills: Mapping[str, ForecastSkill],
) -> None:
    """Add what comes of the members; where something breaks, halve until the bad site is found."""
    try:
        pairs = [assess(batch, skills) for batch in batches(members, now)]
    except Exception as error:  # noqa: BLE001  one site's data must not silence the others
        if len(members) == 1:
            judged.failed[members[0].site.id] = told(error)
            log_failed(members[0].site, error)
            return
        middle = len(members) // 2
        _judge(members[:middle], now, judged, skills)
        _judge(members[middle:], now, judged, skills)
        return
    for assessments, states in pairs:
        judged.assessments.update((one.site_id, one) for one in assessments)
        judged.seasons.extend(states)


def told(error: Exception) -> str:
    """Return an error as one line for a report."""
    return f"{type(error).__name__}: {error}"


def log_failed(site: Site, error: Exception) -> None:
    """Log why a site failed and where; as plain text, for some renderers print every table on the way."""
    where = "".join(traceback.format_exception(error, chain=False))
    log.error("site-failed", site_id=site.id, error=told(error), traceback=where)
