"""Column types that keep what the records promise: aware UTC instants, JSON without NaN."""

from __future__ import annotations

import datetime as dt
import json
import math
from typing import Any

from sqlalchemy import DateTime
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

TEXT_KEPT_MAX = 1000


class UtcDateTime(TypeDecorator[dt.datetime]):
    """An aware instant, stored in UTC; a naive one is refused."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        """Return the instant in UTC, without its zone where the database has no zones."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"{value.isoformat()} has no time zone; instants are aware")
        instant = value.astimezone(dt.UTC)
        return instant if dialect.name == "postgresql" else instant.replace(tzinfo=None)

    def process_result_value(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        """Return the instant, aware, in UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)


def _finite(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: _finite(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(entry) for entry in value]
    return value


def to_json(value: Any) -> str:
    """Return JSON text; NaN and infinities become null, so that one odd number never loses an alert."""
    try:
        return json.dumps(value, allow_nan=False, separators=(",", ":"))
    except ValueError:
        return json.dumps(_finite(value), allow_nan=False, separators=(",", ":"))


def kept_text(text: str) -> str:
    """Return text any database takes: no NUL, no lone surrogates, at most 1,000 characters."""
    return text[:TEXT_KEPT_MAX].replace("\x00", "").encode("utf-8", "replace").decode("utf-8")
