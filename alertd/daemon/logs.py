"""Structured logs on one stream: UTC, one line an event, nothing secret, nothing forged.

Our own events and those of every library pass the same processors. Traceback lines of the console form
are indented, so that no text of a stranger can stand at the beginning of a line.
"""

from __future__ import annotations

import logging
import re
import sys
from collections.abc import Mapping, Sequence
from typing import Literal, TextIO

import structlog
from structlog.typing import EventDict, Processor, WrappedLogger

MASKED = "[masked]"
SECRET_WORDS = ("password", "secret", "token", "address", "api_key", "apikey", "authorization", "cookie")
NOISY = ("apscheduler", "urllib3", "PIL", "mail.log", "alembic")

_MAIL_ADDRESS = re.compile(r"[\w.+%'-]+@[\w-]+(?:\.[\w-]+)+")
_SECRET_PAIR = re.compile(
    r"(?i)\b((?:api[_-]?key|access_token|token|secret|password|passwd|pwd)\s*[=:]\s*)[^\s&,;'\"}]+"
)
_USER_INFO = re.compile(r"(?<=://)[^/@\s]+@")
# C0 and C1 controls, DEL, line and paragraph separators, marks that turn the writing direction.
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def configure_logs(
    level: Literal["debug", "info", "warning", "error"] = "info",
    form: Literal["json", "console"] = "console",
    stream: TextIO | None = None,
) -> None:
    """Send every log record of the process to ``stream`` (standard error), in one form."""
    output = stream or sys.stderr
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True, key="at"),
    ]
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *shared,
            structlog.stdlib.PositionalArgumentsFormatter(),
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=False,
    )
    formatter = structlog.stdlib.ProcessorFormatter(
        foreign_pre_chain=shared,
        processors=[
            structlog.stdlib.ProcessorFormatter.remove_processors_meta,
            structlog.processors.format_exc_info,
            mask_secrets,
            *_last_steps(form),
        ],
    )
    handler = logging.StreamHandler(output)
    handler.setFormatter(formatter)
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level.upper())
    for name in NOISY:  # their own debug and info lines tell of every request and every tick
        logging.getLogger(name).setLevel(logging.WARNING)
    logging.captureWarnings(capture=True)


def mask_secrets(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    """Mask values under telling keys, and addresses and secrets within any text, at every depth."""
    return {key: _masked(key, value) for key, value in event.items()}


def encode_controls(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    r"""Write control characters as ``\xNN``: no forged line, no terminal command."""
    encoded: EventDict = {}
    for key, value in event.items():
        if key == "exception":
            lines = str(value).split("\n")
            encoded[key] = "\n".join(f"    {_without_controls(line)}" for line in lines)
        else:
            encoded[_without_controls(key)] = _encoded(value)
    return encoded


def _last_steps(form: str) -> Sequence[Processor]:
    if form == "json":  # the JSON form escapes controls by itself, and everything beyond ASCII
        return (structlog.processors.JSONRenderer(ensure_ascii=True, sort_keys=False, default=_text),)
    renderer = structlog.dev.ConsoleRenderer(
        colors=False,
        timestamp_key="at",
        exception_formatter=structlog.dev.plain_traceback,
        pad_event_to=0,
    )
    return (encode_controls, renderer)


def _text(value: object) -> str:
    return _clean(str(value))


def _clean(text: str) -> str:
    text = _USER_INFO.sub(f"{MASKED}@", text)
    return _MAIL_ADDRESS.sub(MASKED, _SECRET_PAIR.sub(rf"\1{MASKED}", text))


def _masked(key: object, value: object) -> object:
    if isinstance(key, str) and any(word in key.lower() for word in SECRET_WORDS):
        return MASKED
    if isinstance(value, str):
        return _clean(value)
    if isinstance(value, Mapping):
        return {inner: _masked(inner, item) for inner, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_masked(None, item) for item in value]
    if isinstance(value, bool | int | float | None):
        return value
    return _text(value)


def _without_controls(text: str) -> str:
    return _CONTROL.sub(lambda found: found.group().encode("unicode_escape").decode("ascii"), text)


def _encoded(value: object) -> object:
    if isinstance(value, bool | int | float | None):
        return value
    return _without_controls(value if isinstance(value, str) else repr(value))
