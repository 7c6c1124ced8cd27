"""The daemon as a process of its own: real signals, real exit codes."""

from __future__ import annotations

import datetime as dt
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from alertd.daemon.clock import Clock, Tick
from alertd.daemon.run import DaemonParts, RunSettings, run
from alertd.daemon.supervisor import Notifier, Signals
from alertd.errors import ConfigError, StoreUnusable
from tests.daemon.fakes import FakeBook, idle

ROOT = Path(__file__).parents[2]
PROGRAM = Path(__file__).with_name("tiny_daemon.py")


@contextmanager
def daemon(kind: str, port: int = 0, **environ: str) -> Iterator[subprocess.Popen[str]]:
    """Start a daemon of one tick and wait until that tick has begun."""
    process = subprocess.Popen(
        [sys.executable, str(PROGRAM), kind, str(port)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environ},
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "begun\n"
        yield process
    finally:
        process.kill()
        process.wait()
        for stream in (process.stdout, process.stderr):
            assert stream is not None
            stream.close()


def ended(process: subprocess.Popen[str]) -> tuple[int, str, list[dict[str, Any]]]:
    out, err = process.communicate(timeout=30)
    return process.returncode, out, [json.loads(line) for line in err.splitlines()]


def events(log: list[dict[str, Any]]) -> list[str]:
    return [line["event"] for line in log]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_finishes_what_is_in_flight_and_ends_with_0(number: signal.Signals) -> None:
    with daemon("work") as process:
        asked_at = time.monotonic()
        process.send_signal(number)
        code, out, log = ended(process)
    assert (code, out) == (0, "done\nclosed\n")
    assert events(log) == ["daemon_ready", "daemon_stopping", "daemon_stopped"]
    assert time.monotonic() - asked_at < 10


def test_a_second_signal_ends_at_once() -> None:
    with daemon("hang") as process:
        process.send_signal(signal.SIGTERM)
        time.sleep(0.2)
        process.send_signal(signal.SIGTERM)
        code, out, _log = ended(process)
    assert (code, out) == (128 + signal.SIGTERM, "")


def test_a_tick_that_outlasts_the_stop_is_left_behind_and_said() -> None:
    with daemon("hang") as process:
        process.send_signal(signal.SIGTERM)
        code, out, log = ended(process)
    assert (code, out) == (70, "")
    assert log[-1]["event"] == "work_left_behind"
    assert log[-1]["ticks"] == ["deliver"]


def test_a_hung_tick_ends_the_process_with_70() -> None:
    with daemon("hung") as process:
        code, _out, log = ended(process)
    assert code == 70
    broken = next(line for line in log if line["event"] == "daemon_broken")
    assert broken["reason"].startswith("tick deliver is hung")


def test_a_dead_scheduler_thread_ends_the_process_with_70() -> None:
    with daemon("dead") as process:
        code, out, log = ended_with_traceback(process)
    assert (code, out.splitlines()[-1]) == (70, "closed")
    broken = next(line for line in log if line["event"] == "daemon_broken")
    assert broken["reason"] == "the scheduler's thread is dead"


def ended_with_traceback(process: subprocess.Popen[str]) -> tuple[int, str, list[dict[str, Any]]]:
    """As ``ended``; the interpreter prints the traceback of the thread that died."""
    out, err = process.communicate(timeout=30)
    assert "disk I/O error" in err
    return process.returncode, out, [json.loads(line) for line in err.splitlines() if line.startswith("{")]


@pytest.mark.enable_socket
def test_the_process_answers_for_its_health() -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as free:
        port = free.getsockname()[1]
    with daemon("idle", port) as process:
        with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=10)) as connection:
            connection.request("GET", "/livez")
            assert connection.getresponse().status == 200
        process.send_signal(signal.SIGTERM)
        assert ended(process)[0] == 0


def test_systemd_hears_ready_watchdog_and_stopping(tmp_path: Path) -> None:
    with closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as listener:
        listener.bind(str(tmp_path / "notify"))
        listener.settimeout(30)
        with daemon("idle", NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="200000") as process:
            heard = [listener.recv(100) for _ in range(3)]
            process.send_signal(signal.SIGTERM)
            assert ended(process)[0] == 0
            while (word := listener.recv(100)) == b"WATCHDOG=1":
                pass
    assert heard == [b"READY=1", b"WATCHDOG=1", b"WATCHDOG=1"]
    assert word == b"STOPPING=1"


def test_a_daemon_in_trouble_sends_no_more_watchdog_pings(tmp_path: Path) -> None:
    with closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as listener:
        listener.bind(str(tmp_path / "notify"))
        with daemon("hung", NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="60000000") as process:
            assert ended(process)[0] == 70
        listener.setblocking(False)
        heard = list(iter(lambda: waiting(listener), b""))
    assert heard[0] == b"READY=1"
    assert heard[-1] == b"STOPPING=1"
    assert set(heard[1:-1]) <= {b"WATCHDOG=1"}


def waiting(listener: socket.socket) -> bytes:
    """Return the next message that is already there, or nothing."""
    with suppress(BlockingIOError):
        return listener.recv(100)
    return b""


def test_an_abstract_notify_socket_is_understood() -> None:
    if sys.platform != "linux":
        pytest.skip("abstract sockets are Linux's")
    with closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as listener:
        listener.bind(f"\0alertd-test-{os.getpid()}")
        listener.settimeout(10)
        Notifier(f"@alertd-test-{os.getpid()}").tell("READY=1")
        assert listener.recv(100) == b"READY=1"


def test_a_notify_socket_that_is_gone_does_no_harm(tmp_path: Path) -> None:
    Notifier(str(tmp_path / "gone")).tell("READY=1")
    assert Notifier.from_environment({}, 1) == Notifier()


@pytest.mark.parametrize(
    ("environ", "watchdog_s"),
    [
        ({"WATCHDOG_USEC": "60000000"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "7"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "8"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_the_watchdog_asks_only_the_process_it_means(
    environ: dict[str, str], watchdog_s: float | None
) -> None:
    assert Notifier.from_environment(environ, 7).watchdog_s == watchdog_s


def parts(database_ok: Any = lambda: None) -> DaemonParts:
    return DaemonParts([Tick("deliver", 60, idle)], FakeBook(), database_ok)


@pytest.mark.enable_socket
def test_a_taken_health_port_names_setting_and_fix() -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(ConfigError, match=rf"daemon\.health_port: .*port {port}.*another port"):
            run(parts(), RunSettings(health_port=port))


def test_an_unreadable_database_is_told_before_anything_starts() -> None:
    def fail() -> None:
        raise StoreUnusable("the database is not there")

    with pytest.raises(StoreUnusable):
        run(parts(fail), RunSettings())


def test_signal_handlers_are_put_back() -> None:
    before = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
    left: list[int] = []
    signals = Signals(left.append)
    with signals.installed():
        os.kill(os.getpid(), signal.SIGTERM)
        assert signals.wait(10)
        assert not signals.wait(0.0)
        os.kill(os.getpid(), signal.SIGINT)
        assert signals.wait(10)
    assert left == [130]
    assert (signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)) == before


@pytest.mark.enable_socket
def test_run_in_this_process_works_and_stops(tmp_path: Path) -> None:
    ran: list[dt.datetime] = []

    def once(now: dt.datetime) -> None:
        ran.append(now)
        os.kill(os.getpid(), signal.SIGTERM)

    closed: list[bool] = []
    whole = DaemonParts(
        [Tick("deliver", 60, once)], FakeBook(), lambda: None, close=lambda: closed.append(True)
    )
    assert run(whole, RunSettings(health_port=0, check_every_s=0.1)) == 0
    assert len(ran) == 1
    assert closed == [True]
    assert whole.stopping.is_set()


@pytest.mark.enable_socket
def test_run_in_this_process_ends_with_70_when_the_clock_is_dead(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Clock, "is_thread_alive", lambda _self: False)
    assert run(parts(), RunSettings(health_port=0, check_every_s=0.05)) == 70


@pytest.mark.enable_socket
def test_run_in_this_process_leaves_at_once_when_work_is_left_behind() -> None:
    gate = threading.Event()
    left: list[int] = []

    def hang(_now: dt.datetime) -> None:
        os.kill(os.getpid(), signal.SIGTERM)
        gate.wait(30)

    def leave(code: int) -> None:
        left.append(code)
        gate.set()

    whole = DaemonParts([Tick("deliver", 60, hang)], FakeBook(), lambda: None)
    settings = RunSettings(health_port=0, check_every_s=0.05, stop_within_s=0.05)
    assert run(whole, settings, leave=leave) == 70
    assert left == [70]
