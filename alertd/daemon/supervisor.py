"""Sees a dead clock or a hung tick, and turns the system's signals into a clean end."""

from __future__ import annotations

import os
import queue
import signal
import socket
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from types import FrameType

from alertd.daemon.clock import Clock


@dataclass(frozen=True, slots=True)
class Supervisor:
    """Tells why the clock is no longer to be trusted."""

    clock: Clock

    def trouble(self) -> str | None:
        """Return the reason why the process must be replaced, or None.

        Ages are of the monotonic clock: a step of the wall clock neither hides nor feigns a hang. A step
        back silences APScheduler, which waits for the wall clock; the missing pulse then shows it.
        """
        if not self.clock.is_thread_alive():
            return "the scheduler's thread is dead"
        now_s = self.clock.monotonic_s()
        for state in self.clock.states():
            age_s = now_s - state.beat_s
            if age_s > state.tick.stale_after_s:
                what = "is hung" if state.running_since_at else "does not come up"
                return f"tick {state.tick.name} {what}: no sign of life for {age_s:.0f} s"
        return None


@dataclass
class Signals:
    """SIGTERM and SIGINT as a question the main loop asks; a second one ends the process at once.

    The handler does nothing but put into a SimpleQueue, whose ``put`` is documented as reentrant;
    setting a threading.Event from a handler can deadlock with the wait it interrupts.
    """

    leave: Callable[[int], object] = os._exit
    received: int | None = None
    _inbox: queue.SimpleQueue[int] = field(default_factory=queue.SimpleQueue)

    @contextmanager
    def installed(self) -> Iterator[None]:
        """Listen while the block runs, then put back what was there before."""
        numbers = (signal.SIGTERM, signal.SIGINT)
        before = {number: signal.signal(number, self._on_signal) for number in numbers}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def wait(self, timeout_s: float) -> bool:
        """Return True as soon as a signal asks to stop, False after ``timeout_s`` without one."""
        try:
            self._inbox.get(timeout=timeout_s)
        except queue.Empty:
            return False
        return True

    def _on_signal(self, number: int, _frame: FrameType | None) -> None:
        if self.received is not None:
            self.leave(128 + number)
        self.received = number
        self._inbox.put(number)


@dataclass(frozen=True, slots=True)
class Notifier:
    """Tells systemd how the process is (sd_notify protocol); silent where nobody asks."""

    address: str = ""
    watchdog_s: float | None = None

    @classmethod
    def from_environment(cls, environ: Mapping[str, str], pid: int) -> Notifier:
        """Return what NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID ask for."""
        usec = environ.get("WATCHDOG_USEC", "")
        meant_for_us = environ.get("WATCHDOG_PID", str(pid)) == str(pid)
        watched = usec.isdecimal() and int(usec) > 0 and meant_for_us
        return cls(environ.get("NOTIFY_SOCKET", ""), int(usec) / 1e6 if watched else None)

    def tell(self, state: str) -> None:
        """Send one state such as READY=1; nobody listening is no reason to fail."""
        if not self.address:
            return
        name = "\0" + self.address[1:] if self.address.startswith("@") else self.address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
                sender.setblocking(False)  # a listener that does not read must not stop us
                sender.sendto(state.encode(), name)
        except OSError:
            return
