"""Degree-day milestones of each species: hatch begins and is half over, first adults, new generation."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from alertd.alerts import evidence
from alertd.alerts.kind import Kind, Sight
from alertd.alerts.machine import Finding
from alertd.catalog.figure import Figure
from alertd.catalog.species import WinterStage, load_species
from alertd.records.alert import Alert, AlertKind
from alertd.records.assessment import Level, MitePressure, Phase
from alertd.records.evidence import MilestoneEvidence

ALONE = frozenset({"wake", "hatch", "adults"})
"""Milestones that change what to do this week; the others go along with other messages."""


@dataclass(frozen=True, slots=True)
class _Milestone:
    """One point of a species' year that is reached. ``fresh``: recent enough to be news."""

    one: MitePressure
    name: str
    text: str
    advice: str
    fresh: bool
    figure: Figure
    status: str = ""
    expected_on: dt.date | None = None

    @property
    def key(self) -> str:
        """Unique to species, season and milestone."""
        return f"{self.one.species}/{self.one.biofix}/{self.name}"


def find(sight: Sight) -> Iterator[Finding]:
    """Yield the milestones that are new; on a site that is seen late those long past stay unsaid."""
    reached = [stone for one in sight.assessment.pressures for stone in _reached(one, sight)]
    told = {key for key in sight.announced(AlertKind.MILESTONE).split(",") if key}
    fresh = [stone for stone in reached if stone.fresh and stone.key not in told]
    news = told | {stone.key for stone in (fresh if told else reached)}
    found = evidence.base(sight.site, sight.assessed)
    if fresh:
        found = evidence.growing(sight)
        found["milestones"] = [_written(stone, sight) for stone in fresh]
        hosts = [host for stone in fresh for host in stone.one.hosts]
        found["scouting"] = evidence.scouting(sight.site, hosts)
        chosen = {stone.one.species: stone.one for stone in fresh}
        found["pressures"] = evidence.pressures(chosen.values(), sight.site)
    yield Finding(
        AlertKind.MILESTONE,
        "",
        Level.NOTE if reached else Level.NONE,
        found,
        news=",".join(sorted(news)),
        mute=not fresh,
        rides=not any(stone.name in ALONE for stone in fresh),
    )


def _reached(one: MitePressure, sight: Sight) -> list[_Milestone]:
    if one.phase == Phase.SEASON_OVER:
        return []
    return [*_hatch(one), *_adults(one, sight), *_generations(one, sight)]


def _hatch(one: MitePressure) -> list[_Milestone]:
    season = load_species()[one.species].season
    heat = one.degree_days_c_d
    if heat is None or heat < float(season.hatch_start):
        return []
    middle = (float(season.hatch_start) + float(season.hatch_end)) / 2.0
    counted = f"{heat:.0f} degC d since {one.biofix}"
    if season.winter_stage == WinterStage.FEMALE:
        text = f"the overwintered females are waking ({counted})"
        advice = (
            "Look at last year's worst plants first; the females move from their winter places to new leaves."
        )
        return [_Milestone(one, "wake", text, advice, heat < middle, season.hatch_start)]
    text = f"egg hatch begins ({counted})"
    advice = "Tap now and again in a week: young mites are small, and washing reaches them best now."
    stones = [_Milestone(one, "hatch", text, advice, heat < middle, season.hatch_start)]
    if heat >= middle:
        half = f"egg hatch is about half over ({counted})"
        act = "This week's count tells most: nearly all that will hatch is soon out, and little is laid yet."
        fresh = heat < float(season.hatch_end)
        stones.append(
            _Milestone(one, "hatch-half", half, act, fresh, season.hatch_start, "derived, half way between")
        )
    return stones


def _adults(one: MitePressure, sight: Sight) -> list[_Milestone]:
    """Return the first new adults of the season, foretold some days ahead."""
    day = one.next_adults_on
    notice = sight.policy.milestone
    if one.phase != Phase.ACTIVE or day is None or one.generations >= 1.0:
        return []
    if not 0 <= (day - sight.today).days <= float(notice.adults_ahead):
        return []
    text = f"the first adults of the new generation are expected about {day}"
    advice = "Look before that day: once they lay, numbers grow fast in warm weather."
    return [_Milestone(one, "adults", text, advice, True, load_species()[one.species].egg_to_adult, "", day)]


def _generations(one: MitePressure, sight: Sight) -> list[_Milestone]:
    notice = sight.policy.milestone
    figure = load_species()[one.species].egg_to_egg
    stones = []
    for count in range(1, round(float(notice.generations_told)) + 1):
        if one.phase == Phase.ACTIVE and one.generations >= count:
            fresh = one.generations < count + float(notice.generation_fresh)
            text = f"generation {count + 1} of the season begins"
            advice = (
                "Compare the next tap count with the last one: a rise now is a rise of whole generations."
            )
            stones.append(_Milestone(one, f"generation-{count + 1}", text, advice, fresh, figure))
    return stones


def _written(stone: _Milestone, sight: Sight) -> MilestoneEvidence:
    return MilestoneEvidence(
        species=stone.one.species,
        name=load_species()[stone.one.species].common_name,
        milestone=stone.name,
        text=stone.text,
        advice=stone.advice,
        degree_days_c_d=None if stone.one.degree_days_c_d is None else round(stone.one.degree_days_c_d, 1),
        expected_on=None if stone.expected_on is None else stone.expected_on.isoformat(),
        source=stone.figure.source,
        status=stone.status or str(stone.figure.status),
        plants=evidence.plant_labels(sight.site, stone.one.hosts),
    )


def _mention(alert: Alert) -> str:
    return " ".join(f"{one['name']}: {one['text']}." for one in alert.evidence.get("milestones", []))


KIND = Kind(AlertKind.MILESTONE, find, _mention, "the season of the mites is over")
