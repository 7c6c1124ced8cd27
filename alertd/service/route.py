"""Which subscriber gets which alert, and when: alerts and subscriptions in, outbox messages out; pure."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping
from typing import NamedTuple
from zoneinfo import ZoneInfo

from alertd.alerts.machine import opaque_id
from alertd.records.alert import Alert, AlertKind, Change, OutboxMessage
from alertd.records.assessment import Level
from alertd.records.localtime import next_local_time
from alertd.records.preferences import DIGEST_HOUR, Preferences, Rule
from alertd.records.site import Channel, Subscriber, Subscription
from alertd.service.people import suppressed

ENDS = frozenset({Change.EASED, Change.CLOSED})
NOBODY: Mapping[str, Preferences] = {}
NO_DAYS: Mapping[tuple[str, str], Collection[dt.date]] = {}
NO_PEAKS: Mapping[str, Level] = {}


def route(
    alerts: Iterable[Alert],
    subscriptions: Iterable[tuple[Subscription, Subscriber]],
    zones: Mapping[str, str],
    now: dt.datetime,
    preferences: Mapping[str, Preferences] = NOBODY,
    told_on: Mapping[tuple[str, str], Collection[dt.date]] = NO_DAYS,
    peaks: Mapping[str, Level] = NO_PEAKS,
    digests_on: Mapping[tuple[str, str], Collection[dt.date]] = NO_DAYS,
) -> list[OutboxMessage]:
    """Return one message per alert and subscriber who wants it, due in the site's waking hours.

    Of alerts that are told together, the strongest first, people get the first they want, which names
    the others; machines get each. What ``preferences`` ask for as a digest waits for it, and so does, for
    those who want one mail a day, what comes on a day of ``told_on`` or ``digests_on``: the local days of
    their mails, sent or on their way, and of digests to come, by subscriber and site. What cannot wait goes
    at once. ``peaks`` are the highest levels told by episode.
    """
    by_site: dict[str, list[tuple[Subscription, Subscriber]]] = {}
    for subscription, subscriber in subscriptions:
        if subscriber.active:
            by_site.setdefault(subscription.site_id, []).append((subscription, subscriber))
    heard: set[tuple[str, str]] = set()
    days = {pair: set(local_days) for pair, local_days in told_on.items()}
    digests = {pair: set(local_days) for pair, local_days in digests_on.items()}
    messages = []
    for alert in alerts:
        for subscription, subscriber in by_site.get(alert.site_id, ()):
            wishes = preferences.get(subscriber.id) or Preferences(subscriber.id)
            if (
                _wanted(alert, subscription, wishes, peaks)
                and not suppressed(alert, subscription, now)
                and _first_told(alert, subscriber, heard)
            ):
                pair = (subscriber.id, alert.site_id)
                here = MailDays(days.setdefault(pair, set()), digests.setdefault(pair, set()))
                messages.append(_message(alert, subscriber, wishes, zones[alert.site_id], here, now))
    return messages


class MailDays(NamedTuple):
    """The local days on which one reader has a mail about one site, and those with a digest to come."""

    alone: set[dt.date]
    digests: set[dt.date]


def _message(
    alert: Alert,
    subscriber: Subscriber,
    wishes: Preferences,
    zone: str,
    days: MailDays,
    now: dt.datetime,
) -> OutboxMessage:
    """Return the message, and note the day of its mail in ``days``: its own, or the digest it waits for."""
    here = ZoneInfo(zone)
    due_at = waking_at(now, zone, subscriber.wake_hour, subscriber.rest_hour)
    day = due_at.astimezone(here).date()
    hour = _digest_hour(alert, subscriber, wishes, day in days.alone or day in days.digests)
    if hour is None:
        days.alone.add(day)
    else:
        rule = Rule(hour, wishes.zone)
        due_at = rule.next(now).at
        # Not on the morning on which a message goes by itself already.
        while wishes.one_a_day and due_at.astimezone(here).date() in days.alone:
            due_at = rule.next(due_at).at
        days.digests.add(due_at.astimezone(here).date())
    return OutboxMessage(
        id=opaque_id(alert.id, subscriber.id),
        alert_id=alert.id,
        subscriber_id=subscriber.id,
        channel=subscriber.channel,
        due_at=due_at,
        expires_at=_expiry(alert),
        digest=hour is not None,
    )


def _digest_hour(alert: Alert, subscriber: Subscriber, wishes: Preferences, again: bool) -> int | None:
    """Return the hour of the digest that an alert waits for, None if it goes by itself."""
    if subscriber.channel is not Channel.EMAIL or cannot_wait(alert):
        return None
    hour = wishes.digest_at(alert.site_id)
    if hour is not None or not (wishes.one_a_day and again) or _got_worse(alert):
        return hour
    return max(DIGEST_HOUR, subscriber.wake_hour) if wishes.digest_hour is None else wishes.digest_hour


def _got_worse(alert: Alert) -> bool:
    """Return whether something known has become pressing: worth a second mail on one day."""
    return alert.change is Change.RAISED and alert.level >= Level.HIGH


def cannot_wait(alert: Alert) -> bool:
    """Return whether an alert would come too late in tomorrow's digest.

    The severest always; whatever takes back or changes hours for spraying that somebody may have planned on.
    """
    if alert.level >= Level.SEVERE:
        return True
    kind = alert.evidence.get("closes_kind", alert.kind)
    return kind == AlertKind.SPRAY_WINDOW and alert.change is not Change.OPENED


def _first_told(alert: Alert, subscriber: Subscriber, heard: set[tuple[str, str]]) -> bool:
    """Return whether the subscriber gets no stronger alert of the same telling; notes this one."""
    together = alert.evidence.get("told_with")
    if together is None or subscriber.channel is Channel.WEBHOOK:
        return True
    if (together, subscriber.id) in heard:
        return False
    heard.add((together, subscriber.id))
    return True


def _expiry(alert: Alert) -> dt.datetime | None:
    """Return when the message is too late; one that speaks for others as well never is."""
    return None if alert.evidence.get("also") else alert.expires_at


def _wanted(
    alert: Alert, subscription: Subscription, wishes: Preferences, peaks: Mapping[str, Level]
) -> bool:
    """Whoever heard the alarm hears that it eased and the all-clear, and nobody else."""
    kind = alert.evidence.get("closes_kind", alert.kind)
    kinds = subscription.kinds or wishes.kinds
    if kinds and kind not in kinds:
        return False
    level = peaks.get(alert.episode_id, Level.SEVERE) if alert.change in ENDS else alert.level
    return level >= wishes.least(alert.site_id)


def waking_at(now: dt.datetime, zone: str, wake_hour: int, rest_hour: int) -> dt.datetime:
    """Return ``now`` if the people there are awake, else the next instant at which they wake."""
    hour = now.astimezone(ZoneInfo(zone)).hour
    return now if wake_hour <= hour < rest_hour else next_local_time(wake_hour, 0, zone, now)
