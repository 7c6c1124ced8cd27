"""From weather to alerts over whole seasons: spruce mites alarm in a cool spring, never in July heat."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from alertd.alerts.decide import decide
from alertd.records.alert import Alert, AlertKind
from alertd.records.assessment import Level, Phase
from tests.assess.skies import DAY, HOT, SITE, Sky, Watch, at, planting, pressure_of, truth_of

WINTER = Sky(-6.0, 4.0, -8.0)
COOL_DRY_SPRING = Sky(8.0, 21.0, 1.0)
MELBOURNE = "Australia/Melbourne"
PLACES = {
    "north": (replace(SITE, plantings=(planting("spruce"),)), 2025, 1, 7),
    "south": (
        replace(
            SITE, latitude_deg=-38.0, longitude_deg=145.0, zone=MELBOURNE, plantings=(planting("spruce"),)
        ),
        2025, 7, 1,
    ),
}  # fmt: skip
"""Site, and the months of midwinter and of high summer; the places are invented."""


def alarms(watch: Watch, days: range, first: dt.date, zone: str) -> list[Alert]:
    """Return the alarms about spruce mites of one look a day."""
    found = []
    for i in days:
        now = at(first + i * DAY, 6, zone)
        assessment = watch.look(now)
        decisions = decide(watch.sites[0], assessment, (), (), now)
        found += [
            alert
            for alert in decisions.alerts
            if alert.kind is AlertKind.MITE_PRESSURE and alert.subject == "spruce"
        ]
    return found


@pytest.mark.parametrize("place", PLACES)
def test_a_cool_dry_april_raises_a_spruce_mite_alarm(place: str) -> None:
    site, year, winter, _ = PLACES[place]
    first = dt.date(year, winter, 1)
    # 85 days of winter, then 40 cool dry days: from late March, or late September in the south
    sky = truth_of(first, [WINTER] * 85 + [COOL_DRY_SPRING] * 50, site.zone)
    watch = Watch(sky, [site], past_h=92 * 24)
    found = alarms(watch, range(92, 125), first, site.zone)
    assert found
    assert max(alert.level for alert in found) >= Level.WATCH


@pytest.mark.parametrize("place", PLACES)
def test_a_july_heat_wave_raises_none(place: str) -> None:
    site, year, _, summer = PLACES[place]
    first = dt.date(year + (place == "south"), summer, 1) - 40 * DAY
    sky = truth_of(first, [HOT] * 75, site.zone)
    watch = Watch(sky, [site], past_h=40 * 24)
    assert alarms(watch, range(40, 62), first, site.zone) == []
    found = pressure_of(watch.found[site.id], "spruce")
    assert found.phase is Phase.SUMMER_REST
    assert found.score == 0.0
