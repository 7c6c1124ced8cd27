"""Open-Meteo's ensembles: the members of one model, hour by hour, of which only the spread is used.

A host of its own with the rules of the forecast host: the free one is for non-commercial use only, and a
paid plan must include ensembles. The plain name of a variable is the control run, ``_memberNN`` the others;
with several models each name ends in that of its model.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from alertd.errors import ConfigError, WeatherInvalid
from alertd.records.ensemble import EnsembleForecast
from alertd.records.weather import WeatherCell
from alertd.weather.cache import ResponseCache
from alertd.weather.client import ClientSettings, HttpClient
from alertd.weather.hours import HOUR_S, Reason, counts, known, numbers, rising_stamps
from alertd.weather.measure import FloatArray, conversion
from alertd.weather.openmeteo import FRESH_S, limit_wait_s, stamps_of
from alertd.weather.quality import RANGES
from alertd.weather.shape import mapping, sequence, sub_mapping, text

NAME = "openmeteo ensemble"
FREE_URL = "https://ensemble-api.open-meteo.com"
PAID_URL = "https://customer-ensemble-api.open-meteo.com"
INSTANT: Mapping[str, str] = {
    "temperature_2m": "air_temperature_c",
    "relative_humidity_2m": "relative_humidity_pct",
    "wind_speed_10m": "wind_speed_m_s",
}
PRECEDING_HOUR: Mapping[str, str] = {"wind_gusts_10m": "wind_gust_m_s"}
ASKED: Mapping[str, str] = {**INSTANT, **PRECEDING_HOUR}
PATIENCE_S = 15.0
"""One short try: a cycle waits for it, and has the record of our own errors to fall back on."""
MODEL = re.compile(r"[a-z0-9_]{2,60}")


@dataclass(frozen=True, slots=True)
class EnsembleSettings:
    """Which model is asked of which host, with which key, and how far ahead."""

    model: str
    base_url: str = FREE_URL
    api_key: str = field(default="", repr=False)
    forecast_days: int = 10

    def __post_init__(self) -> None:
        if not MODEL.fullmatch(self.model):
            raise ConfigError(f"{NAME}: {self.model!r} names no single model; give one, as icon_seamless")
        if not 1 <= self.forecast_days <= 16:
            raise ConfigError(f"{NAME}: forecast_days is {self.forecast_days}; keep it within 1..16")
        if "customer-" in self.base_url and not self.api_key:
            raise ConfigError(f"{NAME}: {self.base_url} needs an API key; set it or use {FREE_URL}")


class OpenMeteoEnsemble:
    """Asks Open-Meteo for the ensemble of one cell at a time."""

    def __init__(
        self,
        settings: EnsembleSettings,
        client: ClientSettings,
        cache: ResponseCache | None = None,
    ) -> None:
        self.model = settings.model
        self._settings = settings
        self._client = HttpClient(
            NAME,
            settings.base_url,
            replace(
                client,
                read_timeout_s=min(client.read_timeout_s, PATIENCE_S),
                total_timeout_s=min(client.total_timeout_s, PATIENCE_S),
                retries=0,
            ),
            cache,
            secret_headers={"X-Api-Key": settings.api_key} if settings.api_key else None,
            default_fresh_s=FRESH_S,
            limit_wait=limit_wait_s,
            contact_needed=False,
        )

    def fetch(self, cell: WeatherCell, now: dt.datetime) -> EnsembleForecast:
        """Return the members from today on. Raises WeatherError."""
        params = {
            "latitude": f"{cell.latitude_deg:.4f}",
            "longitude": f"{cell.longitude_deg:.4f}",
            "hourly": ",".join(ASKED),
            "models": self.model,
            "wind_speed_unit": "ms",
            "timezone": "GMT",
            "timeformat": "unixtime",
            "forecast_days": str(self._settings.forecast_days),
        }
        if cell.elevation_m is not None:
            params["elevation"] = f"{cell.elevation_m:.0f}"
        answer = self._client.get_json("v1/ensemble", params, now)
        return parse_ensemble(answer.document, cell, self.model, answer.fetched_at, now)


def parse_ensemble(
    document: object, cell: WeatherCell, model: str, fetched_at: dt.datetime, now: dt.datetime
) -> EnsembleForecast:
    """Return the members of one answer. Raises WeatherInvalid.

    A member whose unit is unknown and a value out of range are unknown; a variable of which no member is
    usable is left out.
    """
    answer = mapping(document, NAME, "an object at the top")
    if answer.get("error"):
        raise WeatherInvalid(f"{NAME}: answered with an error: {text(answer, 'reason')[:200]}")
    hourly = mapping(answer.get("hourly"), NAME, "'hourly'")
    units = sub_mapping(answer, "hourly_units")
    dropped: Counter[str] = Counter()
    stamps_s = stamps_of(sequence(hourly.get("time"), NAME, "'hourly.time'"), answer)
    runs = {name: _runs(name, model, hourly, units, len(stamps_s), dropped) for name in ASKED}
    numbers_of = sorted({number for found in runs.values() for number in found})
    if not numbers_of:
        reasons = ", ".join(f"{reason} {count}" for reason, count in sorted(dropped.items()))
        raise WeatherInvalid(
            f"{NAME}: no member of any variable is usable" + (f" (dropped: {reasons})" if reasons else "")
        )
    unknown = np.full(len(stamps_s), np.nan)
    laid = {
        name: np.array([found.get(number, unknown) for number in numbers_of])
        for name, found in runs.items()
        if found
    }
    keep = rising_stamps(stamps_s, np.vstack(list(laid.values())).T, now, dropped)
    if not keep.any():
        raise WeatherInvalid(f"{NAME}: no usable time stamps in the answer")
    stamps_s = stamps_s[keep]
    start_s = int(stamps_s[0]) - HOUR_S
    hours = (int(stamps_s[-1]) - start_s) // HOUR_S + 1
    members: dict[str, FloatArray] = {}
    for name, values in laid.items():
        # What tells of the hour before its stamp belongs to that hour.
        at = (stamps_s - start_s) // HOUR_S - (1 if name in PRECEDING_HOUR else 0)
        grid = np.full((len(values), hours), np.nan)
        grid[:, at] = values[:, keep]
        members[ASKED[name]] = grid
    start_at = dt.datetime.fromtimestamp(start_s, dt.UTC)
    return EnsembleForecast(cell, model, fetched_at, start_at, members, counts(dropped))


def _runs(
    name: str,
    model: str,
    hourly: Mapping[str, object],
    units: Mapping[str, object],
    length: int,
    dropped: Counter[str],
) -> dict[int, FloatArray]:
    """Return the usable runs of one variable by number, [hour]; the control run has none and counts as 0."""
    key_of = re.compile(rf"{name}(?:_member(\d{{1,4}}))?(?:_{re.escape(model)})?")
    low, high = RANGES[ASKED[name]]
    found: dict[int, FloatArray] = {}
    for key in hourly:
        match = key_of.fullmatch(key)
        if match is None or hourly[key] is None:
            continue
        values = numbers(sequence(hourly[key], NAME, f"'hourly.{key}'"), dropped)
        if len(values) != length:
            raise WeatherInvalid(f"{NAME}: {key} has {len(values)} values for {length} hours; cut off?")
        convert = conversion(ASKED[name], units.get(key))
        if convert is None:  # a variable the model lacks comes as unit "undefined" and nulls only
            if known(values):
                dropped[Reason.WRONG_UNIT] += known(values)
            continue
        values = np.array(convert(values), dtype=np.float64)
        wrong = (values < low) | (values > high)
        if wrong.any():
            dropped[Reason.OUT_OF_RANGE] += int(np.count_nonzero(wrong))
            values[wrong] = np.nan
        if known(values):
            found[int(match[1] or 0)] = values
    return found
