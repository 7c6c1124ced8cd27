"""Mite pressure rising: one species on one site reaches the next level of the index."""

from __future__ import annotations

from collections.abc import Iterator

from alertd.alerts import evidence
from alertd.alerts.kind import Kind, Sight
from alertd.alerts.machine import Finding
from alertd.catalog.figure import Figure
from alertd.catalog.pressure import load_pressure
from alertd.catalog.species import load_species
from alertd.records.alert import Alert, AlertKind
from alertd.records.assessment import Level, MitePressure, Phase
from alertd.records.evidence import RuleEvidence

SPOKEN_FROM = Level.WATCH
ALONE_FROM = Level.HIGH
"""Below it the pressure is told along with other messages: scouting goes by it anyway."""


def find(sight: Sight) -> Iterator[Finding]:
    """Yield the level of each species by today's score; the off limits lie a few points lower.

    A score that is not known opens nothing and clears nothing.
    """
    off_below = float(sight.policy.mite_pressure.off_below)
    for one in sight.assessment.pressures:
        on, held = level_at(one.score), level_at(one.score + off_below)
        if one.phase != Phase.ACTIVE:
            on = held = Level.NONE
        elif not one.known:
            on, held = Level.NONE, Level.SEVERE
        found = evidence.base(sight.site, sight.assessment)
        if held > Level.NONE:
            found = evidence.growing(sight)
            found["pressures"] = evidence.pressures([one], sight.site)
            found["scouting"] = evidence.scouting(sight.site, one.hosts)
            found["rule"] = _rule(on or held)
            found["clears_when"] = _clears_when(off_below)
            found["changes"] = _changes(one, sight)
        found["closed_because"] = _because(one)
        yield Finding(
            AlertKind.MITE_PRESSURE,
            one.species,
            on,
            found,
            held=held,
            rides=max(on, _told_level(one, sight)) < ALONE_FROM,
            closing_kind=AlertKind.ALL_CLEAR,
            marks={"score": round(one.score, 1)},
        )


def _told_level(one: MitePressure, sight: Sight) -> int:
    episode = sight.episode(AlertKind.MITE_PRESSURE, one.species)
    return 0 if episode is None else int(episode.memory.get("peak", 0))


def level_at(score: float) -> Level:
    """Return the level of a score; scores that ask for nothing have none."""
    steps = [(least, level) for least, level in _steps() if level >= SPOKEN_FROM]
    return next((level for least, level in steps if score >= float(least)), Level.NONE)


def _steps() -> tuple[tuple[Figure, Level], ...]:
    levels = load_pressure().levels
    return (
        (levels.severe, Level.SEVERE),
        (levels.high, Level.HIGH),
        (levels.watch, Level.WATCH),
        (levels.note, Level.NOTE),
    )


def _because(one: MitePressure) -> str:
    name = load_species()[one.species].common_name
    if one.phase != Phase.ACTIVE:
        return f"{name}: {one.phase}."
    if not one.known:
        return f"{name}: its pressure has not been known for so long that the old warning no longer stands."
    return f"{name}: mite pressure has fallen to {one.score:.0f} of 100."


def _changes(one: MitePressure, sight: Sight) -> list[str]:
    episode = sight.episode(AlertKind.MITE_PRESSURE, one.species)
    before = None if episode is None else episode.memory.get("score")
    if before is None:
        return []
    return [f"Mite pressure was {float(before):.0f} of 100 in the last message and is {one.score:.0f} now."]


def _rule(level: Level) -> RuleEvidence:
    least = next(least for least, name in _steps() if name == level)
    return RuleEvidence(
        name=level.name.lower(),
        text=f"mite pressure of {float(least):g} of 100 or more makes the level {level.name.lower()}",
        source=least.source,
        status=str(least.status),
        figures={"points": float(least)},
    )


def _clears_when(off_below: float) -> list[str]:
    watch = float(load_pressure().levels.watch)
    return [
        f"mite pressure below {watch - off_below:g} of 100 for some days: cooler days, or rain that washes "
        "mites off",
        "a tap count: what you find on the plants outranks this index",
    ]


def _mention(alert: Alert) -> str:
    one = alert.evidence["pressures"][0]
    return f"{one['name']}: mite pressure {one['score']:.0f} of 100, level {alert.level.name.lower()}."


KIND = Kind(AlertKind.MITE_PRESSURE, find, _mention, "mite pressure has fallen")
