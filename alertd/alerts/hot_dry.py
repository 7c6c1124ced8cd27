"""Hot-dry warning: a hot dry spell is building or running where mites can use it."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from alertd.alerts import evidence
from alertd.alerts.machine import Finding
from alertd.catalog.alerts import AlertPolicy
from alertd.catalog.triggers import HotDays, load_triggers
from alertd.records.alert import AlertKind, Episode
from alertd.records.assessment import Assessment, HotDrySpell, Level, Phase
from alertd.records.evidence import RuleEvidence
from alertd.records.site import Site


def find(
    site: Site, assessment: Assessment, episode: Episode | None, policy: AlertPolicy, now: dt.datetime
) -> Finding:
    """Return the level of the spell that is running or begins within the warning time.

    A spell says nothing about mites that rest: with no active species on the site's plants there is
    no warning. An observed wetting rain ends the episode at once, a mere change of forecast does not.
    """
    found = evidence.base(site, assessment)
    found["closes_kind"] = str(AlertKind.HOT_DRY)
    found["days"] = evidence.days(assessment.days)
    found["pressures"] = evidence.pressures(assessment.pressures, site)
    found["water"] = evidence.water(assessment.water, site)
    found["materials"] = evidence.materials(
        assessment.materials, now, float(policy.spray_notice.shortest_window)
    )
    spell = _spell(assessment, float(policy.warn_ahead))
    rain = _observed_wetting_rain(site, assessment, episode)
    if episode is not None:
        found["opened_at"] = episode.opened_at.isoformat()
    if spell is None:
        found["closed_because"] = rain or "The forecast no longer holds a hot dry spell."
        return Finding(
            AlertKind.HOT_DRY, "", Level.NONE, found, at_once=bool(rain), closing_kind=AlertKind.ALL_CLEAR
        )
    found["spell"] = evidence.spell(spell)
    found["rule"] = _rule(spell)
    active = [one for one in assessment.pressures if one.phase == Phase.ACTIVE]
    found["scouting"] = evidence.scouting(site, [host for one in active for host in one.hosts])
    found["clears_when"] = _clears_when()
    return Finding(AlertKind.HOT_DRY, "", spell.level, found, news="", closing_kind=AlertKind.ALL_CLEAR)


def _spell(assessment: Assessment, warn_ahead_d: float) -> HotDrySpell | None:
    """Return the first spell that is not over, near enough, on a site with an active species."""
    if not any(one.phase == Phase.ACTIVE for one in assessment.pressures):
        return None
    near = [one for one in assessment.spells if one.level > Level.NONE and one.lead_time_d <= warn_ahead_d]
    return near[0] if near else None


def _observed_wetting_rain(site: Site, assessment: Assessment, episode: Episode | None) -> str:
    """Return a sentence about the wetting rain that fell since the episode opened, or nothing."""
    if episode is None:
        return ""
    wetting_mm = float(load_triggers().clearing.wetting_rain)
    opened = episode.opened_at.astimezone(ZoneInfo(site.zone)).date()
    for day in assessment.days:
        rain = day.precipitation_mm
        if day.observed and day.day >= opened and rain is not None and rain >= wetting_mm:
            return f"A soaking rain of {rain:g} mm fell on {day.day.isoformat()}."
    return ""


def _rule(spell: HotDrySpell) -> RuleEvidence:
    """Return the step of the triggers that holds, in words and figures."""
    triggers = load_triggers()
    if spell.trigger == "severe":
        step = triggers.severe
        source, status = step.generations.source, step.generations.status
        text = (
            f"within {float(step.window):g} days twospotted mites pass "
            f"{float(step.generations):g} generations "
            f"and no more than {float(step.precipitation_max):g} mm of rain falls"
        )
        figures = {"generations": float(step.generations), "rain_mm": float(step.precipitation_max)}
        hot = triggers.watch.hot
    elif spell.trigger == "high":
        hot, hotter = triggers.high.long, triggers.high.hotter
        source, status = hot.days.source, hot.days.status
        rain_mm, humidity = (
            float(triggers.high.precipitation_max),
            float(triggers.high.humidity_afternoon_below),
        )
        text = (
            f"{_hot_days(hot)}, or {_hot_days(hotter)}, with no more than {rain_mm:g} mm of rain "
            f"and afternoons below {humidity:g} % humidity"
        )
        figures = {"rain_mm": rain_mm, "humidity_pct": humidity}
    else:
        hot = triggers.watch.hot
        source, status = hot.days.source, hot.days.status
        rain_mm = float(triggers.watch.precipitation_max)
        text = f"{_hot_days(hot)}, with no more than {rain_mm:g} mm of rain"
        figures = {"rain_mm": rain_mm}
    figures |= {"heat_c": float(hot.temperature_max_c), "days": float(hot.days)}
    return RuleEvidence(name=spell.trigger, text=text, source=source, status=str(status), figures=figures)


def _hot_days(hot: HotDays) -> str:
    days, window, heat = float(hot.days), float(hot.window), float(hot.temperature_max_c)
    return f"at least {days:g} of {window:g} days reach {heat:g} degC"


def _clears_when() -> list[str]:
    clearing = load_triggers().clearing
    return [
        f"a day with {float(clearing.wetting_rain):g} mm of rain or more",
        "a forecast without the heat, two days in a row",
    ]
