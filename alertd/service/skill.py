"""How good the forecasts of each site have been: tables stored as issued against what then came.

"What came" are the past hours of later tables, as the provider gave them: its own analysis or a station near
by, not a gauge on the site.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd

from alertd.assess.chance import WARMEST_HOUR, prior_skill
from alertd.assess.daily import KNOWN_HOURS
from alertd.catalog.chance import load_chance
from alertd.records.site import Site
from alertd.records.skill import LearntCorrection, LearntErrors
from alertd.records.weather import COLUMNS, HourlyWeather, cell_of, empty_table
from alertd.science import days as local_days
from alertd.science import humidity
from alertd.science.chance import ErrorSpread, ForecastSkill, verified_errors
from alertd.weather.merge import FROM_FORECAST

Floats = npt.NDArray[np.floating[Any]]
Errors = tuple[Floats, Floats, npt.NDArray[np.int64]]
LOOK_EVERY = dt.timedelta(days=1)
"""The archive is looked at once a day; tables in between say nearly the same."""
RENEWED_AFTER = dt.timedelta(days=7)
"""Age at which what was learnt is learnt anew: it changes slowly."""
BELIEVED_SHARE = 0.5
"""A provider that has to fill its past from forecasts in more of its tables is not believed about it."""
HOURLY = ("air_temperature_c", "wind_speed_m_s", "wind_gust_m_s", "wet_bulb_depression_c")


Maxima = dict[dt.date, tuple[float, float]]
"""By local day the instant at which it begins [s] and a largest value."""


class WeatherArchive(Protocol):
    """What is read of the store."""

    def latest_weather(self, cell_keys: Iterable[str], as_of: dt.datetime) -> Mapping[str, HourlyWeather]:
        """Return the newest stored weather of each cell, fetched no later than ``as_of``."""
        ...


def tables_as_of(
    archive: WeatherArchive, cell_keys: Sequence[str], instants: Iterable[dt.datetime]
) -> dict[str, list[HourlyWeather]]:
    """Return for each cell the tables that were the newest at these instants, oldest first, each once."""
    found: dict[str, dict[dt.datetime, HourlyWeather]] = {key: {} for key in cell_keys}
    for instant in instants if found else ():
        for key, weather in archive.latest_weather(cell_keys, instant).items():
            found[key].setdefault(weather.fetched_at, weather)
    return {key: list(tables.values()) for key, tables in found.items()}


def what_came(tables: Sequence[HourlyWeather]) -> pd.DataFrame | None:
    """Return the hours that are over as the latest table to know them gives them; None if there are none.

    Hours that a table only took over from a forecast are left out: a forecast must not verify itself.
    """
    believed = [one for one in tables if one.provider in _believed(tables) and not _filled(one)]
    if not believed:
        return None
    start = min(one.table.index[0] for one in believed)
    end = max(one.table.index[-1] for one in believed)
    hours = int((end - start) / pd.Timedelta(hours=1)) + 1
    truth = empty_table(start.to_pydatetime(), hours)
    values = truth[list(COLUMNS)].to_numpy(dtype=np.float64, copy=True)
    for one in believed:
        over = ~one.table["forecast"].to_numpy(dtype=np.bool_)
        offset = int((one.table.index[0] - start) / pd.Timedelta(hours=1))
        new = one.table[list(COLUMNS)].to_numpy(dtype=np.float64, copy=True)
        new[~over] = np.nan
        place = slice(offset, offset + len(new))
        values[place] = np.where(np.isnan(new), values[place], new)
    truth[list(COLUMNS)] = values
    known = np.flatnonzero(~np.isnan(values).all(axis=1))
    return truth.iloc[: int(known[-1]) + 1] if known.size else None


def _filled(weather: HourlyWeather) -> bool:
    return weather.dropped.get(FROM_FORECAST, 0) > 0


def _believed(tables: Sequence[HourlyWeather]) -> set[str]:
    total = Counter(one.provider for one in tables)
    filled = Counter(one.provider for one in tables if _filled(one))
    return {name for name, count in total.items() if filled[name] <= BELIEVED_SHARE * count}


def skill_of(tables: Sequence[HourlyWeather], zone: str) -> ForecastSkill:
    """Return how far the forecasts of one cell strayed; the prior where nothing is verified."""
    prior = prior_skill()
    truth = what_came(tables)
    if truth is None:
        return prior
    found: dict[str, list[Errors]] = {name: [] for name in prior.errors}
    came = _Came(int(truth.index[0].timestamp()), _quantities(truth), daily_maxima(truth, zone))
    for weather in tables:
        for name, errors in _errors_of(weather, came, zone):
            found[name].append(errors)
    return ForecastSkill({name: _spread(prior.errors[name], parts) for name, parts in found.items()})


def _spread(prior: ErrorSpread, parts: Sequence[Errors]) -> ErrorSpread:
    if not parts:
        return prior
    error, lead_h, day = (np.concatenate(some) for some in zip(*parts, strict=True))
    return verified_errors(prior, error, lead_h, day, prior_days=float(load_chance().prior_worth))


class _Came(NamedTuple):
    """What came of one cell: the first hour [s], its quantities by the hour, its daily maxima."""

    start_s: int
    hourly: dict[str, Floats]
    highs: Maxima


def _errors_of(weather: HourlyWeather, came: _Came, zone: str) -> Iterator[tuple[str, Errors]]:
    """Yield by quantity what came less what was forecast, with lead times and days."""
    ahead = np.flatnonzero(weather.table["forecast"].to_numpy(dtype=np.bool_))
    first_s = int(weather.table.index[0].timestamp())
    place = ahead + (first_s - came.start_s) // 3600
    known = (place >= 0) & (place < len(came.hourly[HOURLY[0]]))
    ahead, place = ahead[known], place[known]
    if ahead.size == 0:
        return
    stamps = first_s + 3600 * ahead
    lead_h = (stamps - weather.issued_at.timestamp()) / 3600.0 + 0.5
    said = _quantities(weather.table.iloc[ahead[0] : ahead[-1] + 1])
    for name in HOURLY:
        yield name, (came.hourly[name][place] - said[name][ahead - ahead[0]], lead_h, stamps // 86_400)
    yield "temperature_max_c", _maxima(weather, came.highs, zone)


def _quantities(table: pd.DataFrame) -> dict[str, Floats]:
    block = table[list(COLUMNS)].to_numpy(dtype=np.float64)
    found = {name: block[:, i] for i, name in enumerate(COLUMNS)}
    temperature, relative = found["air_temperature_c"], found["relative_humidity_pct"]
    with np.errstate(invalid="ignore", divide="ignore"):
        from_dew = np.clip(humidity.relative_humidity(temperature, found["dew_point_c"]), 0.0, 100.0)
        relative = np.where(np.isnan(relative), from_dew, relative)
        pressure = np.where(np.isnan(found["pressure_hpa"]), 1013.25, found["pressure_hpa"])
        found["wet_bulb_depression_c"] = np.asarray(
            humidity.wet_bulb_depression(temperature, relative, pressure), dtype=np.float64
        )
    return found


def _maxima(weather: HourlyWeather, true: Maxima, zone: str) -> Errors:
    """Return errors of the maxima of whole local days that were wholly to come."""
    said = daily_maxima(weather.table, zone)
    flags = daily_maxima(weather.table, zone, "forecast", np.fmin)
    begins = {day: at for day, (at, _) in said.items()}
    days = [day for day in said if day in true and flags[day][1] == 1.0]
    error = np.array([true[day][1] - said[day][1] for day in days], dtype=np.float64)
    issued_s = weather.issued_at.timestamp()
    lead = np.array([(begins[day] - issued_s) / 3600.0 + WARMEST_HOUR for day in days], dtype=np.float64)
    return error, lead, np.array([day.toordinal() for day in days], dtype=np.int64)


def daily_maxima(
    table: pd.DataFrame, zone: str, column: str = "air_temperature_c", fold: np.ufunc = np.fmax
) -> Maxima:
    """Return by local day the instant at which it begins [s] and the largest value of a column."""
    start = table.index[0].to_pydatetime()
    axis = local_days.local_days(start, len(table), zone)
    values = table[column].to_numpy(dtype=np.float64)
    if fold is np.fmax:
        folded = local_days.daily_max(values, axis, required=KNOWN_HOURS)
    else:
        folded = fold.reduceat(values, axis.starts)
    begins = start.timestamp() + 3600.0 * axis.starts
    return {day: (float(at), float(value)) for day, at, value in zip(axis.days, begins, folded, strict=True)}


class SkillBook(Protocol):
    """Where what was learnt is kept, so that a restart or another process finds it."""

    def learnt_errors(
        self, cell_keys: Iterable[str], since: dt.datetime, as_of: dt.datetime
    ) -> Mapping[tuple[str, str], LearntErrors]:
        """Return by cell and zone the newest errors learnt after ``since`` and no later than ``as_of``."""
        ...

    def save_errors(self, learnt: Iterable[LearntErrors]) -> None:
        """Keep the errors."""
        ...

    def corrections(
        self, site_ids: Iterable[str], since: dt.datetime, as_of: dt.datetime
    ) -> Mapping[str, LearntCorrection]:
        """Return by site the newest correction learnt after ``since`` and no later than ``as_of``."""
        ...

    def save_correction(self, learnt: LearntCorrection) -> None:
        """Keep the correction of one site."""
        ...

    def forget_skill(self, before: dt.datetime) -> int:
        """Drop what was learnt before then."""
        ...


Place = tuple[str, str]
"""A weather cell and the zone by which its days are cut."""
NEVER = dt.datetime.min.replace(tzinfo=dt.UTC)


def expiry() -> dt.timedelta:
    """Return the age at which what was learnt says nothing any more."""
    return dt.timedelta(days=float(load_chance().learnt_expires))


def corrected(skill: ForecastSkill, learnt: LearntCorrection | None) -> ForecastSkill:
    """Return the skill with the corrections of one site."""
    if learnt is None or (learnt.windows is None and learnt.spells is None):
        return skill
    return replace(skill, windows=learnt.windows, spells=learnt.spells)


@dataclass
class Skills:
    """Looks up the skill of sites: what the book holds, else what the archive of their cell tells.

    Reading an archive takes a while: at most ``at_once`` cells are read in one call, those of the other
    sites have what was known before, or the prior, until a later call. 0: all at once.
    """

    archive: WeatherArchive
    book: SkillBook
    cell_size_deg: float
    at_once: int = 0
    _known: dict[Place, tuple[dt.datetime, ForecastSkill]] = field(default_factory=dict)

    def of(self, sites: Sequence[Site], now: dt.datetime) -> dict[str, ForecastSkill]:
        """Return the skill by site id as known at ``now``; writes nothing."""
        return self._look(sites, now)[0]

    def renewed(self, sites: Sequence[Site], now: dt.datetime) -> dict[str, ForecastSkill]:
        """Return the same as ``of``, and keep what had to be read from archives."""
        found, new = self._look(sites, now)
        self.book.save_errors(new)
        return found

    def raw(self, sites: Sequence[Site], now: dt.datetime) -> dict[str, ForecastSkill]:
        """Return what the archive alone tells at ``now``: no corrections, nothing from the book."""
        places = self._places(sites)
        learnt = self._learn(sorted(set(places.values())), now)
        return {site_id: ForecastSkill(learnt[place].errors) for site_id, place in places.items()}

    def correction(self, site: Site, now: dt.datetime) -> LearntCorrection | None:
        """Return what is in force of a site's corrections at ``now``."""
        return self.book.corrections([site.id], now - expiry(), now).get(site.id)

    def correct(self, learnt: LearntCorrection) -> None:
        """Correct what is told of a site's windows and spells from now on."""
        self.book.save_correction(learnt)

    def forget(self, before: dt.datetime) -> None:
        """Drop what was learnt before then."""
        self.book.forget_skill(before)

    def due(self, sites: Iterable[Site], now: dt.datetime) -> list[Site]:
        """Return the sites whose corrections are missing or a week old, those longest without one first."""
        found = {site.id: site for site in sites}
        known = self.book.corrections(found, now - expiry(), now)
        ages = {site_id: known[site_id].learnt_at if site_id in known else NEVER for site_id in found}
        old = [site_id for site_id, at in ages.items() if at == NEVER or now - at >= RENEWED_AFTER]
        return [found[site_id] for site_id in sorted(old, key=lambda site_id: ages[site_id])]

    def _look(
        self, sites: Sequence[Site], now: dt.datetime
    ) -> tuple[dict[str, ForecastSkill], list[LearntErrors]]:
        """Return the skill by site id, and what was learnt anew for it."""
        places = self._places(sites)
        stale = {place for place in places.values() if self._age(place, now) >= RENEWED_AFTER}
        if stale:
            stored = self.book.learnt_errors(sorted({key for key, _ in stale}), now - expiry(), now)
            self._remember({place: learnt for place, learnt in stored.items() if place in stale})
        missing = sorted(
            (place for place in stale if self._age(place, now) >= RENEWED_AFTER),
            key=lambda place: (dt.timedelta() - min(self._age(place, now), expiry()), place),
        )
        new = self._learn(missing[: self.at_once] if self.at_once else missing, now)
        self._remember(new)
        fixed = self.book.corrections(places, now - expiry(), now)
        found = {
            site_id: corrected(self._skill(place, now), fixed.get(site_id))
            for site_id, place in places.items()
        }
        return found, list(new.values())

    def _learn(self, places: Sequence[Place], now: dt.datetime) -> dict[Place, LearntErrors]:
        tables = tables_as_of(self.archive, sorted({key for key, _ in places}), _instants(now))
        return {
            (key, zone): LearntErrors(key, zone, now, skill_of(tables[key], zone).errors)
            for key, zone in places
        }

    def _age(self, place: Place, now: dt.datetime) -> dt.timedelta:
        """Return how old what is known of a place is; what was learnt later than ``now`` does not count."""
        at = self._known[place][0] if place in self._known else None
        return dt.timedelta.max if at is None or at > now else now - at

    def _skill(self, place: Place, now: dt.datetime) -> ForecastSkill:
        if self._age(place, now) >= expiry():
            return prior_skill()
        return self._known[place][1]

    def _remember(self, learnt: Mapping[Place, LearntErrors]) -> None:
        """Keep one skill for all sites of a place: sites that share one are worked out together."""
        for place, one in learnt.items():
            self._known[place] = one.learnt_at, ForecastSkill(one.errors) if one.days else prior_skill()

    def _places(self, sites: Iterable[Site]) -> dict[str, Place]:
        return {site.id: (self._cell_key(site), site.zone) for site in sites}

    def _cell_key(self, site: Site) -> str:
        return cell_of(site.latitude_deg, site.longitude_deg, site.elevation_m, self.cell_size_deg).key


def _instants(now: dt.datetime) -> list[dt.datetime]:
    count = int(dt.timedelta(days=float(load_chance().archive)) / LOOK_EVERY)
    return [now - LOOK_EVERY * back for back in range(count, -1, -1)]
