"""Adding those who are told: the address is checked before anything is written."""

from __future__ import annotations

import base64
import datetime as dt
import ipaddress
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol
from urllib.parse import urlsplit

from alertd.delivery.email import mailbox
from alertd.delivery.guard import Guard
from alertd.delivery.webhook import SECRET_PREFIX
from alertd.errors import ConfigError, DeliveryRejected, InputError
from alertd.records.alert import AlertKind
from alertd.records.site import Site, Subscriber, Subscription
from alertd.service.sites import choice

SECRET_LENGTH_BYTES = 32
SECRET_FIELDS = frozenset({"secret", "old_secret"})
"""Fields of a subscriber that are shown once when made, and never again."""


class SubscriberBook(Protocol):
    """What this module needs of the store."""

    def subscribers(self, *, active: bool | None = ..., firm_id: str | None = ...) -> Sequence[Subscriber]:
        """Return the subscribers of a firm."""
        ...

    def add_subscriber(self, subscriber: Subscriber, *, now: dt.datetime) -> Subscriber:
        """Keep a new subscriber. Raises InputError on a name that is taken."""
        ...

    def subscribe(self, subscription: Subscription) -> None:
        """Let a subscriber hear about a site."""
        ...


def new_webhook_secret(random_bytes: Callable[[int], bytes]) -> str:
    """Return a fresh signing secret in the form of Standard Webhooks 1.0.0."""
    return SECRET_PREFIX + base64.b64encode(random_bytes(SECRET_LENGTH_BYTES)).decode("ascii")


def checked_email(address: str) -> str:
    """Return the bare address, trimmed. Raises InputError naming the fix."""
    trimmed = address.strip()
    try:
        found = mailbox(trimmed, "email")
    except ConfigError as error:
        raise InputError(
            "email", f"{trimmed!r} is not one bare address; write it like crew@example.com"
        ) from error
    if "." not in found.domain.strip(".") or ".." in found.domain:
        raise InputError("email", f"{trimmed!r} has no full domain; write it like crew@example.com")
    return trimmed


def checked_webhook(url: str, guard: Guard) -> str:
    """Return the URL, trimmed. Raises InputError naming the fix."""
    trimmed = url.strip()
    if not trimmed.isascii() or not trimmed.isprintable() or " " in trimmed:
        raise InputError("webhook", "give one URL in plain ASCII, like https://hooks.example.com/alertd")
    try:
        parts = guard.check_url(trimmed)
    except DeliveryRejected as error:
        raise InputError("webhook", str(error).removeprefix("webhook address: ")) from error
    host = parts.hostname or ""
    if host == "localhost" or (_is_address(host) and not guard.is_allowed(host)):
        raise InputError(
            "webhook",
            f"{host} is not a public address; name its network in webhook.allow_private_cidrs first",
        )
    return trimmed


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def shown_address(subscriber: Subscriber) -> str:
    """Return the address without what may be a password: a webhook's path and query stay hidden."""
    parts = urlsplit(subscriber.address)
    if not parts.scheme:
        return subscriber.address
    hidden = "/..." if parts.path.strip("/") or parts.query else ""
    return f"{parts.scheme}://{parts.netloc}{hidden}"


def checked_kinds(texts: Iterable[str]) -> tuple[str, ...]:
    """Return the alert kinds; every kind if all are named. Raises InputError listing the choices."""
    kinds = tuple(dict.fromkeys(choice(AlertKind, text, "kind") for text in texts))
    return () if set(kinds) >= set(AlertKind) - {AlertKind.ALL_CLEAR} else tuple(str(kind) for kind in kinds)


@dataclass(frozen=True, slots=True)
class Added:
    """Who hears about which sites now; ``new`` is False for somebody who was known already."""

    subscriber: Subscriber
    sites: tuple[Site, ...]
    new: bool


def add_subscriber(
    book: SubscriberBook, wanted: Subscriber, sites: Sequence[Site], kinds: Sequence[str], now: dt.datetime
) -> Added:
    """Keep the subscriber and let them hear about the sites.

    Naming somebody again with the same address adds the sites to what they hear about.
    Raises InputError if the name is taken by another address.
    """
    known = next(
        (
            one
            for one in book.subscribers(active=None, firm_id=wanted.firm_id)
            if (one.name.casefold(), one.channel, one.address)
            == (wanted.name.casefold(), wanted.channel, wanted.address)
        ),
        None,
    )
    kept = known or book.add_subscriber(wanted, now=now)
    for site in sites:
        book.subscribe(Subscription(kept.id, site.id, tuple(kinds)))
    return Added(kept, tuple(sites), new=known is None)
