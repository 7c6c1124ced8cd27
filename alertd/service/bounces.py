"""Mail that came back: delivery reports (RFC 3464) read, proved to be about a mail of ours, and counted.

A report acts only if it brings back the signed mark that the mail itself carried, so that nobody can make
up the death of an address. What cannot be read is never guessed at.
"""

from __future__ import annotations

import datetime as dt
import email
import email.policy
import re
from collections.abc import Iterator
from dataclasses import dataclass
from email.message import Message
from enum import StrEnum
from typing import Protocol

import structlog

from alertd.delivery.message import MARK_HEADER
from alertd.errors import DeliveryRejected, InputError, StoreError
from alertd.records.keeping import Bounce, BounceKind
from alertd.records.site import Standing, Subscriber
from alertd.service.links import Links

REPORT_BYTES_MAX = 1_000_000
HARD_LIMIT = 3
"""So many messages back for good within ``HARD_WITHIN`` suspend a reader (own figure)."""
HARD_WITHIN = dt.timedelta(days=30)
NO_SUCH_MAILBOX = "5.1.1"
"""RFC 3463, 3.2: bad destination mailbox address; one is enough."""
MAILBOX_FULL = "5.2.2"
OURS = frozenset({"5.1.7", "5.1.8"})
"""RFC 3463, 3.2: the sender's address is bad; that is nobody's fault but ours."""
DEAD_MAILBOX = frozenset({NO_SUCH_MAILBOX, "5.1.2", "5.1.3", "5.1.6", "5.1.10", "5.2.1"})
"""What a mail server says at once of an address that takes no mail: RFC 3463, 3.2 and 3.3, and RFC 7505
(5.1.10, a domain that takes none). A bare 550 is not among them: a server that will not relay says that of
every address."""
REFUSED = "refused"
_STATUS = re.compile(r"\s*([245]\.\d{1,3}\.\d{1,3})\b")
_ACTIONS = frozenset({"failed", "delayed", "delivered", "relayed", "expanded"})
_RETURNED = frozenset({"message/rfc822", "message/global", "text/rfc822-headers", "message/global-headers"})
_DETAIL_LENGTH_MAX = 300

log = structlog.get_logger("alertd.bounces")


@dataclass(frozen=True, slots=True)
class Line:
    """What a report says about one recipient."""

    action: str
    status: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Report:
    """One delivery report: its lines, and the marks and message ids that it brings back."""

    lines: tuple[Line, ...]
    marks: tuple[str, ...] = ()
    message_ids: tuple[str, ...] = ()


class Reading(StrEnum):
    """What a mail is if it is no delivery report that can be used."""

    AUTOMATIC = "automatic reply"
    NO_REPORT = "no delivery report"
    UNREADABLE = "unreadable delivery report"


def read_report(raw: bytes) -> Report | Reading:
    """Return the delivery report in a mail; pure, and never raises whatever the bytes are."""
    try:
        mail = email.message_from_bytes(raw[:REPORT_BYTES_MAX], policy=email.policy.compat32)
        return _read(mail)
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError):  # the parser's own slips
        return Reading.UNREADABLE


def _read(mail: Message) -> Report | Reading:
    if mail.get_content_type() != "multipart/report":
        answered = _text(mail, "Auto-Submitted").partition(";")[0].strip().lower()
        return Reading.AUTOMATIC if answered not in ("", "no") else Reading.NO_REPORT
    parts = _parts(mail)
    if not parts:
        return Reading.UNREADABLE
    status = next((part for part in parts if part.get_content_type() == "message/delivery-status"), None)
    if status is None:
        return Reading.NO_REPORT  # such as a read receipt, RFC 8098
    blocks = _parts(status)
    lines = tuple(_lines(blocks))
    if not lines:
        return Reading.UNREADABLE
    returned = [head for part in parts for head in _returned(part)]
    marks = [_text(head, MARK_HEADER) for head in returned]
    ids = [_text(head, "Message-ID") for head in returned]
    ids += [_text(block, "Original-Message-ID") for block in blocks]
    return Report(lines, tuple(filter(None, marks)), tuple(filter(None, dict.fromkeys(ids))))


def _parts(mail: Message) -> list[Message]:
    """Return the parts of a mail, none if it has none."""
    payload = mail.get_payload()
    return [part for part in payload if isinstance(part, Message)] if isinstance(payload, list) else []


def _lines(blocks: list[Message]) -> Iterator[Line]:
    """Yield the recipients' lines; one without action or status is left out, not completed."""
    for block in blocks:
        action = _text(block, "Action").lower()
        status = _STATUS.match(_text(block, "Status"))
        if action in _ACTIONS and status is not None:
            yield Line(action, status.group(1), _text(block, "Diagnostic-Code")[:_DETAIL_LENGTH_MAX])


def _returned(part: Message) -> Iterator[Message]:
    """Yield the head of the mail that came back, from a whole copy or from its headers alone."""
    if part.get_content_type() not in _RETURNED:
        return
    head = part.get_payload(decode=True)  # None for a part that was parsed as a mail already
    if isinstance(head, bytes):
        yield email.message_from_bytes(head, policy=email.policy.compat32)
    else:
        yield from _parts(part)[:1]


def _text(message: Message, name: str) -> str:
    """Return a header as one printable line, empty if it is missing."""
    value = str(message.get(name, ""))
    return " ".join("".join(c if c.isprintable() else " " for c in value).split())


def kind_of(line: Line) -> BounceKind | None:
    """Return what a line says about the reader (RFC 3463 codes); None if the mail arrived."""
    if line.action == "delayed":
        return BounceKind.SOFT
    if line.action == REFUSED:
        return _kind_of_refusal(line.status)
    if line.action != "failed" or line.status.startswith("2"):
        return None
    if line.status.startswith("5.7.") or line.status in OURS:
        return BounceKind.POLICY
    if line.status.startswith("4") or line.status == MAILBOX_FULL:
        return BounceKind.SOFT
    return BounceKind.HARD


def _kind_of_refusal(status: str) -> BounceKind | None:
    """Return what a refusal while a mail was handed over says; less is certain there than in a report."""
    if status.startswith("5.7."):
        return BounceKind.POLICY
    return BounceKind.HARD if status in DEAD_MAILBOX else None


class BounceStore(Protocol):
    """What this module needs of the store."""

    def recipient_of(self, ref: str) -> Subscriber | None:
        """Return whom a message of ours went to."""
        ...

    def add_bounce(self, bounce: Bounce, subscriber_id: str) -> bool:
        """Keep a bounce; False if it was kept before."""
        ...

    def bounced_messages(self, subscriber_id: str, kind: BounceKind, since: dt.datetime) -> int:
        """Return how many messages came back in this way since an instant."""
        ...


class Suspender(Protocol):
    """Who can stop the mails to somebody."""

    def suspend(self, subscriber: Subscriber, why: str, now: dt.datetime) -> Subscriber:
        """Send nothing more to an address that cannot be reached."""
        ...


class Outcome(StrEnum):
    """What was done with a returned mail. Aside means that a person has to look at it."""

    COUNTED = "counted"
    KNOWN = "known already"
    ARRIVED = "nothing wrong"
    IGNORED = "automatic reply"
    UNPROVEN = "aside: not proved to be about a mail of ours"
    UNREADABLE = "aside: not readable as a delivery report"

    @property
    def is_aside(self) -> bool:
        """Whether the mail is to be kept for a person."""
        return self in (Outcome.UNPROVEN, Outcome.UNREADABLE)


@dataclass(frozen=True, slots=True)
class Bounces:
    """The steps with one returned mail: read, prove, count, suspend."""

    store: BounceStore
    people: Suspender
    links: Links

    def take(self, raw: bytes, now: dt.datetime) -> Outcome:
        """Take one mail out of the bounce box and say what became of it; the same mail twice counts once."""
        report = read_report(raw)
        if isinstance(report, Reading):
            if report is Reading.AUTOMATIC:
                return Outcome.IGNORED
            log.warning("bounce-aside", reason=report.value, size_bytes=len(raw))
            return Outcome.UNREADABLE
        ref = next((ref for mark in report.marks if (ref := self.links.ref_of(mark))), None)
        reader = None if ref is None else self.store.recipient_of(ref)
        if ref is None or reader is None:
            log.warning("bounce-aside", reason=Outcome.UNPROVEN.value, message_ids=report.message_ids[:3])
            return Outcome.UNPROVEN
        new = [self._count(line, ref, reader, now) for line in report.lines if kind_of(line) is not None]
        if not new:
            return Outcome.ARRIVED
        return Outcome.COUNTED if any(new) else Outcome.KNOWN

    def refused(self, ref: str, error: DeliveryRejected, now: dt.datetime) -> None:
        """Count a mail that the server refused for good because of its reader, like one that came back.

        Raises nothing: what cannot be written now is counted with the next refusal.
        """
        line = Line(REFUSED, error.status, str(error)[:_DETAIL_LENGTH_MAX])
        if kind_of(line) is None:
            return
        try:
            reader = self.store.recipient_of(ref)
            if reader is not None:
                self._count(line, ref, reader, now)
        except (StoreError, InputError) as fault:
            log.warning("refusal-not-counted", ref=ref, error=str(fault))

    def _count(self, line: Line, ref: str, reader: Subscriber, now: dt.datetime) -> bool:
        kind = kind_of(line)
        assert kind is not None  # noqa: S101  # the caller left the others out
        bounce = Bounce(ref, kind, line.status, line.action, now, line.detail)
        new = self.store.add_bounce(bounce, reader.id)
        # Also after a repeat: the process may have ended between counting and suspending.
        if kind is BounceKind.HARD:
            self._judge(line, reader, now)
        elif kind is BounceKind.POLICY and new:
            # Our sending is at fault or unwanted by a rule, not the reader: a person must look.
            log.error("bounce-policy", subscriber=reader.id, status=line.status, ref=ref)
        elif new:
            log.info("bounce-soft", subscriber=reader.id, status=line.status, ref=ref)
        return new

    def _judge(self, line: Line, reader: Subscriber, now: dt.datetime) -> None:
        if reader.standing not in (Standing.ACTIVE, Standing.PENDING):
            return
        since = now - HARD_WITHIN
        if reader.standing_at is not None:  # what came back before a resume is forgiven
            since = max(since, reader.standing_at)
        count = self.store.bounced_messages(reader.id, BounceKind.HARD, since)
        if count and (line.status == NO_SUCH_MAILBOX or count >= HARD_LIMIT):
            how = "was refused" if line.action == REFUSED else "came back"
            self.people.suspend(reader, f"mail {how}: {line.status}", now)
