"""One round of digests and briefs: hand over, plan, lease, write, send, settle. At least once, one id.

A mail is marked after it was handed over, never before: a crash in between costs a second copy with the
same id, never the mail.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol
from zoneinfo import ZoneInfo

import structlog

from alertd.alerts.machine import opaque_id
from alertd.errors import DeliveryDeferred, DeliveryRejected, InputError, StoreError
from alertd.records.alert import Alert, MessageState, OutboxMessage
from alertd.records.assessment import Assessment
from alertd.records.brief import Letter, WaitingAlert
from alertd.records.keeping import BRIEF_REF
from alertd.records.preferences import Brief, BriefKind, Firing, Preferences, Rule
from alertd.records.site import Channel, Site, Standing, Subscriber, Subscription
from alertd.service.deliver import Refused
from alertd.service.letters import digest_entries, evening_lines, has_news, weekly_lines
from alertd.service.route import waking_at

LEASE_S = 180.0
BATCH = 50
ATTEMPTS_MAX = 30
FIRST_PAUSE_S = 60.0
LONGEST_PAUSE_S = 3600.0
GRACE: Mapping[BriefKind, dt.timedelta] = {
    BriefKind.WEEKLY: dt.timedelta(hours=24),
    BriefKind.EVENING: dt.timedelta(hours=5),
}
"""How late a brief may still leave: after that it is yesterday's news, and the next one comes."""
WAITS_FOR_DAY = "waits for the waking hours"
HANDED_OVER_WITHIN = dt.timedelta(days=2)
"""What was due longer ago is not handed over any more: somebody named today gets no old alerts."""

log = structlog.get_logger("alertd.briefs")

Judge = Callable[[Sequence[Site], dt.datetime], Mapping[str, Assessment]]


class BriefStore(Protocol):
    """What a round needs of the store."""

    def preferences(self, subscriber_ids: Iterable[str] | None = ...) -> Mapping[str, Preferences]:
        """Return stored preferences by subscriber."""
        ...

    def subscribers(self, *, active: bool | None = ..., firm_id: str | None = ...) -> Sequence[Subscriber]:
        """Return the subscribers."""
        ...

    def subscriber(self, id_or_name: str, firm_id: str | None = ...) -> Subscriber:
        """Return a subscriber. Raises InputError."""
        ...

    def subscriptions(self, subscriber_id: str) -> Sequence[Subscription]:
        """Return what a subscriber hears about."""
        ...

    def sites_by_id(self, site_ids: Sequence[str]) -> Mapping[str, Site]:
        """Return sites by their ids."""
        ...

    def unacknowledged(
        self, subscriber_id: str, to_id: str, due_after: dt.datetime, due_until: dt.datetime
    ) -> Sequence[tuple[Alert, Site, Subscriber]]:
        """Return what ought to be handed over."""
        ...

    def commit_decisions(self, *, messages: Sequence[OutboxMessage], now: dt.datetime) -> int:
        """Keep messages; a repeat is harmless."""
        ...

    def plan_briefs(self, briefs: Iterable[Brief], *, now: dt.datetime) -> None:
        """Keep what is to come and withdraw what is wanted no more."""
        ...

    def digests_due(self, now: dt.datetime) -> Sequence[tuple[str, dt.datetime, int]]:
        """Return whose digest is due, since when, and how many of that instant went before."""
        ...

    def lease_briefs(self, *, now: dt.datetime, lease_s: float, limit: int) -> Sequence[Brief]:
        """Lend what is due."""
        ...

    def waiting_alerts(self, brief: Brief) -> Sequence[WaitingAlert]:
        """Return the alerts that waited for a digest."""
        ...

    def settle_brief(
        self,
        brief: Brief,
        state: MessageState,
        *,
        now: dt.datetime,
        due_at: dt.datetime | None = ...,
        error: str = ...,
        told: Sequence[str] = ...,
        dropped: Collection[str] = ...,
    ) -> bool:
        """Write down how a brief fared."""
        ...


class LetterTransport(Protocol):
    """The way out."""

    def send(self, letter: Letter, now: dt.datetime) -> str:
        """Hand one over. Raises DeliveryDeferred or DeliveryRejected."""
        ...


@dataclass(slots=True)
class BriefReport:
    """What one round did."""

    sent: int = 0
    deferred: int = 0
    dead: int = 0
    needless: int = 0
    handed_over: int = 0


@dataclass(frozen=True, slots=True)
class Written:
    """A letter, and the outbox messages told in it or left out of it; no letter if nothing is to be said."""

    letter: Letter | None
    told: tuple[str, ...] = ()
    dropped: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BriefRound:
    """The steps of one round."""

    store: BriefStore
    judge: Judge
    open_transport: Callable[[], AbstractContextManager[LetterTransport]]
    stopping: Callable[[], bool] = lambda: False
    refused: Refused = lambda _ref, _error, _at: None

    def run(self, now: dt.datetime) -> BriefReport:
        """Do what is due; one mail that fails never holds up the others."""
        report = BriefReport()
        wishes = self.store.preferences()
        report.handed_over = self.hand_over(wishes, now)
        self.plan(wishes, now)
        leased = self.store.lease_briefs(now=now, lease_s=LEASE_S, limit=BATCH)
        if not leased:
            return report
        with self.open_transport() as transport:
            for brief in leased:
                if self.stopping():
                    break  # the lease runs out by itself
                self._send(transport, brief, now, report)
        log.info(
            "briefs-done", sent=report.sent, deferred=report.deferred, dead=report.dead,
            needless=report.needless,
        )  # fmt: skip
        return report

    def hand_over(self, wishes: Mapping[str, Preferences], now: dt.datetime) -> int:
        """Queue what was not acknowledged in time for whoever was named; each alert once."""
        messages: list[OutboxMessage] = []
        names: dict[str, str] = {}
        for reader_id, one in wishes.items():
            if one.hand_over_to is None:
                continue
            late = now - dt.timedelta(hours=one.hand_over_after_h)
            names = names or {reader.id: reader.name for reader in self.store.subscribers(active=None)}
            for alert, site, other in self.store.unacknowledged(
                reader_id, one.hand_over_to, late - HANDED_OVER_WITHIN, late
            ):
                if reader_id in names and (alert.expires_at is None or alert.expires_at > now):
                    messages.append(_handed_over(alert, site, other, names[reader_id], now))
        if messages:
            self.store.commit_decisions(messages=messages, now=now)
            log.info("alerts-handed-over", messages=len(messages))
        return len(messages)

    def plan(self, wishes: Mapping[str, Preferences], now: dt.datetime) -> None:
        """Write down what is due now, what was due while nobody looked, and what comes next."""
        readers = {one.id: one for one in self.store.subscribers()} if wishes else {}
        planned = [
            brief
            for reader_id, one in wishes.items()
            if _gets_briefs(readers.get(reader_id))
            for brief in briefs_of(one, now)
        ]
        for reader_id, due_at, before in self.store.digests_due(now):
            zone = wishes[reader_id].zone if reader_id in wishes else "UTC"
            planned.append(_digest(reader_id, due_at, before, zone))
        self.store.plan_briefs(planned, now=now)

    def _send(self, transport: LetterTransport, brief: Brief, now: dt.datetime, report: BriefReport) -> None:
        written = Written(None)
        try:
            written = self.write(brief, now)
            if written.letter is None:
                self.store.settle_brief(
                    brief, MessageState.EXPIRED, now=now, error="nothing left to say", dropped=written.dropped
                )
                report.needless += 1
                return
            reader = written.letter.reader
            awake_at = waking_at(now, brief.zone, reader.wake_hour, reader.rest_hour)
            if awake_at > now:  # it was due by day, but nothing ran then
                self.store.settle_brief(
                    brief, MessageState.PENDING, now=now, due_at=awake_at, error=WAITS_FOR_DAY
                )
                report.deferred += 1
                return
            transport.send(written.letter, now)
        except DeliveryRejected as error:
            self._bury(brief, written, str(error), now, report)
            self.refused(f"{BRIEF_REF}.{brief.id}", error, now)
        except DeliveryDeferred as error:
            self._defer(brief, written, str(error), error.retry_after_s, now, report)
        except StoreError:
            raise
        except Exception as error:
            # One that cannot even be worded must not stop the others.
            log.exception("brief-failed", brief=brief.id)
            self._defer(brief, written, f"could not be worded: {error}", None, now, report)
        else:
            self.store.settle_brief(
                brief, MessageState.SENT, now=now, told=written.told, dropped=written.dropped
            )
            report.sent += 1

    def _bury(self, brief: Brief, written: Written, why: str, now: dt.datetime, report: BriefReport) -> None:
        """Give a brief up; its alerts become dead messages, which the operator sees and can requeue."""
        self.store.settle_brief(brief, MessageState.DEAD, now=now, error=why, told=written.told)
        report.dead += 1
        log.error("brief-dead", brief=brief.id, attempt=brief.attempts, error=why)

    def _defer(
        self,
        brief: Brief,
        written: Written,
        why: str,
        asked_s: float | None,
        now: dt.datetime,
        report: BriefReport,
    ) -> None:
        if brief.attempts >= ATTEMPTS_MAX:
            self._bury(brief, written, f"gave up after {brief.attempts} tries: {why}", now, report)
            return
        pause_s = max(asked_s or 0.0, min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** (brief.attempts - 1)))
        due_at = now + dt.timedelta(seconds=pause_s)
        if written.letter is not None:
            reader = written.letter.reader
            due_at = waking_at(due_at, brief.zone, reader.wake_hour, reader.rest_hour)
        self.store.settle_brief(brief, MessageState.PENDING, now=now, due_at=due_at, error=why)
        report.deferred += 1
        log.warning("brief-deferred", brief=brief.id, attempt=brief.attempts, pause_s=round(pause_s))

    def write(self, brief: Brief, now: dt.datetime) -> Written:
        """Return what there is to say now. Nothing to whoever wants it no more."""
        try:
            reader = self.store.subscriber(brief.subscriber_id, None)
        except InputError:
            return Written(None)
        if brief.kind is BriefKind.DIGEST:
            return self._digest(brief, reader, now)
        wishes = self.store.preferences([reader.id]).get(reader.id)
        if not _gets_briefs(reader) or wishes is None or brief.kind not in wishes.rules():
            return Written(None)
        told = self.store.subscriptions(reader.id)
        awake = [one.site_id for one in told if one.snoozed_until is None or one.snoozed_until <= now]
        sites = [site for site in self.store.sites_by_id(awake).values() if site.active]
        if not sites:
            return Written(None)
        lines_of = weekly_lines if brief.kind is BriefKind.WEEKLY else evening_lines
        lines = lines_of(sites, self.judge(sites, now), now)
        is_quiet = brief.kind is BriefKind.EVENING and wishes.evening_quiet and not has_news(lines)
        return Written(None if is_quiet else Letter(brief, reader, lines=lines))

    def _digest(self, brief: Brief, reader: Subscriber, now: dt.datetime) -> Written:
        waiting = self.store.waiting_alerts(brief)
        if not _gets_briefs(reader):
            return Written(None, dropped=tuple(one.message_id for one in waiting))
        found = digest_entries(waiting, now)
        letter = Letter(brief, reader, entries=found.entries) if found.entries else None
        return Written(letter, found.told, found.dropped)


def briefs_of(wishes: Preferences, now: dt.datetime) -> list[Brief]:
    """Return the next brief of each rule, and the last if it may still leave and was asked for by then."""
    found = []
    for kind, rule in wishes.rules().items():
        last = rule.last(now)
        asked = wishes.changed_at is None or wishes.changed_at <= last.at
        if asked and now < last.at + GRACE[kind]:
            found.append(_brief(wishes.subscriber_id, kind, rule, last))
        found.append(_brief(wishes.subscriber_id, kind, rule, rule.next(now)))
    return found


def _brief(reader_id: str, kind: BriefKind, rule: Rule, firing: Firing) -> Brief:
    """One a subscriber, kind and local day, whatever becomes of hour and zone meanwhile."""
    return Brief(
        id=opaque_id(kind, reader_id, firing.day.isoformat()),
        subscriber_id=reader_id,
        kind=kind,
        local_day=firing.day,
        zone=rule.zone,
        hour=rule.hour,
        weekday=rule.weekday,
        due_at=firing.at,
        expires_at=firing.at + GRACE[kind],
    )


def _digest(reader_id: str, due_at: dt.datetime, before: int, zone: str) -> Brief:
    local = due_at.astimezone(ZoneInfo(zone))
    return Brief(
        id=opaque_id(BriefKind.DIGEST, reader_id, due_at.astimezone(dt.UTC).isoformat(), str(before)),
        subscriber_id=reader_id,
        kind=BriefKind.DIGEST,
        local_day=local.date(),
        zone=zone,
        hour=local.hour,
        due_at=due_at,
    )


def _handed_over(
    alert: Alert, site: Site, other: Subscriber, silent_name: str, now: dt.datetime
) -> OutboxMessage:
    return OutboxMessage(
        id=opaque_id(alert.id, other.id),
        alert_id=alert.id,
        subscriber_id=other.id,
        channel=other.channel,
        due_at=waking_at(now, site.zone, other.wake_hour, other.rest_hour),
        expires_at=alert.expires_at,
        handed_over_from=silent_name,
    )


def _gets_briefs(reader: Subscriber | None) -> bool:
    return (
        reader is not None
        and reader.active
        and reader.standing is Standing.ACTIVE
        and reader.channel is Channel.EMAIL
    )
