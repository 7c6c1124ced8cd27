"""Mails about subscriptions: rationed by address, lent to one worker at a time, never lost."""

from __future__ import annotations

import datetime as dt
from typing import Any

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from alertd.errors import InputError
from alertd.records.alert import MessageState
from alertd.records.keeping import Notice, Ration
from alertd.store.columns import kept_text
from alertd.store.desk import Desk
from alertd.store.models import NoticeRow, SubscriberRow

_OPEN = (MessageState.PENDING.value, MessageState.LEASED.value)
_HOUR = dt.timedelta(hours=1)
_DAY = dt.timedelta(days=1)


def address_key(address: str) -> str:
    """Return what makes two addresses one mailbox where mails are counted: no case, no +tag."""
    local, _, domain = address.strip().casefold().rpartition("@")
    return f"{local.partition('+')[0]}@{domain}"


class Notices(Desk):
    """Keeps mails about subscriptions until each is sent, expired or dead."""

    def queue_notice(self, notice: Notice, ration: Ration, *, now: dt.datetime) -> Notice:
        """Keep a notice and return it; one that waits for the same subscriber already is returned instead.

        Raises InputError if the address has had its ration.
        """
        key = address_key(notice.address)
        # Looked at without the write lock first, so that a flood of requests holds up nobody else.
        # What waits is looked at last: another request may have queued it between the two questions.
        with self._read() as session:
            refusal = _too_often(session, key, ration, now)
            waiting = _waiting(session, notice, now)
            if waiting is not None:
                return _notice(waiting)
            if refusal is not None:
                raise refusal
        with self._write() as session:
            # One row locked for all: on PostgreSQL two requests for one address must not both count before.
            session.get(SubscriberRow, notice.subscriber_id, with_for_update=True)
            waiting = _waiting(session, notice, now)
            if waiting is not None:
                return _notice(waiting)
            refusal = _too_often(session, key, ration, now)
            if refusal is not None:
                raise refusal
            row = NoticeRow(
                id=notice.id or self.new_id(),
                subscriber_id=notice.subscriber_id,
                address=notice.address,
                address_key=key,
                state=MessageState.PENDING.value,
                queued_at=now,
                expires_at=notice.expires_at,
                ready_at=now,
                tried_at=None,
                settled_at=None,
                attempts=0,
                generation=0,
                last_error="",
            )
            session.add(row)
            return _notice(row)

    def lease_notices(self, ration: Ration, *, now: dt.datetime, lease_s: float, limit: int) -> list[Notice]:
        """Lend what is due, oldest first, within the hour's ration; a lease that ran out is lent again."""
        with self._write() as session:
            session.execute(
                update(NoticeRow)
                .where(NoticeRow.ready_at.is_not(None), NoticeRow.expires_at <= now)
                .values(state=MessageState.EXPIRED.value, ready_at=None, settled_at=now)
            )
            tried = select(func.count()).where(NoticeRow.tried_at > now - _HOUR)
            room = min(limit, ration.per_hour_in_all - int(session.scalar(tried) or 0))
            if room <= 0:
                return []
            due = (
                select(NoticeRow)
                .where(NoticeRow.ready_at <= now)
                .order_by(NoticeRow.ready_at, NoticeRow.id)
                .limit(room)
                .with_for_update(skip_locked=True)
            )
            rows = session.scalars(due).all()
            for row in rows:
                row.state = MessageState.LEASED.value
                row.ready_at = now + dt.timedelta(seconds=lease_s)
                row.tried_at = now
                row.attempts += 1
                row.generation += 1
            return [_notice(row) for row in rows]

    def settle_notice(
        self,
        notice: Notice,
        state: MessageState,
        *,
        now: dt.datetime,
        due_at: dt.datetime | None = None,
        error: str = "",
    ) -> bool:
        """Write down how a leased notice fared; False if the lease was lost meanwhile."""
        settled = (
            update(NoticeRow)
            .where(
                NoticeRow.id == notice.id,
                NoticeRow.generation == notice.generation,
                NoticeRow.state == MessageState.LEASED.value,
            )
            .values(
                state=state.value,
                ready_at=due_at,
                settled_at=None if due_at is not None else now,
                last_error=kept_text(error),
            )
            .returning(NoticeRow.id)
        )
        with self._write() as session:
            return len(session.scalars(settled).all()) == 1

    def notices(self, subscriber_id: str | None = None, *, limit: int = 100) -> list[Notice]:
        """Return notices, the newest first, of everybody unless one subscriber is named."""
        question = select(NoticeRow).order_by(NoticeRow.queued_at.desc(), NoticeRow.id.desc()).limit(limit)
        if subscriber_id is not None:
            question = question.where(NoticeRow.subscriber_id == subscriber_id)
        with self._read() as session:
            return [_notice(row) for row in session.scalars(question)]


def _waiting(session: Session, notice: Notice, now: dt.datetime) -> NoticeRow | None:
    question = select(NoticeRow).where(
        NoticeRow.subscriber_id == notice.subscriber_id,
        NoticeRow.state.in_(_OPEN),
        NoticeRow.address == notice.address,
        NoticeRow.expires_at > now,
    )
    return session.scalars(question).first()


def _too_often(session: Session, key: str, ration: Ration, now: dt.datetime) -> InputError | None:
    """Return the refusal due to every mail to the mailbox, of every firm: what is bombed is the mailbox."""
    counted: Any = select(func.count(), func.max(NoticeRow.queued_at), func.min(NoticeRow.queued_at)).where(
        NoticeRow.address_key == key, NoticeRow.queued_at > now - _DAY
    )
    count, newest, oldest = session.execute(counted).one()
    if newest is None:
        return None
    free_at = max(
        newest + ration.pause,
        oldest + _DAY if count >= ration.per_day else now,
    )
    if free_at > now:
        minutes = -(-int((free_at - now).total_seconds()) // 60)
        return InputError(
            "email", f"this address was asked to confirm a short while ago; try again in {minutes} minutes"
        )
    return None


def _notice(row: NoticeRow) -> Notice:
    return Notice(
        id=row.id,
        subscriber_id=row.subscriber_id,
        address=row.address,
        queued_at=row.queued_at,
        expires_at=row.expires_at,
        state=MessageState(row.state),
        attempts=row.attempts,
        generation=row.generation,
        last_error=row.last_error,
    )
