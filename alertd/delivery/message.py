"""What a reader gets, before any channel has touched it."""

from __future__ import annotations

from dataclasses import dataclass

MARK_HEADER = "X-Alertd-Return"
"""Carries our signed name of the mail, so that a returned one proves what it is about."""


@dataclass(frozen=True, slots=True)
class StopNotice:
    """How a reader ends these emails: by writing to ``address``, or also at ``url`` if there is one.

    At ``seen_url`` readers say that they know, at ``snooze_url`` that they want quiet for some days.
    """

    address: str
    url: str | None = None
    seen_url: str | None = None
    snooze_url: str | None = None


@dataclass(frozen=True, slots=True)
class ReaderLinks:
    """What one reader can follow from one message, and ``mark``, the signed name of the message."""

    stop: str | None = None
    seen: str | None = None
    snooze: str | None = None
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Message:
    """One alert in words. The HTML part shows the chart as ``cid:chart``."""

    subject: str
    preview: str
    text: str
    html: str
    chart_png: bytes | None = None
    chart_alt: str = ""
