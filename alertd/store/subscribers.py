"""Who is told, and about which sites."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from alertd.errors import InputError
from alertd.records.alert import MessageState
from alertd.records.site import DEFAULT_FIRM, Standing, Subscriber, Subscription
from alertd.store.desk import Desk, in_chunks
from alertd.store.models import (
    AcknowledgementRow,
    EpisodeRow,
    OutboxRow,
    SiteRow,
    SubscriberRow,
    SubscriptionRow,
)
from alertd.store.rows import name_key, subscriber_record, subscriber_values
from alertd.store.sites import missing_text


class Subscribers(Desk):
    """Keeps who is told. A removed subscriber keeps its history and frees its name."""

    def add_subscriber(self, subscriber: Subscriber, *, now: dt.datetime) -> Subscriber:
        """Keep a new subscriber and return it, with its id. Raises InputError on a taken name."""
        with self._write() as session:
            kept = replace(subscriber, id=subscriber.id or self.new_id(), standing_at=now)
            _refuse_taken(session, kept)
            row = SubscriberRow(
                id=kept.id,
                firm_id=kept.firm_id,
                added_at=now,
                changed_at=now,
                removed_at=None,
                standing=kept.standing.value,
                standing_at=now,
                old_secret="",
                old_secret_until=None,
                **subscriber_values(kept),
            )
            session.add(row)
            return kept

    def edit_subscriber(self, subscriber: Subscriber, *, now: dt.datetime) -> Subscriber:
        """Replace the subscriber of this id. Raises InputError on a taken name or an unknown id."""
        with self._write() as session:
            row = session.get(SubscriberRow, subscriber.id)
            if row is None or row.removed_at is not None or row.firm_id != subscriber.firm_id:
                raise InputError("subscriber", missing_text("subscriber", subscriber.id, ()))
            _refuse_taken(session, subscriber)
            for column, value in subscriber_values(subscriber).items():
                setattr(row, column, value)
            row.changed_at = now
            return subscriber

    def rotate_secret(
        self, subscriber_id: str, secret: str, *, old_until: dt.datetime, now: dt.datetime
    ) -> Subscriber:
        """Give a subscriber a new secret and keep the one before until an instant.

        Raises InputError for an unknown id, and while the secret before the last change still holds: a
        receiver that knows only that one would be cut off.
        """
        with self._write() as session:
            row = _find(session, subscriber_id, None)
            if subscriber_record(row).secrets_at(now)[1:]:
                raise InputError(
                    "subscriber",
                    f"the last change of secret of {row.name} is not over; end it with --finish once the "
                    "receiver has the new secret",
                )
            row.old_secret, row.old_secret_until = row.secret, old_until
            row.secret, row.changed_at = secret, now
            return subscriber_record(row)

    def drop_old_secrets(self, now: dt.datetime, subscriber_id: str | None = None) -> int:
        """Forget the old secrets whose time is over, or that of one subscriber at once; returns how many."""
        over = SubscriberRow.old_secret_until <= now
        question = update(SubscriberRow).where(SubscriberRow.old_secret != "")
        question = question.where(over if subscriber_id is None else SubscriberRow.id == subscriber_id)
        dropped = question.values(old_secret="", old_secret_until=None).returning(SubscriberRow.id)
        with self._write() as session:
            return len(session.scalars(dropped).all())

    def remove_subscriber(
        self, id_or_name: str, *, now: dt.datetime, firm_id: str = DEFAULT_FIRM
    ) -> Subscriber:
        """Stop telling somebody: subscriptions end, waiting messages lapse. Raises InputError."""
        with self._write() as session:
            row = _find(session, id_or_name, firm_id)
            row.removed_at = now
            row.active = False
            session.execute(delete(SubscriptionRow).where(SubscriptionRow.subscriber_id == row.id))
            session.execute(
                update(OutboxRow)
                .where(OutboxRow.state == MessageState.PENDING.value, OutboxRow.subscriber_id == row.id)
                .values(
                    state=MessageState.EXPIRED.value,
                    ready_at=None,
                    settled_at=now,
                    last_error="the subscriber was removed",
                )
            )
            return replace(subscriber_record(row), active=False)

    def subscriber(self, id_or_name: str, firm_id: str | None = DEFAULT_FIRM) -> Subscriber:
        """Return the subscriber of this id or name. Raises InputError if there is none."""
        with self._read() as session:
            return subscriber_record(_find(session, id_or_name, firm_id))

    def subscribers(self, *, active: bool | None = True, firm_id: str | None = None) -> list[Subscriber]:
        """Return the active subscribers by name, of every firm unless one is named."""
        question = select(SubscriberRow).where(SubscriberRow.removed_at.is_(None))
        if firm_id is not None:
            question = question.where(SubscriberRow.firm_id == firm_id)
        if active is not None:
            question = question.where(SubscriberRow.active.is_(active))
        with self._read() as session:
            rows = session.scalars(question.order_by(SubscriberRow.name_key, SubscriberRow.id))
            return [subscriber_record(row) for row in rows]

    def subscribe(self, subscription: Subscription) -> None:
        """Let a subscriber hear about a site; again with other kinds changes the kinds.

        Raises InputError if either is unknown or they belong to different firms.
        """
        with self._write() as session:
            site = session.get(SiteRow, subscription.site_id)
            subscriber = session.get(SubscriberRow, subscription.subscriber_id)
            if site is None or site.removed_at is not None:
                raise InputError("site", missing_text("site", subscription.site_id, ()))
            if subscriber is None or subscriber.removed_at is not None or subscriber.firm_id != site.firm_id:
                raise InputError("subscriber", missing_text("subscriber", subscription.subscriber_id, ()))
            session.merge(
                SubscriptionRow(
                    subscriber_id=subscriber.id, site_id=site.id, kinds=[str(k) for k in subscription.kinds]
                )
            )

    def unsubscribe(self, subscriber_id: str, site_id: str | None = None) -> int:
        """End one subscription, or every one of the subscriber; returns how many there were."""
        question = delete(SubscriptionRow).where(SubscriptionRow.subscriber_id == subscriber_id)
        if site_id is not None:
            question = question.where(SubscriptionRow.site_id == site_id)
        with self._write() as session:
            return len(session.scalars(question.returning(SubscriptionRow.site_id)).all())

    def subscriptions(self, subscriber_id: str) -> list[Subscription]:
        """Return what one subscriber hears about."""
        question = select(SubscriptionRow).where(SubscriptionRow.subscriber_id == subscriber_id)
        with self._read() as session:
            return [_subscription(row) for row in session.scalars(question.order_by(SubscriptionRow.site_id))]

    def subscriptions_for(self, site_ids: Iterable[str]) -> list[tuple[Subscription, Subscriber]]:
        """Return who hears about these sites: active subscribers of active standing only, by name."""
        question = (
            select(SubscriptionRow, SubscriberRow)
            .join(SubscriberRow, SubscriberRow.id == SubscriptionRow.subscriber_id)
            .where(
                SubscriberRow.active.is_(True),
                SubscriberRow.standing == Standing.ACTIVE.value,
                SubscriberRow.removed_at.is_(None),
            )
            .order_by(SubscriberRow.name_key, SubscriberRow.id, SubscriptionRow.site_id)
        )
        found: list[tuple[Subscription, Subscriber]] = []
        with self._read() as session:
            for chunk in in_chunks(site_ids):
                seen = _acknowledged(session, chunk)
                rows = session.execute(question.where(SubscriptionRow.site_id.in_(chunk)))
                found.extend(
                    (
                        _subscription(row, seen.get((row.subscriber_id, row.site_id), frozenset())),
                        subscriber_record(subscriber),
                    )
                    for row, subscriber in rows
                )
        return found


def _subscription(row: SubscriptionRow, acknowledged: frozenset[str] = frozenset()) -> Subscription:
    return Subscription(row.subscriber_id, row.site_id, tuple(row.kinds), row.snoozed_until, acknowledged)


def _acknowledged(session: Session, site_ids: list[str]) -> dict[tuple[str, str], frozenset[str]]:
    """Return which open episodes of these sites each subscriber has seen."""
    question = (
        select(AcknowledgementRow.subscriber_id, EpisodeRow.site_id, EpisodeRow.id)
        .join(EpisodeRow, EpisodeRow.id == AcknowledgementRow.episode_id)
        .where(EpisodeRow.site_id.in_(site_ids), EpisodeRow.closed_at.is_(None))
    )
    found: dict[tuple[str, str], frozenset[str]] = {}
    for subscriber_id, site_id, episode_id in session.execute(question):
        key = (subscriber_id, site_id)
        found[key] = found.get(key, frozenset()) | {episode_id}
    return found


def _refuse_taken(session: Session, subscriber: Subscriber) -> None:
    taken = session.scalar(
        select(SubscriberRow.id).where(
            SubscriberRow.firm_id == subscriber.firm_id,
            SubscriberRow.name_key == name_key(subscriber.name),
            SubscriberRow.removed_at.is_(None),
            SubscriberRow.id != subscriber.id,
        )
    )
    if taken is not None:
        raise InputError(
            "name", f"there is already a subscriber called {subscriber.name!r}; choose another name"
        )


def _find(session: Session, id_or_name: str, firm_id: str | None) -> SubscriberRow:
    present = select(SubscriberRow).where(SubscriberRow.removed_at.is_(None))
    if firm_id is not None:
        present = present.where(SubscriberRow.firm_id == firm_id)
    for condition in (SubscriberRow.id == id_or_name, SubscriberRow.name_key == name_key(id_or_name)):
        rows = session.scalars(present.where(condition).limit(2)).all()
        if len(rows) == 1:
            return rows[0]
        if rows:
            raise InputError(
                "subscriber", f"several firms have a subscriber called {id_or_name!r}; use its id"
            )
    names = session.scalars(present.with_only_columns(SubscriberRow.name).limit(2000)).all()
    raise InputError("subscriber", missing_text("subscriber", id_or_name, names))
