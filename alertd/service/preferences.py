"""Changing how somebody wants to be told, checked before anything is written."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from alertd.errors import InputError
from alertd.records.assessment import Level
from alertd.records.preferences import (
    EVENING_HOUR,
    WEEKLY_HOUR,
    BriefKind,
    Preferences,
    SitePreferences,
)
from alertd.records.site import Channel, Site, Subscriber, Subscription, UnitSystem


class PreferenceStore(Protocol):
    """What this module needs of the store."""

    def subscriber(self, id_or_name: str, firm_id: str | None = ...) -> Subscriber:
        """Return a subscriber. Raises InputError."""
        ...

    def edit_subscriber(self, subscriber: Subscriber, *, now: dt.datetime) -> Subscriber:
        """Replace a subscriber. Raises InputError."""
        ...

    def site(self, id_or_name: str, firm_id: str | None = ...) -> Site:
        """Return a site. Raises InputError."""
        ...

    def sites_by_id(self, site_ids: Sequence[str]) -> Mapping[str, Site]:
        """Return sites by their ids."""
        ...

    def subscribe(self, subscription: Subscription) -> None:
        """Let a subscriber hear about a site, or change of which kinds."""
        ...

    def subscriptions(self, subscriber_id: str) -> Sequence[Subscription]:
        """Return what a subscriber hears about."""
        ...

    def preferences(self, subscriber_ids: Iterable[str] | None = ...) -> Mapping[str, Preferences]:
        """Return stored preferences."""
        ...

    def set_preferences(self, preferences: Preferences, *, now: dt.datetime) -> Preferences:
        """Keep preferences. Raises InputError."""
        ...


@dataclass(frozen=True, slots=True)
class Wish:
    """What somebody asks to change; None leaves a thing as it is.

    ``kinds``, ``least_level``, ``digest_hour`` and ``at_once`` can be asked for one site, the rest cannot.
    An empty ``hand_over_to`` ends handing over.
    """

    kinds: tuple[str, ...] | None = None
    least_level: Level | None = None
    digest_hour: int | None = None
    at_once: bool = False
    one_a_day: bool | None = None
    weekly: bool | None = None
    weekly_day: int | None = None
    weekly_hour: int | None = None
    evening: bool | None = None
    evening_hour: int | None = None
    evening_quiet: bool | None = None
    hand_over_to: str | None = None
    after_h: int | None = None
    units: UnitSystem | None = None
    zone: str | None = None

    @property
    def for_everywhere(self) -> bool:
        """Whether it asks for something that no single site can have of its own."""
        alone = replace(self, kinds=None, least_level=None, digest_hour=None, at_once=False)
        return alone != Wish()


def wishes_of(store: PreferenceStore, subscriber: Subscriber) -> Preferences:
    """Return the stored preferences, else those that hold where nobody said anything."""
    stored = store.preferences([subscriber.id]).get(subscriber.id)
    return stored or Preferences(subscriber.id, zone=_first_zone(store, subscriber))


def begin(store: PreferenceStore, reader: Subscriber, now: dt.datetime) -> Preferences | None:
    """Keep what holds for somebody new who gets mail.

    One mail a site and day, the rest in a digest; the week ahead on Thursday afternoons; tomorrow's windows
    at 17:00 when there is something to say of them.
    """
    if reader.channel is not Channel.EMAIL:
        return None
    wishes = replace(
        wishes_of(store, reader),
        one_a_day=True,
        weekly_hour=_waking(WEEKLY_HOUR, reader),
        evening_hour=_waking(EVENING_HOUR, reader),
        evening_quiet=True,
    )
    return store.set_preferences(wishes, now=now)


def without_brief(wishes: Preferences, kind: BriefKind) -> Preferences:
    """Return the preferences of somebody who wants one kind of brief no more."""
    if kind is BriefKind.WEEKLY:
        return replace(wishes, weekly_hour=None)
    return replace(wishes, evening_hour=None) if kind is BriefKind.EVENING else wishes


def _waking(hour: int, reader: Subscriber) -> int:
    """Return the hour, or the one nearest to it outside the quiet hours."""
    return min(max(hour, reader.wake_hour), reader.rest_hour - 1)


def change(
    store: PreferenceStore, name: str, wish: Wish, now: dt.datetime, site_name: str | None = None
) -> Preferences:
    """Change what a wish asks for, everywhere or at one site, and return what holds now.

    Raises InputError naming what cannot be.
    """
    reader = store.subscriber(name)
    before = wishes_of(store, reader)
    if wish.digest_hour is not None and wish.at_once:
        raise InputError("digest", "a digest is not at once; give one of --digest and --at-once")
    after = (
        _everywhere(store, before, wish)
        if site_name is None
        else _at_site(before, wish, _subscribed(store, reader, site_name).site_id)
    )
    _refuse_misfits(reader, after)
    if site_name is not None and wish.kinds is not None:
        told = _subscribed(store, reader, site_name)
        store.subscribe(replace(told, kinds=wish.kinds))
    if wish.units is not None and wish.units is not reader.units:
        store.edit_subscriber(replace(reader, units=wish.units), now=now)
    return store.set_preferences(after, now=now)


def _first_zone(store: PreferenceStore, subscriber: Subscriber) -> str:
    """Return the zone of the first site by name: where somebody with several zones is taken to live."""
    told = [one.site_id for one in store.subscriptions(subscriber.id)]
    sites = sorted(store.sites_by_id(told).values(), key=lambda site: (site.name.casefold(), site.id))
    return sites[0].zone if sites else "UTC"


def _everywhere(store: PreferenceStore, before: Preferences, wish: Wish) -> Preferences:
    to = before.hand_over_to
    if wish.hand_over_to is not None:
        to = store.subscriber(wish.hand_over_to).id if wish.hand_over_to else None
    elif wish.after_h is not None and to is None:
        raise InputError("after", "say to whom: --hand-over-to NAME --after HOURS")
    after_h = before.hand_over_after_h if wish.after_h is None else wish.after_h
    weekly_hour = _hour(wish.weekly, wish.weekly_hour, before.weekly_hour, WEEKLY_HOUR)
    return replace(
        before,
        zone=wish.zone or before.zone,
        kinds=before.kinds if wish.kinds is None else wish.kinds,
        least_level=before.least_level if wish.least_level is None else wish.least_level,
        digest_hour=None if wish.at_once else _or(wish.digest_hour, before.digest_hour),
        one_a_day=before.one_a_day if wish.one_a_day is None else wish.one_a_day,
        weekly_day=before.weekly_day if wish.weekly_day is None else wish.weekly_day,
        weekly_hour=weekly_hour,
        evening_hour=_hour(wish.evening, wish.evening_hour, before.evening_hour, EVENING_HOUR),
        evening_quiet=before.evening_quiet if wish.evening_quiet is None else wish.evening_quiet,
        hand_over_to=to,
        hand_over_after_h=after_h if to is not None else 0,
    )


def _at_site(before: Preferences, wish: Wish, site_id: str) -> Preferences:
    if wish.for_everywhere:
        raise InputError(
            "site",
            "only kinds, least level, digest and at once can differ by site; leave --site out for the rest",
        )
    here = before.sites.get(site_id, SitePreferences())
    hour = None if wish.at_once else _or(wish.digest_hour, here.digest_hour)
    here = SitePreferences(
        least_level=here.least_level if wish.least_level is None else wish.least_level,
        digest_hour=hour,
        at_once=wish.at_once or (here.at_once and hour is None),
    )
    return replace(before, sites={**before.sites, site_id: here})


def _or(asked: int | None, before: int | None) -> int | None:
    return before if asked is None else asked


def _hour(wanted: bool | None, asked: int | None, before: int | None, usual: int) -> int | None:
    """Return the hour of a brief: off if not wanted, else the one asked for, kept or usual."""
    if wanted is False:
        return None
    if asked is not None:
        return asked
    return usual if wanted and before is None else before


def _subscribed(store: PreferenceStore, reader: Subscriber, site_name: str) -> Subscription:
    site = store.site(site_name)
    for one in store.subscriptions(reader.id):
        if one.site_id == site.id:
            return one
    raise InputError("site", f"{reader.name} does not hear about {site.name}")


def _refuse_misfits(reader: Subscriber, wishes: Preferences) -> None:
    hours = {
        "digest": [wishes.digest_hour, *(one.digest_hour for one in wishes.sites.values())],
        "weekly": [wishes.weekly_hour],
        "evening": [wishes.evening_hour],
    }
    for what, asked in hours.items():
        for hour in asked:
            if hour is None:
                continue
            if reader.channel is not Channel.EMAIL:
                raise InputError(what, f"{reader.name} is a webhook; programs are told at once")
            if not reader.wake_hour <= hour < reader.rest_hour:
                raise InputError(
                    what,
                    f"{hour}:00 is a quiet hour of {reader.name}; choose {reader.wake_hour} to "
                    f"{reader.rest_hour - 1}",
                )
