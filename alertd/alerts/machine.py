"""The state machine of every alert kind: open, raise, hold, ease, close, with hysteresis.

A kind looks at an assessment and returns a ``Finding`` with two levels: ``level`` by the on limits
and ``held`` by the lower off limits. This module alone decides what becomes of the episode and
whether there is cause to speak:

* a level opens an episode; an open one stands at ``level``, or as high as ``held`` lets it stay;
* a level above every told one speaks (raised), and so does the first of an episode (opened);
* a lower level sinks silently after ``ease_after``; none at all closes after ``close_after``, with one
  closing alert if the kind wants it and something had been said;
* ``news`` that differs from what was told speaks (changed) once it has stood for ``settle`` and
  ``gap`` has passed since the last word; an urgent one at once, but not twice within ``gap``.

Elapsed time is counted between instants in UTC, so no clock change can shorten or repeat anything.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, cast

from alertd.catalog.alerts import Calm
from alertd.records.alert import Alert, AlertKind, Change, Episode
from alertd.records.assessment import Level
from alertd.records.evidence import AlertEvidence
from alertd.records.site import Site

URGENT_FROM = Level.HIGH
"""An opening from this level on, like every raise, does not wait for another day."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What one kind sees of one subject on one site now.

    ``news`` is compared with what was last told: another text means that the advice changed.
    ``mute`` keeps the episode going but gives no cause to speak. ``at_once`` closes without waiting (an
    observed fact, not a forecast, has ended the condition). What ``rides`` is not worth a message of
    its own: it is told along with another one, or alone once it has waited long enough.
    ``closing_kind`` is the kind of the alert that ends the episode, None for a silent end. ``marks``
    are kept in the episode when it is told.
    """

    kind: AlertKind
    subject: str
    level: Level
    evidence: AlertEvidence
    held: Level = Level.NONE
    news: str = ""
    mute: bool = False
    urgent: bool = False
    at_once: bool = False
    rides: bool = False
    closing_kind: AlertKind | None = None
    expires_at: dt.datetime | None = None
    marks: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Speech:
    """What to tell, and the episode as it is once told.

    An urgent one cannot wait for another day; a riding one waits for another message to go with.
    """

    episode: Episode
    alert: Alert
    urgent: bool = False
    rides: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """What the machine made of a finding: the episode if nothing is said, and what there is to say."""

    silent: Episode | None
    speech: Speech | None = None


def opaque_id(*parts: str) -> str:
    """Return an id that names the parts without showing them; the same parts give the same id."""
    return hashlib.sha256("\x1f".join(parts).encode()).hexdigest()[:24]


def advance(finding: Finding, episode: Episode | None, calm: Calm, site: Site, now: dt.datetime) -> Step:
    """Return the next state of the episode, and what there is cause to tell.

    Raises
    ------
    ValueError
        If the episode is closed: a condition that comes back opens a new one.
    """
    if episode is None:
        if finding.level == Level.NONE:
            return Step(None)
        episode = _new(finding, site, now)
    elif not episode.is_open:
        raise ValueError(f"episode {episode.id} is closed; a condition that comes back opens a new one")
    episode, level = _standing(finding, episode, calm, now)
    if level == Level.NONE:
        return _closing(finding, episode, calm, site, now)
    episode = _eased(_without(episode, "off_since"), level, calm, now)
    return _telling(finding, episode, level, calm, site, now)


def _new(finding: Finding, site: Site, now: dt.datetime) -> Episode:
    return Episode(
        id=opaque_id(site.id, finding.kind, finding.subject, now.isoformat()),
        site_id=site.id,
        kind=finding.kind,
        subject=finding.subject,
        level=finding.level,
        opened_at=now,
        changed_at=now,
    )


def _standing(finding: Finding, episode: Episode, calm: Calm, now: dt.datetime) -> tuple[Episode, Level]:
    """Return the level between the on and the off limits, and the episode that remembers since when."""
    told = Level(_peak(episode))  # the off limits hold nothing that nobody has heard of
    level = max(finding.level, min(finding.held, episode.level, told))
    if finding.level > Level.NONE:
        return _without(episode, "held_since"), level
    if level == Level.NONE:
        return episode, level
    held, held_h = _since(episode, "held_since", now)
    return held, level if held_h < float(calm.hold_at_most) else Level.NONE


def _eased(episode: Episode, level: Level, calm: Calm, now: dt.datetime) -> Episode:
    """Return the episode at its new level: up at once, down only after a while."""
    episode = _forgotten(episode, level, calm, now)
    if level >= episode.level:
        changed_at = now if level > episode.level else episode.changed_at
        return replace(_without(episode, "low_since"), level=level, changed_at=changed_at)
    held, low_h = _since(episode, "low_since", now)
    if low_h < float(calm.ease_after):
        return held
    return replace(_without(held, "low_since"), level=level, changed_at=now)


def _forgotten(episode: Episode, level: Level, calm: Calm, now: dt.datetime) -> Episode:
    """Return the episode with its highest told level lowered, if it was left long enough ago."""
    if level >= _peak(episode):
        return _without(episode, "below_since")
    held, below_h = _since(episode, "below_since", now)
    if below_h < float(calm.forget_after):
        return held
    return _with(_without(held, "below_since"), peak=int(level))


def _telling(
    finding: Finding, episode: Episode, level: Level, calm: Calm, site: Site, now: dt.datetime
) -> Step:
    first = "announced" not in episode.memory
    if finding.mute:
        told = {"announced": finding.news, "peak": int(level), **finding.marks} if first else {}
        return Step(_with(episode, **told))
    if first or level > _peak(episode):
        change = Change.RAISED if episode.alerts else Change.OPENED
        urgent = finding.urgent or change is Change.RAISED or level >= URGENT_FROM
        rides = not urgent and _rides(finding, episode, "opened_at", calm, now)
        return Step(episode, _speech(finding, episode, level, change, site, now, urgent, rides))
    if finding.news == str(episode.memory["announced"]):
        return Step(_without(episode, "pending", "pending_since"))
    waiting = _pending(finding.news, episode)
    waiting, stood_h = _since(waiting, "pending_since", now)
    quiet = _hours_since(waiting, "told_at", now) >= float(calm.gap)
    hurried = finding.urgent and _hours_since(waiting, "hurried_at", now) >= float(calm.gap)
    if not (hurried or (quiet and stood_h >= float(calm.settle))):
        return Step(waiting)
    if not quiet:
        waiting = _with(waiting, hurried_at=now.isoformat())
    change = Change.CHANGED if waiting.alerts else Change.OPENED
    rides = not finding.urgent and _rides(finding, waiting, "pending_since", calm, now)
    return Step(waiting, _speech(finding, waiting, level, change, site, now, finding.urgent, rides))


def _rides(finding: Finding, episode: Episode, waiting_since: str, calm: Calm, now: dt.datetime) -> bool:
    """Return whether what is not worth a message of its own still waits for company."""
    if not finding.rides:
        return False
    if waiting_since == "opened_at":
        return (now - episode.opened_at).total_seconds() / 3600.0 < float(calm.alone_after)
    return _hours_since(episode, waiting_since, now) < float(calm.close_after) + float(calm.alone_after)


def _pending(news: str, episode: Episode) -> Episode:
    """Return the episode that remembers which untold news it has seen; other news start anew."""
    if episode.memory.get("pending") == news:
        return episode
    return _with(_without(episode, "pending_since"), pending=news)


def _speech(
    finding: Finding,
    episode: Episode,
    level: Level,
    change: Change,
    site: Site,
    now: dt.datetime,
    urgent: bool,
    rides: bool,
) -> Speech:
    told = replace(
        _with(
            _without(episode, "pending", "pending_since", "low_since"),
            peak=max(int(level), _peak(episode)),
            told_level=int(level),
            announced=finding.news,
            told_at=now.isoformat(),
            **finding.marks,
        ),
        level=level,
        alerts=episode.alerts + 1,
    )
    before = Level(int(episode.memory.get("told_level", int(Level.NONE))))
    evidence = _since_last(finding.evidence, before, level, change)
    return Speech(told, _alert(finding, told, finding.kind, change, evidence, site, now), urgent, rides)


def _since_last(evidence: AlertEvidence, before: Level, level: Level, change: Change) -> AlertEvidence:
    """Return the evidence with what changed since the last message of the episode, if there was one.

    Why the episode ends is left out: it has not ended.
    """
    changes = [] if change is Change.OPENED else list(evidence["changes"])
    if change is Change.RAISED:
        word = level.name.lower()
        climbed = level > before
        changes.insert(
            0,
            f"The level went up from {before.name.lower()} to {word}."
            if climbed
            else f"The level had gone down meanwhile and is {word} again.",
        )
    kept = {key: value for key, value in evidence.items() if key != "closed_because"}
    return cast("AlertEvidence", {**kept, "changes": changes})


def _closing(finding: Finding, episode: Episode, calm: Calm, site: Site, now: dt.datetime) -> Step:
    held, gone_h = _since(_without(episode, "pending", "pending_since"), "off_since", now)
    if gone_h < float(calm.close_after) and not finding.at_once:
        return Step(held)
    closed = replace(held, level=Level.NONE, changed_at=now, closed_at=now)
    if finding.closing_kind is None or closed.alerts == 0:
        return Step(closed)
    closed = replace(closed, alerts=closed.alerts + 1)
    evidence = cast(
        "AlertEvidence",
        {**finding.evidence, "closes_kind": str(finding.kind), "opened_at": episode.opened_at.isoformat()},
    )
    alert = _alert(finding, closed, finding.closing_kind, Change.CLOSED, evidence, site, now)
    return Step(held, Speech(closed, alert, rides=_rides(finding, held, "off_since", calm, now)))


def _alert(
    finding: Finding,
    episode: Episode,
    kind: AlertKind,
    change: Change,
    evidence: AlertEvidence,
    site: Site,
    now: dt.datetime,
) -> Alert:
    return Alert(
        id=f"{episode.id}-{episode.alerts}",
        firm_id=site.firm_id,
        site_id=site.id,
        episode_id=episode.id,
        sequence=episode.alerts,
        kind=kind,
        subject=finding.subject,
        level=episode.level,
        change=change,
        made_at=now,
        evidence=evidence,
        expires_at=finding.expires_at,
    )


def _peak(episode: Episode) -> int:
    return int(episode.memory.get("peak", int(Level.NONE)))


def _with(episode: Episode, **marks: Any) -> Episode:
    return replace(episode, memory={**episode.memory, **marks}) if marks else episode


def _without(episode: Episode, *names: str) -> Episode:
    if not any(name in episode.memory for name in names):
        return episode
    return replace(episode, memory={key: kept for key, kept in episode.memory.items() if key not in names})


def _hours_since(episode: Episode, name: str, now: dt.datetime) -> float:
    marked = episode.memory.get(name)
    if marked is None:
        return float("inf")
    return (now - dt.datetime.fromisoformat(str(marked))).total_seconds() / 3600.0


def _since(episode: Episode, name: str, now: dt.datetime) -> tuple[Episode, float]:
    """Return the episode with the mark set, and the hours gone since it was first set."""
    if name not in episode.memory:
        return _with(episode, **{name: now.isoformat()}), 0.0
    return episode, _hours_since(episode, name, now)
