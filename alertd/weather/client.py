"""Polite HTTP for one provider: identified, bounded, spaced, cached as its headers ask.

Every failure leaves as a ``WeatherError`` that names the provider, what happened and what to fix.
"""

from __future__ import annotations

import datetime as dt
import math
import threading
import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Self
from urllib.parse import urlencode, urljoin, urlsplit

import requests
import structlog
from requests.adapters import HTTPAdapter
from urllib3.connectionpool import ConnectionPool
from urllib3.exceptions import InvalidHeader, MaxRetryError, ReadTimeoutError, ResponseError
from urllib3.response import BaseHTTPResponse
from urllib3.util import Retry

from alertd.errors import WeatherError, WeatherInvalid, WeatherRefused, WeatherUnavailable
from alertd.records.keeping import CachedResponse
from alertd.weather.address import checked_base_url, checked_contact, is_loopback
from alertd.weather.body import one_line, parse_json, reason_of
from alertd.weather.cache import (
    MemoryCache,
    ResponseCache,
    kept_headers,
    lifetime_s,
    retry_after_s,
    validators,
)

REDIRECTS_MAX = 3
_REDIRECTS = (301, 302, 303, 307, 308)
_RETRIED = (429, 500, 502, 503, 504)
_PASSING = (408, 425, 429)

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class ClientSettings:
    """How alertd behaves towards every provider. ``contact`` is an address people answer at."""

    contact: str
    product: str = "alertd"
    version: str = "0"
    connect_timeout_s: float = 5.0
    read_timeout_s: float = 30.0
    total_timeout_s: float = 90.0
    retries: int = 3
    backoff_s: float = 0.5
    backoff_max_s: float = 20.0
    backoff_jitter_s: float = 0.5
    retry_after_max_s: float = 20.0
    body_max_bytes: int = 20_000_000
    spacing_s: float = 0.25
    parallel: int = 1

    @property
    def user_agent(self) -> str:
        """Return ``product/version (contact)``, without the brackets where there is no contact."""
        return f"{self.product}/{self.version}" + (f" ({self.contact})" if self.contact else "")


@dataclass(frozen=True, slots=True)
class Answer:
    """A usable JSON answer. ``fetched_at`` is when it was last known to be current."""

    status: int
    document: object
    fetched_at: dt.datetime
    headers: Mapping[str, str]
    body: bytes = b""


class _PoliteRetry(Retry):
    """Retries passing faults, but never earlier than the server asks.

    A 429 without Retry-After, and a Retry-After beyond the limit, are left to the next cycle.
    """

    def increment(
        self,
        method: str | None = None,
        url: str | None = None,
        response: BaseHTTPResponse | None = None,
        error: Exception | None = None,
        _pool: ConnectionPool | None = None,
        _stacktrace: TracebackType | None = None,
    ) -> Self:
        """Return the next state, or raise MaxRetryError where another try would be rude."""
        if response is not None and _pool is not None:
            wait_s = retry_after_s(response.headers.get("Retry-After"))
            if (wait_s is None and response.status == 429) or (wait_s or 0.0) > self.retry_after_max:
                raise MaxRetryError(_pool, url or "", ResponseError("retry later"))
        return super().increment(method, url, response, error, _pool, _stacktrace)

    def get_retry_after(self, response: BaseHTTPResponse) -> float | None:
        """Return the seconds asked for; an unreadable header counts as none."""
        try:
            return super().get_retry_after(response)
        except InvalidHeader:
            return None


class HttpClient:
    """One provider's session. Threads may share it; requests to the host are spaced and bounded."""

    def __init__(
        self,
        provider: str,
        base_url: str,
        settings: ClientSettings,
        cache: ResponseCache | None = None,
        *,
        accept: str = "application/json",
        secret_headers: Mapping[str, str] | None = None,
        default_fresh_s: float = 600.0,
        limit_wait: Callable[[str, dt.datetime], float | None] | None = None,
        contact_needed: bool = True,
    ) -> None:
        self.provider = provider
        self.base_url = checked_base_url(base_url, provider)
        if not is_loopback(base_url) and (contact_needed or settings.contact):
            checked_contact(settings.contact, provider)
        self._settings = settings
        self._cache: ResponseCache = MemoryCache() if cache is None else cache
        self._default_fresh_s = default_fresh_s
        self._limit_wait = limit_wait
        self._slots = threading.BoundedSemaphore(settings.parallel)
        self._spacing = threading.Lock()
        self._spacing_s = 0.0 if is_loopback(base_url) else settings.spacing_s
        self._next_s = 0.0
        self._warned_day: dt.date | None = None
        self._session = self._new_session(accept, secret_headers or {})

    def _new_session(self, accept: str, secret_headers: Mapping[str, str]) -> requests.Session:
        settings = self._settings
        retry = _PoliteRetry(
            total=settings.retries,
            connect=min(settings.retries, 2),
            read=min(settings.retries, 1),
            redirect=0,
            allowed_methods={"GET"},
            status_forcelist=_RETRIED,
            backoff_factor=settings.backoff_s,
            backoff_max=settings.backoff_max_s,
            backoff_jitter=settings.backoff_jitter_s,
            raise_on_status=False,
            raise_on_redirect=False,
            respect_retry_after_header=True,
            retry_after_max=math.ceil(settings.retry_after_max_s),
        )
        session = requests.Session()
        session.trust_env = not is_loopback(self.base_url)
        adapter = HTTPAdapter(max_retries=retry, pool_maxsize=max(settings.parallel, 1))
        session.mount("https://", adapter)
        session.mount("http://", adapter)
        session.headers.update({"User-Agent": settings.user_agent, "Accept": accept, **secret_headers})
        return session

    def close(self) -> None:
        """Give the connections back."""
        self._session.close()

    def get_json(
        self,
        path: str,
        params: Mapping[str, str],
        now: dt.datetime,
        *,
        fresh_at_least_s: float = 0.0,
        accept_statuses: Collection[int] = (),
        read_again: bool = False,
    ) -> Answer:
        """Return the JSON at this address, from the cache while it is fresh, unless ``read_again``.

        Statuses named in ``accept_statuses`` come back as an answer without a document.
        Raises WeatherUnavailable, WeatherInvalid or WeatherRefused.
        """
        url = f"{self.base_url}/{path.lstrip('/')}" + (f"?{urlencode(params, safe=',:')}" if params else "")
        kept = None if read_again else self._cache.get(url)
        if kept is not None and kept.fetched_at <= now < kept.expires_at:
            return self._answer(kept)
        try:
            status, headers, body = self._exchange(url, validators(kept))
        except requests.RequestException as error:
            raise self._transport_fault(error) from error
        if status == 304 and kept is not None:
            fresh_s = max(lifetime_s(headers, now, self._default_fresh_s), fresh_at_least_s)
            kept = replace(
                kept,
                headers={**kept.headers, **kept_headers(headers)},
                fetched_at=now,
                expires_at=now + dt.timedelta(seconds=fresh_s),
            )
            self._cache.put(url, kept)
            return self._answer(kept)
        if status in accept_statuses:
            return Answer(status, None, now, headers, body)
        if status not in (200, 203):
            raise self.fault(status, headers, body, now)
        if status == 203:
            self._warn_deprecated(now)
        document = self._document(headers, body)
        fresh_s = max(lifetime_s(headers, now, self._default_fresh_s), fresh_at_least_s)
        if "no-store" not in headers.get("cache-control", "").lower():
            self._cache.put(
                url,
                CachedResponse(
                    url, body, status, kept_headers(headers), now, now + dt.timedelta(seconds=fresh_s)
                ),
            )
        return Answer(status, document, now, headers)

    def _answer(self, kept: CachedResponse) -> Answer:
        return Answer(kept.status, parse_json(kept.body, self.provider), kept.fetched_at, kept.headers)

    def _document(self, headers: Mapping[str, str], body: bytes) -> object:
        kind = headers.get("content-type", "").split(";")[0].strip().lower()
        json_like = kind == "application/json" or kind.endswith("+json") or not kind
        if body.strip() and not json_like:
            raise WeatherInvalid(
                f"{self.provider}: the answer is {one_line(kind)}, not JSON "
                f"({reason_of(body)[:80]}); check the base address and any proxy in between"
            )
        return parse_json(body, self.provider)

    def _exchange(self, url: str, validators: Mapping[str, str]) -> tuple[int, dict[str, str], bytes]:
        with self._slots:
            for _ in range(REDIRECTS_MAX + 1):
                self._wait_for_turn()
                with self._session.get(
                    url,
                    headers=dict(validators),
                    timeout=(self._settings.connect_timeout_s, self._settings.read_timeout_s),
                    stream=True,
                    allow_redirects=False,
                ) as response:
                    if response.status_code not in _REDIRECTS:
                        headers = {name.lower(): value for name, value in response.headers.items()}
                        return response.status_code, headers, self._body(response)
                    url = self._same_host(urljoin(url, response.headers.get("Location", "")))
        raise WeatherInvalid(f"{self.provider}: more than {REDIRECTS_MAX} redirects; check the base address")

    def _wait_for_turn(self) -> None:
        with self._spacing:
            here_s = time.monotonic()
            wait_s = max(self._next_s - here_s, 0.0)
            self._next_s = here_s + wait_s + self._spacing_s
        if wait_s:
            time.sleep(wait_s)

    def _same_host(self, url: str) -> str:
        """Return a redirect target; leaving the host would carry the key and the contact elsewhere."""
        here, there = urlsplit(self.base_url), urlsplit(url)
        if (here.scheme, here.netloc) != (there.scheme, there.netloc):
            raise WeatherInvalid(
                f"{self.provider}: redirected to another host ({one_line(there.netloc)}); "
                "if the provider has moved, set the new base address"
            )
        return url

    def _body(self, response: requests.Response) -> bytes:
        limit, parts, size = self._settings.body_max_bytes, [], 0
        ends_s = time.monotonic() + self._settings.total_timeout_s
        for part in response.iter_content(65_536):
            parts.append(part)
            size += len(part)
            if size > limit:
                raise WeatherInvalid(f"{self.provider}: the answer is larger than {limit} bytes")
            if time.monotonic() > ends_s:
                raise WeatherUnavailable(f"{self.provider}: the answer came too slowly; try again later")
        return b"".join(parts)

    def _transport_fault(self, error: requests.RequestException) -> WeatherError:
        # A read that timed out on every try arrives as a ConnectionError around the real reason.
        inner = error.args[0] if error.args else None
        timed_out = isinstance(inner, MaxRetryError) and isinstance(inner.reason, ReadTimeoutError)
        if isinstance(error, requests.exceptions.SSLError):
            text = "the encrypted connection failed; check this machine's clock and certificates"
        elif timed_out or isinstance(error, requests.exceptions.Timeout):
            text = "no answer in time; try again later"
        elif isinstance(
            error, requests.exceptions.ChunkedEncodingError | requests.exceptions.ContentDecodingError
        ):
            text = "the answer was cut off on the way; try again later"
        elif isinstance(error, requests.exceptions.ConnectionError):
            text = (
                f"cannot connect to {urlsplit(self.base_url).netloc}; check the network and the base address"
            )
        else:
            text = f"the request failed ({type(error).__name__})"
        return WeatherUnavailable(f"{self.provider}: {text}")

    def fault(self, status: int, headers: Mapping[str, str], body: bytes, now: dt.datetime) -> WeatherError:
        """Return the error that a status stands for, in words that name the fix."""
        reason = reason_of(body)
        said = f"{self.provider}: HTTP {status}" + (f" ({reason})" if reason else "")
        if status == 429 or status in _PASSING or status >= 500:
            wait_s = retry_after_s(headers.get("retry-after"), now)
            if wait_s is None and status == 429 and self._limit_wait is not None:
                wait_s = self._limit_wait(reason, now)
            hint = "asked too often; ask less often" if status == 429 else "passing fault; try again later"
            return WeatherUnavailable(f"{said}: {hint}", wait_s)
        if status in (401, 403):
            return WeatherRefused(
                f"{said}: blocked; check the contact in the User-Agent, the API key and the plan",
                everywhere=True,
            )
        if status in (400, 404, 410, 422):
            about_key = "api key" in reason.lower()
            fix = "check the API key" if about_key else "check that the provider covers this place"
            return WeatherRefused(f"{said}: not served; {fix}", everywhere=about_key)
        if 400 <= status < 500:
            return WeatherRefused(f"{said}: refused; check the base address and the settings")
        return WeatherInvalid(f"{said}: unexpected status; check the base address")

    def _warn_deprecated(self, now: dt.datetime) -> None:
        if self._warned_day != now.date():
            self._warned_day = now.date()
            log.warning("weather_version_deprecated", provider=self.provider, status=203)
