"""Signed links: whoever holds one may do the one thing it names, and nothing can be made up or changed.

A token carries its ids in the clear and a signature over them (HMAC-SHA256, one derived key a purpose).
The signature is the only authority: no cookie, no sign-in, so no other page can act in a reader's name.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from urllib.parse import urlsplit

from itsdangerous import BadData, BadSignature, Signer, URLSafeSerializer

from alertd.records.site import Subscriber

KEY_LENGTH_MIN = 32
TOKEN_LENGTH_MAX = 600
SEEN_LASTS = dt.timedelta(days=60)
SNOOZE_LASTS = dt.timedelta(days=60)
EVERYTHING = "*"
"""Stands for every site in a stop link."""
_HOW = {"digest_method": hashlib.sha256, "key_derivation": "hmac"}


class Purpose(StrEnum):
    """What a link is for; also the first part of its path."""

    CONFIRM = "confirm"
    STOP = "stop"
    SEEN = "seen"
    SNOOZE = "snooze"


class LinkFault(StrEnum):
    """Why a link cannot be used."""

    INVALID = "invalid"
    EXPIRED = "expired"


@dataclass(frozen=True, slots=True)
class Link:
    """What a genuine link names. ``target`` is a site, an episode or, to confirm, what is confirmed."""

    purpose: Purpose
    subscriber_id: str
    target: str


def confirmation_target(subscriber: Subscriber) -> str:
    """Return what a confirmation is about: this address, and this time of asking.

    A later address, or a reader who left and was asked anew, is not confirmed by an older link.
    """
    since = "" if subscriber.standing_at is None else subscriber.standing_at.astimezone(dt.UTC).isoformat()
    asked = f"{subscriber.id}\n{subscriber.address}\n{since}"
    return hashlib.sha256(asked.encode()).hexdigest()[:20]


def as_keys(secret: str) -> tuple[str, ...]:
    """Return the keys of a secret, parted by blanks, the newest first. Raises ValueError on a short one."""
    keys = tuple(secret.split())
    if not keys or min(map(len, keys)) < KEY_LENGTH_MIN:
        raise ValueError(f"needs {KEY_LENGTH_MIN} characters or more for each key")
    return keys


class Links:
    """Makes and reads links. The first key signs, every key is recognised, so that a key can be changed."""

    def __init__(self, base_url: str, keys: Sequence[str]) -> None:
        self.base_url = base_url.rstrip("/")
        self._keys = list(reversed(keys))  # itsdangerous signs with the last one
        self._tokens = {
            purpose: URLSafeSerializer(self._keys, salt=f"alertd link {purpose}", signer_kwargs=_HOW)
            for purpose in Purpose
        }
        self._marks = Signer(
            self._keys, salt="alertd return", digest_method=hashlib.sha256, key_derivation="hmac"
        )

    @property
    def is_https(self) -> bool:
        """Whether the links are encrypted on their way, as one-click unsubscribing asks for (RFC 8058)."""
        return urlsplit(self.base_url).scheme == "https"

    def confirm(self, subscriber: Subscriber, until: dt.datetime) -> str:
        """Return the link by which a reader confirms the address."""
        return self._url(Purpose.CONFIRM, subscriber.id, confirmation_target(subscriber), until)

    def stop(self, subscriber_id: str, site_id: str = EVERYTHING) -> str:
        """Return the link that ends the mails about one site, one kind of brief, or all; it never expires."""
        return self._url(Purpose.STOP, subscriber_id, site_id, None)

    def seen(self, subscriber_id: str, episode_id: str, now: dt.datetime) -> str:
        """Return the link by which a reader says that they know of an episode."""
        return self._url(Purpose.SEEN, subscriber_id, episode_id, now + SEEN_LASTS)

    def snooze(self, subscriber_id: str, site_id: str, now: dt.datetime) -> str:
        """Return the link by which a reader keeps a site quiet for some days."""
        return self._url(Purpose.SNOOZE, subscriber_id, site_id, now + SNOOZE_LASTS)

    def token(self, purpose: Purpose, subscriber_id: str, target: str, until: dt.datetime | None) -> str:
        """Return the signed part of a link."""
        last_s = 0 if until is None else int(until.timestamp())
        return self._tokens[purpose].dumps([subscriber_id, target, last_s])

    def read(self, purpose: Purpose, token: str, now: dt.datetime) -> Link | LinkFault:
        """Return what a token says, if it is genuine, meant for this purpose and not too old."""
        if len(token) > TOKEN_LENGTH_MAX or not token.isascii():
            return LinkFault.INVALID
        try:
            subscriber_id, target, last_s = self._tokens[purpose].loads(token)
        except (BadData, ValueError, TypeError):
            return LinkFault.INVALID
        if last_s and now.timestamp() > last_s:
            return LinkFault.EXPIRED
        return Link(purpose, str(subscriber_id), str(target))

    def mark(self, ref: str) -> str:
        """Return the signed name of a message, which a genuine bounce brings back."""
        return self._marks.sign(ref).decode("ascii")

    def ref_of(self, mark: str) -> str | None:
        """Return the message that a mark names, None for a mark that is not ours."""
        try:
            return self._marks.unsign(mark.strip().encode("ascii")).decode("ascii")
        except (BadSignature, UnicodeError):
            return None

    def _url(self, purpose: Purpose, subscriber_id: str, target: str, until: dt.datetime | None) -> str:
        return f"{self.base_url}/{purpose}/{self.token(purpose, subscriber_id, target, until)}"
