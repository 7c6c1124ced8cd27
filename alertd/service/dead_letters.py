"""What the operator does about messages that were given up: send them again, or close them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

import structlog

from alertd.errors import InputError
from alertd.records.alert import MessageState, OutboxMessage
from alertd.records.keeping import OutboxLine
from alertd.records.site import Standing

log = structlog.get_logger("alertd.outbox")


class DeadLetterStore(Protocol):
    """What this module needs of the store."""

    def outbox_lines(
        self, state: MessageState | None = ..., *, limit: int | None = ...
    ) -> Iterable[OutboxLine]:
        """Return messages with what they are about."""
        ...

    def outbox_line(self, message_id: str) -> OutboxLine:
        """Return one message. Raises InputError if there is none."""
        ...

    def requeue(self, message_id: str, *, now: dt.datetime) -> OutboxMessage:
        """Send a dead message again. Raises InputError if that cannot be."""
        ...

    def discard(self, message_id: str, *, now: dt.datetime) -> None:
        """Close a dead message. Raises InputError if it is not dead."""
        ...


@dataclass(frozen=True, slots=True)
class Handled:
    """Which messages were dealt with, and why the others were not."""

    done: tuple[str, ...]
    refused: tuple[str, ...]


def all_dead(store: DeadLetterStore) -> list[str]:
    """Return the ids of every dead message."""
    return [line.message.id for line in store.outbox_lines(MessageState.DEAD, limit=None)]


def requeue(store: DeadLetterStore, ids: Iterable[str], now: dt.datetime) -> Handled:
    """Send dead messages again, each by itself: one that cannot be stops no other.

    Nothing goes to somebody who left, was suspended or has not confirmed.
    """

    def again(message_id: str) -> None:
        reader = store.outbox_line(message_id).subscriber
        if not reader.active or reader.standing is not Standing.ACTIVE:
            why = reader.standing if reader.standing is not Standing.ACTIVE else "removed or switched off"
            raise InputError(
                "message",
                f"{message_id!r} is for {reader.name}, who is {why}; discard it",
            )
        store.requeue(message_id, now=now)
        log.info("message-requeued", message=message_id)

    return _each(ids, again)


def discard(store: DeadLetterStore, ids: Iterable[str], now: dt.datetime) -> Handled:
    """Close dead messages, so that nobody is told of them any more; history keeps the reason."""

    def close(message_id: str) -> None:
        store.discard(message_id, now=now)
        log.info("message-discarded", message=message_id)

    return _each(ids, close)


def _each(ids: Iterable[str], do: Callable[[str], None]) -> Handled:
    done, refused = [], []
    for message_id in dict.fromkeys(ids):
        try:
            do(message_id)
        except InputError as error:
            refused.append(str(error))
        else:
            done.append(message_id)
    return Handled(tuple(done), tuple(refused))
