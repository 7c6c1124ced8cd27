"""Spray-window notice: a usable window in the next days for the site's materials, or that there is none."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from alertd.alerts import evidence
from alertd.alerts.machine import Finding
from alertd.catalog.alerts import SprayNotice
from alertd.records.alert import AlertKind, Episode
from alertd.records.assessment import Assessment, Level, SprayWindow
from alertd.records.site import Site


def find(
    site: Site,
    assessment: Assessment,
    episode: Episode | None,
    notice: SprayNotice,
    *,
    needed: bool,
    now: dt.datetime,
) -> Finding:
    """Return what there is to say about spraying; nothing while no treatment is in question.

    The news is a state, not a clock time, so that a window that shifts by an hour is no news:
    ``open:<first local days>`` or ``none``. A window that was announced and is not over keeps its
    announcement until it closes.
    """
    found = evidence.base(site, assessment)
    if not site.materials or not needed:
        return Finding(AlertKind.SPRAY_WINDOW, "", Level.NONE, found)
    shortest_h = float(notice.shortest_window)
    found["materials"] = evidence.materials(assessment.materials, now, shortest_h)
    found["horizon_end"] = _horizon_end(assessment).isoformat()
    found["days"] = evidence.days(assessment.days)
    found["water"] = evidence.water(assessment.water, site)
    found["pressures"] = evidence.pressures(assessment.pressures, site)
    soon = now + dt.timedelta(days=float(notice.look_ahead))
    ahead = [
        window
        for outlook in assessment.materials
        for window in evidence.usable(outlook, now, shortest_h)
        if window.start_at < soon
    ]
    state = "open" if ahead else "none"
    found["spray_state"] = state
    news, found["changes"] = _news(ahead, state, site.zone, episode, now, float(notice.announce_again_after))
    marks = {"open_until": max(window.end_at for window in ahead).isoformat()} if ahead else {}
    expires = max((window.end_at for window in ahead), default=None)
    return Finding(AlertKind.SPRAY_WINDOW, "", Level.NOTE, found, news=news, expires_at=expires, marks=marks)


def _horizon_end(assessment: Assessment) -> dt.datetime:
    hours = max((len(outlook.block_bits) for outlook in assessment.materials), default=0)
    return assessment.start_at + dt.timedelta(hours=hours)


def _news(
    ahead: list[SprayWindow],
    state: str,
    zone: str,
    episode: Episode | None,
    now: dt.datetime,
    again_after_h: float,
) -> tuple[str, list[str]]:
    """Return the text that stands for this advice, and what changed since the last message."""
    before = "" if episode is None else str(episode.memory.get("announced", ""))
    if state == "none":
        changes = ["The window that was announced has closed."] if before.startswith("open") else []
        return "none", changes
    first_day = min(window.start_at for window in ahead).astimezone(ZoneInfo(zone)).date()
    if before.startswith("open") and episode is not None:
        until = dt.datetime.fromisoformat(str(episode.memory["open_until"]))
        if now < until + dt.timedelta(hours=again_after_h):
            return before, []
        return f"open:{first_day}", ["The windows of the last message are over; these are new."]
    changes = ["A window has opened; the last message saw none."] if before == "none" else []
    return f"open:{first_day}", changes
