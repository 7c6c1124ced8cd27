"""Alerts for machines: a JSON body, signed and carried as Standard Webhooks 1.0.0 describes."""

from __future__ import annotations

import base64
import binascii
import datetime as dt
import email.utils
import hashlib
import hmac
import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import TracebackType
from typing import Any

import requests
from urllib3.exceptions import NewConnectionError

from alertd.delivery.guard import Guard, guarded_session
from alertd.errors import DeliveryDeferred, DeliveryError, DeliveryRejected, InputError
from alertd.records.alert import Alert
from alertd.records.site import Site

BODY_VERSION = 1
"""Of the schemas in ``schemas/``; what would make today's bodies fail them is a new version."""
SCHEMA_BASE = "https://alertd.example/webhook"
BODY_BYTES_MAX = 64 * 1024
ANSWER_BYTES_MAX = 1024
OVERLOADED = frozenset({429, 502, 503, 504})
SECRET_PREFIX = "whsec_"  # noqa: S105  # the prefix of every secret, not one of them
SECRET_BYTES = range(24, 65)
LEFT_OUT_FIRST = ("days", "pressures", "water", "scouting", "plantings")
_ID = re.compile(r"[A-Za-z0-9_-]{1,128}\Z")


def secret_bytes(secret: str) -> bytes:
    """Return the key inside ``whsec_<base64>``. Raises InputError naming the fix."""
    try:
        key = base64.b64decode(secret.removeprefix(SECRET_PREFIX), validate=True)
    except (binascii.Error, ValueError) as error:
        raise InputError("secret", "write it as whsec_ followed by base64") from error
    if not secret.startswith(SECRET_PREFIX) or len(key) not in SECRET_BYTES:
        raise InputError("secret", "write it as whsec_ followed by 24 to 64 random bytes in base64")
    return key


def signature(secrets: Iterable[str], message_id: str, timestamp: int, body: bytes) -> str:
    """Return the ``webhook-signature`` header: one ``v1`` entry for each valid secret."""
    if not _ID.match(message_id):
        raise DeliveryRejected("webhook-id: only letters, digits, _ and - can be signed")
    signed = b".".join((message_id.encode(), str(timestamp).encode(), body))
    entries = []
    for secret in secrets:
        try:
            key = secret_bytes(secret)
        except InputError as error:
            raise DeliveryRejected(f"the subscriber's {error}") from error
        digest = hmac.new(key, signed, hashlib.sha256).digest()
        entries.append(f"v1,{base64.b64encode(digest).decode()}")
    if not entries:
        raise DeliveryRejected("secret: the subscriber has none, so nothing can be signed; give it one")
    return " ".join(entries)


def event_type(alert: Alert) -> str:
    """Return the dotted type name, such as ``alertd.hot_dry_warning.opened``."""
    return f"alertd.{alert.kind.value.replace('-', '_')}.{alert.change.value}"


def webhook_body(alert: Alert, site: Site, handed_over_from: str = "") -> bytes:
    """Return the JSON body of one alert, the same bytes on every retry.

    ``schemas/<kind>.v<version>.json`` says what stands in it. Messages may arrive out of order:
    ``sequence`` rises within an episode. ``handed_over_from`` names who has not acknowledged it. An
    evidence too large for one message loses the keys that ``left_out`` then names.
    """
    evidence: dict[str, Any] = _finite(alert.evidence)
    left_out: list[str] = []
    body = _encode(alert, site, handed_over_from, evidence, left_out)
    for key in LEFT_OUT_FIRST:
        if len(body) <= BODY_BYTES_MAX:
            break
        if key in evidence:
            del evidence[key]
            left_out.append(key)
            body = _encode(alert, site, handed_over_from, evidence, left_out)
    if len(body) > BODY_BYTES_MAX:
        raise DeliveryRejected(f"the alert is {len(body)} bytes as JSON, more than {BODY_BYTES_MAX}")
    return body


def _finite(value: Any) -> Any:
    """Return the value with numbers that JSON does not know as null: unknown is never zero."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {key: _finite(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(entry) for entry in value]
    return value


def _encode(
    alert: Alert, site: Site, handed_over_from: str, evidence: dict[str, Any], left_out: list[str]
) -> bytes:
    event = {
        "type": event_type(alert),
        "timestamp": _instant(alert.made_at),
        "version": BODY_VERSION,
        "data": {
            "alert_id": alert.id,
            "episode_id": alert.episode_id,
            "sequence": alert.sequence,
            "site_id": site.id,
            "site_name": site.name,
            "kind": alert.kind.value,
            "subject": alert.subject,
            "change": alert.change.value,
            "level": int(alert.level),
            "level_name": alert.level.name.lower(),
            "expires_at": None if alert.expires_at is None else _instant(alert.expires_at),
            "handed_over_from": handed_over_from or None,
            "left_out": left_out,
            "evidence": evidence,
        },
    }
    text = json.dumps(event, ensure_ascii=False, allow_nan=False, separators=(",", ":"), sort_keys=True)
    return text.encode("utf-8", "replace")


def _instant(at: dt.datetime) -> str:
    return at.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


@dataclass(frozen=True, slots=True)
class WebhookSettings:
    """How far webhooks reach and how long they wait.

    ``networks``, ``ports`` and ``plain_http`` widen what the guard allows; ``ca_file`` adds an authority.
    """

    networks: tuple[str, ...] = ()
    ports: tuple[int, ...] = (443, 8443)
    plain_http: bool = False
    connect_timeout_s: float = 5.0
    read_timeout_s: float = 15.0
    user_agent: str = "alertd"
    ca_file: str | None = None

    @property
    def guard(self) -> Guard:
        """The guard these settings describe."""
        return Guard(self.networks, ports=self.ports, plain_http=self.plain_http)


class WebhookTransport:
    """Posts signed bodies; keeps connections open between messages. Safe to share between threads."""

    def __init__(self, settings: WebhookSettings, guard: Guard | None = None) -> None:
        self._settings = settings
        self._guard = guard if guard is not None else settings.guard
        self._session = guarded_session(
            self._guard, total_timeout_s=settings.connect_timeout_s + settings.read_timeout_s
        )

    def __enter__(self) -> WebhookTransport:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close every connection."""
        self._session.close()

    def send(self, url: str, secrets: Iterable[str], message_id: str, body: bytes, now: dt.datetime) -> str:
        """Post one body and return the status line of a 2xx answer.

        Raises
        ------
        DeliveryDeferred
            Anything that may pass: no connection, time out, 3xx, 4xx, 5xx; with Retry-After if given.
        DeliveryRejected
            410 Gone, an address that is not allowed, or a message that cannot be signed.
        """
        self._guard.check_url(url)
        timestamp = int(now.timestamp())
        headers = {
            "content-type": "application/json",
            "user-agent": self._settings.user_agent,
            "webhook-id": message_id,
            "webhook-timestamp": str(timestamp),
            "webhook-signature": signature(secrets, message_id, timestamp, body),
        }
        try:
            answer = self._session.post(
                url,
                data=body,
                headers=headers,
                timeout=(self._settings.connect_timeout_s, self._settings.read_timeout_s),
                allow_redirects=False,
                stream=True,
                verify=self._settings.ca_file or True,
            )
        except (requests.exceptions.InvalidURL, requests.exceptions.InvalidSchema) as error:
            raise DeliveryRejected(f"webhook address: not a URL that can be called ({error})") from error
        except requests.RequestException as error:
            raise DeliveryDeferred(
                f"webhook not delivered: {_reason(error)}", unreachable=_is_unreachable(error)
            ) from error
        with answer:
            return _outcome(answer, now)


def _reason(error: requests.RequestException) -> str:
    if isinstance(error, requests.exceptions.SSLError):
        return "the certificate of the receiver could not be verified, or TLS failed"
    if isinstance(error, requests.Timeout):
        return "the receiver did not answer in time"
    if isinstance(error, requests.ConnectionError):
        return "the receiver could not be reached or hung up"
    return type(error).__name__


def _is_unreachable(error: requests.RequestException) -> bool:
    """Whether no connection came about at all; a hang-up or a slow answer may be about this message."""
    if isinstance(error, requests.exceptions.SSLError | requests.ConnectTimeout):
        return True
    return bool(error.args) and isinstance(getattr(error.args[0], "reason", None), NewConnectionError)


def _outcome(answer: requests.Response, now: dt.datetime) -> str:
    status = answer.status_code
    text = _first_bytes(answer)
    if 200 <= status < 300:
        return f"HTTP {status}"
    raise _refusal(status, text, answer.headers.get("Retry-After"), now)


def _refusal(status: int, text: str, retry_after: str | None, now: dt.datetime) -> DeliveryError:
    if status == 410:
        return DeliveryRejected("HTTP 410: the receiver wants no more of these")
    hint = "; give the final address, redirects are not followed" if 300 <= status < 400 else ""
    answer = f": {text}" if text else ""
    return DeliveryDeferred(
        f"HTTP {status}{hint}{answer}", retry_after_s(retry_after, now), unreachable=status in OVERLOADED
    )


def _first_bytes(answer: requests.Response) -> str:
    try:
        raw = answer.raw.read1(ANSWER_BYTES_MAX)
    except Exception:  # noqa: BLE001  # the status decides; a broken answer body only costs its text
        return ""
    # A compressed or binary body is no use in a log line, and control characters do not belong there.
    text = raw[:ANSWER_BYTES_MAX].decode("utf-8", "replace")
    return "".join(c if c.isprintable() else " " for c in text).strip()


def retry_after_s(text: str | None, now: dt.datetime) -> float | None:
    """Return the pause a Retry-After header asks for, in seconds or as a date (RFC 9110, 10.2.3)."""
    if text is None:
        return None
    text = text.strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    try:
        until = email.utils.parsedate_to_datetime(text)
    except (TypeError, ValueError):
        return None
    if until.tzinfo is None:
        until = until.replace(tzinfo=dt.UTC)
    return max(0.0, (until - now).total_seconds())
