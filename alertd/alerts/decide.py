"""All alert kinds of one site: assessment and open episodes in, episodes and alerts out; pure."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from alertd.alerts import hot_dry, spray_window, weather_missing
from alertd.alerts.machine import Finding, advance
from alertd.catalog.alerts import AlertPolicy, Calm, load_alert_policy
from alertd.records.alert import Alert, AlertKind, Episode
from alertd.records.assessment import Assessment, Level, Phase
from alertd.records.evidence import ProviderFault
from alertd.records.site import Site


@dataclass(frozen=True, slots=True)
class Decisions:
    """What to store and what to tell."""

    episodes: tuple[Episode, ...]
    alerts: tuple[Alert, ...]


def decide(
    site: Site,
    assessment: Assessment | None,
    open_episodes: Iterable[Episode],
    faults: Sequence[ProviderFault],
    now: dt.datetime,
    policy: AlertPolicy | None = None,
) -> Decisions:
    """Return the changed episodes and the alerts of one site.

    Weather too old to be used leaves every other episode as it is: nothing is opened on it and,
    above all, nothing is cleared on it.
    """
    policy = policy or load_alert_policy()
    open_by_kind = {episode.kind: episode for episode in open_episodes}
    episodes: list[Episode] = []
    alerts: list[Alert] = []
    for finding, calm in _findings(site, assessment, open_by_kind, faults, now, policy):
        episode = open_by_kind.get(finding.kind)
        step = advance(finding, episode, calm, site, now)
        if step.episode is not None and step.episode != episode:
            episodes.append(step.episode)
        if step.alert is not None:
            alerts.append(step.alert)
    return Decisions(tuple(episodes), tuple(alerts))


def _findings(
    site: Site,
    assessment: Assessment | None,
    open_by_kind: dict[AlertKind, Episode],
    faults: Sequence[ProviderFault],
    now: dt.datetime,
    policy: AlertPolicy,
) -> Iterator[tuple[Finding, Calm]]:
    missing = weather_missing.find(site, assessment, faults, policy.weather_age, now)
    yield missing, policy.weather_missing
    if assessment is None or missing.level >= Level.HIGH:
        return
    warning = hot_dry.find(site, assessment, open_by_kind.get(AlertKind.HOT_DRY), policy, now)
    yield warning, policy.hot_dry
    if missing.level > Level.NONE:
        return
    needed = warning.level > Level.NONE or _pressing(assessment, float(policy.spray_notice.need_pressure))
    notice = spray_window.find(
        site,
        assessment,
        open_by_kind.get(AlertKind.SPRAY_WINDOW),
        policy.spray_notice,
        needed=needed,
        now=now,
    )
    yield notice, policy.spray_window


def _pressing(assessment: Assessment, least: float) -> bool:
    return any(one.phase == Phase.ACTIVE and one.score >= least for one in assessment.pressures)
