"""What a reader gets, before any channel has touched it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StopNotice:
    """How a reader ends these emails: by writing to ``address``, or also at ``url`` if there is one."""

    address: str
    url: str | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """One alert in words. The HTML part shows the chart as ``cid:chart``."""

    subject: str
    preview: str
    text: str
    html: str
    chart_png: bytes | None = None
    chart_alt: str = ""
