"""Alerts, the episodes they belong to and the messages that carry them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from alertd.records.assessment import Level
from alertd.records.evidence import AlertEvidence
from alertd.records.site import Channel


class AlertKind(StrEnum):
    """What an alert is about."""

    HOT_DRY = "hot-dry-warning"
    MITE_PRESSURE = "mite-pressure"
    WATER_SHORT = "water-short"
    SPRAY_WINDOW = "spray-window"
    SCOUTING_DUE = "scouting-due"
    MILESTONE = "milestone"
    WEATHER_MISSING = "weather-missing"
    ALL_CLEAR = "all-clear"


class Change(StrEnum):
    """What happened to the episode that made this alert necessary."""

    OPENED = "opened"
    RAISED = "raised"
    CHANGED = "changed"
    EASED = "eased"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class Episode:
    """One stretch of one condition on one site; at most one open per (site, kind, subject).

    ``memory`` is what the state machine needs to remember between cycles (JSON-able).
    """

    id: str
    site_id: str
    kind: AlertKind
    subject: str
    level: Level
    opened_at: dt.datetime
    changed_at: dt.datetime
    alerts: int = 0
    closed_at: dt.datetime | None = None
    memory: Mapping[str, Any] = field(default_factory=dict)

    @property
    def is_open(self) -> bool:
        """Whether the condition still holds."""
        return self.closed_at is None


@dataclass(frozen=True, slots=True)
class Alert:
    """One thing worth telling about one site. (``episode_id``, ``sequence``) is unique."""

    id: str
    firm_id: str
    site_id: str
    episode_id: str
    sequence: int
    kind: AlertKind
    subject: str
    level: Level
    change: Change
    made_at: dt.datetime
    evidence: AlertEvidence
    expires_at: dt.datetime | None = None


class MessageState(StrEnum):
    """Where a message stands on its way out."""

    PENDING = "pending"
    LEASED = "leased"
    SENT = "sent"
    EXPIRED = "expired"
    DEAD = "dead"


@dataclass(frozen=True, slots=True)
class OutboxMessage:
    """One alert on its way to one subscriber. ``id`` names it on every retry.

    One for the ``digest`` is never sent by itself: it waits for the subscriber's digest of ``due_at``.
    ``handed_over_from`` names who did not acknowledge it.
    """

    id: str
    alert_id: str
    subscriber_id: str
    channel: Channel
    due_at: dt.datetime
    state: MessageState = MessageState.PENDING
    attempts: int = 0
    expires_at: dt.datetime | None = None
    last_error: str = ""
    digest: bool = False
    handed_over_from: str = ""


@dataclass(frozen=True, slots=True)
class Delivery:
    """One attempt to hand a message over."""

    message_id: str
    attempt: int
    at: dt.datetime
    outcome: str
    detail: str = ""
