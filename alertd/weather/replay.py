"""A local server that answers as all three providers would have, had they forecast what then happened.

It listens on 127.0.0.1 only. Faults can be switched on for each provider.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import email.utils
import re
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Self
from urllib.parse import parse_qs, urlsplit

import pandas as pd

from alertd.records.weather import WeatherCell
from alertd.weather import replay_shapes as shapes
from alertd.weather.hours import HOUR_S, instant_s
from alertd.weather.replay_truth import ForecastError, Truth

NEAR_DEG = 0.05


class Trouble(StrEnum):
    """What can go wrong with an answer."""

    STATUS = "status"
    HTML = "html"
    EMPTY = "empty"
    TRUNCATED = "truncated"
    UNITS = "units"
    STALE = "stale"
    SLOW = "slow"
    NAN = "nan"
    REDIRECT = "redirect"


@dataclass(frozen=True, slots=True)
class Fault:
    """One trouble, with its figures; ``path`` limits it to addresses that contain it."""

    trouble: Trouble
    status: int = 503
    body: str = ""
    retry_after: str = ""
    hours: float = 36.0
    seconds: float = 0.2
    location: str = "https://elsewhere.invalid/"
    path: str = ""


@dataclass(frozen=True, slots=True)
class Reply:
    """One answer on its way out."""

    body: bytes
    status: int = 200
    content_type: str = "application/json"
    headers: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """One request as it came in."""

    provider: str
    path: str
    query: Mapping[str, str]
    headers: Mapping[str, str]


class ReplayServer:
    """Serves truth tables (canonical columns, hourly UTC index) as forecasts made at ``clock()``.

    Use as a context manager, or call ``start`` and ``stop``.
    """

    def __init__(
        self,
        truth: Mapping[WeatherCell, pd.DataFrame],
        clock: Callable[[], dt.datetime],
        *,
        error: ForecastError | None = None,
        nordic: bool = False,
        rain_block_h: int = 6,
    ) -> None:
        self._truths = [Truth(cell, table, error) for cell, table in truth.items()]
        self._clock = clock
        self._nordic = nordic
        self._rain_block_h = rain_block_h
        self._faults: dict[str, list[tuple[Fault, int | None]]] = {}
        self._lock = threading.Lock()
        self.counts: Counter[str] = Counter()
        self.asked: deque[Asked] = deque(maxlen=1000)
        self._server = _Server(("127.0.0.1", 0), _Handler)
        self._server.replay = self
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)

    def start(self) -> Self:
        """Begin to answer."""
        self._thread.start()
        return self

    def stop(self) -> None:
        """Stop and free the port."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5.0)

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @property
    def _base_url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    @property
    def openmeteo_url(self) -> str:
        """Return the base address in place of Open-Meteo."""
        return f"{self._base_url}/openmeteo"

    @property
    def nws_url(self) -> str:
        """Return the base address in place of api.weather.gov."""
        return f"{self._base_url}/nws"

    @property
    def metno_url(self) -> str:
        """Return the base address in place of Locationforecast 2.0."""
        return f"{self._base_url}/metno"

    def inject(self, provider: str, fault: Fault, times: int | None = None) -> None:
        """Make the provider's next answers (all of them without ``times``) suffer this fault."""
        with self._lock:
            self._faults.setdefault(provider, []).append((fault, times))

    def heal(self, provider: str | None = None) -> None:
        """Take the faults of one provider, or of all, away."""
        with self._lock:
            if provider is None:
                self._faults.clear()
            else:
                self._faults.pop(provider, None)

    def reply(self, asked: Asked) -> Reply:
        """Return the answer to one request, faults included."""
        with self._lock:
            self.counts[asked.provider] += 1
            self.asked.append(asked)
            fault = self._take_fault(asked)
        now_s = int(self._clock().timestamp())
        if fault is not None and fault.trouble is Trouble.STALE:
            now_s -= int(fault.hours * HOUR_S)
        reply = self._answer(asked, now_s)
        return reply if fault is None else _spoilt(reply, fault)

    def http_now(self) -> dt.datetime:
        """Return the instant for the Date header."""
        return self._clock()

    def _take_fault(self, asked: Asked) -> Fault | None:
        waiting = self._faults.get(asked.provider, [])
        for place, (fault, times) in enumerate(waiting):
            if fault.path not in asked.path:
                continue
            if times is not None:
                if times <= 1:
                    waiting.pop(place)
                else:
                    waiting[place] = (fault, times - 1)
            return fault
        return None

    def _answer(self, asked: Asked, now_s: int) -> Reply:
        if asked.provider == "openmeteo":
            return self._openmeteo(asked, now_s)
        agent = asked.headers.get("user-agent", "")
        if not agent or agent.startswith("python-requests"):
            return Reply(b"<html><body><h1>Access Denied</h1></body></html>", 403, "text/html")
        return self._nws(asked, now_s) if asked.provider == "nws" else self._metno(asked, now_s)

    def _near(self, latitude: str, longitude: str) -> int | None:
        try:
            lat, lon = float(latitude), float(longitude)
        except ValueError:
            return None
        far = [
            max(abs(truth.cell.latitude_deg - lat), abs(truth.cell.longitude_deg - lon))
            for truth in self._truths
        ]
        nearest = min(range(len(far)), key=far.__getitem__, default=None)
        return nearest if nearest is not None and far[nearest] <= NEAR_DEG else None

    def _openmeteo(self, asked: Asked, now_s: int) -> Reply:
        query = asked.query
        place = self._near(query.get("latitude", ""), query.get("longitude", ""))
        if place is None:
            return _refusal("No data is available for this location")
        if query.get("timeformat") != "unixtime" or query.get("timezone", "GMT") != "GMT":
            return _refusal("This replay speaks unixtime and GMT only")
        if query.get("wind_speed_unit") != "ms":
            return _refusal("This replay speaks m/s only")
        try:
            past_days, days = int(query.get("past_days", "0")), int(query.get("forecast_days", "7"))
            names = query.get("hourly", "").split(",")
            body = shapes.openmeteo_forecast(self._truths[place], names, now_s, past_days, days)
        except shapes.UnknownVariable as error:
            return _refusal(
                f"Cannot initialize the variable from invalid String value {error} for key hourly"
            )
        except ValueError:
            return _refusal("Cannot read past_days or forecast_days")
        return Reply(body.encode(), content_type="application/json; charset=utf-8")

    def _nws(self, asked: Asked, now_s: int) -> Reply:
        point = re.fullmatch(r"/points/(-?[\d.]+),(-?[\d.]+)", asked.path)
        if point:
            place = self._near(point[1], point[2])
            if place is None:
                return _problem("InvalidPoint", "Unable to provide data for requested point")
            return _geojson(shapes.nws_point(place), 21_600)
        grid = re.fullmatch(rf"/gridpoints/{shapes.GRID_ID}/(\d+),0(/stations)?", asked.path)
        if grid and int(grid[1]) < len(self._truths):
            place = int(grid[1])
            if grid[2]:
                return _geojson(shapes.nws_stations(place), 21_600)
            truth = self._truths[place]
            return _geojson(shapes.nws_grid(truth, place, now_s, rain_block_h=self._rain_block_h), 282)
        station = re.fullmatch(rf"/stations/{shapes.GRID_ID}(\d+)/observations", asked.path)
        if station and int(station[1]) < len(self._truths):
            return self._nws_observations(self._truths[int(station[1])], asked.query, now_s)
        return _problem("NotFound" if station or not grid else "InvalidGridpoint", "Not found")

    def _nws_observations(self, truth: Truth, query: Mapping[str, str], now_s: int) -> Reply:
        start_s, end_s = instant_s(query.get("start", "")), instant_s(query.get("end", ""))
        limit = query.get("limit", "500")
        first_s = now_s - 7 * shapes.DAY_S if start_s is None else start_s
        body = shapes.nws_observations(
            truth, first_s, now_s if end_s is None else end_s, now_s, int(limit) if limit.isdecimal() else 500
        )
        return _geojson(body, 280)

    def _metno(self, asked: Asked, now_s: int) -> Reply:
        place = self._near(asked.query.get("lat", ""), asked.query.get("lon", ""))
        if place is None:
            return Reply(b"Outside of coverage area", 404, "text/plain")
        modified = email.utils.formatdate(now_s // HOUR_S * HOUR_S, usegmt=True)
        headers = (
            ("Expires", email.utils.formatdate(now_s + 1830, usegmt=True)),
            ("Last-Modified", modified),
        )
        if asked.headers.get("if-modified-since") == modified:
            return Reply(b"", 304, headers=headers)
        body = shapes.metno_complete(self._truths[place], now_s, self._nordic)
        return Reply(body.encode(), headers=headers)


def _refusal(reason: str) -> Reply:
    return Reply(f'{{"error":true,"reason":"{reason}"}}'.encode(), 400)


def _problem(kind: str, detail: str) -> Reply:
    body = f'{{"type":"https://api.weather.gov/problems/{kind}","status":404,"detail":"{detail}"}}'
    return Reply(body.encode(), 404, "application/problem+json")


def _geojson(body: str, max_age_s: int) -> Reply:
    return Reply(
        body.encode(), 200, "application/geo+json", (("Cache-Control", f"public, max-age={max_age_s}"),)
    )


def _spoilt(reply: Reply, fault: Fault) -> Reply:
    body, headers = reply.body, reply.headers
    if fault.retry_after:
        headers = (*headers, ("Retry-After", fault.retry_after))
    if fault.trouble is Trouble.SLOW:
        time.sleep(fault.seconds)
    if fault.trouble is Trouble.UNITS:
        for label, other in (
            (b'"\xc2\xb0C"', b'"K"'),
            (b"wmoUnit:degC", b"wmoUnit:K"),
            (b"celsius", b"kelvin"),
        ):
            body = body.replace(label, other)
    spoilt = {
        Trouble.STATUS: Reply(fault.body.encode(), fault.status, headers=headers),
        Trouble.HTML: Reply(b"<html><body><h1>Bad Gateway</h1></body></html>", 200, "text/html"),
        Trouble.EMPTY: Reply(b"", 200, reply.content_type),
        Trouble.TRUNCATED: Reply(body[: len(body) // 2], 200, reply.content_type),
        Trouble.NAN: Reply(b'{"latitude":nan,"longitude":nan}', 200, reply.content_type),
        Trouble.REDIRECT: Reply(b"", 301, headers=(("Location", fault.location),)),
    }
    return spoilt.get(fault.trouble) or Reply(body, reply.status, reply.content_type, headers)


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    replay: ReplayServer


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True
    wbufsize = -1
    server: _Server

    def do_GET(self) -> None:
        parts = urlsplit(self.path)
        provider, _, path = parts.path.lstrip("/").partition("/")
        asked = Asked(
            provider,
            f"/{path}",
            {name: values[0] for name, values in parse_qs(parts.query).items()},
            {name.lower(): value for name, value in self.headers.items()},
        )
        with contextlib.suppress(ConnectionError):  # the client did not wait
            self._send(self.server.replay.reply(asked))

    def _send(self, reply: Reply) -> None:
        self.send_response(reply.status)
        self.send_header("Content-Type", reply.content_type)
        self.send_header("Content-Length", str(len(reply.body)))
        for name, value in reply.headers:
            self.send_header(name, value)
        self.end_headers()
        if reply.status != 304:
            self.wfile.write(reply.body)

    def date_time_string(self, timestamp: float | None = None) -> str:
        """Return the replayed time, so that the headers fit each other."""
        at_s = self.server.replay.http_now().timestamp() if timestamp is None else timestamp
        return email.utils.formatdate(at_s, usegmt=True)

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""
