"""Returned mails, counted once each, and the secrets this installation made for itself."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

from sqlalchemy import func, select

from alertd.errors import InputError
from alertd.records.keeping import BRIEF_REF, MESSAGE_REF, NOTICE_REF, Bounce, BounceKind
from alertd.records.site import Subscriber
from alertd.store.columns import kept_text
from alertd.store.desk import Desk
from alertd.store.models import BounceRow, BriefRow, KeyRow, NoticeRow, OutboxRow, SubscriberRow
from alertd.store.rows import subscriber_record


class Bounces(Desk):
    """Keeps which mails came back."""

    def recipient_of(self, ref: str) -> Subscriber | None:
        """Return whom a message (``m.ID``) or a notice (``n.ID``) of ours went to; None if there is none."""
        kind, _, message_id = ref.partition(".")
        message: OutboxRow | NoticeRow | BriefRow | None = None
        with self._read() as session:
            if kind == MESSAGE_REF:
                message = session.get(OutboxRow, message_id)
            elif kind == NOTICE_REF:
                message = session.get(NoticeRow, message_id)
            elif kind == BRIEF_REF:
                message = session.get(BriefRow, message_id)
            row = None if message is None else session.get(SubscriberRow, message.subscriber_id)
            return None if row is None or row.removed_at is not None else subscriber_record(row)

    def add_bounce(self, bounce: Bounce, subscriber_id: str) -> bool:
        """Keep a bounce; False if the same one was kept before."""
        values = {
            "subscriber_id": subscriber_id,
            "ref": bounce.ref,
            "kind": bounce.kind.value,
            "action": bounce.action,
            "status": bounce.status,
            "at": bounce.at,
            "detail": kept_text(bounce.detail),
        }
        insert = self._insert(BounceRow).values(values).on_conflict_do_nothing().returning(BounceRow.id)
        with self._write() as session:
            return session.scalar(insert) is not None

    def bounces(self, subscriber_id: str, *, limit: int = 20) -> list[Bounce]:
        """Return the bounces of one subscriber, the newest first."""
        question = (
            select(BounceRow)
            .where(BounceRow.subscriber_id == subscriber_id)
            .order_by(BounceRow.at.desc(), BounceRow.id.desc())
            .limit(limit)
        )
        with self._read() as session:
            return [
                Bounce(row.ref, BounceKind(row.kind), row.status, row.action, row.at, row.detail)
                for row in session.scalars(question)
            ]

    def bounced_messages(self, subscriber_id: str, kind: BounceKind, since: dt.datetime) -> int:
        """Return how many messages of one subscriber came back in this way since an instant."""
        question = select(func.count(func.distinct(BounceRow.ref))).where(
            BounceRow.subscriber_id == subscriber_id, BounceRow.kind == kind.value, BounceRow.at >= since
        )
        with self._read() as session:
            return int(session.scalar(question) or 0)

    def bounce_counts(self, since: dt.datetime) -> dict[BounceKind, int]:
        """Return how many mails came back in each way since an instant, of every firm."""
        question = select(BounceRow.kind, func.count()).where(BounceRow.at >= since).group_by(BounceRow.kind)
        with self._read() as session:
            counted = {kind: count for kind, count in session.execute(question)}
        return {kind: counted.get(kind.value, 0) for kind in BounceKind}

    def kept_key(self, name: str, make: Callable[[], str], *, now: dt.datetime) -> str:
        """Return the secret of this name, made once and the same for every process."""
        question = select(KeyRow.value).where(KeyRow.name == name)
        with self._read() as session:
            found = session.scalar(question)
        if found is not None:
            return found
        with self._write() as session:
            values = {"name": name, "value": make(), "made_at": now}
            session.execute(self._insert(KeyRow).on_conflict_do_nothing(), values)
            kept = session.scalar(question)
        if kept is None:
            raise InputError("key", f"the secret {name!r} could not be kept")
        return kept
