"""How people want to be told, what waits for their digests, and how much they got."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import replace

from sqlalchemy import and_, delete, exists, func, select
from sqlalchemy.orm import aliased

from alertd.errors import InputError
from alertd.records.alert import Alert, Change, MessageState
from alertd.records.assessment import Level
from alertd.records.preferences import Preferences, SitePreferences, WeekCount
from alertd.records.site import Site, Standing, Subscriber
from alertd.store.desk import Desk, in_chunks
from alertd.store.models import (
    AcknowledgementRow,
    AlertRow,
    BriefRow,
    EpisodeRow,
    NoticeRow,
    OutboxRow,
    PreferencesRow,
    SitePreferencesRow,
    SiteRow,
    SubscriberRow,
)
from alertd.store.rows import alert_record, site_record, subscriber_record
from alertd.store.sites import missing_text

UNDER_WAY = dt.timedelta(days=14)
"""No alert is on its way for longer: retries end after five days, and a digest leaves every day."""
_SENT = MessageState.SENT.value
_ON_ITS_WAY = (MessageState.PENDING.value, MessageState.LEASED.value, _SENT)


class PreferenceBook(Desk):
    """Keeps how people want to be told; who has none stored is told everything, at once."""

    def set_preferences(self, preferences: Preferences, *, now: dt.datetime) -> Preferences:
        """Keep the preferences of a subscriber in place of the earlier ones. Raises InputError."""
        kept = replace(preferences, changed_at=now)
        with self._write() as session:
            reader = session.get(SubscriberRow, kept.subscriber_id)
            if reader is None or reader.removed_at is not None:
                raise InputError("subscriber", missing_text("subscriber", kept.subscriber_id, ()))
            if kept.hand_over_to is not None:
                other = session.get(SubscriberRow, kept.hand_over_to)
                if other is None or other.removed_at is not None or other.firm_id != reader.firm_id:
                    raise InputError("hand-over-to", missing_text("subscriber", kept.hand_over_to, ()))
            session.merge(
                PreferencesRow(
                    subscriber_id=kept.subscriber_id,
                    zone=kept.zone,
                    kinds=list(kept.kinds),
                    least_level=int(kept.least_level),
                    digest_hour=kept.digest_hour,
                    weekly_day=kept.weekly_day,
                    weekly_hour=kept.weekly_hour,
                    evening_hour=kept.evening_hour,
                    evening_quiet=kept.evening_quiet,
                    hand_over_to=kept.hand_over_to,
                    hand_over_after_h=kept.hand_over_after_h,
                    one_a_day=kept.one_a_day,
                    changed_at=now,
                )
            )
            session.execute(
                delete(SitePreferencesRow).where(SitePreferencesRow.subscriber_id == kept.subscriber_id)
            )
            session.add_all(
                SitePreferencesRow(
                    subscriber_id=kept.subscriber_id,
                    site_id=site_id,
                    least_level=None if one.least_level is None else int(one.least_level),
                    digest_hour=one.digest_hour,
                    at_once=one.at_once,
                )
                for site_id, one in kept.sites.items()
            )
        return kept

    def preferences(self, subscriber_ids: Iterable[str] | None = None) -> Mapping[str, Preferences]:
        """Return the stored preferences by subscriber; of everybody unless some are named."""
        found: dict[str, Preferences] = {}
        with self._read() as session:
            rows = select(PreferencesRow)
            here = select(SitePreferencesRow)
            chunks = [None] if subscriber_ids is None else list(in_chunks(subscriber_ids))
            for chunk in chunks:
                mine = rows if chunk is None else rows.where(PreferencesRow.subscriber_id.in_(chunk))
                theirs = here if chunk is None else here.where(SitePreferencesRow.subscriber_id.in_(chunk))
                sites: dict[str, dict[str, SitePreferences]] = {}
                for one in session.scalars(theirs):
                    sites.setdefault(one.subscriber_id, {})[one.site_id] = _site_preferences(one)
                for row in session.scalars(mine):
                    found[row.subscriber_id] = _preferences(row, sites.get(row.subscriber_id, {}))
        return found

    def told_since(
        self, site_ids: Iterable[str], since: dt.datetime
    ) -> set[tuple[str, str, dt.datetime, bool]]:
        """Return (subscriber, site, when, waits) of what readers got, or are to get, since an instant.

        What goes by itself or ``waits`` for a digest counts from when it is due, what was told in a digest
        from when that left.
        """
        alone = and_(
            OutboxRow.due_at >= since, OutboxRow.digest_id.is_(None), OutboxRow.state.in_(_ON_ITS_WAY)
        )
        waits = and_(OutboxRow.state == MessageState.PENDING.value, OutboxRow.ready_at.is_(None))
        in_digest = and_(
            OutboxRow.digest_id.is_not(None), OutboxRow.state == _SENT, OutboxRow.settled_at >= since
        )
        found: set[tuple[str, str, dt.datetime, bool]] = set()
        with self._read() as session:
            for chunk in in_chunks(site_ids):
                for at, which in ((OutboxRow.due_at, alone), (OutboxRow.settled_at, in_digest)):
                    rows = session.execute(
                        select(OutboxRow.subscriber_id, AlertRow.site_id, at, waits)
                        .join(AlertRow, AlertRow.id == OutboxRow.alert_id)
                        .where(which, AlertRow.site_id.in_(chunk), AlertRow.made_at >= since - UNDER_WAY)
                    )
                    found.update((reader, site, due, bool(late)) for reader, site, due, late in rows if due)
        return found

    def mails_since(self, since: dt.datetime) -> Mapping[str, int]:
        """Return how many mails and posts each subscriber got since an instant, digests and briefs too."""
        counted: Counter[str] = Counter()
        by_itself = OutboxRow.digest_id.is_(None)
        with self._read() as session:
            for row, only in ((OutboxRow, by_itself), (BriefRow, None), (NoticeRow, None)):
                question = select(row.subscriber_id, func.count()).where(
                    row.state == _SENT, row.settled_at >= since
                )
                if only is not None:
                    question = question.where(only)
                for reader, count in session.execute(question.group_by(row.subscriber_id)):
                    counted[reader] += count
        return counted

    def unacknowledged(
        self, subscriber_id: str, to_id: str, due_after: dt.datetime, due_until: dt.datetime
    ) -> list[tuple[Alert, Site, Subscriber]]:
        """Return what ought to be handed over: high or above, still open, seen by neither, not yet sent.

        With each alert come its site and the subscriber it goes to; nobody who is not active.
        """
        other = aliased(OutboxRow)
        has_it = exists().where(other.alert_id == AlertRow.id, other.subscriber_id == to_id)
        seen = exists().where(
            AcknowledgementRow.episode_id == AlertRow.episode_id,
            AcknowledgementRow.subscriber_id.in_((subscriber_id, to_id)),
        )
        question = (
            select(AlertRow, SiteRow, SubscriberRow)
            .join(OutboxRow, OutboxRow.alert_id == AlertRow.id)
            .join(EpisodeRow, EpisodeRow.id == AlertRow.episode_id)
            .join(SiteRow, SiteRow.id == AlertRow.site_id)
            .join(SubscriberRow, and_(SubscriberRow.id == to_id, SubscriberRow.firm_id == SiteRow.firm_id))
            .where(
                OutboxRow.subscriber_id == subscriber_id,
                OutboxRow.state != MessageState.EXPIRED.value,
                OutboxRow.due_at > due_after,
                OutboxRow.due_at <= due_until,
                AlertRow.level >= int(Level.HIGH),
                AlertRow.change.in_((Change.OPENED.value, Change.RAISED.value)),
                EpisodeRow.closed_at.is_(None),
                SiteRow.removed_at.is_(None),
                SubscriberRow.active.is_(True),
                SubscriberRow.standing == Standing.ACTIVE.value,
                SubscriberRow.removed_at.is_(None),
                ~has_it,
                ~seen,
            )
            .order_by(AlertRow.level.desc(), AlertRow.made_at, AlertRow.id)
        )
        with self._read() as session:
            return [
                (alert_record(alert), site_record(site), subscriber_record(reader))
                for alert, site, reader in session.execute(question)
            ]

    def week_counts(self, subscriber_id: str, since: dt.datetime) -> list[WeekCount]:
        """Return how many mails a subscriber was sent in each ISO week (UTC) since, the newest first."""
        mine = OutboxRow.subscriber_id == subscriber_id
        sent = and_(mine, OutboxRow.state == _SENT, OutboxRow.settled_at >= since)
        questions = {
            "messages": select(OutboxRow.settled_at).where(sent, OutboxRow.digest_id.is_(None)),
            "alerts": select(OutboxRow.settled_at).where(sent, OutboxRow.digest_id.is_not(None)),
            "briefs": select(BriefRow.settled_at).where(
                BriefRow.subscriber_id == subscriber_id,
                BriefRow.state == _SENT,
                BriefRow.settled_at >= since,
            ),
            "notices": select(NoticeRow.settled_at).where(
                NoticeRow.subscriber_id == subscriber_id,
                NoticeRow.state == _SENT,
                NoticeRow.settled_at >= since,
            ),
        }
        weeks: dict[tuple[int, int], Counter[str]] = {}
        with self._read() as session:
            for what, question in questions.items():
                for at in session.scalars(question):
                    if at is not None:
                        year, week, _ = at.astimezone(dt.UTC).isocalendar()
                        weeks.setdefault((year, week), Counter())[what] += 1
        return [
            WeekCount(year, week, n["messages"], n["briefs"], n["notices"], n["alerts"])
            for (year, week), n in sorted(weeks.items(), reverse=True)
        ]

    def waiting_for_digest(self, subscriber_id: str) -> int:
        """Return how many alerts wait for a subscriber's next digest."""
        question = select(func.count()).where(
            OutboxRow.state == MessageState.PENDING.value,
            OutboxRow.ready_at.is_(None),
            OutboxRow.subscriber_id == subscriber_id,
        )
        with self._read() as session:
            return int(session.scalar(question) or 0)


def _site_preferences(row: SitePreferencesRow) -> SitePreferences:
    least = None if row.least_level is None else Level(row.least_level)
    return SitePreferences(least, row.digest_hour, row.at_once)


def _preferences(row: PreferencesRow, sites: Mapping[str, SitePreferences]) -> Preferences:
    return Preferences(
        subscriber_id=row.subscriber_id,
        zone=row.zone,
        kinds=tuple(row.kinds),
        least_level=Level(row.least_level),
        digest_hour=row.digest_hour,
        weekly_day=row.weekly_day,
        weekly_hour=row.weekly_hour,
        evening_hour=row.evening_hour,
        evening_quiet=row.evening_quiet,
        hand_over_to=row.hand_over_to,
        hand_over_after_h=row.hand_over_after_h,
        one_a_day=row.one_a_day,
        changed_at=row.changed_at,
        sites=sites,
    )
