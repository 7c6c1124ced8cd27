"""What the database tells about its own contents: leases, history, due times, sizes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from alertd.records.alert import Alert, AlertKind, MessageState, OutboxMessage
from alertd.records.site import Channel, Site, Subscriber


@dataclass(frozen=True, slots=True)
class LeasedMessage(OutboxMessage):
    """A message lent until ``lease_until``; only ``owner`` with this ``generation`` may settle it.

    ``alone`` asks that nothing else be under way while this one is: it may be what killed its workers.
    """

    owner: str = field(kw_only=True)
    generation: int = field(kw_only=True)
    lease_until: dt.datetime = field(kw_only=True)
    alone: bool = field(default=False, kw_only=True)


@dataclass(frozen=True, slots=True)
class Settlement:
    """What became of one lent message: sent, dead, expired, or pending again from ``due_at`` on."""

    message: OutboxMessage
    state: MessageState
    at: dt.datetime
    detail: str = ""
    due_at: dt.datetime | None = None


@dataclass(frozen=True, slots=True)
class Parcel:
    """A message with everything needed to render it."""

    message: OutboxMessage
    alert: Alert
    site: Site
    subscriber: Subscriber


class MessageSummary(NamedTuple):
    """How one message of an alert fared; ``at`` is its last attempt."""

    message_id: str
    subscriber: str
    channel: Channel
    state: MessageState
    attempts: int
    at: dt.datetime | None
    detail: str


class OutboxLine(NamedTuple):
    """One message with what it is about; ``since`` is when it was settled, else when it was queued."""

    message: OutboxMessage
    kind: AlertKind
    made_at: dt.datetime
    site: str
    subscriber: Subscriber
    since: dt.datetime
    waits_for_digest: bool


class DeadLetter(NamedTuple):
    """A mail or webhook that was given up: what it was, for whom, about which site if one, and why."""

    id: str
    what: str
    subscriber: str
    site: str
    at: dt.datetime
    attempts: int
    reason: str


class HistoryEntry(NamedTuple):
    """One alert as it was made, the name its site has now, and how it reached people."""

    alert: Alert
    site_name: str
    deliveries: tuple[MessageSummary, ...]


@dataclass(frozen=True, slots=True)
class Notice:
    """A mail about a subscription itself, such as the request to confirm it. ``id`` names it on every try."""

    id: str
    subscriber_id: str
    address: str
    queued_at: dt.datetime
    expires_at: dt.datetime
    state: MessageState = MessageState.PENDING
    attempts: int = 0
    generation: int = 0
    last_error: str = ""


class Ration(NamedTuple):
    """How many notices one address, and all addresses together, may get."""

    pause: dt.timedelta
    per_day: int
    per_hour_in_all: int


class BounceKind(StrEnum):
    """What a returned mail says about its reader: the address is dead, busy, or our mail unwanted by rule."""

    HARD = "hard"
    SOFT = "soft"
    POLICY = "policy"


MESSAGE_REF, NOTICE_REF, BRIEF_REF = "m", "n", "b"
"""What the ``ref`` of a mail begins with, before a dot and its id."""


@dataclass(frozen=True, slots=True)
class Bounce:
    """One recipient's line of one delivery report about one message of ours (``ref``)."""

    ref: str
    kind: BounceKind
    status: str
    action: str
    at: dt.datetime
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Tick:
    """A recurring piece of work: when it is due and how it went last time."""

    name: str
    due_at: dt.datetime
    last_started_at: dt.datetime | None = None
    last_finished_at: dt.datetime | None = None
    last_ok_at: dt.datetime | None = None
    last_error: str = ""


@dataclass(frozen=True, slots=True)
class Lead:
    """The right to do one kind of work, held by one process; ``generation`` rises with every new holder."""

    name: str
    owner: str
    generation: int
    lease_until: dt.datetime


@dataclass(frozen=True, slots=True)
class CachedResponse:
    """One answer of a provider as it was received, and until when it may be used without asking again."""

    url: str
    body: bytes
    status: int
    headers: Mapping[str, str]
    fetched_at: dt.datetime
    expires_at: dt.datetime


@dataclass(frozen=True, slots=True)
class StoreSize:
    """How much the database holds: bytes in all and rows by table."""

    size_bytes: int
    rows: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Backup:
    """A finished copy that passed its integrity check."""

    path: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """What the database turned out to be when it was opened; ``warnings`` are for the operator."""

    engine: str
    driver: str
    version: str
    location: str
    schema: str
    journal_mode: str = ""
    synchronous: str = ""
    warnings: tuple[str, ...] = field(default=())
