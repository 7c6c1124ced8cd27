"""What a digest or brief says, from alerts and assessments as they stand when it leaves; pure."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from alertd.alerts.evidence import plant_labels, usable
from alertd.assess.spraying import EVERY_NIGHT
from alertd.catalog.alerts import load_alert_policy
from alertd.catalog.materials import load_materials
from alertd.catalog.species import load_species
from alertd.records.alert import Change
from alertd.records.assessment import (
    Assessment,
    HotDrySpell,
    Level,
    MaterialOutlook,
    MitePressure,
    Phase,
    WaterState,
)
from alertd.records.brief import DigestEntry, SiteLine, WaitingAlert, WindowLine
from alertd.records.localtime import local_instant
from alertd.records.site import Site
from alertd.science.spray_reasons import REASON_WORDS, Reason, reasons_in
from alertd.science.windows import commonest

WEEK = dt.timedelta(days=7)
_DAY = dt.timedelta(days=1)
_HOUR = dt.timedelta(hours=1)
REASONS_NAMED = 3
PLANTS_NAMED = 6
LEVEL_OF_WATER: Mapping[WaterState, Level] = {
    WaterState.STRESSED: Level.HIGH,
    WaterState.CAUTION: Level.WATCH,
}
"""How a planting short of water counts among the other findings: own choice, for the order of sites only."""


ENTRIES_MAX = 40
"""Entries in one digest, so that it stays below 100 kB; what is left goes out in another right after it."""


class Sorted(NamedTuple):
    """What a digest tells, in its order, and the messages that are told in it or left out of it."""

    entries: tuple[DigestEntry, ...]
    told: tuple[str, ...]
    dropped: tuple[str, ...]


def digest_entries(waiting: Sequence[WaitingAlert], now: dt.datetime) -> Sorted:
    """Merge what waits: the latest alert of each episode, strongest site first.

    What is over by now is said in one line to whoever had heard of it, and dropped for everybody else.
    """
    latest: dict[str, WaitingAlert] = {}
    for one in waiting:
        known = latest.get(one.alert.episode_id)
        if known is None or one.alert.sequence > known.alert.sequence:
            latest[one.alert.episode_id] = one
    entries = {key: found for key, one in latest.items() if (found := _entry(one, now)) is not None}
    dropped = tuple(one.message_id for one in waiting if one.alert.episode_id not in entries)
    shown = _by_site(list(entries.values()))[:ENTRIES_MAX]
    episodes = {one.alert.episode_id for one in shown}
    told = tuple(one.message_id for one in waiting if one.alert.episode_id in episodes)
    return Sorted(shown, told, dropped)


def _entry(one: WaitingAlert, now: dt.datetime) -> DigestEntry | None:
    alert = one.alert
    if not one.wanted or one.told_sequence > alert.sequence:
        return None
    # An alert that speaks for others as well has more to say than whether its own episode lasts.
    speaks = bool(alert.evidence.get("also"))
    over = one.episode_closed or alert.change is Change.CLOSED
    late = alert.expires_at is not None and alert.expires_at <= now
    if (over and not one.told_sequence and not speaks) or (late and not over and not speaks):
        return None
    return DigestEntry(alert, one.site, over or late)


def _by_site(entries: Sequence[DigestEntry]) -> tuple[DigestEntry, ...]:
    highest: dict[str, int] = {}
    for one in entries:
        highest[one.site.id] = max(highest.get(one.site.id, -1), _strength(one))
    return tuple(
        sorted(
            entries,
            key=lambda one: (
                -highest[one.site.id],
                one.site.name.casefold(),
                one.site.id,
                -_strength(one),
                one.alert.made_at,
                one.alert.id,
            ),
        )
    )


def _strength(entry: DigestEntry) -> int:
    return -1 if entry.over else int(entry.alert.level)


def weekly_lines(
    sites: Sequence[Site], found: Mapping[str, Assessment], now: dt.datetime
) -> tuple[SiteLine, ...]:
    """Return every site for the seven days to come: the most pressing first, those not judged last."""
    lines = [_line(site, found.get(site.id), now, now, now + WEEK, most=1) for site in sites]
    return tuple(sorted(lines, key=lambda line: ([-part for part in line.rank], line.name.casefold())))


def evening_lines(
    sites: Sequence[Site], found: Mapping[str, Assessment], now: dt.datetime
) -> tuple[SiteLine, ...]:
    """Return the windows of tomorrow, each site by its own clock; sites with the earliest window first."""
    lines = []
    for site in sites:
        start, end = _tomorrow(site.zone, now)
        line = _line(site, found.get(site.id), now, start, end, most=None)
        lines.append(replace(line, last_today=_last_today(line, found.get(site.id), now, start)))
    never = dt.datetime.max.replace(tzinfo=dt.UTC)
    return tuple(
        sorted(
            lines,
            key=lambda line: (
                not line.known,
                line.windows[0].start_at if line.windows else never,
                line.name.casefold(),
            ),
        )
    )


def has_news(lines: Sequence[SiteLine]) -> bool:
    """Return whether an evening brief is worth sending to somebody who asked for no more than that.

    It is where mites are active and tomorrow has a window, or loses one that is open still today.
    """
    return any(line.mites_active and (line.windows or line.last_today) for line in lines)


def _last_today(
    line: SiteLine, found: Assessment | None, now: dt.datetime, midnight: dt.datetime
) -> tuple[WindowLine, ...]:
    """Return the windows before midnight of materials without one tomorrow."""
    if found is None or not line.known:
        return ()
    tomorrow = {one.material for one in line.windows}
    return tuple(one for one in _windows(found, now, now, midnight, None) if one.material not in tomorrow)


def _tomorrow(zone: str, now: dt.datetime) -> tuple[dt.datetime, dt.datetime]:
    """Return where tomorrow begins and ends, 23 to 25 hours apart."""
    day = now.astimezone(ZoneInfo(zone)).date() + _DAY
    while (start := local_instant(day, 0, 0, zone)) is None:
        day += _DAY
    day += _DAY
    while (end := local_instant(day, 0, 0, zone)) is None:
        day += _DAY
    return start, end


def _line(
    site: Site,
    found: Assessment | None,
    now: dt.datetime,
    start: dt.datetime,
    end: dt.datetime,
    *,
    most: int | None,
) -> SiteLine:
    limit_h = float(load_alert_policy().weather_age.missing_after)
    if found is None or (now - found.data_as_of).total_seconds() / 3600.0 >= limit_h:
        # Missing weather is never good weather: nothing is said but that nothing is known.
        return SiteLine(site.id, site.name, site.zone, known=False, rank=(-1.0,))
    zone = ZoneInfo(site.zone)
    first_day = start.astimezone(zone).date()
    last_day = (end - dt.timedelta(seconds=1)).astimezone(zone).date()
    spell = _spell(found, first_day, last_day)
    pressure = max(found.pressures, key=_pressure, default=None)
    dry = [one for one in found.water if one.state in LEVEL_OF_WATER or _dries(one.stressed_on, last_day)]
    levels = [LEVEL_OF_WATER.get(one.state, Level.WATCH) for one in dry]
    levels += [spell.level] if spell is not None else []
    levels += [pressure.level] if pressure is not None and pressure.known else []
    level = max(levels, default=Level.NONE)
    points = 0.0 if pressure is None else _pressure(pressure)
    dry_on = min((one.stressed_on for one in dry if one.stressed_on is not None), default=None)
    windows = _windows(found, now, start, end, most)
    gaps = _gaps(site, found)
    return SiteLine(
        site_id=site.id,
        name=site.name,
        zone=site.zone,
        known=True,
        level=level,
        rank=(float(level), float(spell.level if spell else 0), points, float(len(dry))),
        spell_start_day=None if spell is None else spell.start_day,
        spell_end_day=None if spell is None else spell.end_day,
        spell_days=0 if spell is None else spell.days,
        spell_chance=None if spell is None else spell.chance,
        peak_temperature_c=None if spell is None else spell.peak_temperature_c,
        pressure_name="" if pressure is None else load_species()[pressure.species].common_name,
        pressure=0.0 if pressure is None else pressure.score,
        pressure_ahead=0.0 if pressure is None else pressure.score_ahead,
        dry_plants=tuple(plant_labels(site, [one.planting_id for one in dry])),
        dry_on=dry_on,
        windows=windows,
        closed=_closed(found, windows, start, end, whole=most is not None),
        actions=_actions(spell, points, bool(dry), bool(windows), bool(site.materials), bool(gaps)),
        gaps=gaps,
        loosened=_loosened(found),
        mites_active=any(one.phase == Phase.ACTIVE for one in found.pressures),
        data_as_of=found.data_as_of,
        attribution=found.attribution,
    )


def _loosened(found: Assessment) -> tuple[tuple[str, tuple[str, ...]], ...]:
    names: dict[str, list[str]] = {}
    for outlook in found.materials:
        for text in outlook.loosened:
            names.setdefault(text, []).append(load_materials()[outlook.material].name)
    return tuple((text, tuple(materials)) for text, materials in names.items())


def _spell(found: Assessment, first_day: dt.date, last_day: dt.date) -> HotDrySpell | None:
    within = [one for one in found.spells if one.start_day <= last_day and one.end_day >= first_day]
    return max(within, key=lambda one: (one.level, -one.start_day.toordinal()), default=None)


def _pressure(one: MitePressure) -> float:
    return max(one.score, one.score_ahead) if one.known else 0.0


def _dries(stressed_on: dt.date | None, last_day: dt.date) -> bool:
    return stressed_on is not None and stressed_on <= last_day


def _windows(
    found: Assessment, now: dt.datetime, start: dt.datetime, end: dt.datetime, most: int | None
) -> tuple[WindowLine, ...]:
    """Return windows of useful length inside ``[start, end)``, the earliest first, some of each material."""
    shortest_h = float(load_alert_policy().spray_notice.shortest_window)
    lines = []
    for outlook in found.materials:
        name = load_materials()[outlook.material].name
        here = []
        for one in usable(outlook, now, shortest_h):
            begins, ends = max(one.start_at, start), min(one.end_at, end)
            if (ends - begins).total_seconds() / 3600.0 >= shortest_h:
                # The chance is that of one stretch of the whole window, which may lie outside of the part.
                whole = (begins, ends) == (one.start_at, one.end_at)
                closed_by = one.closed_by if ends == one.end_at else ()
                here.append(
                    WindowLine(name, begins, ends, closed_by, one.cautions, one.chance if whole else None)
                )
        lines += here[:most]
    return tuple(sorted(lines, key=lambda line: (line.start_at, line.material)))


def _closed(
    found: Assessment, windows: Sequence[WindowLine], start: dt.datetime, end: dt.datetime, *, whole: bool
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return the materials without a window and why: in all of the forecast, or in ``[start, end)``."""
    open_ones = {one.material for one in windows}
    lines = []
    for outlook in found.materials:
        name = load_materials()[outlook.material].name
        if name not in open_ones:
            reasons = outlook.main_reasons if whole else _reasons(outlook, found.start_at, start, end)
            lines.append((name, tuple(reasons)))
    return tuple(lines)


def _reasons(
    outlook: MaterialOutlook, first_at: dt.datetime, start: dt.datetime, end: dt.datetime
) -> tuple[str, ...]:
    """Return what closes most hours of a day; beyond the forecast that is that it ends."""
    low, high = (max(int((at - first_at) / _HOUR), 0) for at in (start, end))
    bits = outlook.block_bits[low:high]
    if not len(bits):
        return (REASON_WORDS[Reason.HORIZON_END],)
    (most,) = commonest(bits[np.newaxis, :], most=REASONS_NAMED, aside=EVERY_NIGHT).tolist()
    return tuple(REASON_WORDS[reason] for one in most for reason in reasons_in(one))


LOOK_FROM_POINTS = 40.0
"""Of 100: own choice; below it the usual round of scouting is enough."""


def _gaps(site: Site, found: Assessment) -> tuple[str, ...]:
    """Return in words what could not be judged: missing weather is never good weather."""
    gaps = []
    if found.spell_doubtful:
        gaps.append("hours of the forecast are missing, so a hot dry spell cannot be ruled out")
    if any(not one.known for one in found.pressures):
        gaps.append("too few past days are known to tell the mite pressure")
    blank = [one.planting_id for one in found.water if one.state is WaterState.UNKNOWN]
    if blank:
        gaps.append(f"the soil water is not known for {', '.join(plant_labels(site, blank)[:PLANTS_NAMED])}")
    return tuple(gaps)


def _actions(
    spell: HotDrySpell | None,
    points: float,
    is_dry: bool,
    is_open: bool,
    has_materials: bool,
    has_gaps: bool,
) -> tuple[str, ...]:
    """Return what to do, in the order in which it helps; looking comes before treating."""
    actions = []
    if spell is not None and spell.level >= Level.WATCH:
        actions.append("Look at the plants before the hot days and again in their middle.")
    elif points >= LOOK_FROM_POINTS:
        actions.append("Look for mites: tap shoots over white paper and count.")
    elif has_gaps:
        actions.append("Look for yourself where nothing could be judged.")
    if is_dry:
        actions.append("Feel the soil and water deeply where it is dry.")
    if actions and has_materials:
        actions.append(
            "Treat only if counts ask for it, inside a window without a block."
            if is_open
            else "No window without a block was found: water and wash meanwhile."
        )
    return tuple(actions) or ("Nothing beyond the usual round.",)
