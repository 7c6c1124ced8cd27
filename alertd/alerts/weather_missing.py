"""Weather missing: a site whose weather is stale says so instead of falling silent."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from alertd.alerts import evidence
from alertd.alerts.machine import Finding
from alertd.catalog.alerts import WeatherAge
from alertd.records.alert import AlertKind
from alertd.records.assessment import Assessment, Level
from alertd.records.evidence import ProviderFault
from alertd.records.site import Site


def find(
    site: Site,
    assessment: Assessment | None,
    faults: Sequence[ProviderFault],
    limits: WeatherAge,
    now: dt.datetime,
) -> Finding:
    """Return whether the weather behind this site is too old to be trusted, or absent."""
    found = evidence.base(site, assessment)
    found["faults"] = list(faults)
    if assessment is None:
        return Finding(AlertKind.WEATHER_MISSING, "", Level.HIGH, found, news=now.date().isoformat())
    found["age_h"] = round(assessment.age_h, 1)
    found["missing_since"] = assessment.data_as_of.isoformat()
    if assessment.age_h >= float(limits.useless_after):
        level = Level.HIGH
    elif assessment.age_h >= float(limits.missing_after):
        level = Level.WATCH
    else:
        level = Level.NONE
    found["closes_kind"] = str(AlertKind.WEATHER_MISSING)
    found["closed_because"] = "Fresh weather has arrived."
    return Finding(
        AlertKind.WEATHER_MISSING,
        "",
        level,
        found,
        news="" if level == Level.NONE else now.date().isoformat(),
        at_once=True,
        closing_kind=AlertKind.ALL_CLEAR,
    )
