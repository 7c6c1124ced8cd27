"""Messages on their way out: lent to one worker at a time, settled by that worker alone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Select, case, func, insert, not_, or_, select, update
from sqlalchemy.orm import Session

from alertd.errors import InputError
from alertd.records.alert import Delivery, MessageState, OutboxMessage
from alertd.records.keeping import LeasedMessage, Parcel, Settlement
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

Row = TypeVar("Row", AlertRow, SiteRow, SubscriberRow)
Record = TypeVar("Record")
CRASH_LIMIT = 5
SUSPECT_AFTER = 2
"""Lapsed leases in a row after which a message is lent alone, so that the next crash is its own."""
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
        idle: bool = True,
    ) -> list[LeasedMessage]:
        """Lend the messages that are due, oldest first, until ``now + lease_s``, each to one worker.

        Attempts count starts. A lease that ran out is lent again under a new generation. A message whose
        leases ran out twice in a row is lent only when nothing else is due, alone, and only ``if idle``:
        so the messages that merely were near a crash are cleared, and the one that kills its workers
        ``crash_limit`` times in a row is marked dead. Expired messages are marked so first.
        """
        until = now + dt.timedelta(seconds=lease_s)
        with self._write() as session:
            _expire(session, now)
            ids = _claimable(session, now, limit, channel, alone=False)
            alone = not ids and idle
            if alone:
                # Only now: with nothing else due there is no pile to walk through.
                _park(session, now, crash_limit)
                ids = _claimable(session, now, 1, channel, alone=True)
            for chunk in in_chunks(ids):
                _lend(session, chunk, owner, until)
            return _leased(session, ids, alone=alone)

    def is_due(self, now: dt.datetime) -> bool:
        """Return whether anything is due; a look that takes no lock, for most rounds find nothing."""
        with self._read() as session:
            return (
                session.scalars(select(OutboxRow.id).where(OutboxRow.ready_at <= now).limit(1)).first()
                is not None
            )

    def park(self, now: dt.datetime, *, crash_limit: int = CRASH_LIMIT) -> list[str]:
        """Mark dead what keeps killing its workers, and return the ids; ``lease`` does so as well."""
        with self._read() as session:
            if not session.scalars(_killers(now, crash_limit).limit(1)).first():
                return []
        with self._write() as session:
            return _park(session, now, crash_limit)

    def renew(self, messages: Iterable[OutboxMessage], until: dt.datetime) -> set[str]:
        """Prolong the leases that still hold, and return the ids of those messages."""
        with self._write() as session:
            held = _held(session, messages)
            for chunk in in_chunks(held):
                session.execute(
                    update(OutboxRow)
                    .where(OutboxRow.id.in_(chunk))
                    .values(lease_until=until, ready_at=until)
                    .execution_options(synchronize_session=False)
                )
            return held

    def parcels(self, messages: Sequence[OutboxMessage]) -> list[Parcel]:
        """Return each message with its alert, site and subscriber, in the order given."""
        with self._read() as session:
            # Each alert is read once, however many its readers are.
            alerts = _read_all(session, AlertRow, (one.alert_id for one in messages), alert_record)
            sites = _read_all(session, SiteRow, (one.site_id for one in alerts.values()), site_record)
            readers = _read_all(
                session, SubscriberRow, (one.subscriber_id for one in messages), subscriber_record
            )
        return [
            Parcel(one, alert, sites[alert.site_id], readers[one.subscriber_id])
            for one in messages
            if (alert := alerts.get(one.alert_id)) is not None
            and alert.site_id in sites
            and one.subscriber_id in readers
        ]

    def settle(self, settlements: Sequence[Settlement]) -> list[bool]:
        """Record what became of each message, all in one transaction.

        False stands where the lease was lost meanwhile: nothing is settled then, but the attempt is kept,
        for it did happen.
        """
        with self._write() as session:
            held = _held(session, [one.message for one in settlements])
            settled = [one for one in settlements if one.message.id in held]
            if settled:
                session.execute(update(OutboxRow), [_settled_values(one) for one in settled])
            if settlements:
                rows = [_delivery_values(one, held=one.message.id in held) for one in settlements]
                session.execute(insert(DeliveryRow), rows)
            return [one.message.id in held for one in settlements]

    def mark_sent(self, message: OutboxMessage, now: dt.datetime, detail: str = "") -> bool:
        """Record a delivery; returns False if the lease was lost meanwhile and nothing was settled."""
        return self.settle([Settlement(message, MessageState.SENT, now, detail)])[0]

    def mark_deferred(
        self, message: OutboxMessage, now: dt.datetime, due_at: dt.datetime, error: str
    ) -> bool:
        """Record a passing failure and try again at ``due_at``; returns False if the lease was lost."""
        return self.settle([Settlement(message, MessageState.PENDING, now, error, due_at)])[0]

    def mark_dead(self, message: OutboxMessage, now: dt.datetime, error: str) -> bool:
        """Record a refusal for good; an operator may requeue it. Returns False if the lease was lost."""
        return self.settle([Settlement(message, MessageState.DEAD, now, error)])[0]

    def release(self, messages: Iterable[OutboxMessage], due_at: dt.datetime | None = None) -> int:
        """Give back messages that were not tried, as if never lent, but due at ``due_at`` if given.

        Returns how many were still held.
        """
        with self._write() as session:
            held = _held(session, messages)
            due: Values = {"ready_at": OutboxRow.due_at}
            if due_at is not None:
                due = {"ready_at": due_at, "due_at": due_at}
            for chunk in in_chunks(held):
                session.execute(
                    update(OutboxRow)
                    .where(OutboxRow.id.in_(chunk))
                    .values(
                        {
                            "state": _PENDING,
                            "attempts": OutboxRow.attempts - 1,
                            "lease_owner": None,
                            "lease_until": None,
                            **due,
                        }
                    )
                    .execution_options(synchronize_session=False)
                )
            return len(held)

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


def _read_all(
    session: Session, table: type[Row], ids: Iterable[str], record: Callable[[Row], Record]
) -> dict[str, Record]:
    found: dict[str, Record] = {}
    for chunk in in_chunks(sorted(set(ids))):
        for row in session.scalars(select(table).where(table.id.in_(chunk))):
            found[row.id] = record(row)
    return found


def _held(session: Session, messages: Iterable[OutboxMessage]) -> set[str]:
    """Return the ids of those messages whose lease is still this one, and hold their rows."""
    wanted: dict[str, LeasedMessage] = {}
    for one in messages:
        if not isinstance(one, LeasedMessage):
            raise TypeError(f"message {one.id} was not leased; settle what ``lease`` returned")
        wanted[one.id] = one
    held: set[str] = set()
    for chunk in in_chunks(sorted(wanted)):
        question = (
            select(OutboxRow.id, OutboxRow.lease_owner, OutboxRow.generation)
            .where(OutboxRow.id.in_(chunk), OutboxRow.state == _LEASED)
            .order_by(OutboxRow.id)
            .with_for_update()
        )
        for row in session.execute(question):
            lent = wanted[row.id]
            if (row.lease_owner, row.generation) == (lent.owner, lent.generation):
                held.add(row.id)
    return held


def _settled_values(one: Settlement) -> Values:
    waits = one.state is MessageState.PENDING
    if waits and one.due_at is None:
        raise ValueError(f"message {one.message.id} is to wait, but not until when")
    due_at = one.due_at if waits else one.message.due_at
    return {
        "id": one.message.id,
        "state": one.state.value,
        "due_at": due_at,
        "ready_at": due_at if waits else None,
        "settled_at": None if waits else one.at,
        "last_error": "" if one.state is MessageState.SENT else kept_text(one.detail),
        "lease_owner": None,
        "lease_until": None,
        "crashes": 0,
    }


_OUTCOMES = {MessageState.PENDING: "deferred"}


def _delivery_values(one: Settlement, *, held: bool) -> Values:
    outcome = _OUTCOMES.get(one.state, one.state.value)
    return {
        "message_id": one.message.id,
        "attempt": one.message.attempts,
        "at": one.at,
        "outcome": outcome if held else f"{outcome}, lease lost",
        "detail": kept_text(one.detail),
    }


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
    session: Session, now: dt.datetime, limit: int, channel: Channel | None, *, alone: bool
) -> list[str]:
    # PostgreSQL skips rows other workers have locked; on SQLite the clause says nothing,
    # and need not: BEGIN IMMEDIATE lets only one worker in here.
    question = (
        select(OutboxRow.id)
        .where(OutboxRow.ready_at <= now, _is_suspect() if alone else not_(_is_suspect()))
        .order_by(OutboxRow.ready_at, OutboxRow.id)
        .limit(limit)
        .with_for_update(skip_locked=True)
    )
    if channel is not None:
        question = question.where(OutboxRow.channel == channel.value)
    return list(session.scalars(question))


def _is_suspect() -> ColumnElement[bool]:
    """Whether the lease that is about to begin would follow on so many that ran out."""
    lapsing = case((OutboxRow.state == _LEASED, 1), else_=0)
    return OutboxRow.crashes + lapsing >= SUSPECT_AFTER


def _killers(now: dt.datetime, crash_limit: int) -> Select[Any]:
    return select(OutboxRow.id).where(_lapsed(now), OutboxRow.crashes >= crash_limit - 1)


def _park(session: Session, now: dt.datetime, crash_limit: int) -> list[str]:
    """Mark dead the messages that kill their workers; rows that another worker holds are its business."""
    ids = list(session.scalars(_killers(now, crash_limit).with_for_update(skip_locked=True)))
    for chunk in in_chunks(ids):
        session.execute(
            update(OutboxRow)
            .where(OutboxRow.id.in_(chunk))
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
    return ids


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


def _leased(session: Session, ids: list[str], *, alone: bool) -> list[LeasedMessage]:
    found: dict[str, LeasedMessage] = {}
    for chunk in in_chunks(ids):
        for row in session.scalars(select(OutboxRow).where(OutboxRow.id.in_(chunk))):
            found[row.id] = LeasedMessage(
                **message_fields(row),
                owner=row.lease_owner or "",
                generation=row.generation,
                lease_until=row.lease_until or row.due_at,
                alone=alone,
            )
    return [found[message_id] for message_id in ids]
