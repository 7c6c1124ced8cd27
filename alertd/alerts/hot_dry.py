"""Hot-dry warning: a hot dry spell is building or running where mites can use it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from zoneinfo import ZoneInfo

from alertd.alerts import evidence
from alertd.alerts.kind import Kind, Need, Sight
from alertd.alerts.machine import Finding
from alertd.catalog.triggers import HotDays, load_triggers
from alertd.records.alert import Alert, AlertKind, Episode
from alertd.records.assessment import Assessment, DayWeather, HotDrySpell, Level, Phase
from alertd.records.evidence import RuleEvidence

CALLED_OFF = "The forecast no longer holds the hot dry spell; it did not begin."
EASED = "The weather has stayed short of a hot dry spell."
NO_MITES = "No mite species on this site is active now."


def find(sight: Sight) -> Iterator[Finding]:
    """Yield the level of the spell that is running or begins within the warning time.

    A spell says nothing about mites that rest: with no active species on the site's plants there is
    no warning. Once warned, the off limits hold: the episode ends with an observed wetting rain (at
    once), with cool days in a row, or, if the spell never began, with a forecast well below it.
    """
    site, assessment = sight.site, sight.assessment
    episode = sight.episode(AlertKind.HOT_DRY)
    found = evidence.growing(sight)
    found["clears_when"] = _clears_when()
    spell = spell_ahead(assessment, float(sight.policy.warn_ahead))
    if spell is None:
        rain = _observed_wetting_rain(sight, episode)
        because = rain or ("" if assessment.spell_doubtful else _off(sight, episode))
        found["closed_because"] = because or EASED
        yield Finding(
            AlertKind.HOT_DRY,
            "",
            Level.NONE,
            found,
            held=_held(sight, because),
            news=sight.announced(AlertKind.HOT_DRY),
            at_once=bool(rain),
            closing_kind=AlertKind.ALL_CLEAR,
        )
        return
    found["spell"] = evidence.spell(spell)
    found["rule"] = _rule(spell)
    active = [one for one in assessment.pressures if one.phase == Phase.ACTIVE]
    found["scouting"] = evidence.scouting(site, [host for one in active for host in one.hosts])
    found["changes"] = _changes(spell, episode)
    another = _is_another(spell, episode)
    yield Finding(
        AlertKind.HOT_DRY,
        "",
        spell.level,
        found,
        held=_held(sight, ""),
        news=spell.start_day.isoformat() if another else sight.announced(AlertKind.HOT_DRY),
        urgent=another,
        closing_kind=AlertKind.ALL_CLEAR,
        marks={"start_day": spell.start_day.isoformat(), "end_day": spell.end_day.isoformat()},
    )


def _held(sight: Sight, because: str) -> Level:
    """Return the level that the off limits let stand; unknown hours lower nothing."""
    if because:
        return Level.NONE
    return Level.SEVERE if sight.assessment.spell_doubtful else Level.WATCH


def spell_ahead(assessment: Assessment, warn_ahead_d: float) -> HotDrySpell | None:
    """Return the first spell that is not over, near enough, on a site with an active species."""
    if not any(one.phase == Phase.ACTIVE for one in assessment.pressures):
        return None
    near = [one for one in assessment.spells if one.level > Level.NONE and one.lead_time_d <= warn_ahead_d]
    return near[0] if near else None


def _is_another(spell: HotDrySpell, episode: Episode | None) -> bool:
    """Return whether the spell begins after the end of the one that was told: readers must hear of it."""
    told_end = None if episode is None else episode.memory.get("end_day")
    return told_end is not None and spell.start_day > dt.date.fromisoformat(str(told_end))


def _changes(spell: HotDrySpell, episode: Episode | None) -> list[str]:
    """Return what became of the days that the last message named."""
    before = None if episode is None else episode.memory.get("end_day")
    if before is None or dt.date.fromisoformat(str(before)) == spell.end_day:
        return []
    if _is_another(spell, episode):
        return [f"The spell of the last message was over by {before}; this is another one."]
    later = spell.end_day > dt.date.fromisoformat(str(before))
    return [
        f"It now runs to {spell.end_day}, {'longer' if later else 'shorter'} than the {before} of before."
    ]


def _off(sight: Sight, episode: Episode | None) -> str:
    """Return which off limit is met, or nothing: then the episode is held."""
    if not any(one.phase == Phase.ACTIVE for one in sight.assessment.pressures):
        return NO_MITES
    cool = _cool_days(sight.assessment.days, sight.today)
    if cool:
        return cool
    began = None if episode is None else episode.memory.get("start_day")
    if began is not None and dt.date.fromisoformat(str(began)) < sight.today:
        return ""
    return CALLED_OFF if _well_below(sight) else ""


def _cool_days(days: tuple[DayWeather, ...], today: dt.date) -> str:
    """Return a sentence about a run of cool days that is over, running or begins by tomorrow."""
    clearing = load_triggers().clearing
    wanted = round(float(clearing.cool_days))
    cool = [
        day.temperature_max_c is not None and day.temperature_max_c < float(clearing.cool_day_below_c)
        for day in days
    ]
    for first in range(len(days) - wanted + 1):
        if all(cool[first : first + wanted]) and days[first].day <= today + dt.timedelta(days=1):
            return (
                f"{wanted} days in a row from {days[first].day} stay below "
                f"{float(clearing.cool_day_below_c):g} degC."
            )
    return ""


def _well_below(sight: Sight) -> bool:
    """Return whether the days ahead are known to be far from a spell: few hot ones, or a wetting rain."""
    triggers = load_triggers()
    ahead = [day for day in sight.assessment.days if not day.observed]
    highs = [day.temperature_max_c for day in ahead if day.temperature_max_c is not None]
    wet = any(
        day.precipitation_mm is not None and day.precipitation_mm >= float(triggers.clearing.wetting_rain)
        for day in ahead
    )
    hot = sum(high >= float(triggers.watch.hot.temperature_max_c) for high in highs)
    few = len(highs) == len(ahead) > 0 and hot <= float(sight.policy.hot_dry.called_off_hot_days)
    return wet or few


def _observed_wetting_rain(sight: Sight, episode: Episode | None) -> str:
    """Return a sentence about the wetting rain that fell since the episode opened, or nothing."""
    if episode is None:
        return ""
    wetting_mm = float(load_triggers().clearing.wetting_rain)
    opened = episode.opened_at.astimezone(ZoneInfo(sight.site.zone)).date()
    for day in sight.assessment.days:
        rain = day.precipitation_mm
        if day.observed and day.day >= opened and rain is not None and rain >= wetting_mm:
            return f"A soaking rain of {rain:g} mm fell on {day.day.isoformat()}."
    return ""


def _rule(spell: HotDrySpell) -> RuleEvidence:
    """Return the step of the triggers that holds, in words and figures."""
    return {"severe": _severe_rule, "high": _high_rule}.get(spell.trigger, _watch_rule)()


def _severe_rule() -> RuleEvidence:
    step, hot = load_triggers().severe, load_triggers().watch.hot
    text = (
        f"within {float(step.window):g} days twospotted mites pass {float(step.generations):g} generations "
        f"and no more than {float(step.precipitation_max):g} mm of rain falls"
    )
    figures = {"generations": float(step.generations), "rain_mm": float(step.precipitation_max)}
    return _written("severe", text, step.generations.source, str(step.generations.status), hot, figures)


def _high_rule() -> RuleEvidence:
    step = load_triggers().high
    rain_mm, humidity = float(step.precipitation_max), float(step.humidity_afternoon_below)
    text = (
        f"{_hot_days(step.long)}, or {_hot_days(step.hotter)}, with no more than {rain_mm:g} mm of rain "
        f"and afternoons below {humidity:g} % humidity"
    )
    hot = step.long
    figures = {"rain_mm": rain_mm, "humidity_pct": humidity}
    return _written("high", text, hot.days.source, str(hot.days.status), hot, figures)


def _watch_rule() -> RuleEvidence:
    hot, rain_mm = load_triggers().watch.hot, float(load_triggers().watch.precipitation_max)
    text = f"{_hot_days(hot)}, with no more than {rain_mm:g} mm of rain"
    return _written("watch", text, hot.days.source, str(hot.days.status), hot, {"rain_mm": rain_mm})


def _written(
    name: str, text: str, source: str, status: str, hot: HotDays, figures: dict[str, float]
) -> RuleEvidence:
    whole = figures | {"heat_c": float(hot.temperature_max_c), "days": float(hot.days)}
    return RuleEvidence(name=name, text=text, source=source, status=status, figures=whole)


def _hot_days(hot: HotDays) -> str:
    days, window, heat = float(hot.days), float(hot.window), float(hot.temperature_max_c)
    return f"at least {days:g} of {window:g} days reach {heat:g} degC"


def _clears_when() -> list[str]:
    clearing = load_triggers().clearing
    return [
        f"a day with {float(clearing.wetting_rain):g} mm of rain or more",
        f"{float(clearing.cool_days):g} days in a row below {float(clearing.cool_day_below_c):g} degC",
        "a forecast well short of a spell, two days in a row, before the spell has begun",
    ]


def _mention(alert: Alert) -> str:
    spell = alert.evidence.get("spell")
    days = f", {spell['start_day']} to {spell['end_day']}" if spell else ""
    return f"Hot dry spell{days}: level {alert.level.name.lower()}."


KIND = Kind(AlertKind.HOT_DRY, find, _mention, "the hot dry spell is over", Need.USABLE)
