"""One round of mails about subscriptions: lease, ask, mark. At least once, one id for all tries."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

import structlog

from alertd.delivery.notice import Confirmation
from alertd.errors import DeliveryDeferred, DeliveryRejected, InputError, StoreError
from alertd.records.alert import MessageState
from alertd.records.keeping import NOTICE_REF, Notice, Ration
from alertd.records.site import Site, Standing, Subscriber, Subscription
from alertd.service.deliver import Refused
from alertd.service.links import Links
from alertd.service.people import RATION

LEASE_S = 180.0
BATCH = 50
FIRST_PAUSE_S = 60.0
LONGEST_PAUSE_S = 3600.0

log = structlog.get_logger("alertd.notices")


class NoticeStore(Protocol):
    """What a round needs of the store."""

    def lease_notices(
        self, ration: Ration, *, now: dt.datetime, lease_s: float, limit: int
    ) -> Sequence[Notice]:
        """Lend what is due within the hour's ration."""
        ...

    def settle_notice(
        self,
        notice: Notice,
        state: MessageState,
        *,
        now: dt.datetime,
        due_at: dt.datetime | None = ...,
        error: str = ...,
    ) -> bool:
        """Write down how a notice fared."""
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


class NoticeTransport(Protocol):
    """The way out."""

    def send(self, asked: Confirmation, now: dt.datetime) -> str:
        """Hand one request over. Raises DeliveryDeferred or DeliveryRejected."""
        ...


@dataclass(slots=True)
class NoticeReport:
    """What one round did."""

    sent: int = 0
    deferred: int = 0
    dead: int = 0
    needless: int = 0


@dataclass(frozen=True, slots=True)
class NoticeRound:
    """The steps of one round."""

    store: NoticeStore
    links: Links
    open_transport: Callable[[], AbstractContextManager[NoticeTransport]]
    ration: Ration = RATION
    stopping: Callable[[], bool] = lambda: False
    refused: Refused = lambda _ref, _error, _at: None

    def run(self, now: dt.datetime) -> NoticeReport:
        """Send what is due; one that fails never holds up the others."""
        report = NoticeReport()
        leased = self.store.lease_notices(self.ration, now=now, lease_s=LEASE_S, limit=BATCH)
        if not leased:
            return report
        with self.open_transport() as transport:
            for notice in leased:
                if self.stopping():
                    break  # the lease runs out by itself
                self._send(transport, notice, now, report)
        log.info("notices-done", sent=report.sent, deferred=report.deferred, dead=report.dead)
        return report

    def _send(
        self, transport: NoticeTransport, notice: Notice, now: dt.datetime, report: NoticeReport
    ) -> None:
        try:
            asked = self._worded(notice)
            if asked is None:
                self.store.settle_notice(notice, MessageState.EXPIRED, now=now, error="no longer needed")
                report.needless += 1
                return
            transport.send(asked, now)
        except DeliveryRejected as error:
            self.store.settle_notice(notice, MessageState.DEAD, now=now, error=str(error))
            report.dead += 1
            log.warning("notice-dead", notice=notice.id, error=str(error))
            self.refused(f"{NOTICE_REF}.{notice.id}", error, now)
        except DeliveryDeferred as error:
            self._defer(notice, str(error), error.retry_after_s, now, report)
        except StoreError:
            raise
        except Exception as error:
            # One that cannot even be worded must not stop the others.
            log.exception("notice-failed", notice=notice.id)
            self._defer(notice, f"could not be worded: {error}", None, now, report)
        else:
            self.store.settle_notice(notice, MessageState.SENT, now=now)
            report.sent += 1

    def _defer(
        self, notice: Notice, why: str, asked_s: float | None, now: dt.datetime, report: NoticeReport
    ) -> None:
        pause_s = max(asked_s or 0.0, min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** (notice.attempts - 1)))
        due_at = now + dt.timedelta(seconds=pause_s)
        self.store.settle_notice(notice, MessageState.PENDING, now=now, due_at=due_at, error=why)
        report.deferred += 1
        log.warning("notice-deferred", notice=notice.id, attempt=notice.attempts, pause_s=round(pause_s))

    def _worded(self, notice: Notice) -> Confirmation | None:
        """Return what to say, None if the reader no longer has to be asked at this address."""
        try:
            reader = self.store.subscriber(notice.subscriber_id, None)
        except InputError:
            return None
        if reader.standing is not Standing.PENDING or reader.address != notice.address:
            return None
        told = [one.site_id for one in self.store.subscriptions(reader.id)]
        sites = sorted(self.store.sites_by_id(told).values(), key=lambda site: site.name.casefold())
        return Confirmation(
            notice_id=notice.id,
            to_address=reader.address,
            reader_name=reader.name,
            site_names=tuple(site.name for site in sites),
            url=self.links.confirm(reader, notice.expires_at),
            expires_at=notice.expires_at,
            zone=sites[0].zone if sites else "UTC",
            mark=self.links.mark(f"{NOTICE_REF}.{notice.id}"),
        )
