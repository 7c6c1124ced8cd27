"""What readers decide for themselves, and which alerts they are spared because of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import structlog

from alertd.errors import InputError
from alertd.records.alert import Alert, Change, Episode
from alertd.records.assessment import Level
from alertd.records.keeping import Notice, Ration
from alertd.records.localtime import local_instant
from alertd.records.preferences import BriefKind, Preferences
from alertd.records.site import Channel, Site, Standing, Subscriber, Subscription
from alertd.service.links import confirmation_target
from alertd.service.preferences import without_brief
from alertd.service.subscribers import Added, add_subscriber

CONFIRM_WITHIN = dt.timedelta(days=7)
SNOOZE_MAX = dt.timedelta(days=60)
RATION = Ration(pause=dt.timedelta(minutes=10), per_day=5, per_hour_in_all=100)
"""Own figures: one address is asked once in 10 minutes and 5 times a day, all together 100 times an hour."""
STANDING_WORDS: Mapping[Standing, str] = {
    Standing.PENDING: "has not confirmed yet",
    Standing.ACTIVE: "is active",
    Standing.SUSPENDED: "is suspended",
    Standing.LEFT: "asked to be left alone",
}
NO_NEWS = frozenset({Change.EASED})
"""Changes that repeat what is known; a raise, a changed advice and the end are always news."""

log = structlog.get_logger("alertd.people")


class PeopleStore(Protocol):
    """What this module needs of the store."""

    def add_subscriber(self, subscriber: Subscriber, *, now: dt.datetime) -> Subscriber:
        """Keep a new subscriber."""
        ...

    def subscriber(self, id_or_name: str, firm_id: str | None = ...) -> Subscriber:
        """Return a subscriber. Raises InputError."""
        ...

    def subscribers(self, *, active: bool | None = ..., firm_id: str | None = ...) -> Sequence[Subscriber]:
        """Return the subscribers of a firm."""
        ...

    def site(self, id_or_name: str, firm_id: str | None = ...) -> Site:
        """Return a site. Raises InputError."""
        ...

    def subscribe(self, subscription: Subscription) -> None:
        """Let a subscriber hear about a site."""
        ...

    def subscriptions(self, subscriber_id: str) -> Sequence[Subscription]:
        """Return what a subscriber hears about."""
        ...

    def set_standing(
        self,
        subscriber_id: str,
        standing: Standing,
        *,
        now: dt.datetime,
        only_from: Collection[Standing] = ...,
        why: str = ...,
    ) -> Subscriber:
        """Move a subscriber to a standing."""
        ...

    def stop_site(self, subscriber_id: str, site_id: str, *, now: dt.datetime) -> bool:
        """End one subscription."""
        ...

    def snooze(
        self, subscriber_id: str, site_id: str, until: dt.datetime | None, *, now: dt.datetime
    ) -> bool:
        """Keep a site quiet until an instant."""
        ...

    def acknowledge(self, subscriber_id: str, episode_id: str, *, now: dt.datetime) -> Episode:
        """Note that an episode was seen."""
        ...

    def seen_episode(self, subscriber_id: str, episode_id: str) -> Episode:
        """Return an episode of the subscriber's firm."""
        ...

    def preferences(self, subscriber_ids: Iterable[str] | None = ...) -> Mapping[str, Preferences]:
        """Return stored preferences by subscriber."""
        ...

    def set_preferences(self, preferences: Preferences, *, now: dt.datetime) -> Preferences:
        """Keep preferences."""
        ...

    def queue_notice(self, notice: Notice, ration: Ration, *, now: dt.datetime) -> Notice:
        """Keep a mail about a subscription. Raises InputError if the address has had its ration."""
        ...


def suppressed(alert: Alert, subscription: Subscription, now: dt.datetime) -> str:
    """Return why a subscriber is spared an alert, nothing if they are not; pure.

    A snooze holds back everything below severe until its end. An acknowledgement holds back repeats and
    easings of that episode; never a raise, a changed advice, or the end.
    """
    until = subscription.snoozed_until
    if until is not None and now < until and alert.level < Level.SEVERE:
        return "snoozed"
    if alert.episode_id in subscription.acknowledged and alert.change in NO_NEWS:
        return "acknowledged"
    return ""


@dataclass(frozen=True, slots=True)
class Welcome:
    """What became of somebody who was added: ``notice`` is on its way, or ``refused`` says why it is not."""

    subscriber: Subscriber
    notice: Notice | None = None
    refused: str = ""


@dataclass(frozen=True, slots=True)
class People:
    """The steps by which readers come, go and ask for quiet.

    ``confirms`` says that an email address must be confirmed by its owner first; without pages to
    confirm at, the operator vouches for the addresses.
    """

    store: PeopleStore
    confirms: bool
    ration: Ration = RATION

    def must_confirm(self, subscriber: Subscriber) -> bool:
        """Return whether this one is asked before anything is sent: email only, webhooks sign instead."""
        return self.confirms and subscriber.channel is Channel.EMAIL

    def newcomer(self, wanted: Subscriber) -> Standing:
        """Return where a new subscriber begins."""
        return Standing.PENDING if self.must_confirm(wanted) else Standing.ACTIVE

    def add(
        self, wanted: Subscriber, sites: Sequence[Site], kinds: Sequence[str], now: dt.datetime
    ) -> tuple[Added, Welcome]:
        """Keep somebody, let them hear about the sites, and ask them to confirm if they have to.

        Raises InputError if the name is taken by another address.
        """
        begins = replace(wanted, standing=self.newcomer(wanted))
        added = add_subscriber(self.store, begins, sites, kinds, now)
        return added, self.welcome(added.subscriber, now)

    def welcome(self, subscriber: Subscriber, now: dt.datetime) -> Welcome:
        """Ask a kept subscriber to confirm if they have to; the active ones are left alone.

        Somebody who left or was suspended and is named again by the operator is asked again, never
        just switched on.
        """
        if subscriber.standing is Standing.ACTIVE:
            return Welcome(subscriber)
        if not self.must_confirm(subscriber):
            return Welcome(self.store.set_standing(subscriber.id, Standing.ACTIVE, now=now))
        pending = self.store.set_standing(subscriber.id, Standing.PENDING, now=now)
        try:
            return Welcome(pending, self.ask(pending, now))
        except InputError as error:
            log.warning("confirmation-refused", subscriber=pending.id, reason=error.message)
            return Welcome(pending, refused=error.message)

    def ask(self, subscriber: Subscriber, now: dt.datetime) -> Notice:
        """Queue the mail that asks for confirmation. Raises InputError if uncalled for or too often."""
        if subscriber.standing is not Standing.PENDING:
            raise InputError("subscriber", f"{subscriber.name} is {subscriber.standing}, not waiting")
        notice = Notice(
            id="",
            subscriber_id=subscriber.id,
            address=subscriber.address,
            queued_at=now,
            expires_at=now + CONFIRM_WITHIN,
        )
        return self.store.queue_notice(notice, self.ration, now=now)

    def confirm(self, subscriber_id: str, target: str, now: dt.datetime) -> Subscriber:
        """Take a reader's word that they want the mails; a second time changes nothing.

        Raises InputError if what was asked no longer stands: another address, left, suspended, removed.
        """
        subscriber = self.confirmable(subscriber_id, target)
        if subscriber.standing is Standing.ACTIVE:
            return subscriber
        confirmed = self.store.set_standing(
            subscriber_id, Standing.ACTIVE, now=now, only_from=(Standing.PENDING,)
        )
        log.info("subscriber-confirmed", subscriber=subscriber_id)
        return confirmed

    def confirmable(self, subscriber_id: str, target: str) -> Subscriber:
        """Return the subscriber whom a confirmation is about. Raises InputError if it no longer stands."""
        subscriber = self.store.subscriber(subscriber_id, None)
        if subscriber.standing is Standing.ACTIVE:
            return subscriber
        if subscriber.standing is not Standing.PENDING or confirmation_target(subscriber) != target:
            raise InputError("link", "this request to confirm no longer stands")
        return subscriber

    def leave(self, subscriber_id: str, now: dt.datetime) -> Subscriber:
        """End everything for a reader, what waits included. Raises InputError if there is none."""
        left = self.store.set_standing(subscriber_id, Standing.LEFT, now=now)
        log.info("subscriber-left", subscriber=subscriber_id)
        return left

    def leave_site(self, subscriber_id: str, site_id: str, now: dt.datetime) -> bool:
        """End the mails about one site; returns whether there were any to end."""
        ended = self.store.stop_site(subscriber_id, site_id, now=now)
        log.info("site-stopped", subscriber=subscriber_id, site=site_id, ended=ended)
        return ended

    def leave_brief(self, subscriber_id: str, kind: BriefKind, now: dt.datetime) -> None:
        """End one kind of brief for a reader; the alerts go on. Raises InputError if there is no reader."""
        wishes = self.store.preferences([subscriber_id]).get(subscriber_id)
        if wishes is not None and kind in wishes.rules():
            self.store.set_preferences(without_brief(wishes, kind), now=now)
        log.info("brief-stopped", subscriber=subscriber_id, kind=kind.value)

    def acknowledge(self, episode_id: str, subscriber_id: str, now: dt.datetime) -> Episode:
        """Spare a reader the repeats of an episode, not its raises. Raises InputError across firms."""
        episode = self.store.acknowledge(subscriber_id, episode_id, now=now)
        log.info("episode-acknowledged", subscriber=subscriber_id, episode=episode_id)
        return episode

    def snooze(self, subscription: Subscription, until: dt.datetime | None, now: dt.datetime) -> None:
        """Keep a site quiet for a reader until an instant, severe alerts apart; None ends it.

        Raises InputError for an instant that is past or too far, and for a site not subscribed to.
        """
        if until is not None and not now < until <= now + SNOOZE_MAX:
            raise InputError("until", f"choose a day within the next {SNOOZE_MAX.days} days")
        found = self.store.snooze(subscription.subscriber_id, subscription.site_id, until, now=now)
        if not found:
            raise InputError("site", "these mails were stopped already")
        log.info("site-snoozed", subscriber=subscription.subscriber_id, site=subscription.site_id)

    def suspend(self, subscriber: Subscriber, why: str, now: dt.datetime) -> Subscriber:
        """Send nothing more to an address that cannot be reached, until ``resume``; who left stays left."""
        suspended = self.store.set_standing(
            subscriber.id,
            Standing.SUSPENDED,
            now=now,
            only_from=(Standing.ACTIVE, Standing.PENDING),
            why=why,
        )
        log.warning("subscriber-suspended", subscriber=subscriber.id, reason=why)
        return suspended

    def resume(self, subscriber: Subscriber, now: dt.datetime) -> Welcome:
        """Begin again with a suspended reader, who confirms the address anew where that is asked.

        Raises InputError for anybody else.
        """
        if subscriber.standing is not Standing.SUSPENDED:
            raise InputError("subscriber", f"{subscriber.name} is {subscriber.standing}, not suspended")
        return self.welcome(subscriber, now)

    def vouch(self, subscriber: Subscriber, now: dt.datetime) -> Subscriber:
        """Let the operator confirm in the reader's place. Raises InputError if that is not awaited."""
        if subscriber.standing is not Standing.PENDING:
            told = STANDING_WORDS[subscriber.standing]
            raise InputError("subscriber", f"{subscriber.name} {told}: nothing to confirm")
        vouched = self.store.set_standing(
            subscriber.id, Standing.ACTIVE, now=now, only_from=(Standing.PENDING,)
        )
        log.info("subscriber-vouched", subscriber=subscriber.id)
        return vouched


def morning_of(day: dt.date, zone: str) -> dt.datetime | None:
    """Return the first instant of a day on the site's clock; None for a day that its zone leaves out."""
    return local_instant(day, 0, 0, zone)
