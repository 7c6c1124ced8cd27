"""Dropping what nobody asks for any more; alerts, episodes and messages stay, they are the record."""

from __future__ import annotations

import datetime as dt
from typing import Any

from sqlalchemy import ColumnElement, delete, select

from alertd.store.desk import Desk
from alertd.store.models import BounceRow, BriefRow, DeliveryRow, NoticeRow, OutboxRow


class Pruning(Desk):
    """Forgets in bites, so that nobody waits long for the write lock. Every call returns how many went."""

    def forget_briefs(self, settled_before: dt.datetime, *, most: int) -> int:
        """Drop digests and briefs that were settled before then."""
        return self._forget(BriefRow.id, BriefRow.settled_at < settled_before, most)

    def forget_notices(self, settled_before: dt.datetime, *, most: int) -> int:
        """Drop requests to confirm that were settled before then."""
        return self._forget(NoticeRow.id, NoticeRow.settled_at < settled_before, most)

    def forget_bounces(self, before: dt.datetime, *, most: int) -> int:
        """Drop what was noted of mail that came back before then."""
        return self._forget(BounceRow.id, BounceRow.at < before, most)

    def forget_deliveries(self, settled_before: dt.datetime, *, most: int) -> int:
        """Drop the single tries of messages settled before then, dead ones apart, which may be requeued.

        The messages themselves stay: history goes on telling who got what and when.
        """
        from_settled = (
            select(OutboxRow.id)
            .where(OutboxRow.id == DeliveryRow.message_id)
            .where(OutboxRow.settled_at < settled_before, OutboxRow.state != "dead")
        )
        return self._forget(DeliveryRow.id, from_settled.exists(), most)

    def _forget(self, key: Any, condition: ColumnElement[bool], most: int) -> int:
        chosen = select(key).where(condition).order_by(key).limit(most)
        with self._write() as session:
            ids = list(session.scalars(chosen))
            for start in range(0, len(ids), 500):
                session.execute(delete(key.class_).where(key.in_(ids[start : start + 500])))
            return len(ids)
