"""One delivery round: lease what is due, render, hand over, mark. At least once, one id for all tries."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

import structlog

from alertd.errors import DeliveryDeferred, DeliveryRejected, StoreError
from alertd.records.alert import OutboxMessage
from alertd.records.keeping import Parcel
from alertd.records.site import Channel

log = structlog.get_logger("alertd.deliver")


class OutboxStore(Protocol):
    """What a delivery round needs of the store."""

    def expire(self, now: dt.datetime) -> int:
        """Close what is too late to be worth sending; returns how many."""
        ...

    def lease(self, now: dt.datetime, owner: str, limit: int, lease_s: float) -> Sequence[OutboxMessage]:
        """Claim due messages until the lease runs out; each claim counts as an attempt."""
        ...

    def parcels(self, messages: Sequence[OutboxMessage]) -> Sequence[Parcel]:
        """Return alert, site and subscriber of each message."""
        ...

    def mark_sent(self, message: OutboxMessage, now: dt.datetime, detail: str) -> bool:
        """Note success; False if the lease had passed to somebody else."""
        ...

    def mark_deferred(
        self, message: OutboxMessage, now: dt.datetime, due_at: dt.datetime, error: str
    ) -> bool:
        """Give the message back for a later try."""
        ...

    def mark_dead(self, message: OutboxMessage, now: dt.datetime, error: str) -> bool:
        """Give up on the message; the operator sees it."""
        ...


class Transport(Protocol):
    """One channel."""

    def send(self, parcel: Parcel, now: dt.datetime) -> str:
        """Hand over one message; returns the receiver's word. Raises DeliveryDeferred or DeliveryRejected."""
        ...


OpenTransport = Callable[[], AbstractContextManager[Transport]]


@dataclass(frozen=True, slots=True)
class Retry:
    """Exponential backoff with full jitter, after the schedule of Standard Webhooks 1.0.0 in spirit."""

    first_s: float = 30.0
    longest_s: float = 6 * 3600.0
    attempts_max: int = 12

    def pause_s(self, attempt: int, asked_s: float | None, draw: float) -> float:
        """Return the pause before the next try; ``draw`` in 0..1 is the jitter."""
        ceiling = min(self.longest_s, self.first_s * 2.0 ** max(attempt - 1, 0))
        return max(asked_s or 0.0, ceiling * (0.5 + 0.5 * draw))


@dataclass(slots=True)
class DeliveryReport:
    """What one round did."""

    sent: int = 0
    deferred: int = 0
    dead: int = 0
    expired: int = 0


@dataclass(frozen=True, slots=True)
class Delivery:
    """The steps of one delivery round."""

    store: OutboxStore
    transports: Mapping[Channel, OpenTransport]
    owner: str
    retry: Retry = Retry()
    lease_s: float = 180.0
    batch: int = 100
    draw: Callable[[], float] = random.random
    stopping: Callable[[], bool] = lambda: False

    def run(self, now: dt.datetime) -> DeliveryReport:
        """Send what is due; a message that fails never holds up the others."""
        report = DeliveryReport(expired=self.store.expire(now))
        while not self.stopping():
            leased = self.store.lease(now, self.owner, self.batch, self.lease_s)
            if not leased:
                break
            parcels = self.store.parcels(leased)
            for channel in Channel:
                chosen = [parcel for parcel in parcels if parcel.message.channel == channel]
                if chosen:
                    self._send_all(channel, chosen, now, report)
        if report.sent or report.deferred or report.dead or report.expired:
            log.info(
                "delivery-done", sent=report.sent, deferred=report.deferred, dead=report.dead,
                expired=report.expired,
            )  # fmt: skip
        return report

    def _send_all(
        self, channel: Channel, parcels: Sequence[Parcel], now: dt.datetime, report: DeliveryReport
    ) -> None:
        open_transport = self.transports.get(channel)
        if open_transport is None:
            for parcel in parcels:
                self._defer(parcel, now, DeliveryDeferred(f"{channel} is not set up"), report)
            return
        try:
            with open_transport() as transport:
                for parcel in parcels:
                    self._send(transport, parcel, now, report)
        except DeliveryDeferred as error:
            for parcel in parcels:
                self._defer(parcel, now, error, report)

    def _send(self, transport: Transport, parcel: Parcel, now: dt.datetime, report: DeliveryReport) -> None:
        try:
            said = transport.send(parcel, now)
        except DeliveryRejected as error:
            self.store.mark_dead(parcel.message, now, str(error))
            report.dead += 1
            log.warning("message-dead", message=parcel.message.id, error=str(error))
        except DeliveryDeferred as error:
            self._defer(parcel, now, error, report)
        except StoreError:
            raise
        except Exception as error:
            # A message that cannot even be rendered must not stop the others.
            log.exception("message-failed", message=parcel.message.id)
            self._defer(parcel, now, DeliveryDeferred(f"could not be rendered: {error}"), report)
        else:
            self.store.mark_sent(parcel.message, now, said)
            report.sent += 1

    def _defer(
        self, parcel: Parcel, now: dt.datetime, error: DeliveryDeferred, report: DeliveryReport
    ) -> None:
        message = parcel.message
        if message.attempts >= self.retry.attempts_max:
            self.store.mark_dead(message, now, f"gave up after {message.attempts} tries: {error}")
            report.dead += 1
            return
        pause = self.retry.pause_s(message.attempts, error.retry_after_s, self.draw())
        self.store.mark_deferred(message, now, now + dt.timedelta(seconds=pause), str(error))
        report.deferred += 1
        log.warning("message-deferred", message=message.id, attempt=message.attempts, pause_s=round(pause))
