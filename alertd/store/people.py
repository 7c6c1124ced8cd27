"""What readers say about what they get: confirmed, left, seen, not now."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection

from sqlalchemy import ColumnElement, delete, select, update
from sqlalchemy.orm import Session

from alertd.errors import InputError
from alertd.records.alert import Episode, MessageState
from alertd.records.assessment import Level
from alertd.records.site import Standing, Subscriber
from alertd.store.desk import Desk
from alertd.store.models import (
    AcknowledgementRow,
    AlertRow,
    EpisodeRow,
    OutboxRow,
    SiteRow,
    SubscriberRow,
    SubscriptionRow,
)
from alertd.store.rows import episode_record, subscriber_record
from alertd.store.sites import missing_text


class People(Desk):
    """Keeps the readers' own word; whatever it ends, waiting messages end with it."""

    def set_standing(
        self,
        subscriber_id: str,
        standing: Standing,
        *,
        now: dt.datetime,
        only_from: Collection[Standing] = tuple(Standing),
        why: str = "",
    ) -> Subscriber:
        """Move a subscriber to a standing, if it stands at one of ``only_from``, and return where it stands.

        Who is not active any more gets nothing that waits; who left hears about no site any more.
        Raises InputError if there is no such subscriber.
        """
        with self._write() as session:
            row = _present(session, subscriber_id)
            if Standing(row.standing) in only_from and row.standing != standing.value:
                row.standing, row.standing_at = standing.value, now
                if standing is not Standing.ACTIVE:
                    _lapse(session, now, why or f"the subscriber is {standing}", _of(row.id))
                if standing is Standing.LEFT:
                    session.execute(delete(SubscriptionRow).where(SubscriptionRow.subscriber_id == row.id))
            return subscriber_record(row)

    def stop_site(self, subscriber_id: str, site_id: str, *, now: dt.datetime) -> bool:
        """End one subscription and what waits of it; returns whether there was one."""
        ended = (
            delete(SubscriptionRow)
            .where(SubscriptionRow.subscriber_id == subscriber_id, SubscriptionRow.site_id == site_id)
            .returning(SubscriptionRow.site_id)
        )
        with self._write() as session:
            found = session.scalars(ended).all()
            about = OutboxRow.alert_id.in_(select(AlertRow.id).where(AlertRow.site_id == site_id))
            _lapse(session, now, "the subscriber stopped hearing about the site", _of(subscriber_id) & about)
            return bool(found)

    def snooze(
        self, subscriber_id: str, site_id: str, until: dt.datetime | None, *, now: dt.datetime
    ) -> bool:
        """Keep a site quiet for a subscriber until an instant, severe alerts apart; None ends the quiet.

        Returns whether the subscriber hears about the site at all.
        """
        change = (
            update(SubscriptionRow)
            .where(SubscriptionRow.subscriber_id == subscriber_id, SubscriptionRow.site_id == site_id)
            .values(snoozed_until=until)
            .returning(SubscriptionRow.site_id)
        )
        with self._write() as session:
            found = bool(session.scalars(change).all())
            if found and until is not None and until > now:
                mild = select(AlertRow.id).where(
                    AlertRow.site_id == site_id, AlertRow.level < int(Level.SEVERE)
                )
                about = OutboxRow.alert_id.in_(mild)
                _lapse(session, now, "the subscriber snoozed the site", _of(subscriber_id) & about)
            return found

    def acknowledge(self, subscriber_id: str, episode_id: str, *, now: dt.datetime) -> Episode:
        """Note that a subscriber has seen an episode, once, and return the episode.

        Raises InputError if either is unknown or they belong to different firms.
        """
        with self._write() as session:
            episode = _episode_of(session, subscriber_id, episode_id)
            values = {"subscriber_id": subscriber_id, "episode_id": episode_id, "at": now}
            session.execute(self._insert(AcknowledgementRow).on_conflict_do_nothing(), values)
            return episode

    def seen_episode(self, subscriber_id: str, episode_id: str) -> Episode:
        """Return an episode of the subscriber's firm. Raises InputError as ``acknowledge`` does."""
        with self._read() as session:
            return _episode_of(session, subscriber_id, episode_id)

    def acknowledged_at(self, subscriber_id: str, episode_id: str) -> dt.datetime | None:
        """Return when a subscriber said they had seen an episode, None if they have not."""
        question = select(AcknowledgementRow.at).where(
            AcknowledgementRow.subscriber_id == subscriber_id, AcknowledgementRow.episode_id == episode_id
        )
        with self._read() as session:
            return session.scalar(question)


def _of(subscriber_id: str) -> ColumnElement[bool]:
    return OutboxRow.subscriber_id == subscriber_id


def _present(session: Session, subscriber_id: str) -> SubscriberRow:
    row = session.get(SubscriberRow, subscriber_id, with_for_update=True)
    if row is None or row.removed_at is not None:
        raise InputError("subscriber", missing_text("subscriber", subscriber_id, ()))
    return row


def _episode_of(session: Session, subscriber_id: str, episode_id: str) -> Episode:
    question = (
        select(EpisodeRow)
        .join(SiteRow, SiteRow.id == EpisodeRow.site_id)
        .join(SubscriberRow, SubscriberRow.firm_id == SiteRow.firm_id)
        .where(
            EpisodeRow.id == episode_id,
            SubscriberRow.id == subscriber_id,
            SubscriberRow.removed_at.is_(None),
        )
    )
    row = session.scalars(question).first()
    if row is None:
        raise InputError("episode", f"there is no episode {episode_id!r} for this subscriber")
    return episode_record(row)


def _lapse(session: Session, now: dt.datetime, why: str, which: ColumnElement[bool]) -> None:
    """End what waits, and what a worker holds too: it may still send it once, but not try again."""
    session.execute(
        update(OutboxRow)
        .where(OutboxRow.state.in_((MessageState.PENDING.value, MessageState.LEASED.value)), which)
        .values(
            state=MessageState.EXPIRED.value,
            ready_at=None,
            settled_at=now,
            lease_owner=None,
            lease_until=None,
            last_error=why,
        )
        .execution_options(synchronize_session=False)
    )
