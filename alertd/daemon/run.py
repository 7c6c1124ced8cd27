"""The life of the daemon: come up, say so, watch, and go down cleanly."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import structlog

from alertd.daemon.clock import Clock, Tick, TickBook
from alertd.daemon.health import Health, HealthServer
from alertd.daemon.supervisor import Notifier, Signals, Supervisor
from alertd.errors import ConfigError

OK = 0
BROKEN = 70  # EX_SOFTWARE of sysexits.h: the service manager may start it again

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class RunSettings:
    """How the daemon presents itself and how patient it is."""

    health_host: str = "127.0.0.1"
    health_port: int = 8642
    check_every_s: float = 5.0
    stop_within_s: float = 9.0  # of the ten promised; the rest is for going down


@dataclass(frozen=True, slots=True)
class DaemonParts:
    """What the composition root hands over; ``close`` gives back what the ticks used.

    ``stopping`` is set when no new work may begin: long ticks look at it between two pieces of work.
    """

    ticks: Sequence[Tick]
    book: TickBook
    database_ok: Callable[[], object]
    stopping: threading.Event = field(default_factory=threading.Event)
    gauges: Callable[[], Mapping[str, float]] = field(default=dict)
    close: Callable[[], object] = field(default=lambda: None)


def run(parts: DaemonParts, settings: RunSettings, *, leave: Callable[[int], object] = os._exit) -> int:
    """Run until a signal or a fault ends it, and return the exit code: 0 after a clean stop, else 70.

    ``leave`` ends the process at once: a second signal calls it, and a stop that must leave work behind,
    whose threads the interpreter would otherwise wait for.

    Raises
    ------
    ConfigError
        When the health endpoint's address cannot be had.
    StoreError
        When the database cannot be read to begin with.
    """
    parts.database_ok()
    clock = Clock(parts.ticks, parts.book, parts.stopping)
    server = _listen(Health(clock, parts.database_ok, parts.gauges), settings)
    notifier = Notifier.from_environment(os.environ, os.getpid())
    signals = Signals(leave)
    with signals.installed():
        server.start()
        clock.start()
        log.info("daemon_ready", health_port=server.server_port, ticks=[tick.name for tick in parts.ticks])
        notifier.tell("READY=1")
        trouble = _watch(clock, signals, notifier, settings)
        notifier.tell("STOPPING=1")
        code = _stop(clock, trouble, settings)
        server.close()
        if clock.in_flight:
            _flush_logs()
            leave(code)
        parts.close()
    log.info("daemon_stopped", exit_code=code)
    return code


def _listen(health: Health, settings: RunSettings) -> HealthServer:
    try:
        return HealthServer(health, settings.health_host, settings.health_port)
    except OSError as error:
        raise ConfigError(
            f"daemon.health_port: cannot listen on {settings.health_host} port {settings.health_port}: "
            f"{error.strerror}; is alertd running already? Stop it or set another port"
        ) from error


def _watch(clock: Clock, signals: Signals, notifier: Notifier, settings: RunSettings) -> str | None:
    """Look at the clock until a signal comes (None) or something is wrong (the reason)."""
    supervisor = Supervisor(clock)
    every_s = min(settings.check_every_s, (notifier.watchdog_s or settings.check_every_s * 2) / 2)
    while not signals.wait(every_s):
        trouble = supervisor.trouble()
        if trouble is not None:
            return trouble
        if notifier.watchdog_s is not None:
            notifier.tell("WATCHDOG=1")
    log.info("daemon_stopping", signal=signals.received)
    return None


def _stop(clock: Clock, trouble: str | None, settings: RunSettings) -> int:
    if trouble is not None:
        log.critical("daemon_broken", reason=trouble)
    finished = clock.stop(settings.stop_within_s)
    if not finished:
        hung = [state.tick.name for state in clock.states() if state.running_since_at is not None]
        log.error("work_left_behind", ticks=hung, waited_s=settings.stop_within_s)
    return OK if trouble is None and finished else BROKEN


def _flush_logs() -> None:
    for handler in logging.getLogger().handlers:
        handler.flush()
