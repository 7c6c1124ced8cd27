"""Chances with the spread of an ensemble: asked for some times a day, kept, and put over what was learnt.

The ensemble comes first where one is set and young enough, then our own record of errors, then the prior. A
missing or failed answer leaves what was known: it never holds up a warning for longer than its time limit.
"""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import structlog

from alertd.assess.chance import WARMEST_HOUR
from alertd.assess.daily import KNOWN_HOURS
from alertd.catalog.chance import load_chance
from alertd.errors import AlertdError, WeatherError, WeatherRefused
from alertd.records.ensemble import EnsembleForecast
from alertd.records.site import Site
from alertd.records.skill import LearntErrors
from alertd.records.weather import HourlyWeather, WeatherCell, cell_of
from alertd.science import days as local_days
from alertd.science import humidity
from alertd.science.chance import ErrorSpread, ForecastSkill
from alertd.science.ensemble import member_spread, spread_by_lead, with_members
from alertd.service.judge import SkillLookup, told

ASKED_EVERY = dt.timedelta(hours=6)
"""Ensembles are run two to four times a day (common practice)."""
TRIED_AGAIN = dt.timedelta(hours=1)
LIMIT_S = 60.0
"""Time for all cells of one lookup; those not asked by then are, longest waiting first, by the next."""
BLOCK_H = 6
"""Hours kept as one: many models have steps of three to six hours, filled up to hours."""
STEP_H: Mapping[str, float] = {"temperature_max_c": 24.0}
Floats = npt.NDArray[np.floating[Any]]
Place = tuple[str, str]
NEVER = dt.datetime.min.replace(tzinfo=dt.UTC)
log = structlog.get_logger("alertd.ensemble")


class Ensembler(Protocol):
    """Who is asked for ensembles."""

    @property
    def model(self) -> str:
        """The model whose members it gives."""
        ...

    def fetch(self, cell: WeatherCell, now: dt.datetime) -> EnsembleForecast:
        """Return the members of one cell. Raises WeatherError."""
        ...


class EnsembleStore(Protocol):
    """Where spreads are kept, and the forecasts that they are put over."""

    def ensemble_spreads(
        self, cell_keys: Iterable[str], since: dt.datetime, as_of: dt.datetime
    ) -> Mapping[Place, LearntErrors]:
        """Return by cell and zone the newest asked for after ``since`` and no later than ``as_of``."""
        ...

    def save_errors(self, learnt: Iterable[LearntErrors]) -> None:
        """Keep the spreads."""
        ...

    def latest_weather(self, cell_keys: Sequence[str], as_of: dt.datetime) -> Mapping[str, HourlyWeather]:
        """Return the newest stored weather of each cell, fetched no later than ``as_of``."""
        ...


@dataclass
class Ensembles:
    """Looks up the skill of sites like ``base`` does, with the spread of ensembles where there is one."""

    base: SkillLookup
    base_renewed: SkillLookup
    store: EnsembleStore
    source: Ensembler
    cell_size_deg: float
    limit_s: float = LIMIT_S
    seconds: Callable[[], float] = time.monotonic
    _tried: dict[str, dt.datetime] = field(default_factory=dict)
    _not_before: dt.datetime = NEVER

    def of(self, sites: Sequence[Site], now: dt.datetime) -> Mapping[str, ForecastSkill]:
        """Return the skill by site id as known at ``now``; asks and writes nothing."""
        return self._over(self.base(sites, now), sites, now, renew=False)

    def renewed(self, sites: Sequence[Site], now: dt.datetime) -> Mapping[str, ForecastSkill]:
        """Return the same, once what is due has been asked for and kept."""
        return self._over(self.base_renewed(sites, now), sites, now, renew=True)

    def _over(
        self, base: Mapping[str, ForecastSkill], sites: Sequence[Site], now: dt.datetime, *, renew: bool
    ) -> Mapping[str, ForecastSkill]:
        """Return the skill with the members' spread over it; as it is where the store does not answer."""
        cells = {site.id: self._cell(site) for site in sites}
        places = {site.id: (cells[site.id].key, site.zone) for site in sites}
        keys = sorted({key for key, _ in places.values()})
        expires = dt.timedelta(hours=float(load_chance().ensemble_expires))
        try:
            known = dict(self.store.ensemble_spreads(keys, now - expires, now))
            if renew:
                new = self._renew(set(cells.values()), set(places.values()), known, now)
                self.store.save_errors(new.values())
                known |= new
            weathers = self.store.latest_weather(sorted({key for key, _ in known}), now)
        except AlertdError as error:
            log.warning("ensemble-not-used", error=told(error))
            return base
        found: dict[str, ForecastSkill] = {}
        # Sites that know the same share one record: they are worked out together.
        made: dict[tuple[int, Place], ForecastSkill] = {}
        for site_id, skill in base.items():
            place = places[site_id]
            members, weather = known.get(place), weathers.get(place[0])
            if members is not None and weather is not None:
                mark = (id(skill), place)
                if mark not in made:
                    made[mark] = skill_with(skill, members, weather.issued_at)
                skill = made[mark]
            found[site_id] = skill
        return found

    def _renew(
        self,
        cells: set[WeatherCell],
        places: set[Place],
        known: Mapping[Place, LearntErrors],
        now: dt.datetime,
    ) -> dict[Place, LearntErrors]:
        """Ask for what is due, until the time is up or the host fails; return what came."""
        zones: dict[str, list[str]] = {}
        for key, zone in sorted(places):
            zones.setdefault(key, []).append(zone)
        ages: dict[str, dt.datetime] = {}
        for key, of_cell in zones.items():
            mine = [known.get((key, zone)) for zone in of_cell]
            ages[key] = min(
                NEVER if one is None or one.model != self.source.model else one.learnt_at for one in mine
            )
        due = [cell for cell in cells if now - ages[cell.key] >= ASKED_EVERY and self._may_ask(cell, now)]
        new: dict[Place, LearntErrors] = {}
        ends = self.seconds() + self.limit_s
        for cell in sorted(due, key=lambda one: (ages[one.key], self._tried.get(one.key, NEVER), one.key)):
            if self.seconds() >= ends:
                log.warning("ensemble-cut-short", asked=len(new), due=len(due))
                break
            self._tried[cell.key] = now
            try:
                answer = self.source.fetch(cell, now)
                spreads = {zone: spreads_of(answer, zone, now) for zone in zones[cell.key]}
            except WeatherError as error:
                log.warning("ensemble-missing", cell=cell.key, error=str(error))
                if not isinstance(error, WeatherRefused) or error.everywhere:
                    # What fails the host fails the other cells too, each for a time limit.
                    wait_s = getattr(error, "retry_after_s", None) or 0.0
                    self._not_before = now + max(TRIED_AGAIN, dt.timedelta(seconds=wait_s))
                    break
            except Exception as error:  # an answer that breaks us must not silence a warning
                log.exception("ensemble-broke", cell=cell.key, error=told(error))
            else:
                new |= {
                    (cell.key, zone): LearntErrors(cell.key, zone, now, found, self.source.model)
                    for zone, found in spreads.items()
                    if found
                }
        return new

    def _may_ask(self, cell: WeatherCell, now: dt.datetime) -> bool:
        tried = self._tried.get(cell.key)
        return now >= self._not_before and (tried is None or not tried <= now < tried + TRIED_AGAIN)

    def _cell(self, site: Site) -> WeatherCell:
        return cell_of(site.latitude_deg, site.longitude_deg, site.elevation_m, self.cell_size_deg)


def spreads_of(forecast: EnsembleForecast, zone: str, asked_at: dt.datetime) -> dict[str, ErrorSpread]:
    """Return the spread of the members by quantity, by hours after ``asked_at``; unknown ones left out."""
    least = int(float(load_chance().ensemble_members))
    lead_h = (forecast.start_at - asked_at).total_seconds() / 3600.0 + 0.5 + np.arange(forecast.hours)
    found: dict[str, ErrorSpread | None] = {
        name: spread_by_lead(member_spread(values, members_min=least), lead_h, BLOCK_H)
        for name, values in _quantities(forecast.members).items()
    }
    if "air_temperature_c" in forecast.members:
        axis = local_days.local_days(forecast.start_at, forecast.hours, zone)
        highs = local_days.daily_max(forecast.members["air_temperature_c"], axis, required=KNOWN_HOURS)
        day_lead_h = lead_h[axis.starts] - 0.5 + WARMEST_HOUR
        found["temperature_max_c"] = spread_by_lead(member_spread(highs, members_min=least), day_lead_h)
    return {name: spread for name, spread in found.items() if spread is not None}


def _quantities(members: Mapping[str, Floats]) -> dict[str, Floats]:
    """Return what chances are made of, [member, hour]."""
    found = {
        name: members[name]
        for name in ("air_temperature_c", "wind_speed_m_s", "wind_gust_m_s")
        if name in members
    }
    air, relative = members.get("air_temperature_c"), members.get("relative_humidity_pct")
    if air is not None and relative is not None:
        # The height of the place changes all members alike: it hardly shows in how far they part.
        found["wet_bulb_depression_c"] = humidity.wet_bulb_depression(
            air, np.clip(relative, 1.0, 100.0), 1013.25
        )
    return found


def skill_with(skill: ForecastSkill, members: LearntErrors, issued_at: dt.datetime) -> ForecastSkill:
    """Return the skill with the spread of the members for a forecast issued then.

    The site's corrections stay: most of what they mend, how hours and rain are joined, is the same here.
    """
    floor = float(load_chance().ensemble_floor)
    later_h = (issued_at - members.learnt_at).total_seconds() / 3600.0
    errors = dict(skill.errors)
    for name, spread in members.errors.items():
        if name in errors:
            errors[name] = with_members(
                errors[name], spread, later_h=later_h, step_h=STEP_H.get(name, float(BLOCK_H)), floor=floor
            )
    told_of = {name: members.model for name in members.errors if name in errors}
    return replace(skill, errors=errors, members=told_of)
