"""The life of the daemon: come up, say so, watch, and go down cleanly."""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Protocol

import structlog

from alertd.daemon.clock import Clock, Tick, TickBook
from alertd.daemon.health import Health, HealthServer
from alertd.daemon.memory import settle
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


class Server(Protocol):
    """Something that serves beside the clock, such as the pages."""

    @property
    def name(self) -> str:
        """What it is called in the log."""
        ...

    @property
    def is_alive(self) -> bool:
        """Whether it still serves."""
        ...

    def start(self) -> None:
        """Begin to serve. Raises ConfigError if its address cannot be had."""
        ...

    def stop(self) -> None:
        """Answer what is under way and serve no more."""
        ...


@dataclass(frozen=True, slots=True)
class DaemonParts:
    """What the composition root hands over; ``close`` gives back what the ticks used.

    ``stopping`` is set when no new work may begin: long ticks look at it between two pieces of work.
    ``standing`` is how this process stands among others on the same database, see ``Health``.
    """

    ticks: Sequence[Tick]
    book: TickBook
    database_ok: Callable[[], object]
    stopping: threading.Event = field(default_factory=threading.Event)
    gauges: Callable[[], Mapping[str, float]] = field(default=dict)
    close: Callable[[], object] = field(default=lambda: None)
    servers: Sequence[Server] = ()
    standing: Callable[[], tuple[bool, str]] | None = None


def run(parts: DaemonParts, settings: RunSettings, *, leave: Callable[[int], object] = os._exit) -> int:
    """Run until a signal or a fault ends it, and return the exit code: 0 after a clean stop, else 70.

    ``leave`` ends the process at once: a second signal calls it, and a stop that must leave work behind,
    whose threads the interpreter would otherwise wait for.

    Raises
    ------
    ConfigError
        When the address of the health endpoint or of another server cannot be had.
    StoreError
        When the database cannot be read to begin with.
    """
    parts.database_ok()
    clock = Clock(parts.ticks, parts.book, parts.stopping)
    notifier = Notifier.from_environment(os.environ, os.getpid())
    signals = Signals(leave)
    with ExitStack() as serving, signals.installed():
        for one in parts.servers:
            one.start()
            serving.callback(one.stop)
        server = _listen(Health(clock, parts.database_ok, parts.gauges, parts.standing), settings)
        server.start()
        settle()
        clock.start()
        log.info("daemon_ready", health_port=server.server_port, ticks=[tick.name for tick in parts.ticks])
        notifier.tell("READY=1")
        trouble = _watch(clock, parts.servers, signals, notifier, settings)
        notifier.tell("STOPPING=1")
        parts.stopping.set()
        began_s = time.monotonic()
        serving.close()
        code = _stop(clock, trouble, settings.stop_within_s - (time.monotonic() - began_s))
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


def _watch(
    clock: Clock, servers: Sequence[Server], signals: Signals, notifier: Notifier, settings: RunSettings
) -> str | None:
    """Look at clock and servers until a signal comes (None) or something is wrong (the reason)."""
    supervisor = Supervisor(clock)
    every_s = min(settings.check_every_s, (notifier.watchdog_s or settings.check_every_s * 2) / 2)
    while not signals.wait(every_s):
        gone = next((one.name for one in servers if not one.is_alive), None)
        trouble = supervisor.trouble() if gone is None else f"the {gone} server has ended"
        if trouble is not None:
            return trouble
        if notifier.watchdog_s is not None:
            notifier.tell("WATCHDOG=1")
    log.info("daemon_stopping", signal=signals.received)
    return None


def _stop(clock: Clock, trouble: str | None, within_s: float) -> int:
    if trouble is not None:
        log.critical("daemon_broken", reason=trouble)
    finished = clock.stop(max(0.0, within_s))
    if not finished:
        hung = [state.tick.name for state in clock.states() if state.running_since_at is not None]
        log.error("work_left_behind", ticks=hung, waited_s=round(within_s, 1))
    return OK if trouble is None and finished else BROKEN


def _flush_logs() -> None:
    for handler in logging.getLogger().handlers:
        handler.flush()
