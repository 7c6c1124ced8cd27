"""One delivery round: lease what is due, hand it over lane by lane, settle. At least once.

A message is marked after it was handed over, never before: a crash in between costs a second copy, never
the message. All copies carry the same id.
"""

from __future__ import annotations

import datetime as dt
import random
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import structlog

from alertd.errors import DeliveryDeferred, DeliveryRejected, StoreError
from alertd.records.alert import MessageState, OutboxMessage
from alertd.records.keeping import MESSAGE_REF, LeasedMessage, Parcel, Settlement
from alertd.records.site import Channel
from alertd.service.lanes import Lanes, Limits, OpenTransport, Outcome, Transport

__all__ = ["Delivery", "DeliveryReport", "Limits", "OpenTransport", "OutboxStore", "Retry", "Transport"]

log = structlog.get_logger("alertd.deliver")

Refused = Callable[[str, DeliveryRejected, dt.datetime], None]
"""Takes the name of a message (``m.ID``), how it was refused for good, and when; raises nothing."""


class OutboxStore(Protocol):
    """What a delivery round needs of the store."""

    def is_due(self, now: dt.datetime) -> bool:
        """Return whether anything is due."""
        ...

    def expire(self, now: dt.datetime) -> int:
        """Close what is too late to be worth sending; returns how many."""
        ...

    def park(self, now: dt.datetime, *, crash_limit: int = ...) -> Sequence[str]:
        """Mark dead what keeps killing its workers; returns the ids."""
        ...

    def lease(
        self,
        now: dt.datetime,
        owner: str,
        limit: int,
        lease_s: float,
        *,
        channel: Channel | None = None,
        crash_limit: int = ...,
        idle: bool = True,
    ) -> Sequence[LeasedMessage]:
        """Claim due messages until the lease runs out; each claim counts as an attempt."""
        ...

    def renew(self, messages: Iterable[OutboxMessage], until: dt.datetime) -> set[str]:
        """Prolong leases; returns the ids of those that still hold."""
        ...

    def release(self, messages: Iterable[OutboxMessage], due_at: dt.datetime | None = None) -> int:
        """Give back messages that were not tried."""
        ...

    def parcels(self, messages: Sequence[OutboxMessage]) -> Sequence[Parcel]:
        """Return alert, site and subscriber of each message."""
        ...

    def settle(self, settlements: Sequence[Settlement]) -> Sequence[bool]:
        """Record what became of each message in one transaction; False where the lease was lost."""
        ...


@dataclass(frozen=True, slots=True)
class Retry:
    """Exponential backoff with jitter: 30 s doubling up to 6 h, given up after 2.5 to 5 days.

    Standard Webhooks 1.0.0 shows a schedule of three days, RFC 5321 (4.5.4.1) asks for four to five.
    """

    first_s: float = 30.0
    longest_s: float = 6 * 3600.0
    attempts_max: int = 30
    asked_max_s: float = 24 * 3600.0

    def pause_s(self, attempt: int, asked_s: float | None, draw: float) -> float:
        """Return the pause before the next try; ``draw`` in 0..1 is the jitter.

        A pause that the receiver asked for is a lower bound, within reason.
        """
        doublings = min(max(attempt - 1, 0), 30)
        pause = min(self.longest_s, self.first_s * 2.0**doublings) * (0.5 + 0.5 * draw)
        asked = min(asked_s or 0.0, self.asked_max_s)
        return pause if pause >= asked else asked + self.first_s * draw


@dataclass(slots=True)
class DeliveryReport:
    """What one round did."""

    sent: int = 0
    deferred: int = 0
    dead: int = 0
    expired: int = 0


@dataclass
class Delivery:
    """The steps of one delivery round; for one thread at a time.

    A round ends when nothing is due and nothing under way, or after ``round_s``; what hangs then is
    looked after by the next round, and costs nobody else their turn.
    """

    store: OutboxStore
    transports: Mapping[Channel, OpenTransport]
    owner: str
    retry: Retry = Retry()
    lease_s: float = 180.0
    crash_limit: int = 5
    """Crashes in a row, each with this message alone in hand, after which it is given up."""
    batch: int = 100
    draw: Callable[[], float] = random.random
    stopping: Callable[[], bool] = lambda: False
    limits: Limits = field(default_factory=Limits)
    refused: Refused = lambda _ref, _error, _at: None
    """Told of every refusal for good once it is settled."""
    round_s: float = 60.0
    stop_within_s: float = 4.0
    monotonic_s: Callable[[], float] = time.monotonic
    pause_s: Callable[[float], None] = time.sleep

    def __post_init__(self) -> None:
        self._began: tuple[dt.datetime, float] | None = None
        self._lanes = Lanes(self.transports, self.limits, self._now, self.stopping)
        self._owed: list[Settlement] = []
        self._spare: list[OutboxMessage] = []
        self._renew_s = 0.0
        self._look_s = 0.0

    def run(self, now: dt.datetime) -> DeliveryReport:
        """Send what is due; a message or a destination that fails never holds up the others.

        Raises
        ------
        StoreError
            If the database cannot be written. What was sent but could not be marked goes out again,
            with the same id, when its lease has run out.
        """
        self._began = (now, self.monotonic_s())
        self._renew_s = self._elapsed_s() + self.lease_s / 3
        self._look_s = 0.0
        report = DeliveryReport(expired=self.store.expire(now))
        try:
            self._round(report)
        finally:
            self._wind_up(report)
        if report.sent or report.deferred or report.dead or report.expired:
            log.info(
                "delivery-done", sent=report.sent, deferred=report.deferred, dead=report.dead,
                expired=report.expired,
            )  # fmt: skip
        return report

    def _round(self, report: DeliveryReport) -> None:
        self._write_down([], report)  # what the round before could not
        self._give_back()
        while not self.stopping():
            over = self._elapsed_s() >= self.round_s
            found = 0 if over else self._fill(report)
            if over or (not found and self._lanes.is_idle() and not self._is_more_coming()):
                return
            self._settle(self._lanes.results(0.0 if found else self._step_s()), report)
            if not found and self._lanes.is_idle() and self._is_more_coming():
                self.pause_s(self._step_s() / 5)
            self._give_back()
            self._renew()

    def _is_more_coming(self) -> bool:
        """Whether messages that found no room are due again within a moment."""
        until = self._lanes.crowded_until()
        return until is not None and until >= self._now()

    def _now(self) -> dt.datetime:
        """Return the instant the round was given plus the time it has taken since."""
        if self._began is None:
            raise RuntimeError("a round has not begun")
        return self._began[0] + dt.timedelta(seconds=self._elapsed_s())

    def _elapsed_s(self) -> float:
        return 0.0 if self._began is None else self.monotonic_s() - self._began[1]

    def _step_s(self) -> float:
        """How long to wait for results: short, so that a stop and newly due messages are seen."""
        return min(0.25, self.lease_s / 6)

    def _fill(self, report: DeliveryReport) -> int:
        """Lease what is due and give it to the lanes. Returns how many were found.

        What may have killed its workers comes last, alone: if it does so again, all others are out.
        """
        if self._elapsed_s() < self._look_s and not self._lanes.is_idle():
            return 0  # nothing was due a moment ago, and there is work in hand
        if not self.store.is_due(self._now()):
            self._look_s = self._elapsed_s() + self._step_s()
            return 0
        for idle in (False, True):
            if idle and not self._lanes.is_idle():
                break
            if idle:
                self._park(report)
            found = sum(self._fill_channel(channel, report, idle=idle) for channel in Channel)
            if found:
                return found
        self._look_s = self._elapsed_s() + self._step_s()
        return 0

    def _park(self, report: DeliveryReport) -> None:
        for message_id in self.store.park(self._now(), crash_limit=self.crash_limit):
            report.dead += 1
            log.error("message-dead", message=message_id, error="it kept stopping the process")

    def _fill_channel(self, channel: Channel, report: DeliveryReport, *, idle: bool) -> int:
        held = self._lanes.held()
        if any(isinstance(one.message, LeasedMessage) and one.message.alone for one in held):
            return 0
        room = self._lanes.room(channel, self.batch)
        if room < self.batch // 2:
            return 0
        now = self._now()
        leased = self.store.lease(
            now, self.owner, room, self.lease_s, channel=channel, crash_limit=self.crash_limit,
            idle=idle and not held,
        )  # fmt: skip
        if leased and not held:
            self._vouch(now)
        self._hand_out(leased, report)
        return len(leased)

    def _hand_out(self, leased: Sequence[LeasedMessage], report: DeliveryReport) -> None:
        if not leased:
            return
        parcels = self._lanes.swap(self._parcels(leased, report))
        gone = "the subscriber is no longer active"
        self._write_down(
            [
                Settlement(parcel.message, MessageState.EXPIRED, self._now(), gone)
                for parcel in parcels
                if not parcel.subscriber.active
            ],
            report,
        )
        self._lanes.offer([parcel for parcel in parcels if parcel.subscriber.active])
        self._give_back()

    def _give_back(self) -> None:
        """Return to the store what the lanes decline, each for its own later moment."""
        by_due: dict[dt.datetime | None, list[OutboxMessage]] = {}
        for parcel, due_at in self._lanes.declined():
            by_due.setdefault(due_at, []).append(parcel.message)
        for due_at, messages in by_due.items():
            self.store.release(messages, due_at)
        if self._spare:
            self.store.release(self._spare)
            self._spare = []

    def _parcels(self, leased: Sequence[LeasedMessage], report: DeliveryReport) -> list[Parcel]:
        """Return what can be read; a message that cannot be is put off and stops no other."""
        try:
            found = list(self.store.parcels(leased))
        except StoreError:
            raise
        except Exception as error:  # a row that this program cannot read
            if len(leased) > 1:
                return [parcel for one in leased for parcel in self._parcels([one], report)]
            log.exception("message-failed", message=leased[0].id)
            failure = DeliveryDeferred(f"could not be read: {error}")
            self._write_down([self._deferral(leased[0], self._now(), failure)], report)
            return []
        ids = {parcel.message.id for parcel in found}
        lost = [message for message in leased if message.id not in ids]
        gone = "its alert, site or subscriber is gone"
        self._write_down([Settlement(one, MessageState.DEAD, self._now(), gone) for one in lost], report)
        return found

    def _settle(self, outcomes: Sequence[Outcome], report: DeliveryReport) -> None:
        self._write_down([self._settlement(outcome) for outcome in outcomes], report)
        # Afterwards: a reader who is suspended for it takes what waits along, and this one shall stay dead.
        for one in outcomes:
            if isinstance(one.error, DeliveryRejected):
                self.refused(f"{MESSAGE_REF}.{one.parcel.message.id}", one.error, one.at)

    def _settlement(self, outcome: Outcome) -> Settlement:
        message, error = outcome.parcel.message, outcome.error
        if error is None:
            return Settlement(message, MessageState.SENT, outcome.at, outcome.said)
        if isinstance(error, DeliveryRejected):
            return Settlement(message, MessageState.DEAD, outcome.at, str(error))
        if not isinstance(error, DeliveryDeferred):
            # A message that cannot even be rendered must not stop the others.
            log.error("message-failed", message=message.id, exc_info=error)
            error = DeliveryDeferred(f"could not be rendered: {type(error).__name__}: {error}")
        return self._deferral(message, outcome.at, error)

    def _deferral(self, message: OutboxMessage, at: dt.datetime, error: DeliveryDeferred) -> Settlement:
        if message.attempts >= self.retry.attempts_max:
            gave_up = f"gave up after {message.attempts} tries: {error}"
            return Settlement(message, MessageState.DEAD, at, gave_up)
        pause_s = self.retry.pause_s(message.attempts, error.retry_after_s, self.draw())
        return Settlement(message, MessageState.PENDING, at, str(error), at + dt.timedelta(seconds=pause_s))

    def _write_down(self, settlements: Sequence[Settlement], report: DeliveryReport) -> None:
        """Settle together whatever has come back. Nothing more is sent while that cannot be written."""
        self._owed += settlements
        if not self._owed:
            return
        owed = self._owed
        try:
            self.store.settle(owed)
        except StoreError as error:
            self._lanes.pause(True)
            log.warning("settling-waits", messages=len(owed), error=str(error))
            raise
        self._owed = []
        self._lanes.pause(False)
        for one in owed:
            _tell(one, report)

    def _vouch(self, now: dt.datetime) -> None:
        """Let the lanes begin messages while the leases that begin now hold."""
        self._renew_s = self._elapsed_s() + self.lease_s / 3
        self._lanes.vouch(now + dt.timedelta(seconds=self.lease_s))

    def _renew(self) -> None:
        """Keep what is held; drop what another worker has meanwhile."""
        if self._elapsed_s() < self._renew_s:
            return
        now = self._now()
        parcels = self._lanes.held()
        until = now + dt.timedelta(seconds=self.lease_s)
        kept = self.store.renew([parcel.message for parcel in parcels], until)
        if len(kept) < len(parcels):
            self._lanes.take_back(keep=lambda parcel: parcel.message.id in kept)
        self._vouch(now)

    def _wind_up(self, report: DeliveryReport) -> None:
        """Give back what was not begun. When stopping, wait a little for what was, then leave it."""
        self._spare += [parcel.message for parcel in self._lanes.take_back()]
        patient = self.stopping() or not self._lanes.flying()
        left = self._lanes.close(self.stop_within_s if patient else 0.0)
        try:
            self._settle(self._lanes.results(0.0), report)
        finally:
            self._give_back()
        if left and self.stopping():
            self._lanes.abandon(left)
            unknown = DeliveryDeferred("alertd stopped before the receiver answered")
            now = self._now()
            self._write_down([self._deferral(parcel.message, now, unknown) for parcel in left], report)


def _tell(one: Settlement, report: DeliveryReport) -> None:
    message = one.message
    if one.state is MessageState.SENT:
        report.sent += 1
    elif one.state is MessageState.DEAD:
        report.dead += 1
        log.error("message-dead", message=message.id, attempt=message.attempts, error=one.detail)
    elif one.state is MessageState.PENDING:
        report.deferred += 1
        log.warning("message-deferred", message=message.id, attempt=message.attempts, error=one.detail)
    else:
        report.expired += 1
