"""Scouting due: the first look of the season by degree-days, then a round by interval while mites press."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from alertd.alerts import evidence
from alertd.alerts.kind import Kind, Sight
from alertd.alerts.machine import Finding
from alertd.catalog.species import Season, load_species
from alertd.records.alert import Alert, AlertKind
from alertd.records.assessment import Level, MitePressure, Phase
from alertd.records.evidence import LookEvidence, RuleEvidence

ASKS_TO_LOOK = (AlertKind.HOT_DRY, AlertKind.MITE_PRESSURE)
"""Kinds whose messages ask to look as well: the interval runs from them too."""


@dataclass(frozen=True, slots=True)
class _Look:
    """One species: why it is due (nothing if it is not), in how many days, and windows not asked for yet."""

    one: MitePressure
    why: str = ""
    due_in_d: float = float("inf")
    windows: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Asked:
    """What the open episode remembers: when each species was last asked for, and which windows were."""

    days: Mapping[str, str] = field(default_factory=dict)
    windows: tuple[str, ...] = ()


def find(sight: Sight) -> Iterator[Finding]:
    """Yield the round that is due; whatever falls due within days goes into the same round."""
    asked = _asked(sight)
    active = [one for one in sight.assessment.pressures if one.phase == Phase.ACTIVE]
    looks = [_look(one, asked, sight) for one in active]
    due = [look for look in looks if look.why]
    if due:
        soon_d = float(sight.policy.scouting.round_within)
        due += [look for look in looks if not look.why and look.due_in_d <= soon_d]
    days = {**asked.days, **{look.one.species: sight.today.isoformat() for look in due}}
    windows = sorted({*asked.windows, *(name for look in due for name in look.windows)})
    found = evidence.base(sight.site, sight.assessed)
    if due:
        found = evidence.growing(sight)
        found["looks"] = [_written(look, sight) for look in due]
        found["pressures"] = evidence.pressures([look.one for look in due], sight.site)
        found["scouting"] = evidence.scouting(sight.site, [host for look in due for host in look.one.hosts])
        found["rule"] = _rule(sight)
    yield Finding(
        AlertKind.SCOUTING_DUE,
        "",
        Level.NOTE if active else Level.NONE,
        found,
        news=";".join(f"{species}={day}" for species, day in sorted(days.items())),
        mute=not due,
        marks={"asked": days, "windows": windows} if due else {},
    )


def _asked(sight: Sight) -> _Asked:
    episode = sight.episode(AlertKind.SCOUTING_DUE)
    if episode is None:
        return _Asked()
    memory = episode.memory
    return _Asked(dict(memory.get("asked", {})), tuple(memory.get("windows", ())))


def _look(one: MitePressure, asked: _Asked, sight: Sight) -> _Look:
    last = _last_asked(one, asked)
    windows = _open_windows(one, asked)
    if last is None:
        return _Look(one, _first(one), 0.0, windows)
    if windows:
        return _Look(one, f"the time of {windows[0].rsplit('/', 1)[1]} has come", 0.0, windows)
    notice = sight.policy.scouting
    if one.score < float(notice.need_pressure):
        return _Look(one)
    last = max(last, _told_day(sight) or last)
    due_in_d = interval_d(one, sight) - (sight.today - last).days
    if due_in_d > 0:
        return _Look(one, "", due_in_d)
    since = (sight.today - last).days
    return _Look(
        one,
        f"{since} days since you were last asked to look, and mite pressure is {one.score:.0f} of 100",
        0.0,
    )


def _last_asked(one: MitePressure, asked: _Asked) -> dt.date | None:
    """Return the day on which this species was last asked for in this season of its."""
    day = asked.days.get(one.species)
    last = None if day is None else dt.date.fromisoformat(day)
    return last if last is not None and last >= one.biofix else None


def _told_day(sight: Sight) -> dt.date | None:
    told = sight.last_told_at(*ASKS_TO_LOOK)
    return None if told is None else told.astimezone(ZoneInfo(sight.site.zone)).date()


def interval_d(one: MitePressure, sight: Sight) -> float:
    """Return the days between two looks: the shorter interval of the species while mites press hard."""
    scouting = load_species()[one.species].scouting
    pressed = one.score >= float(sight.policy.scouting.weekly_pressure)
    return float(scouting.interval_min if pressed else scouting.interval_max)


def _open_windows(one: MitePressure, asked: _Asked) -> tuple[str, ...]:
    """Return the degree-day windows that are open and were not asked for yet."""
    if one.degree_days_c_d is None:
        return ()
    names = [
        f"{one.species}/{one.biofix}/{window.label}"
        for window in _season(one).windows
        if float(window.start) <= one.degree_days_c_d < float(window.end)
    ]
    return tuple(name for name in names if name not in asked.windows)


def _season(one: MitePressure) -> Season:
    return load_species()[one.species].season


def _first(one: MitePressure) -> str:
    if one.degree_days_c_d is None:
        return "the first look here; it is active now"
    label = next(
        (
            f", the time of {window.label}"
            for window in _season(one).windows
            if float(window.start) <= one.degree_days_c_d < float(window.end)
        ),
        "",
    )
    return f"the first look of the season: {one.degree_days_c_d:.0f} degC d since {one.biofix}{label}"


def _written(look: _Look, sight: Sight) -> LookEvidence:
    species = load_species()[look.one.species]
    return LookEvidence(
        species=look.one.species,
        name=species.common_name,
        why=look.why or "due within days, so it goes with this round",
        method=species.scouting.method,
        places=species.scouting.places,
        interval_d=interval_d(look.one, sight),
        plants=evidence.plant_labels(sight.site, look.one.hosts),
    )


def _rule(sight: Sight) -> RuleEvidence:
    notice = sight.policy.scouting
    return RuleEvidence(
        name="scouting-due",
        text=(
            "the first look comes when a species becomes active or a degree-day window of it opens; then one "
            f"every 7 to 14 days, by species, while mite pressure is {float(notice.need_pressure):g} of 100 "
            "or more"
        ),
        source=notice.need_pressure.source,
        status=str(notice.need_pressure.status),
        figures={"need_pressure": float(notice.need_pressure)},
    )


def _mention(alert: Alert) -> str:
    names = [look["name"] for look in alert.evidence.get("looks", [])]
    return f"Scouting is due, tap branches on this visit: {', '.join(names)}."


KIND = Kind(AlertKind.SCOUTING_DUE, find, _mention, "no species is active now")
