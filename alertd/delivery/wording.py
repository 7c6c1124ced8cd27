"""The facts of one alert, laid out for the templates; nothing here decides or words anything."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, cast
from zoneinfo import ZoneInfo

from alertd.delivery.chart import chart_words, shown_days
from alertd.delivery.message import StopNotice
from alertd.delivery.palette import DARK, LIGHT
from alertd.delivery.reading import Calendar, Quantities, chance_basis, chance_words, for_reader
from alertd.records.alert import Alert, AlertKind
from alertd.records.assessment import Level
from alertd.records.evidence import AlertEvidence, MaterialEvidence, PlantingEvidence
from alertd.records.site import Site, Subscriber

TEXT_LENGTH_MAX = 300
PLANTS_MAX = 12
ROWS_MAX = 8
LEVEL_NAMES: Mapping[Level, str] = {
    Level.NONE: "none",
    Level.NOTE: "note",
    Level.WATCH: "watch",
    Level.HIGH: "high",
    Level.SEVERE: "severe",
}
WATER_ORDER = ("stressed", "caution", "unknown")
PRESSURES_MAX = 3
_HEAT_FIGURE = re.compile(r"(heat|hot|temperature_max)\w*_c\Z")
LICENCE = "CC BY 4.0"
LICENCE_URL = "https://creativecommons.org/licenses/by/4.0/"


def one_line(text: str) -> str:
    """Return text on one line without control characters, cut to a bearable length."""
    head = text[: 4 * TEXT_LENGTH_MAX]
    printable = head if head.isprintable() else "".join(c if c.isprintable() else " " for c in head)
    line = " ".join(printable.split())
    return line if len(line) <= TEXT_LENGTH_MAX else f"{line[: TEXT_LENGTH_MAX - 1].rstrip()}…"


def _flattened(value: Any) -> Any:
    if isinstance(value, str):
        return one_line(value)
    if isinstance(value, Mapping):
        return {key: _flattened(entry) for key, entry in value.items()}
    if isinstance(value, Sequence):
        return [_flattened(entry) for entry in value]
    return value


def _translated(evidence: AlertEvidence, quantities: Quantities, calendar: Calendar) -> AlertEvidence:
    """Return the evidence with its sentences in the reader's units; numbers of their own stay SI."""

    def told(text: str) -> str:
        return for_reader(text, quantities, calendar)

    evidence["changes"] = [told(text) for text in evidence["changes"]]
    if "clears_when" in evidence:
        evidence["clears_when"] = [told(text) for text in evidence["clears_when"]]
    if "closed_because" in evidence:
        evidence["closed_because"] = told(evidence["closed_because"])
    if "rule" in evidence:
        evidence["rule"]["text"] = told(evidence["rule"]["text"])
    _translate_season(evidence, told)
    for thirsty in (*evidence.get("water", []), *evidence.get("short", [])):
        thirsty["reason"] = told(thirsty["reason"])
    for material in evidence.get("materials", []):
        material["reasons"] = [told(text) for text in material["reasons"]]
        if "loosened" in material:
            material["loosened"] = [told(text) for text in material["loosened"]]
        for window in material["windows"]:
            window["closed_by"] = [told(text) for text in window["closed_by"]]
            window["cautions"] = [told(text) for text in window["cautions"]]
    return evidence


def _translate_season(evidence: AlertEvidence, told: Callable[[str], str]) -> None:
    """Put the sentences about looks, milestones and what else there is into the reader's units."""
    if "also" in evidence:
        evidence["also"] = [told(text) for text in evidence["also"]]
    for look in evidence.get("looks", []):
        look["why"] = told(look["why"])
    for stone in evidence.get("milestones", []):
        stone["text"] = told(stone["text"])


def heat_line_c(evidence: AlertEvidence) -> float | None:
    """Return the temperature from which a day counts as hot, if the rule that decided names one."""
    figures = evidence["rule"]["figures"] if "rule" in evidence else {}
    found = [value for name, value in figures.items() if _HEAT_FIGURE.search(name)]
    return min(found) if found else None


def planting_words(planting: PlantingEvidence) -> str:
    """Return a planting such as ``front hedge (burning bush, 40 plants)``."""
    label, name = planting["label"], planting["name"]
    count = f"{planting['count']} plants" if planting["count"] > 1 else ""
    if not label or label == name:
        return f"{name} ({count})" if count else name
    return f"{label} ({', '.join(part for part in (name[:1].lower() + name[1:], count) if part)})"


def _alike(entries: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return entries that differ in nothing but their ``plant`` as one, with all their ``plants``."""
    groups: dict[str, dict[str, Any]] = {}
    for entry in entries:
        rest = {key: value for key, value in entry.items() if key != "plant"}
        group = groups.setdefault(repr(rest), {**rest, "plants": []})
        if entry["plant"] not in group["plants"]:
            group["plants"].append(entry["plant"])
    for group in groups.values():
        more = len(group["plants"]) - PLANTS_MAX
        if more > 0:
            group["plants"] = [*group["plants"][:PLANTS_MAX], f"{more} more"]
    return list(groups.values())


def _thirsty(evidence: AlertEvidence, today: dt.date) -> list[dict[str, Any]]:
    """Return the plantings to water or to feel the soil of, worst first."""
    found = [
        {
            "plant": entry["plant"],
            "state": entry["state"],
            "reason": entry["reason"],
            "stressed_on": _still_to_come(entry["stressed_on"], today),
        }
        for entry in evidence.get("water", [])
        if entry["state"] in WATER_ORDER
    ]
    found.sort(key=lambda entry: WATER_ORDER.index(str(entry["state"])))
    return _alike(found)


def _still_to_come(day: str | None, today: dt.date) -> str | None:
    return day if day is not None and dt.date.fromisoformat(day) > today else None


def _first_window(materials: Sequence[MaterialEvidence]) -> tuple[Any, str]:
    found = [
        (window["start_at"], material["name"], window)
        for material in materials
        for window in material["windows"]
    ]
    if not found:
        return None, ""
    _, name, window = min(found, key=lambda entry: dt.datetime.fromisoformat(entry[0]))
    return window, name


def _blocked_until(materials: Sequence[MaterialEvidence]) -> str | None:
    """Return when the first of the materials opens again, if that is known of any."""
    known = [material["blocked_until"] for material in materials if material["blocked_until"]]
    return min(known, key=dt.datetime.fromisoformat) if known else None


def facts(alert: Alert, site: Site, subscriber: Subscriber, stop: StopNotice) -> dict[str, Any]:
    """Return every name that the templates use."""
    quantities = Quantities(subscriber.units)
    calendar = Calendar(ZoneInfo(site.zone), subscriber.units)
    evidence = _translated(cast("AlertEvidence", _flattened(alert.evidence)), quantities, calendar)
    level = LEVEL_NAMES[alert.level]
    return {
        "alert": alert,
        "evidence": evidence,
        "q": quantities,
        "t": calendar,
        "light": LIGHT,
        "dark": DARK,
        "stop": stop,
        "place_name": one_line(site.name),
        "reader_name": one_line(subscriber.name),
        "level_name": level,
        "level_word": _level_word(alert, level),
        "level_style": level if f"{level}_ground" in LIGHT else "none",
        "with_cautions": not _is_weather_back(alert),
        "credit": with_licence(evidence["attribution"]),
        "explain_at": _explain_at(alert),
        "chance_words": chance_words,
        "chance_basis": chance_basis(evidence.get("chance_days", 0), evidence.get("chance_ensemble", "")),
        "chart_alt": chart_words(evidence, heat_line_c(evidence), quantities, calendar),
        **_what_grows(evidence, calendar.local(alert.made_at).date()),
        **_what_comes(evidence, calendar.local(alert.made_at).date()),
        **_what_can_be_sprayed(evidence),
    }


def _explain_at(alert: Alert) -> str:
    """Return the moment at which `alertd explain` finds the numbers of an alert; empty without weather."""
    if alert.evidence.get("data_as_of") is None:
        return ""
    second = alert.made_at.astimezone(dt.UTC)
    if second.microsecond:  # upwards: what was fetched within this second was known
        second = second.replace(microsecond=0) + dt.timedelta(seconds=1)
    return f"{second:%Y-%m-%dT%H:%M:%S}Z"


def with_licence(attribution: str) -> str:
    """Return the provider's credit; its licence is linked, as the provider's terms ask."""
    if LICENCE in attribution and "creativecommons.org" not in attribution:
        return attribution.replace(LICENCE, f"{LICENCE} ({LICENCE_URL})", 1)
    return attribution


def _is_weather_back(alert: Alert) -> bool:
    """Return whether the message only says that weather is seen again, without any advice."""
    return (
        alert.kind is AlertKind.ALL_CLEAR and alert.evidence.get("closes_kind") == AlertKind.WEATHER_MISSING
    )


def _level_word(alert: Alert, level: str) -> str:
    return level if alert.kind in (AlertKind.HOT_DRY, AlertKind.MITE_PRESSURE) else ""


def _what_grows(evidence: AlertEvidence, today: dt.date) -> dict[str, Any]:
    plantings = evidence["plantings"]
    water = _thirsty(evidence, today)
    pressures = [
        entry for entry in evidence.get("pressures", []) if max(entry["score"], entry["score_ahead"]) >= 0.5
    ]
    return {
        "plants": [planting_words(planting) for planting in plantings[:PLANTS_MAX]],
        "plants_more": max(len(plantings) - PLANTS_MAX, 0),
        "scouting": _alike(evidence.get("scouting", []))[:ROWS_MAX],
        "dry_plants": water[:ROWS_MAX],
        "dry_plants_more": max(len(water) - ROWS_MAX, 0),
        "pressures": pressures[:PRESSURES_MAX],
        "looks": evidence.get("looks", [])[:ROWS_MAX],
        "milestones": evidence.get("milestones", [])[:ROWS_MAX],
        "short": _alike(evidence.get("short", []))[:ROWS_MAX],
    }


def _what_comes(evidence: AlertEvidence, today: dt.date) -> dict[str, Any]:
    spell = evidence.get("spell")
    return {
        "days": shown_days(evidence),
        "spell": spell,
        "begins_in_d": (dt.date.fromisoformat(spell["start_day"]) - today).days if spell else 0,
        "rule": evidence.get("rule"),
        "faults": evidence.get("faults", [])[:ROWS_MAX],
        "closes": evidence.get("closes_kind", ""),
        "because": evidence.get("closed_because", ""),
        "horizon_end": evidence.get("horizon_end"),
        "clears_when": evidence.get("clears_when", [])[:ROWS_MAX],
        "also": evidence.get("also", [])[:ROWS_MAX],
    }


def _loosened(materials: Sequence[MaterialEvidence]) -> list[dict[str, Any]]:
    """Return each looser limit once, with the materials that it holds for."""
    names: dict[str, list[str]] = {}
    for material in materials:
        for text in material.get("loosened", []):
            names.setdefault(text, []).append(material["name"])
    return [{"text": text, "names": found} for text, found in names.items()]


def _what_can_be_sprayed(evidence: AlertEvidence) -> dict[str, Any]:
    materials = evidence.get("materials", [])
    window, name = _first_window(materials)
    reasons = dict.fromkeys(reason for material in materials for reason in material["reasons"])
    return {
        "materials": materials[:ROWS_MAX],
        "first_window": window,
        "first_material": name,
        "with_chances": any(
            window.get("chance") is not None for material in materials for window in material["windows"]
        ),
        "opens_at": window["start_at"] if window else _blocked_until(materials),
        "is_open": window is not None and evidence.get("spray_state", "open") == "open",
        "reasons": list(reasons)[:3],
        "loosened": _loosened(materials),
        "instead": evidence.get("instead", [])[:ROWS_MAX],
    }
