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
from alertd.records.weather import COLUMNS, HourlyWeather, cell_of, empty_table
from alertd.science import days as local_days
from alertd.science import humidity
from alertd.science.chance import Calibration, ErrorSpread, ForecastSkill, verified_errors
from alertd.weather.merge import FROM_FORECAST

Floats = npt.NDArray[np.floating[Any]]
Errors = tuple[Floats, Floats, npt.NDArray[np.int64]]
LOOK_EVERY = dt.timedelta(days=1)
"""The archive is looked at once a day; tables in between say nearly the same."""
KEPT = dt.timedelta(days=7)
"""How long the skill of a cell is kept before its archive is read again: it changes slowly."""
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


class _Correction(NamedTuple):
    """What was learned of a site's chances, and when."""

    at: dt.datetime
    windows: Calibration | None
    spells: Calibration | None


@dataclass
class Skills:
    """Looks up the skill of sites, each cell once a week.

    Reading an archive takes a while: at most ``at_once`` cells are read in one call, those of the other
    sites have what was known before, or the prior, until a later call. 0: all at once.
    """

    archive: WeatherArchive
    cell_size_deg: float
    at_once: int = 0
    _known: dict[tuple[str, str], tuple[dt.datetime, ForecastSkill]] = field(default_factory=dict)
    _corrections: dict[str, _Correction] = field(default_factory=dict)

    def correct(
        self, site_id: str, windows: Calibration | None, spells: Calibration | None, now: dt.datetime
    ) -> None:
        """Correct what is told of a site's windows and spells from now on."""
        self._corrections[site_id] = _Correction(now, windows, spells)

    def due(self, sites: Iterable[Site], now: dt.datetime) -> list[Site]:
        """Return the sites whose corrections are missing or a week old."""
        known = self._corrections
        return [site for site in sites if site.id not in known or now - known[site.id].at >= KEPT]

    def of(self, sites: Sequence[Site], now: dt.datetime) -> dict[str, ForecastSkill]:
        """Return the skill by site id, from the tables of the last weeks."""
        places = {site.id: (self._cell_key(site), site.zone) for site in sites}
        missing = sorted({place for place in places.values() if not self._fresh(place, now)})
        missing = missing[: self.at_once] if self.at_once else missing
        tables = tables_as_of(self.archive, sorted({key for key, _ in missing}), _instants(now))
        for place in missing:
            self._known[place] = (now, skill_of(tables[place[0]], place[1]))
        return {site_id: self._corrected(site_id, place) for site_id, place in places.items()}

    def _corrected(self, site_id: str, place: tuple[str, str]) -> ForecastSkill:
        skill = self._known[place][1] if place in self._known else prior_skill()
        correction = self._corrections.get(site_id)
        if correction is None or (correction.windows is None and correction.spells is None):
            return skill
        return replace(skill, windows=correction.windows, spells=correction.spells)

    def _fresh(self, place: tuple[str, str], now: dt.datetime) -> bool:
        return place in self._known and abs(now - self._known[place][0]) < KEPT

    def _cell_key(self, site: Site) -> str:
        return cell_of(site.latitude_deg, site.longitude_deg, site.elevation_m, self.cell_size_deg).key


def _instants(now: dt.datetime) -> list[dt.datetime]:
    count = int(dt.timedelta(days=float(load_chance().archive)) / LOOK_EVERY)
    return [now - LOOK_EVERY * back for back in range(count, -1, -1)]
