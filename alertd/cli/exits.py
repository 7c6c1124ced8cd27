"""How a command ends: its exit code, and one or two clear lines for what went wrong.

The codes from 64 on are those of sysexits.h; a service manager and a script can rely on them.
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Callable

import typer

from alertd.errors import (
    AlertdError,
    CatalogError,
    ConfigError,
    DeliveryError,
    InputError,
    StoreError,
    WeatherError,
)

OK = 0
FINDINGS = 1
WRONG_INPUT = 2
FAULT = 70
DATABASE = 74
PASSING = 75
SETTINGS = 78
INTERRUPTED = 130

CODES: tuple[tuple[int, str], ...] = (
    (OK, "done"),
    (FINDINGS, "done, with findings: faults found by a check, rows not imported"),
    (WRONG_INPUT, "wrong input: an option, a name, a file"),
    (FAULT, "a fault inside alertd"),
    (DATABASE, "the database cannot be opened, read or written"),
    (PASSING, "a passing failure: no weather, or mail not accepted; try again later"),
    (SETTINGS, "a setting is missing or wrong"),
)

_KINDS: tuple[tuple[type[AlertdError], int], ...] = (
    (InputError, WRONG_INPUT),
    (ConfigError, SETTINGS),
    (StoreError, DATABASE),
    (WeatherError, PASSING),
    (DeliveryError, PASSING),
    (CatalogError, FAULT),
)
# Typer carries its own copy of click in some versions and uses the package in others.
_UsageTrouble: type[Exception] = next(
    kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException"
)

log = logging.getLogger("alertd.cli")


def code_of(error: AlertdError) -> int:
    """Return the exit code that stands for an error."""
    return next((code for kind, code in _KINDS if isinstance(error, kind)), FAULT)


def ended(command: Callable[[], object]) -> int:
    """Run a command to its end and return the exit code; errors become lines on standard error."""
    try:
        result = command()
        sys.stdout.flush()
    except (typer.Abort, KeyboardInterrupt):
        complain("stopped")
        return INTERRUPTED
    except Exception as error:  # noqa: BLE001  # nothing may leave as a traceback
        return _told(error)
    return result if isinstance(result, int) else OK


def _told(error: Exception) -> int:
    """Tell what went wrong and return the exit code that stands for it."""
    if isinstance(error, _UsageTrouble):
        return _usage(error)
    if isinstance(error, BrokenPipeError):
        return _reader_left()
    log.debug("command-failed", exc_info=error)
    if isinstance(error, AlertdError):
        complain(str(error))
        return code_of(error)
    complain(
        f"a fault inside alertd ({type(error).__name__}: {error}); "
        "run it again as `alertd --debug ...` to see where, and report it"
    )
    return FAULT


def complain(message: str) -> None:
    """Print a message on standard error, every line of it printable."""
    lines = ["".join(c if c.isprintable() else " " for c in line) for line in message.splitlines()]
    print("alertd:", "\n".join(lines) or "failed", file=sys.stderr, flush=True)


def _usage(error: Exception) -> int:
    """Show what was wrong with the words typed, and where the help is; no words at all show the help."""
    context = getattr(error, "ctx", None)
    if type(error).__name__ == "NoArgsIsHelpError" and context is not None:
        print(context.get_help(), file=sys.stderr)
        return WRONG_INPUT
    told: Callable[[], str] = getattr(error, "format_message", error.__str__)
    complain(told().replace("Value error, ", ""))
    path = "alertd" if context is None else context.command_path
    print(f"Help: {path} --help", file=sys.stderr, flush=True)
    return int(getattr(error, "exit_code", WRONG_INPUT)) or WRONG_INPUT


def _reader_left() -> int:
    """End quietly where the reader of a pipe has seen enough."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return OK
