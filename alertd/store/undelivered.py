"""What the operator asks about messages: which, for whom, since when and why; and what was given up."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from alertd.errors import InputError
from alertd.records.alert import AlertKind, MessageState
from alertd.records.keeping import DeadLetter, OutboxLine
from alertd.records.preferences import BriefKind
from alertd.records.site import DEFAULT_FIRM
from alertd.store.desk import Desk
from alertd.store.models import AlertRow, BriefRow, NoticeRow, OutboxRow, SiteRow, SubscriberRow
from alertd.store.rows import message_record, subscriber_record

_DEAD = MessageState.DEAD.value


class Undelivered(Desk):
    """Tells what waits, what was given up, and lets the operator close it."""

    def outbox_lines(
        self,
        state: MessageState | None = None,
        *,
        limit: int | None = 100,
        firm_id: str | None = DEFAULT_FIRM,
    ) -> list[OutboxLine]:
        """Return messages with what they are about; those that changed last come first."""
        question = _lines(firm_id).order_by(_since().desc(), OutboxRow.id).limit(limit)
        if state is not None:
            question = question.where(OutboxRow.state == state.value)
        with self._read() as session:
            return [_line(*row) for row in session.execute(question)]

    def outbox_line(self, message_id: str, *, firm_id: str | None = DEFAULT_FIRM) -> OutboxLine:
        """Return one message. Raises InputError if there is none."""
        with self._read() as session:
            found = session.execute(_lines(firm_id).where(OutboxRow.id == message_id)).first()
            if found is None:
                raise InputError("message", f"there is no message {message_id!r}; list the outbox to find it")
            return _line(*found)

    def discard(self, message_id: str, *, now: dt.datetime, firm_id: str | None = DEFAULT_FIRM) -> None:
        """Close a dead message for good: it counts as expired. Raises InputError if it is not dead."""
        with self._write() as session:
            question = select(OutboxRow, AlertRow.firm_id).join(AlertRow, AlertRow.id == OutboxRow.alert_id)
            found = session.execute(question.where(OutboxRow.id == message_id)).first()
            if found is None or firm_id not in (None, found[1]):
                raise InputError("message", f"there is no message {message_id!r}; list the outbox to find it")
            row: OutboxRow = found[0]
            if row.state != _DEAD:
                raise InputError(
                    "message", f"{message_id!r} is {row.state}; only dead messages can be discarded"
                )
            row.state, row.settled_at = MessageState.EXPIRED.value, now

    def dead_letters(self, since: dt.datetime | None = None, *, limit: int = 1000) -> list[DeadLetter]:
        """Return what was given up, newest first: alerts that still are, briefs and requests of that time.

        A digest that was given up stands in its alerts. Briefs and requests to confirm cannot be requeued:
        they are told once, for ``since``, and the next one comes by itself.
        """
        with self._read() as session:
            found = [*_dead_alerts(session, since, limit)]
            if since is not None:
                found += [*_dead_mails(session, since, limit)]
        return sorted(found, key=lambda one: (one.at, one.id), reverse=True)[:limit]

    def dead_count(self) -> int:
        """Return how many messages were given up and neither requeued nor discarded."""
        question = select(func.count()).select_from(OutboxRow).where(OutboxRow.state == _DEAD)
        with self._read() as session:
            return int(session.scalar(question) or 0)


def _since() -> Any:
    return func.coalesce(OutboxRow.settled_at, OutboxRow.queued_at)


def _lines(firm_id: str | None) -> Any:
    question: Any = (
        select(OutboxRow, AlertRow.kind, AlertRow.made_at, SiteRow.name, SubscriberRow)
        .join(AlertRow, AlertRow.id == OutboxRow.alert_id)
        .join(SiteRow, SiteRow.id == AlertRow.site_id)
        .join(SubscriberRow, SubscriberRow.id == OutboxRow.subscriber_id)
    )
    return question if firm_id is None else question.where(AlertRow.firm_id == firm_id)


def _line(row: OutboxRow, kind: str, made_at: dt.datetime, site: str, reader: SubscriberRow) -> OutboxLine:
    return OutboxLine(
        message=message_record(row),
        kind=AlertKind(kind),
        made_at=made_at,
        site=site,
        subscriber=subscriber_record(reader),
        since=row.settled_at or row.queued_at,
        waits_for_digest=row.state == MessageState.PENDING.value and row.ready_at is None,
    )


def _dead_alerts(session: Session, since: dt.datetime | None, limit: int) -> Iterator[DeadLetter]:
    question = _lines(None).where(OutboxRow.state == _DEAD).order_by(_since().desc()).limit(limit)
    if since is not None:
        question = question.where(OutboxRow.settled_at > since)
    for row, kind, _made_at, site, reader in session.execute(question):
        at = row.settled_at or row.queued_at
        yield DeadLetter(row.id, kind, reader.name, site, at, row.attempts, row.last_error)


def _dead_mails(session: Session, since: dt.datetime, limit: int) -> Iterator[DeadLetter]:
    briefs = (
        select(BriefRow, SubscriberRow.name)
        .join(SubscriberRow, SubscriberRow.id == BriefRow.subscriber_id)
        # The alerts of a digest are dead messages themselves.
        .where(BriefRow.state == _DEAD, BriefRow.settled_at > since, BriefRow.kind != BriefKind.DIGEST.value)
        .order_by(BriefRow.settled_at.desc())
        .limit(limit)
    )
    for brief, name in session.execute(briefs):
        yield DeadLetter(
            brief.id, brief.kind, name, "", brief.settled_at or since, brief.attempts, brief.last_error
        )
    notices = (
        select(NoticeRow, SubscriberRow.name)
        .join(SubscriberRow, SubscriberRow.id == NoticeRow.subscriber_id)
        .where(NoticeRow.state == _DEAD, NoticeRow.settled_at > since)
        .order_by(NoticeRow.settled_at.desc())
        .limit(limit)
    )
    for one, name in session.execute(notices):
        yield DeadLetter(
            one.id, "request to confirm", name, "", one.settled_at or since, one.attempts, one.last_error
        )
