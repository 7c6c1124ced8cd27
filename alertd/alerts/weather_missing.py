"""Weather missing: a site whose weather is stale says so instead of falling silent."""

from __future__ import annotations

from collections.abc import Iterator

from alertd.alerts import evidence
from alertd.alerts.kind import Kind, Need, Sight
from alertd.alerts.machine import Finding
from alertd.records.alert import Alert, AlertKind
from alertd.records.assessment import Level


def quality(sight: Sight) -> Need:
    """Return what the weather behind this site is good for."""
    if sight.assessed is None or sight.assessed.age_h >= float(sight.policy.weather_age.useless_after):
        return Need.NOTHING
    if sight.assessed.age_h >= float(sight.policy.weather_age.missing_after):
        return Need.USABLE
    return Need.FRESH


LEVELS = {Need.NOTHING: Level.HIGH, Need.USABLE: Level.WATCH, Need.FRESH: Level.NONE}


def find(sight: Sight) -> Iterator[Finding]:
    """Yield whether the weather is too old to be trusted, or absent; the day is news, so it repeats."""
    found = evidence.base(sight.site, sight.assessed)
    found["faults"] = list(sight.faults)
    found["closed_because"] = "Fresh weather has arrived."
    if sight.assessed is not None:
        found["age_h"] = round(sight.assessed.age_h, 1)
        found["missing_since"] = sight.assessed.data_as_of.isoformat()
    yield Finding(
        AlertKind.WEATHER_MISSING,
        "",
        LEVELS[quality(sight)],
        found,
        news=sight.today.isoformat(),
        urgent=not sight.announced(AlertKind.WEATHER_MISSING),
        closing_kind=AlertKind.ALL_CLEAR,
    )


def _mention(alert: Alert) -> str:
    since = alert.evidence.get("missing_since")
    return f"There is no fresh weather{f' since {since}' if since else ''}."


KIND = Kind(AlertKind.WEATHER_MISSING, find, _mention, "fresh weather is back", Need.NOTHING)
