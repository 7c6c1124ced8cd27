"""Alerts with invented but possible weather; every place, reader and number here is made up."""

from __future__ import annotations

import datetime as dt
from typing import Any

from alertd.delivery.message import StopNotice
from alertd.records.alert import Alert, AlertKind, Change
from alertd.records.assessment import Level
from alertd.records.evidence import AlertEvidence, DayEvidence, MaterialEvidence, WindowEvidence
from alertd.records.site import Channel, Planting, Site, Subscriber, UnitSystem

TODAY = dt.date(2025, 7, 16)
MADE_AT = dt.datetime(2025, 7, 16, 10, 5, tzinfo=dt.UTC)
STOP = StopNotice("alerts@example.com")
HIGHS = (84.0, 86.0, 90.0, 92.0, 94.0, 95.0, 97.0, 96.0, 97.0, 98.0, 95.0, 93.0, 84.0, 82.0, 85.0)
RAIN = (4.2, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 11.4, 6.0, 0.0)


def make_site(name: str = "Maple Court", zone: str = "America/New_York", **changes: Any) -> Site:
    values: dict[str, Any] = {
        "id": "site-1",
        "name": name,
        "latitude_deg": 40.71,
        "longitude_deg": -74.17,
        "zone": zone,
        "plantings": (Planting("p1", "burning_bush", "front hedge", 40),),
        "materials": ("horticultural_oil", "soap"),
    }
    return Site(**(values | changes))


def make_subscriber(units: UnitSystem = UnitSystem.US, name: str = "Sam Example") -> Subscriber:
    return Subscriber("sub-1", name, Channel.EMAIL, "sam@example.org", units=units)


def make_days() -> list[DayEvidence]:
    days: list[DayEvidence] = []
    for offset, (high_f, rain) in enumerate(zip(HIGHS, RAIN, strict=True), start=-7):
        days.append(
            {
                "day": (TODAY + dt.timedelta(days=offset)).isoformat(),
                "observed": offset < 0,
                "temperature_min_c": round((high_f - 21.0 - 32.0) / 1.8, 2),
                "temperature_max_c": round((high_f - 32.0) / 1.8, 2),
                "precipitation_mm": rain,
                "vapour_pressure_deficit_max_kpa": 3.4,
                "humidity_afternoon_pct": 38.0,
                "wind_max_m_s": 4.0,
            }
        )
    return days


def make_window(start: str, hours: int, **changes: Any) -> WindowEvidence:
    start_at = dt.datetime.fromisoformat(start)
    window: WindowEvidence = {
        "start_at": start,
        "end_at": (start_at + dt.timedelta(hours=hours)).isoformat(),
        "hours": hours,
        "closed_by": ["too hot"],
        "cautions": [],
        "quality": 0.8,
    }
    window.update(changes)  # type: ignore[typeddict-item]  # a test may set any key
    return window


def make_materials(*, open_: bool = True) -> list[MaterialEvidence]:
    soap = [
        make_window("2025-07-22T10:00:00+00:00", 4, closed_by=["wind above the limit"]),
        make_window("2025-07-24T11:00:00+00:00", 3, cautions=["bees are flying"]),
    ]
    return [
        {
            "material": "horticultural_oil",
            "name": "Horticultural oil, in leaf",
            "windows": [],
            "blocked_until": "2025-07-22T10:00:00+00:00" if open_ else None,
            "reasons": ["too hot", "plants short of water", "temperature inversion at night"],
        },
        {
            "material": "soap",
            "name": "Insecticidal soap",
            "windows": soap if open_ else [],
            "blocked_until": None,
            "reasons": ["too hot", "sun too strong"],
        },
    ]


def make_evidence(site: Site, **changes: Any) -> AlertEvidence:
    evidence: dict[str, Any] = {
        "place": {
            "name": site.name,
            "zone": site.zone,
            "latitude_deg": site.latitude_deg,
            "longitude_deg": site.longitude_deg,
        },
        "plantings": [
            {
                "id": "p1",
                "host": "burning_bush",
                "name": "Burning bush",
                "label": "front hedge",
                "count": 40,
            },
            {
                "id": "p2",
                "host": "dwarf_alberta_spruce",
                "name": "Dwarf Alberta spruce",
                "label": "entrance",
                "count": 12,
            },
        ],
        "data_as_of": "2025-07-16T09:00:00+00:00",
        "fetched_at": "2025-07-16T09:40:00+00:00",
        "provider": "openmeteo",
        "attribution": "Weather data by Open-Meteo.com (https://open-meteo.com/), CC BY 4.0 "
        "(https://creativecommons.org/licenses/by/4.0/), adapted",
        "changes": [],
    }
    return evidence | changes  # type: ignore[return-value]  # the builder promises the shape


def make_growing_facts() -> dict[str, Any]:
    return {
        "days": make_days(),
        "materials": make_materials(),
        "horizon_end": "2025-07-24T04:00:00+00:00",
        "water": [
            {
                "plant": "front hedge (burning bush)",
                "state": "stressed",
                "depletion_mm": 61.0,
                "readily_mm": 48.0,
                "total_mm": 96.0,
                "reason": "no rain above 5 mm for 12 days",
                "stressed_on": None,
            },
            {
                "plant": "entrance (dwarf Alberta spruce)",
                "state": "caution",
                "depletion_mm": 40.0,
                "readily_mm": 48.0,
                "total_mm": 96.0,
                "reason": "62% of the readily available water is used",
                "stressed_on": "2025-07-19",
            },
        ],
        "scouting": [
            {
                "plant": "front hedge (burning bush)",
                "method": "strike a branch over white paper, count moving specks with a 10-15x lens",
                "samples": 10,
                "threshold": 5.0,
                "threshold_unit": "mites per tap",
                "source": "common practice, no published source found",
                "status": "common practice",
            },
            {
                "plant": "entrance (dwarf Alberta spruce)",
                "method": "strike a branch over white paper; inner and lower branches first",
                "samples": 10,
                "threshold": 10.0,
                "threshold_unit": "mites per branch tap",
                "source": "an arborist page; a Nebraska column",
                "status": "published",
            },
        ],
        "pressures": [
            {
                "species": "twospotted",
                "name": "Twospotted spider mite",
                "score": 72.0,
                "score_ahead": 86.0,
                "level": "high",
                "phase": "active",
                "parts": [
                    {"name": "heat", "points": 40.2, "value": 0.81, "unit": "1"},
                    {"name": "dryness", "points": 31.8, "value": 3.4, "unit": "kPa"},
                ],
                "doubling_time_d": 2.9,
                "generations": 4.6,
                "degree_days_c_d": 655.0,
                "plants": ["front hedge (burning bush)"],
            }
        ],
    }


def make_hot_dry(site: Site, **changes: Any) -> AlertEvidence:
    facts: dict[str, Any] = {
        "spell": {
            "start_day": "2025-07-11",
            "end_day": "2025-07-20",
            "days": 10,
            "observed_days": 5,
            "forecast_days": 5,
            "open_ended": False,
            "level": "high",
            "trigger": "high",
            "peak_temperature_c": 36.67,
            "precipitation_mm": 1.0,
            "heat_sum_c_d": 41.0,
            "vapour_pressure_deficit_max_kpa": 3.9,
            "lead_time_d": 0,
        },
        "rule": {
            "name": "high",
            "text": "at least 7 of 10 days reach the heat line and rain stays at or below the limit",
            "source": "day counts and rain limit are common practice",
            "status": "common practice",
            "figures": {"heat_c": 29.4, "rain_mm": 5.0, "days": 7.0},
        },
        "clears_when": [
            "a day with a soaking rain, or two cooler days in a row",
            "a forecast without the heat on two mornings in a row",
        ],
    }
    return make_evidence(site, **(make_growing_facts() | facts | changes))


def make_rule(name: str) -> dict[str, Any]:
    return {
        "name": name,
        "text": "an invented rule holds",
        "source": "common practice",
        "status": "common practice",
        "figures": {"need_pressure": 45.0},
    }


def make_spray(site: Site, *, open_: bool = True, **changes: Any) -> AlertEvidence:
    facts: dict[str, Any] = {
        "materials": make_materials(open_=open_),
        "spray_state": "open" if open_ else "none",
        "rule": make_rule("spray-window"),
        "clears_when": ["wind, rain or heat other than forecast"],
    }
    return make_evidence(site, **(make_growing_facts() | facts | changes))


def make_missing(site: Site, **changes: Any) -> AlertEvidence:
    facts: dict[str, Any] = {
        "data_as_of": "2025-07-15T09:00:00+00:00",
        "missing_since": "2025-07-15T18:00:00+00:00",
        "age_h": 25.1,
        "faults": [
            {"name": "openmeteo", "error": "HTTP 503 on each of 3 tries"},
            {"name": "metno", "error": "HTTP 403: identification refused; check weather.contact"},
        ],
    }
    return make_evidence(site, **(facts | changes))


def make_pressure(site: Site, **changes: Any) -> AlertEvidence:
    facts: dict[str, Any] = {
        "rule": {
            "name": "high",
            "text": "mite pressure of 70 of 100 or more makes the level high",
            "source": "working rule",
            "status": "derived",
            "figures": {"points": 70.0},
        },
        "clears_when": ["mite pressure below 37 of 100 for some days"],
    }
    return make_evidence(site, **(make_growing_facts() | facts | changes))


def make_scouting(site: Site, **changes: Any) -> AlertEvidence:
    facts: dict[str, Any] = {
        "looks": [
            {
                "species": "twospotted",
                "name": "Twospotted spider mite",
                "why": "the first look of the season: 202 degC d since 2025-01-01",
                "method": "strike a branch over white paper",
                "places": "plants hit before, hot edges by paving",
                "interval_d": 14.0,
                "plants": ["front hedge (burning bush)"],
            }
        ],
        "rule": make_rule("scouting-due"),
    }
    return make_evidence(site, **(make_growing_facts() | facts | changes))


def make_short(site: Site, **changes: Any) -> AlertEvidence:
    facts: dict[str, Any] = {
        "short": [
            {
                "plant": "front hedge (burning bush)",
                "new_planting": False,
                "stressed_on": "2025-07-18",
                "refill_mm": 48.0,
                "reason": "96% of the readily available water is used",
            },
            {
                "plant": "entrance (dwarf Alberta spruce)",
                "new_planting": True,
                "stressed_on": None,
                "refill_mm": 20.0,
                "reason": "planted 30 days ago, no known water for 5 days; it needs some every 3 days",
            },
        ],
        "rule": make_rule("water-short"),
        "clears_when": ["rain or watering that fills the soil account up again"],
    }
    growing = {key: fact for key, fact in make_growing_facts().items() if key != "scouting"}
    return make_evidence(site, **(growing | facts | changes))


def make_milestone(site: Site, milestone: str = "hatch", **changes: Any) -> AlertEvidence:
    facts: dict[str, Any] = {
        "milestones": [
            {
                "species": "spruce",
                "name": "Spruce spider mite",
                "milestone": milestone,
                "text": "egg hatch begins (28 degC d since 2025-01-01)",
                "advice": "Tap now and again in a week.",
                "degree_days_c_d": 28.0,
                "expected_on": None,
                "source": "an invented list of degree-days",
                "status": "published",
                "plants": ["entrance (dwarf Alberta spruce)"],
            }
        ],
    }
    return make_evidence(site, **(make_growing_facts() | facts | changes))


def make_instead() -> list[dict[str, str]]:
    common = {"status": "common practice", "source": "common practice"}
    return [
        {"name": "Wash.", "text": "A strong jet of plain water onto the undersides.", **common},
        {"name": "Prune out.", "text": "Bag the worst shoots on the spot.", **common},
    ]


def make_all_clear(site: Site, **changes: Any) -> AlertEvidence:
    facts: dict[str, Any] = {
        "closes_kind": "hot-dry-warning",
        "closed_because": "A rain of 11.4 mm fell on 2025-07-21.",
        "opened_at": "2025-07-14T10:00:00+00:00",
    }
    return make_evidence(site, **(make_growing_facts() | facts | changes))


def make_alert(
    kind: AlertKind,
    evidence: AlertEvidence,
    level: Level = Level.HIGH,
    change: Change = Change.OPENED,
    **changes: Any,
) -> Alert:
    values: dict[str, Any] = {
        "id": "ep1-1",
        "firm_id": "default",
        "site_id": "site-1",
        "episode_id": "ep1",
        "sequence": 1,
        "kind": kind,
        "subject": "",
        "level": level,
        "change": change,
        "made_at": MADE_AT,
        "evidence": evidence,
    }
    return Alert(**(values | changes))


def every_alert(site: Site) -> dict[str, Alert]:
    """Return one alert of each kind and shape that a reader can meet."""
    followup = make_hot_dry(site, changes=["the level went up from watch to high", "it lasts 2 days longer"])
    coming = make_hot_dry(site)
    coming["spell"] = {
        **coming["spell"],
        "start_day": "2025-07-18",
        "end_day": "2025-07-23",
        "days": 6,
        "observed_days": 0,
        "forecast_days": 6,
        "open_ended": True,
        "lead_time_d": 5,
        "level": "watch",
    }
    return {
        "hot-dry": make_alert(AlertKind.HOT_DRY, make_hot_dry(site)),
        "hot-dry-raised": make_alert(AlertKind.HOT_DRY, followup, Level.SEVERE, Change.RAISED, sequence=2),
        "hot-dry-coming": make_alert(AlertKind.HOT_DRY, coming, Level.WATCH),
        "spray-open": make_alert(AlertKind.SPRAY_WINDOW, make_spray(site), Level.NOTE),
        "spray-none": make_alert(AlertKind.SPRAY_WINDOW, make_spray(site, open_=False), Level.NOTE),
        "spray-none-instead": make_alert(
            AlertKind.SPRAY_WINDOW, make_spray(site, open_=False, instead=make_instead()), Level.NOTE
        ),
        "hot-dry-also": make_alert(
            AlertKind.HOT_DRY,
            make_hot_dry(
                site,
                also=[
                    "Spray window: 2025-07-22T10:00:00+00:00 to 2025-07-22T14:00:00+00:00, "
                    "Insecticidal soap.",
                    "Short of water: front hedge (burning bush).",
                ],
                told_with="ep1-1",
            ),
        ),
        "pressure": make_alert(AlertKind.MITE_PRESSURE, make_pressure(site), subject="twospotted"),
        "scouting": make_alert(AlertKind.SCOUTING_DUE, make_scouting(site), Level.NOTE),
        "short": make_alert(AlertKind.WATER_SHORT, make_short(site), Level.HIGH),
        "milestone": make_alert(AlertKind.MILESTONE, make_milestone(site), Level.NOTE),
        "generation": make_alert(AlertKind.MILESTONE, make_milestone(site, "generation-2"), Level.NOTE),
        "pressure-clear": make_alert(
            AlertKind.ALL_CLEAR,
            make_all_clear(site, closes_kind="mite-pressure", closed_because="It has fallen to 20 of 100."),
            Level.NONE,
            Change.CLOSED,
            subject="twospotted",
        ),
        "missing": make_alert(AlertKind.WEATHER_MISSING, make_missing(site), Level.HIGH),
        "clear": make_alert(AlertKind.ALL_CLEAR, make_all_clear(site), Level.NONE, Change.CLOSED),
        "weather-back": make_alert(
            AlertKind.ALL_CLEAR,
            make_all_clear(site, closes_kind="weather-missing", closed_because="fresh weather came in"),
            Level.NONE,
            Change.CLOSED,
        ),
    }
