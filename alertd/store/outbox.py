"""Messages on their way out: lent to one worker at a time, settled by that worker alone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence

from sqlalchemy import ColumnElement, case, func, or_, select, update
from sqlalchemy.orm import Session

from alertd.errors import InputError
from alertd.records.alert import Delivery, MessageState, OutboxMessage
from alertd.records.keeping import LeasedMessage, Parcel
from alertd.records.site import DEFAULT_FIRM, Channel
from alertd.store.columns import kept_text
from alertd.store.desk import Desk, in_chunks
from alertd.store.models import AlertRow, DeliveryRow, OutboxRow, SiteRow, SubscriberRow
from alertd.store.rows import (
    Values,
    alert_record,
    message_fields,
    message_record,
    site_record,
    subscriber_record,
)

CRASH_LIMIT = 5
_PENDING, _LEASED, _SENT, _EXPIRED, _DEAD = (
    MessageState.PENDING.value,
    MessageState.LEASED.value,
    MessageState.SENT.value,
    MessageState.EXPIRED.value,
    MessageState.DEAD.value,
)


class Outbox(Desk):
    """Keeps messages until they are sent, expired or dead; none leaves without one of these states."""

    def lease(
        self,
        now: dt.datetime,
        owner: str,
        limit: int = 100,
        lease_s: float = 120.0,
        *,
        channel: Channel | None = None,
        crash_limit: int = CRASH_LIMIT,
    ) -> list[LeasedMessage]:
        """Lend the messages that are due, oldest first, until ``now + lease_s``, each to one worker.

        Attempts count starts. A lease that ran out is lent again under a new generation; a message
        whose leases ran out ``crash_limit`` times in a row kills its workers and is marked dead.
        Expired messages are marked so first.
        """
        until = now + dt.timedelta(seconds=lease_s)
        with self._write() as session:
            _expire(session, now)
            ids = _claimable(session, now, limit, channel, crash_limit)
            for chunk in in_chunks(ids):
                _lend(session, chunk, owner, until)
            return _leased(session, ids)

    def parcels(self, messages: Sequence[OutboxMessage]) -> list[Parcel]:
        """Return each message with its alert, site and subscriber, in the order given."""
        by_id = {message.id: message for message in messages}
        question = (
            select(OutboxRow.id, AlertRow, SiteRow, SubscriberRow)
            .join(AlertRow, AlertRow.id == OutboxRow.alert_id)
            .join(SiteRow, SiteRow.id == AlertRow.site_id)
            .join(SubscriberRow, SubscriberRow.id == OutboxRow.subscriber_id)
        )
        found: dict[str, Parcel] = {}
        with self._read() as session:
            for chunk in in_chunks(by_id):
                for key, alert, site, subscriber in session.execute(question.where(OutboxRow.id.in_(chunk))):
                    found[key] = Parcel(
                        by_id[key], alert_record(alert), site_record(site), subscriber_record(subscriber)
                    )
        return [found[message.id] for message in messages if message.id in found]

    def mark_sent(self, message: OutboxMessage, now: dt.datetime, detail: str = "") -> bool:
        """Record a delivery; returns False if the lease was lost meanwhile and nothing was settled."""
        return self._settle(
            message,
            now,
            "sent",
            detail,
            {"state": _SENT, "ready_at": None, "settled_at": now, "last_error": ""},
        )

    def mark_deferred(
        self, message: OutboxMessage, now: dt.datetime, due_at: dt.datetime, error: str
    ) -> bool:
        """Record a passing failure and try again at ``due_at``; returns False if the lease was lost."""
        values: Values = {
            "state": _PENDING,
            "due_at": due_at,
            "ready_at": due_at,
            "last_error": kept_text(error),
        }
        return self._settle(message, now, "deferred", error, values)

    def mark_dead(self, message: OutboxMessage, now: dt.datetime, error: str) -> bool:
        """Record a refusal for good; an operator may requeue it. Returns False if the lease was lost."""
        values: Values = {"state": _DEAD, "ready_at": None, "settled_at": now, "last_error": kept_text(error)}
        return self._settle(message, now, "dead", error, values)

    def release(self, messages: Iterable[OutboxMessage]) -> int:
        """Give back messages that were not tried, as if never lent. Returns how many."""
        released = 0
        with self._write() as session:
            for one in messages:
                values = {
                    "state": _PENDING,
                    "ready_at": OutboxRow.due_at,
                    "attempts": OutboxRow.attempts - 1,
                    "lease_owner": None,
                    "lease_until": None,
                }
                released += _update_held(session, one, values)
        return released

    def expire(self, now: dt.datetime) -> int:
        """Mark every waiting message whose time has passed. Returns how many."""
        with self._write() as session:
            return _expire(session, now)

    def requeue(
        self, message_id: str, *, now: dt.datetime, firm_id: str | None = DEFAULT_FIRM
    ) -> OutboxMessage:
        """Send a dead message again, with its attempts counted anew. Raises InputError if that cannot be."""
        with self._write() as session:
            question = select(OutboxRow, AlertRow.firm_id).join(AlertRow, AlertRow.id == OutboxRow.alert_id)
            found = session.execute(question.where(OutboxRow.id == message_id)).first()
            if found is None or firm_id not in (None, found[1]):
                raise InputError("message", f"there is no message {message_id!r}")
            row: OutboxRow = found[0]
            if row.state != _DEAD:
                raise InputError(
                    "message", f"{message_id!r} is {row.state}; only dead messages can be requeued"
                )
            if row.expires_at is not None and row.expires_at <= now:
                raise InputError("message", f"{message_id!r} is about a time that has passed")
            row.state, row.due_at, row.ready_at, row.settled_at = _PENDING, now, now, None
            row.attempts = row.crashes = 0
            return message_record(row)

    def record_delivery(self, delivery: Delivery) -> None:
        """Keep one attempt that was settled by other means."""
        with self._write() as session:
            _record(session, delivery)

    def deliveries(self, message_id: str) -> list[Delivery]:
        """Return the attempts of one message, oldest first."""
        question = select(DeliveryRow).where(DeliveryRow.message_id == message_id).order_by(DeliveryRow.id)
        with self._read() as session:
            return [
                Delivery(row.message_id, row.attempt, row.at, row.outcome, row.detail)
                for row in session.scalars(question)
            ]

    def messages(
        self, state: MessageState | None = None, *, limit: int = 100, firm_id: str | None = DEFAULT_FIRM
    ) -> list[OutboxMessage]:
        """Return messages, the ones due first first."""
        question = select(OutboxRow).order_by(OutboxRow.due_at, OutboxRow.id).limit(limit)
        if state is not None:
            question = question.where(OutboxRow.state == state.value)
        if firm_id is not None:
            question = question.join(AlertRow, AlertRow.id == OutboxRow.alert_id).where(
                AlertRow.firm_id == firm_id
            )
        with self._read() as session:
            return [message_record(row) for row in session.scalars(question)]

    def outbox_counts(self) -> Mapping[MessageState, int]:
        """Return how many messages are in each state, of every firm."""
        question = select(OutboxRow.state, func.count()).group_by(OutboxRow.state)
        with self._read() as session:
            counted = {state: count for state, count in session.execute(question)}
        return {state: counted.get(state.value, 0) for state in MessageState}

    def oldest_pending(self) -> dt.datetime | None:
        """Return since when the longest waiting message has been due, None if nothing waits."""
        question = select(func.min(OutboxRow.due_at)).where(OutboxRow.ready_at.is_not(None))
        with self._read() as session:
            return session.scalar(question)

    def _settle(
        self, message: OutboxMessage, now: dt.datetime, outcome: str, detail: str, values: Values
    ) -> bool:
        """Settle a message that is still held, and keep the attempt in any case: it did happen."""
        with self._write() as session:
            freed = {"lease_owner": None, "lease_until": None, "crashes": 0}
            held = _update_held(session, message, {**values, **freed}) == 1
            told = outcome if held else f"{outcome}, lease lost"
            _record(session, Delivery(message.id, message.attempts, now, told, detail))
            return held


def _update_held(session: Session, leased: OutboxMessage, values: Values) -> int:
    if not isinstance(leased, LeasedMessage):
        raise TypeError(f"message {leased.id} was not leased; settle what ``lease`` returned")
    statement = (
        update(OutboxRow)
        .where(
            OutboxRow.id == leased.id,
            OutboxRow.state == _LEASED,
            OutboxRow.lease_owner == leased.owner,
            OutboxRow.generation == leased.generation,
        )
        .values(values)
        .returning(OutboxRow.id)
        .execution_options(synchronize_session=False)
    )
    return len(session.scalars(statement).all())


def _record(session: Session, delivery: Delivery) -> None:
    session.add(
        DeliveryRow(
            message_id=delivery.message_id,
            attempt=delivery.attempt,
            at=delivery.at,
            outcome=delivery.outcome,
            detail=kept_text(delivery.detail),
        )
    )


def _lapsed(now: dt.datetime) -> ColumnElement[bool]:
    return (OutboxRow.state == _LEASED) & (OutboxRow.ready_at <= now)


def _expire(session: Session, now: dt.datetime) -> int:
    statement = (
        update(OutboxRow)
        .where(
            OutboxRow.ready_at.is_not(None),
            OutboxRow.expires_at <= now,
            or_(OutboxRow.state == _PENDING, _lapsed(now)),
        )
        .values(state=_EXPIRED, ready_at=None, settled_at=now, lease_owner=None, lease_until=None)
        .returning(OutboxRow.id)
        .execution_options(synchronize_session=False)
    )
    return len(session.scalars(statement).all())


def _claimable(
    session: Session, now: dt.datetime, limit: int, channel: Channel | None, crash_limit: int
) -> list[str]:
    """Return the messages to lend, after parking those among them that kill their workers."""
    # PostgreSQL skips rows other workers have locked; on SQLite the clause says nothing,
    # and need not: BEGIN IMMEDIATE lets only one worker in here.
    question = (
        select(OutboxRow.id, OutboxRow.state, OutboxRow.crashes)
        .where(OutboxRow.ready_at <= now)
        .order_by(OutboxRow.ready_at, OutboxRow.id)
        .limit(limit)
        .with_for_update(skip_locked=True)
    )
    if channel is not None:
        question = question.where(OutboxRow.channel == channel.value)
    while True:
        found = session.execute(question).all()
        killers = [row.id for row in found if row.state == _LEASED and row.crashes >= crash_limit - 1]
        if not killers:
            return [row.id for row in found]
        for chunk in in_chunks(killers):
            _park(session, chunk, now, crash_limit)


def _park(session: Session, ids: list[str], now: dt.datetime, crash_limit: int) -> None:
    session.execute(
        update(OutboxRow)
        .where(OutboxRow.id.in_(ids))
        .values(
            state=_DEAD,
            ready_at=None,
            settled_at=now,
            lease_owner=None,
            lease_until=None,
            last_error=f"its worker stopped {crash_limit} times in a row without settling it",
        )
        .execution_options(synchronize_session=False)
    )


def _lend(session: Session, ids: list[str], owner: str, until: dt.datetime) -> None:
    session.execute(
        update(OutboxRow)
        .where(OutboxRow.id.in_(ids))
        .values(
            crashes=case((OutboxRow.state == _LEASED, OutboxRow.crashes + 1), else_=OutboxRow.crashes),
            state=_LEASED,
            lease_owner=owner,
            lease_until=until,
            ready_at=until,
            attempts=OutboxRow.attempts + 1,
            generation=OutboxRow.generation + 1,
        )
        .execution_options(synchronize_session=False)
    )


def _leased(session: Session, ids: list[str]) -> list[LeasedMessage]:
    found: dict[str, LeasedMessage] = {}
    for chunk in in_chunks(ids):
        for row in session.scalars(select(OutboxRow).where(OutboxRow.id.in_(chunk))):
            found[row.id] = LeasedMessage(
                **message_fields(row),
                owner=row.lease_owner or "",
                generation=row.generation,
                lease_until=row.lease_until or row.due_at,
            )
    return [found[message_id] for message_id in ids]
