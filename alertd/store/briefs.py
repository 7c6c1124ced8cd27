"""Digests and briefs on their way: planned by rule, lent to one worker, settled with what they tell."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Sequence
from typing import Any

from sqlalchemy import ColumnElement, and_, delete, exists, func, select, update
from sqlalchemy.orm import Session, aliased

from alertd.records.alert import MessageState
from alertd.records.brief import WaitingAlert
from alertd.records.preferences import Brief, BriefKind
from alertd.store.columns import kept_text
from alertd.store.desk import Desk, in_chunks
from alertd.store.models import (
    AlertRow,
    BriefRow,
    DeliveryRow,
    EpisodeRow,
    OutboxRow,
    SiteRow,
    SubscriptionRow,
)
from alertd.store.rows import alert_record, site_record

_PENDING = MessageState.PENDING.value
_LEASED = MessageState.LEASED.value
_SENT = MessageState.SENT.value
_MOVED = ("local_day", "zone", "hour", "weekday", "due_at", "expires_at", "ready_at")


class Briefs(Desk):
    """Keeps digests and briefs until each is sent, expired or dead."""

    def plan_briefs(self, briefs: Iterable[Brief], *, now: dt.datetime) -> None:
        """Keep what is to come; one that is there already keeps its fate and only moves while untouched.

        What was planned for later and is wanted no more is withdrawn; digests stay.
        """
        wanted = [_values(one) for one in briefs]
        untouched = and_(BriefRow.state == _PENDING, BriefRow.attempts == 0)
        with self._write() as session:
            if wanted:
                insert = self._insert(BriefRow)
                moved = insert.on_conflict_do_update(
                    index_elements=[BriefRow.id],
                    set_={name: insert.excluded[name] for name in _MOVED},
                    where=untouched,
                )
                session.execute(moved, wanted)
            ids = {str(one["id"]) for one in wanted}
            later = select(BriefRow.id).where(
                untouched, BriefRow.due_at > now, BriefRow.kind != BriefKind.DIGEST.value
            )
            gone = [one for one in session.scalars(later) if one not in ids]
            for chunk in in_chunks(gone):
                session.execute(delete(BriefRow).where(BriefRow.id.in_(chunk)))

    def digests_due(self, now: dt.datetime) -> list[tuple[str, dt.datetime, int]]:
        """Return whose alerts have waited long enough for a digest, when it was due, how many went before.

        Nobody whose last digest is still on its way. ``how many`` are digests of that same instant, for
        what was committed late.
        """
        open_one = exists().where(
            BriefRow.subscriber_id == OutboxRow.subscriber_id,
            BriefRow.kind == BriefKind.DIGEST.value,
            BriefRow.state.in_((_PENDING, _LEASED)),
        )
        question = (
            select(OutboxRow.subscriber_id, func.max(OutboxRow.due_at))
            .where(_for_digest(), OutboxRow.due_at <= now, ~open_one)
            .group_by(OutboxRow.subscriber_id)
            .order_by(OutboxRow.subscriber_id)
        )
        with self._read() as session:
            return [
                (reader, due_at, _gone_before(session, reader, due_at))
                for reader, due_at in session.execute(question)
            ]

    def lease_briefs(self, *, now: dt.datetime, lease_s: float, limit: int) -> list[Brief]:
        """Lend what is due, oldest first; what is too late expires, a lease that ran out is lent again."""
        with self._write() as session:
            session.execute(
                update(BriefRow)
                .where(BriefRow.ready_at <= now, BriefRow.expires_at <= now)
                .values(
                    state=MessageState.EXPIRED.value, ready_at=None, settled_at=now, last_error="too late"
                )
            )
            due = (
                select(BriefRow)
                .where(BriefRow.ready_at <= now)
                .order_by(BriefRow.ready_at, BriefRow.id)
                .limit(limit)
                .with_for_update(skip_locked=True)
            )
            rows = session.scalars(due).all()
            for row in rows:
                row.state = _LEASED
                row.ready_at = now + dt.timedelta(seconds=lease_s)
                row.attempts += 1
                row.generation += 1
            return [_brief(row) for row in rows]

    def waiting_alerts(self, brief: Brief) -> list[WaitingAlert]:
        """Return the alerts that waited for a digest, as things stand now."""
        before = aliased(OutboxRow)
        earlier = aliased(AlertRow)
        told = (
            select(func.max(earlier.sequence))
            .join(before, before.alert_id == earlier.id)
            .where(
                earlier.episode_id == AlertRow.episode_id,
                before.subscriber_id == OutboxRow.subscriber_id,
                before.state == _SENT,
            )
            .correlate(AlertRow, OutboxRow)
            .scalar_subquery()
        )
        question = (
            select(OutboxRow.id, AlertRow, SiteRow, EpisodeRow.closed_at, told, SubscriptionRow)
            .join(AlertRow, AlertRow.id == OutboxRow.alert_id)
            .join(EpisodeRow, EpisodeRow.id == AlertRow.episode_id)
            .join(SiteRow, SiteRow.id == AlertRow.site_id)
            .outerjoin(
                SubscriptionRow,
                and_(
                    SubscriptionRow.site_id == AlertRow.site_id,
                    SubscriptionRow.subscriber_id == OutboxRow.subscriber_id,
                ),
            )
            .where(
                _for_digest(),
                OutboxRow.subscriber_id == brief.subscriber_id,
                OutboxRow.due_at <= brief.due_at,
            )
            .order_by(AlertRow.made_at, AlertRow.sequence, OutboxRow.id)
        )
        with self._read() as session:
            rows = session.execute(question)
            return [
                WaitingAlert(
                    message_id=message_id,
                    alert=alert_record(alert),
                    site=site_record(site),
                    episode_closed=closed_at is not None,
                    told_sequence=int(told_sequence or 0),
                    wanted=subscription is not None and site.removed_at is None,
                )
                for message_id, alert, site, closed_at, told_sequence, subscription in rows
            ]

    def settle_brief(
        self,
        brief: Brief,
        state: MessageState,
        *,
        now: dt.datetime,
        due_at: dt.datetime | None = None,
        error: str = "",
        told: Sequence[str] = (),
        dropped: Collection[str] = (),
    ) -> bool:
        """Write down how a leased brief fared, and what became of the alerts in it, in one transaction.

        ``told`` went out in it, ``dropped`` was no longer worth telling; both are ids of outbox messages.
        Returns False if the lease was lost meanwhile: then nothing is written.
        """
        settled = (
            update(BriefRow)
            .where(
                BriefRow.id == brief.id,
                BriefRow.generation == brief.generation,
                BriefRow.state == _LEASED,
            )
            .values(
                state=state.value,
                ready_at=due_at,
                settled_at=None if due_at is not None else now,
                last_error=kept_text(error),
            )
            .returning(BriefRow.id)
        )
        with self._write() as session:
            if len(session.scalars(settled).all()) != 1:
                return False
            for ids, become, why in (
                (told, state, ""),
                (dropped, MessageState.EXPIRED, "no longer true when its digest left"),
            ):
                for chunk in in_chunks(ids):
                    self._settle_alerts(session, chunk, brief, become, now, why)
            return True

    def _settle_alerts(
        self, session: Session, ids: list[str], brief: Brief, state: MessageState, now: dt.datetime, why: str
    ) -> None:
        closed = session.scalars(
            update(OutboxRow)
            .where(OutboxRow.id.in_(ids), _for_digest())
            .values(state=state.value, settled_at=now, digest_id=brief.id, last_error=why)
            .returning(OutboxRow.id)
        ).all()
        session.add_all(
            DeliveryRow(
                message_id=one,
                attempt=brief.attempts,
                at=now,
                outcome=state.value,
                detail=f"digest {brief.id}",
            )
            for one in closed
        )

    def briefs(self, subscriber_id: str | None = None, *, limit: int = 100) -> list[Brief]:
        """Return briefs, the latest due first, of everybody unless one subscriber is named."""
        question = select(BriefRow).order_by(BriefRow.due_at.desc(), BriefRow.id).limit(limit)
        if subscriber_id is not None:
            question = question.where(BriefRow.subscriber_id == subscriber_id)
        with self._read() as session:
            return [_brief(row) for row in session.scalars(question)]


def _gone_before(session: Session, subscriber_id: str, due_at: dt.datetime) -> int:
    question = select(func.count()).where(
        BriefRow.subscriber_id == subscriber_id,
        BriefRow.kind == BriefKind.DIGEST.value,
        BriefRow.due_at == due_at,
    )
    return int(session.scalar(question) or 0)


def _for_digest() -> ColumnElement[bool]:
    """Pending and never ready: it waits for a digest, and no worker takes it by itself."""
    return (OutboxRow.state == _PENDING) & OutboxRow.ready_at.is_(None)


def _values(brief: Brief) -> dict[str, Any]:
    return {
        "id": brief.id,
        "subscriber_id": brief.subscriber_id,
        "kind": brief.kind.value,
        "local_day": brief.local_day,
        "zone": brief.zone,
        "hour": brief.hour,
        "weekday": brief.weekday,
        "due_at": brief.due_at,
        "expires_at": brief.expires_at,
        "state": _PENDING,
        "ready_at": brief.due_at,
        "settled_at": None,
        "attempts": 0,
        "generation": 0,
        "last_error": "",
    }


def _brief(row: BriefRow) -> Brief:
    return Brief(
        id=row.id,
        subscriber_id=row.subscriber_id,
        kind=BriefKind(row.kind),
        local_day=row.local_day,
        zone=row.zone,
        hour=row.hour,
        due_at=row.due_at,
        expires_at=row.expires_at,
        weekday=row.weekday,
        state=MessageState(row.state),
        attempts=row.attempts,
        generation=row.generation,
        last_error=row.last_error,
    )
