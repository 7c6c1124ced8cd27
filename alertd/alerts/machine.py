"""The state machine of every alert kind: open, raise, hold, ease, close, with hysteresis.

A kind looks at an assessment and returns a ``Finding``; this module alone decides whether that
opens, changes or closes an episode and whether anybody hears of it:

* a finding above no level opens an episode and speaks;
* a higher level than any announced one speaks at once;
* a lower level sinks silently after ``ease_after``; none at all closes after ``close_after``, with one
  closing alert if the kind wants it and something had been said;
* a finding whose ``news`` differs from what was announced speaks when ``gap`` has passed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass, field, replace
from typing import Any

from alertd.catalog.alerts import Calm
from alertd.records.alert import Alert, AlertKind, Change, Episode
from alertd.records.assessment import Level
from alertd.records.evidence import AlertEvidence
from alertd.records.site import Site


@dataclass(frozen=True, slots=True)
class Finding:
    """What one kind sees on one site now.

    ``news`` is compared with what was last announced: another text means that the advice changed.
    ``at_once`` closes without waiting (an observed fact, not a forecast, has ended the condition).
    ``closing_kind`` is the kind of the alert that ends the episode, None for a silent end.
    """

    kind: AlertKind
    subject: str
    level: Level
    evidence: AlertEvidence
    news: str = ""
    at_once: bool = False
    closing_kind: AlertKind | None = None
    expires_at: dt.datetime | None = None
    marks: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Step:
    """What the machine made of a finding: the episode to store, if any, and the alert to tell, if any."""

    episode: Episode | None
    alert: Alert | None


def opaque_id(*parts: str) -> str:
    """Return an id that names the parts without showing them; the same parts give the same id."""
    return hashlib.sha256("\x1f".join(parts).encode()).hexdigest()[:24]


def advance(finding: Finding, episode: Episode | None, calm: Calm, site: Site, now: dt.datetime) -> Step:
    """Return the next state of the episode and the alert to tell, if any."""
    if episode is None:
        return _open(finding, site, now) if finding.level > Level.NONE else Step(None, None)
    if finding.level == Level.NONE:
        return _closing(finding, episode, calm, site, now)
    if finding.level > _peak(episode):
        return _speak(finding, _back_on(episode), site, now, Change.RAISED)
    return _hold(finding, _back_on(episode), calm, site, now)


def _peak(episode: Episode) -> int:
    return int(episode.memory.get("peak", int(episode.level)))


def _back_on(episode: Episode) -> Episode:
    memory = {key: value for key, value in episode.memory.items() if key != "off_since"}
    return replace(episode, memory=memory)


def _open(finding: Finding, site: Site, now: dt.datetime) -> Step:
    episode = Episode(
        id=opaque_id(site.id, finding.kind, finding.subject, now.isoformat()),
        site_id=site.id,
        kind=finding.kind,
        subject=finding.subject,
        level=finding.level,
        opened_at=now,
        changed_at=now,
    )
    return _speak(finding, episode, site, now, Change.OPENED)


def _speak(finding: Finding, episode: Episode, site: Site, now: dt.datetime, change: Change) -> Step:
    memory = {key: value for key, value in episode.memory.items() if key != "low_since"}
    memory |= {
        "peak": max(int(finding.level), _peak(episode)),
        "announced": finding.news,
        "told_at": now.isoformat(),
        **finding.marks,
    }
    told = replace(
        episode,
        level=finding.level,
        changed_at=episode.changed_at if finding.level == episode.level else now,
        alerts=episode.alerts + 1,
        memory=memory,
    )
    return Step(told, _alert(finding, told, finding.kind, change, site, now))


def _alert(
    finding: Finding, episode: Episode, kind: AlertKind, change: Change, site: Site, now: dt.datetime
) -> Alert:
    return Alert(
        id=f"{episode.id}-{episode.alerts}",
        firm_id=site.firm_id,
        site_id=site.id,
        episode_id=episode.id,
        sequence=episode.alerts,
        kind=kind,
        subject=finding.subject,
        level=finding.level,
        change=change,
        made_at=now,
        evidence=finding.evidence,
        expires_at=finding.expires_at,
    )


def _since(episode: Episode, name: str, now: dt.datetime) -> tuple[Episode, float]:
    """Return the episode with the mark set, and the hours gone since it was first set."""
    marked = episode.memory.get(name)
    if marked is None:
        return replace(episode, memory={**episode.memory, name: now.isoformat()}), 0.0
    return episode, (now - dt.datetime.fromisoformat(str(marked))).total_seconds() / 3600.0


def _closing(finding: Finding, episode: Episode, calm: Calm, site: Site, now: dt.datetime) -> Step:
    held, gone_h = _since(episode, "off_since", now)
    if gone_h < float(calm.close_after) and not finding.at_once:
        return Step(held, None)
    closed = replace(held, level=Level.NONE, changed_at=now, closed_at=now)
    if finding.closing_kind is None or closed.alerts == 0:
        return Step(closed, None)
    closed = replace(closed, alerts=closed.alerts + 1)
    return Step(closed, _alert(finding, closed, finding.closing_kind, Change.CLOSED, site, now))


def _hold(finding: Finding, episode: Episode, calm: Calm, site: Site, now: dt.datetime) -> Step:
    held = _eased(finding, episode, calm, now)
    told_at = held.memory.get("told_at")
    quiet_h = (
        float("inf")
        if told_at is None
        else (now - dt.datetime.fromisoformat(str(told_at))).total_seconds() / 3600.0
    )
    if finding.news != str(held.memory.get("announced", "")) and quiet_h >= float(calm.gap):
        return _speak(finding, held, site, now, Change.CHANGED)
    return Step(held, None)


def _eased(finding: Finding, episode: Episode, calm: Calm, now: dt.datetime) -> Episode:
    if finding.level >= episode.level:
        memory = {key: value for key, value in episode.memory.items() if key != "low_since"}
        changed_at = now if finding.level > episode.level else episode.changed_at
        return replace(episode, level=finding.level, changed_at=changed_at, memory=memory)
    held, low_h = _since(episode, "low_since", now)
    if low_h < float(calm.ease_after):
        return held
    memory = {key: value for key, value in held.memory.items() if key != "low_since"}
    return replace(held, level=finding.level, changed_at=now, memory=memory)
