"""Providers in order, each behind a breaker, and many cells at once."""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol

import structlog

from alertd.errors import WeatherError, WeatherRefused, WeatherUnavailable
from alertd.records.weather import HourlyWeather, WeatherCell

log = structlog.get_logger(__name__)


class Provider(Protocol):
    """A source of hourly weather."""

    @property
    def name(self) -> str:
        """Return the short name."""
        ...

    @property
    def attribution(self) -> str:
        """Return the credit its licence asks for."""
        ...

    def fetch(self, cell: WeatherCell, now: dt.datetime, past_days: int | None = None) -> HourlyWeather:
        """Return the weather of one cell, with that much past where it can be had. Raises WeatherError."""
        ...


@dataclass(frozen=True, slots=True)
class BreakerSettings:
    """When a failing provider is left alone, and for how long.

    ``refused_pause_s`` follows a refusal that holds everywhere (identification, key),
    ``place_pause_s`` one that is about a single place.
    """

    failures_max: int = 3
    pause_s: float = 20 * 60.0
    refused_pause_s: float = 3 * 3600.0
    place_pause_s: float = 6 * 3600.0


class Breaker:
    """Keeps away from a failing provider; after each pause one request tries whether it is over."""

    def __init__(self, settings: BreakerSettings) -> None:
        self._settings = settings
        self._lock = threading.Lock()
        self._failures = 0
        self._pause = dt.timedelta(0)
        self._opened_at: dt.datetime | None = None
        self._last_error = ""
        self._places: dict[str, tuple[dt.datetime, str]] = {}

    def reason_to_wait(self, cell: WeatherCell, now: dt.datetime) -> str:
        """Return why not to ask now, or nothing; after a pause the caller that asks is the probe."""
        with self._lock:
            refused_at, reason = self._places.get(cell.key, (None, ""))
            if refused_at and 0.0 <= (now - refused_at).total_seconds() < self._settings.place_pause_s:
                return reason
            if self._opened_at is None:
                return ""
            if self._opened_at <= now < self._opened_at + self._pause:
                return self._last_error
            self._opened_at = now
            return ""

    def succeeded(self) -> None:
        """Close."""
        with self._lock:
            self._failures, self._opened_at, self._last_error = 0, None, ""

    def failed(self, cell: WeatherCell, error: WeatherError, now: dt.datetime) -> None:
        """Count a failure, and open after too many, on a refusal, or for as long as the provider asks."""
        with self._lock:
            if isinstance(error, WeatherRefused) and not error.everywhere:
                self._places[cell.key] = (now, str(error))
                return
            self._failures += 1
            wait_s = _wait_s(error)
            if isinstance(error, WeatherRefused):
                wait_s = self._settings.refused_pause_s
            if self._failures >= self._settings.failures_max:
                wait_s = max(self._settings.pause_s, wait_s)
            if wait_s > 0.0:
                self._opened_at, self._pause = now, dt.timedelta(seconds=wait_s)
                self._last_error = str(error)


def _wait_s(error: WeatherError) -> float:
    return (error.retry_after_s or 0.0) if isinstance(error, WeatherUnavailable) else 0.0


class Forecasts:
    """Asks the providers in order until one has weather for the cell."""

    def __init__(self, providers: Sequence[Provider], breaker: BreakerSettings | None = None) -> None:
        settings = breaker or BreakerSettings()
        self._providers = [(provider, Breaker(settings)) for provider in providers]

    @property
    def names(self) -> tuple[str, ...]:
        """Return the providers' names in order."""
        return tuple(provider.name for provider, _ in self._providers)

    def fetch(self, cell: WeatherCell, now: dt.datetime, past_days: int | None = None) -> HourlyWeather:
        """Return the first weather there is. Raises WeatherUnavailable with every provider's reason."""
        faults: list[tuple[str, str]] = []
        waits_s: list[float] = []
        for provider, breaker in self._providers:
            reason = breaker.reason_to_wait(cell, now)
            if reason:
                faults.append((provider.name, f"{reason} (not asked again yet)"))
                continue
            try:
                weather = provider.fetch(cell, now, past_days)
            except WeatherError as error:
                breaker.failed(cell, error, now)
                faults.append((provider.name, str(error)))
                waits_s.append(_wait_s(error))
                log.warning(
                    "weather_provider_failed", provider=provider.name, cell=cell.key, error=str(error)
                )
            else:
                breaker.succeeded()
                return weather
        raise WeatherUnavailable(
            "no provider has weather: "
            + (" | ".join(reason for _, reason in faults) or "none is configured"),
            min(waits_s, default=0.0) or None,
            tuple(faults),
        )

    def fetch_all(
        self,
        cells: Iterable[WeatherCell],
        now: dt.datetime,
        workers: int = 4,
        past_days: Mapping[str, int] | None = None,
    ) -> Mapping[str, HourlyWeather | WeatherError]:
        """Return, by cell key, the weather or why there is none; every distinct cell is asked for once.

        ``past_days`` names the cells that want more of the past than usual.
        """
        wanted = past_days or {}
        distinct = {cell.key: cell for cell in cells}
        if not distinct:
            return {}

        def one(cell: WeatherCell) -> HourlyWeather | WeatherError:
            try:
                return self.fetch(cell, now, wanted.get(cell.key))
            except WeatherError as error:
                return error

        with ThreadPoolExecutor(max_workers=max(workers, 1), thread_name_prefix="weather") as pool:
            return dict(zip(distinct, pool.map(one, distinct.values()), strict=True))
