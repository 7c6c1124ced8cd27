"""How long an answer stays fresh, what is sent to ask whether it has changed, and where it is kept."""

from __future__ import annotations

import datetime as dt
import email.utils
import re
import threading
import time
from collections import OrderedDict
from collections.abc import Mapping
from typing import Protocol

from alertd.records.keeping import CachedResponse

LIFETIME_MAX_S = 86_400.0
_KEPT_HEADERS = ("last-modified", "etag", "content-type", "x-correlation-id")


class ResponseCache(Protocol):
    """Keeps answers between requests. Keys are addresses and hold no secrets."""

    def get(self, key: str) -> CachedResponse | None:
        """Return the answer kept under this key, fresh or not."""
        ...

    def put(self, key: str, response: CachedResponse) -> None:
        """Keep this answer under this key in place of the former one."""
        ...


class MemoryCache:
    """A cache that lasts as long as the process and holds the most recently used answers."""

    def __init__(self, entries_max: int = 512) -> None:
        self._entries: OrderedDict[str, CachedResponse] = OrderedDict()
        self._entries_max = entries_max
        self._lock = threading.Lock()

    def get(self, key: str) -> CachedResponse | None:
        """Return the answer kept under this key, fresh or not."""
        with self._lock:
            if key in self._entries:
                self._entries.move_to_end(key)
            return self._entries.get(key)

    def put(self, key: str, response: CachedResponse) -> None:
        """Keep this answer and forget the one that was not used for longest."""
        with self._lock:
            self._entries[key] = response
            self._entries.move_to_end(key)
            while len(self._entries) > self._entries_max:
                self._entries.popitem(last=False)


def retry_after_s(header: str | None, now: dt.datetime | None = None) -> float | None:
    """Return the seconds a Retry-After header asks for; None where absent or unreadable."""
    if header is None:
        return None
    if re.fullmatch(r"\s*\d{1,9}\s*", header):
        return float(header)
    at = _http_date(header)
    if at is None:
        return None
    return max(at.timestamp() - (time.time() if now is None else now.timestamp()), 0.0)


def _http_date(text: str | None) -> dt.datetime | None:
    try:
        at = email.utils.parsedate_to_datetime(text or "")
    except (ValueError, TypeError, OverflowError):
        return None
    return at if at.tzinfo else at.replace(tzinfo=dt.UTC)


def lifetime_s(headers: Mapping[str, str], now: dt.datetime, default_s: float) -> float:
    """Return how long an answer stays fresh: max-age, else Expires, else the default (RFC 9111)."""
    directives = headers.get("cache-control", "").lower()
    if "no-store" in directives or "no-cache" in directives:
        return 0.0
    age = re.search(r"max-age\s*=\s*\"?(\d{1,9})", directives)
    if age:
        spent = headers.get("age", "0").strip()
        life = float(age[1]) - (float(spent) if spent.isdecimal() and len(spent) < 10 else 0.0)
        return min(max(life, 0.0), LIFETIME_MAX_S)
    if "expires" in headers:
        expires = _http_date(headers["expires"])
        if expires is None:
            return 0.0  # RFC 9111, 5.3: an invalid date, such as 0, is in the past
        sent = _http_date(headers.get("date")) or now
        return min(max((expires - sent).total_seconds(), 0.0), LIFETIME_MAX_S)
    return default_s


def validators(kept: CachedResponse | None) -> dict[str, str]:
    """Return the conditional headers, with the exact texts received: a stamp may lie in the future."""
    if kept is None:
        return {}
    named = {
        "If-Modified-Since": kept.headers.get("last-modified"),
        "If-None-Match": kept.headers.get("etag"),
    }
    return {name: text for name, text in named.items() if text}


def kept_headers(headers: Mapping[str, str]) -> dict[str, str]:
    """Return the headers worth keeping with an answer."""
    return {name: headers[name] for name in _KEPT_HEADERS if name in headers}
