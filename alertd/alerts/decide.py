"""All alert kinds of one site: assessment and open episodes in, episodes and alerts out; pure.

Calm between the kinds: whatever has cause to speak in one cycle is told together, the strongest in
full and the others as sentences in its message (``also``); each keeps its own alert in history, so
that those who asked for some kinds only miss nothing. What rides is told only in such company. What
is not urgent waits, with its episode open and untold, until nobody has heard of this site on the same
day: so a site speaks at most once a day outside raises, openings at a high level, missing weather and
windows withdrawn.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import cast
from zoneinfo import ZoneInfo

from alertd.alerts import evidence, weather_missing
from alertd.alerts.kind import Kind, Sight
from alertd.alerts.kinds import BY_NAME, KINDS
from alertd.alerts.machine import Finding, Speech, Step, advance
from alertd.catalog.alerts import AlertPolicy, load_alert_policy
from alertd.records.alert import Alert, AlertKind, Change, Episode
from alertd.records.assessment import Assessment, Level
from alertd.records.evidence import AlertEvidence, ProviderFault
from alertd.records.site import Site


@dataclass(frozen=True, slots=True)
class Decisions:
    """What to store and what to tell, the strongest alert first."""

    episodes: tuple[Episode, ...]
    alerts: tuple[Alert, ...]


def decide(
    site: Site,
    assessment: Assessment | None,
    open_episodes: Iterable[Episode],
    faults: Sequence[ProviderFault],
    now: dt.datetime,
    policy: AlertPolicy | None = None,
    kinds: Sequence[Kind] = KINDS,
) -> Decisions:
    """Return the changed episodes and the alerts of one site.

    Weather too old to be used leaves every other episode as it is: nothing is opened on it and,
    above all, nothing is cleared on it.
    """
    policy = policy or load_alert_policy()
    before = {(episode.kind, episode.subject): episode for episode in open_episodes}
    sight = Sight(site, assessment, now, policy, faults, before)
    known = {episode.id: episode for episode in before.values()}
    steps = list(_steps(sight, kinds))
    chosen = _chosen([step.speech for step in steps if step.speech is not None], sight)
    told = {speech.episode.id: speech for speech in chosen}
    after = dict(known)
    for step in steps:
        if step.speech is not None and step.speech.episode.id in told:
            after[step.speech.episode.id] = step.speech.episode
        elif step.silent is not None:
            after[step.silent.id] = step.silent
    if chosen:
        after = {key: _site_told(episode, now) for key, episode in after.items()}
    episodes = tuple(episode for episode in after.values() if episode != known.get(episode.id))
    return Decisions(episodes, _together([speech.alert for speech in chosen]))


def _steps(sight: Sight, kinds: Sequence[Kind]) -> Iterator[Step]:
    """Yield what the machine makes of every finding, and of episodes whose subject is gone."""
    good = weather_missing.quality(sight)
    for kind in kinds:
        if kind.needs > good:
            continue
        calm = sight.policy.calm[kind.name]
        seen = set()
        for finding in kind.find(sight):
            seen.add((finding.kind, finding.subject))
            step = advance(finding, sight.episode(finding.kind, finding.subject), calm, sight.site, sight.now)
            yield step
        for key, episode in sight.episodes.items():
            if key[0] == kind.name and key not in seen:
                gone = Finding(
                    kind.name, key[1], Level.NONE, evidence.base(sight.site, sight.assessed), at_once=True
                )
                yield advance(gone, episode, calm, sight.site, sight.now)


def _chosen(speeches: list[Speech], sight: Sight) -> list[Speech]:
    """Return what is told now, the strongest first: all of it, or nothing because it can wait."""
    leading = [speech for speech in speeches if not speech.rides]
    if not leading or (not any(speech.urgent for speech in leading) and _heard_today(sight)):
        return []
    return sorted(speeches, key=_strength)


def _strength(speech: Speech) -> tuple[bool, bool, int, int, str]:
    alert = speech.alert
    level = Level.NOTE if alert.change is Change.CLOSED else alert.level
    about = _about(alert)
    rank = tuple(BY_NAME).index(about)
    return (not speech.urgent, speech.rides, -int(level), rank, alert.subject)


def _about(alert: Alert) -> AlertKind:
    """Return the kind that an alert is about; an all-clear is about the kind that it closes."""
    return AlertKind(alert.evidence.get("closes_kind", alert.kind))


def _heard_today(sight: Sight) -> bool:
    told = [
        dt.datetime.fromisoformat(str(episode.memory[name]))
        for episode in sight.episodes.values()
        for name in ("told_at", "site_told_at")
        if name in episode.memory
    ]
    return bool(told) and _reading_day(max(told), sight) >= _reading_day(sight.now, sight)


def _reading_day(at: dt.datetime, sight: Sight) -> dt.date:
    """Return the local day on which something told at ``at`` is read: late in the evening, the next."""
    wall = at.astimezone(ZoneInfo(sight.site.zone)).replace(tzinfo=None)
    return (wall + dt.timedelta(hours=24.0 - float(sight.policy.day_turns_at))).date()


def _site_told(episode: Episode, now: dt.datetime) -> Episode:
    if not episode.is_open:
        return episode
    return replace(episode, memory={**episode.memory, "site_told_at": now.isoformat()})


def _together(alerts: list[Alert]) -> tuple[Alert, ...]:
    """Return the alerts of one cycle, each naming the weaker ones in a sentence."""
    if len(alerts) < 2:
        return tuple(alerts)
    return tuple(
        replace(
            alert,
            evidence=cast(
                "AlertEvidence",
                {
                    **alert.evidence,
                    "told_with": alerts[0].id,
                    "also": [_mention(other) for other in alerts[place + 1 :]],
                },
            ),
        )
        for place, alert in enumerate(alerts)
    )


def _mention(alert: Alert) -> str:
    kind = BY_NAME[_about(alert)]
    return f"All clear: {kind.over}." if alert.change is Change.CLOSED else kind.mention(alert)
