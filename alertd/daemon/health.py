"""The health endpoint: is the process alive, is it doing its job, and a few figures about both.

It tells ages and counts, never messages, addresses or secrets, and asks nobody to sign in: loopback only.
"""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import ClassVar

import structlog

from alertd.daemon.clock import Clock, TickState
from alertd.daemon.supervisor import Supervisor

JSON_TYPE = "application/json; charset=utf-8"
METRICS_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
CLIENT_TIMEOUT_S = 5.0

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Check:
    """One question about the daemon and its answer."""

    name: str
    ok: bool
    detail: str


@dataclass(frozen=True, slots=True)
class Health:
    """Answers from the clock's own memory and one look at the database.

    ``database_ok`` returns or raises; ``gauges`` may add figures, their names ending in their unit.
    ``standing`` tells, of a process that shares its work with others, whether it is well with that and how
    it stands.
    """

    clock: Clock
    database_ok: Callable[[], object]
    gauges: Callable[[], Mapping[str, float]] = field(default=dict)
    standing: Callable[[], tuple[bool, str]] | None = None

    def live(self) -> tuple[Check, ...]:
        """Return whether the process works at all; if not, replace it."""
        trouble = Supervisor(self.clock).trouble()
        return (Check("clock", trouble is None, trouble or "every tick shows signs of life"),)

    def ready(self) -> tuple[Check, ...]:
        """Return whether the daemon does its job: alive, database there, needed ticks succeeding."""
        needed = [state for state in self.clock.states() if state.tick.ready_periods > 0]
        lead = () if self.standing is None else (Check("lead", *self.standing()),)
        return (*self.live(), self._database(), *lead, *(self._succeeding(state) for state in needed))

    def metrics(self) -> str:
        """Return the figures as OpenMetrics text."""
        return "".join(f"{line}\n" for line in (*self._metric_lines(), "# EOF"))

    def _database(self) -> Check:
        try:
            self.database_ok()
        except Exception as error:  # noqa: BLE001  # whatever is wrong with it, the answer is "not ready"
            return Check("database", ok=False, detail=type(error).__name__)
        return Check("database", ok=True, detail="answers")

    def _succeeding(self, state: TickState) -> Check:
        name = f"{state.tick.name} succeeds"
        if state.ok_s is None:
            return Check(name, ok=False, detail=f"no success yet, {state.failures} failures")
        age_s = self.clock.monotonic_s() - state.ok_s
        limit_s = state.tick.ready_periods * state.tick.every_s
        detail = (
            f"last success {age_s:.0f} s ago, limit {limit_s:.0f} s, {state.failures_in_a_row} failures since"
        )
        return Check(name, age_s < limit_s, detail)

    def _metric_lines(self) -> Iterator[str]:
        now_s = self.clock.monotonic_s()
        states = self.clock.states()
        beats = {state.tick.name: now_s - state.beat_s for state in states}
        successes = {state.tick.name: now_s - state.ok_s for state in states if state.ok_s is not None}
        yield from _family("alertd_tick_beat_age_seconds", "gauge", "Since the last sign of life.", beats)
        yield from _family("alertd_tick_success_age_seconds", "gauge", "Since the last success.", successes)
        for name, meaning, counts in (
            ("runs", "Runs begun.", {state.tick.name: state.runs for state in states}),
            ("failures", "Runs failed.", {state.tick.name: state.failures for state in states}),
            (
                "skipped",
                "Runs skipped, the one before still running.",
                {s.tick.name: s.skipped for s in states},
            ),
        ):
            yield from _family(f"alertd_tick_{name}", "counter", meaning, counts)
        ready = all(check.ok for check in self.ready())
        yield from _single("alertd_ready", "1 while the daemon does its job.", float(ready))
        for name, value in sorted(self.gauges().items()):
            yield from _single(f"alertd_{name}", "See the documentation.", value)


def _family(name: str, kind: str, meaning: str, values: Mapping[str, float]) -> Iterator[str]:
    yield f"# TYPE {name} {kind}"
    if name.endswith("_seconds"):
        yield f"# UNIT {name} seconds"
    yield f"# HELP {name} {meaning}"
    suffix = "_total" if kind == "counter" else ""
    for tick, value in values.items():
        yield f'{name}{suffix}{{tick="{tick}"}} {value:.10g}'


def _single(name: str, meaning: str, value: float) -> Iterator[str]:
    yield f"# TYPE {name} gauge"
    if name.endswith("_seconds"):
        yield f"# UNIT {name} seconds"
    yield f"# HELP {name} {meaning}"
    yield f"{name} {value:.10g}"


class HealthServer(ThreadingHTTPServer):
    """Serves ``Health`` over HTTP from a thread of its own until closed.

    Raises
    ------
    OSError
        From the constructor, when the address cannot be had.
    """

    daemon_threads = True

    def __init__(self, health: Health, host: str, port: int) -> None:
        self.health = health
        self.address_family = socket.AF_INET6 if ":" in host else socket.AF_INET
        super().__init__((host, port), _Handler)

    def server_bind(self) -> None:
        """Bind without the reverse look-up of the standard class, which can hang for seconds."""
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.socket.bind(self.server_address)
        self.server_address = self.socket.getsockname()
        self.server_name, self.server_port = str(self.server_address[0]), int(self.server_address[1])

    def start(self) -> None:
        """Begin to serve."""
        serving = threading.Thread(
            target=self.serve_forever, kwargs={"poll_interval": 0.1}, name="health", daemon=True
        )
        serving.start()

    def close(self) -> None:
        """Stop serving and give the port back."""
        self.shutdown()
        self.server_close()

    def handle_error(self, request: object, client_address: object) -> None:
        """Log a broken request instead of printing it."""
        del request, client_address
        log.debug("health_request_broken", exc_info=True)


class _Handler(BaseHTTPRequestHandler):
    server: HealthServer
    timeout: ClassVar[float] = CLIENT_TIMEOUT_S
    server_version = "alertd"
    sys_version = ""

    def do_GET(self) -> None:
        health = self.server.health
        match self.path.partition("?")[0]:
            case "/livez":
                self._answer_checks(health.live())
            case "/readyz":
                self._answer_checks(health.ready())
            case "/metrics":
                self._answer(HTTPStatus.OK, METRICS_TYPE, health.metrics())
            case _:
                self._answer_json(HTTPStatus.NOT_FOUND, {"paths": ["/livez", "/readyz", "/metrics"]})

    def do_HEAD(self) -> None:
        self.do_GET()

    def _answer_checks(self, checks: tuple[Check, ...]) -> None:
        ok = all(check.ok for check in checks)
        body = {
            "ok": ok,
            "checks": {check.name: {"ok": check.ok, "detail": check.detail} for check in checks},
        }
        self._answer_json(HTTPStatus.OK if ok else HTTPStatus.SERVICE_UNAVAILABLE, body)

    def _answer_json(self, status: HTTPStatus, body: Mapping[str, object]) -> None:
        self._answer(status, JSON_TYPE, json.dumps(body))

    def _answer(self, status: HTTPStatus, content_type: str, text: str) -> None:
        body = text.encode()
        self.send_response(status)
        self.send_header("Content-Type", content_type)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:  # the standard class's name
        """Say nothing: a probe every few seconds would drown the log."""
