"""Which subscriber gets which alert, and when: alerts and subscriptions in, outbox messages out; pure."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from zoneinfo import ZoneInfo

from alertd.alerts.machine import opaque_id
from alertd.records.alert import Alert, OutboxMessage
from alertd.records.localtime import next_local_time
from alertd.records.site import Subscriber, Subscription


def route(
    alerts: Iterable[Alert],
    subscriptions: Iterable[tuple[Subscription, Subscriber]],
    zones: Mapping[str, str],
    now: dt.datetime,
) -> list[OutboxMessage]:
    """Return one message per alert and subscriber who wants it, due in the site's waking hours."""
    by_site: dict[str, list[tuple[Subscription, Subscriber]]] = {}
    for subscription, subscriber in subscriptions:
        if subscriber.active:
            by_site.setdefault(subscription.site_id, []).append((subscription, subscriber))
    return [
        OutboxMessage(
            id=opaque_id(alert.id, subscriber.id),
            alert_id=alert.id,
            subscriber_id=subscriber.id,
            channel=subscriber.channel,
            due_at=waking_at(now, zones[alert.site_id], subscriber.wake_hour, subscriber.rest_hour),
            expires_at=alert.expires_at,
        )
        for alert in alerts
        for subscription, subscriber in by_site.get(alert.site_id, ())
        if _wanted(alert, subscription)
    ]


def _wanted(alert: Alert, subscription: Subscription) -> bool:
    """Whoever heard the alarm hears the all-clear."""
    kind = alert.evidence.get("closes_kind", alert.kind)
    return not subscription.kinds or kind in subscription.kinds


def waking_at(now: dt.datetime, zone: str, wake_hour: int, rest_hour: int) -> dt.datetime:
    """Return ``now`` if the people there are awake, else the next instant at which they wake."""
    hour = now.astimezone(ZoneInfo(zone)).hour
    return now if wake_hour <= hour < rest_hour else next_local_time(wake_hour, 0, zone, now)
