"""Sites, assessments and episodes to decide on; every place and number here is made up."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from alertd.alerts.decide import Decisions, decide
from alertd.alerts.evidence import base
from alertd.alerts.machine import Finding
from alertd.catalog.alerts import Calm, load_alert_policy
from alertd.catalog.figure import Figure, Status
from alertd.records.alert import Alert, AlertKind, Episode
from alertd.records.assessment import (
    Assessment,
    DayWeather,
    HotDrySpell,
    Level,
    MaterialOutlook,
    MitePressure,
    Part,
    Phase,
    SprayWindow,
    WaterState,
    WaterStatus,
)
from alertd.records.site import Irrigation, Planting, Site

HOUR = dt.timedelta(hours=1)
DAY = dt.timedelta(days=1)
TODAY = dt.date(2025, 7, 16)
MORNING = dt.datetime(2025, 7, 16, 10, tzinfo=dt.UTC)
"""06:00 in the invented site's zone."""
SITE = Site(
    id="site-1",
    name="Maple Court",
    latitude_deg=40.71,
    longitude_deg=-74.17,
    zone="America/New_York",
    plantings=(
        Planting("hedge", "burning_bush", "front hedge", 40, irrigation=Irrigation.NONE),
        Planting("screen", "spruce", "north screen", 12),
    ),
    materials=("horticultural_oil", "soap"),
)


def hours(value: float) -> Figure:
    return Figure(value, "h", "a test", Status.COMMON_PRACTICE)


def calm(**changes: float) -> Calm:
    values = {
        "close_after": 24.0,
        "ease_after": 24.0,
        "gap": 20.0,
        "settle": 18.0,
        "forget_after": 240.0,
        "hold_at_most": 168.0,
        "alone_after": 168.0,
    }
    return Calm(**{name: hours(value) for name, value in (values | changes).items()})


def finding(level: Level = Level.WATCH, **changes: Any) -> Finding:
    values: dict[str, Any] = {
        "kind": AlertKind.HOT_DRY,
        "subject": "",
        "level": level,
        "evidence": base(SITE, None),
        "closing_kind": AlertKind.ALL_CLEAR,
    }
    return Finding(**(values | changes))


def days(
    highs: Sequence[float], rain_mm: Sequence[float] | None = None, past: int = 3
) -> tuple[DayWeather, ...]:
    rains = rain_mm or [0.0] * len(highs)
    return tuple(
        DayWeather(
            day=TODAY + (offset - past) * DAY,
            observed=offset < past,
            temperature_min_c=high - 12.0,
            temperature_max_c=high,
            precipitation_mm=rain,
            vapour_pressure_deficit_max_kpa=3.0,
            humidity_afternoon_pct=40.0,
            wind_max_m_s=4.0,
        )
        for offset, (high, rain) in enumerate(zip(highs, rains, strict=True))
    )


HOT = days([31.0] * 11)
MILD = days([28.0] * 11)


def pressure(species: str = "twospotted", score: float = 10.0, **changes: Any) -> MitePressure:
    values: dict[str, Any] = {
        "species": species,
        "score": score,
        "level": Level.NONE,
        "parts": (Part("heat", score, 0.2, "1"),),
        "phase": Phase.ACTIVE,
        "doubling_time_d": 3.0,
        "generations": 4.5,
        "degree_days_c_d": 600.0,
        "biofix": dt.date(2025, 1, 1),
        "hosts": ("hedge",) if species == "twospotted" else ("screen",),
        "score_ahead": score,
    }
    return MitePressure(**(values | changes))


def spell(level: Level = Level.WATCH, **changes: Any) -> HotDrySpell:
    values: dict[str, Any] = {
        "start_day": TODAY + 2 * DAY,
        "end_day": TODAY + 6 * DAY,
        "observed_days": 0,
        "forecast_days": 5,
        "open_ended": False,
        "level": level,
        "trigger": level.name.lower(),
        "peak_temperature_c": 34.0,
        "precipitation_mm": 0.0,
        "heat_sum_c_d": 20.0,
        "vapour_pressure_deficit_max_kpa": 3.5,
        "lead_time_d": 2,
    }
    return HotDrySpell(**(values | changes))


def water(planting: str = "hedge", state: WaterState = WaterState.OK, **changes: Any) -> WaterStatus:
    values: dict[str, Any] = {
        "planting_id": planting,
        "state": state,
        "depletion_mm": 30.0,
        "readily_mm": 48.0,
        "total_mm": 96.0,
        "reason": "63% of the readily available water is used",
    }
    return WaterStatus(**(values | changes))


def window(start_at: dt.datetime, hours_long: int = 4, material: str = "soap") -> SprayWindow:
    return SprayWindow(
        material, start_at, start_at + hours_long * HOUR, ("too hot",), ("rain to follow",), 0.7
    )


def outlook(*windows: SprayWindow, material: str = "soap") -> MaterialOutlook:
    bits = np.ones(7 * 24, dtype=np.int64)
    return MaterialOutlook(
        material=material,
        windows=windows,
        block_bits=bits,
        caution_bits=bits,
        blocked_until=windows[0].start_at if windows else None,
        main_reasons=("too hot", "too windy"),
    )


def assessment(now: dt.datetime = MORNING, **changes: Any) -> Assessment:
    values: dict[str, Any] = {
        "site_id": SITE.id,
        "made_at": now,
        "data_as_of": now - HOUR,
        "fetched_at": now,
        "provider": "test",
        "attribution": "made up",
        "start_at": now.replace(minute=0),
        "days": MILD,
        "pressures": (pressure(),),
        "spells": (),
        "water": (water(), water("screen")),
        "materials": (outlook(),),
    }
    return Assessment(**(values | changes))


class Story:
    """One site over time: keeps the open episodes and everything that was told."""

    def __init__(self, site: Site = SITE) -> None:
        self.site = site
        self.open: dict[tuple[AlertKind, str], Episode] = {}
        self.closed: list[Episode] = []
        self.tellings: list[tuple[dt.datetime, tuple[Alert, ...]]] = []

    def see(self, now: dt.datetime, **changes: Any) -> tuple[Alert, ...]:
        """Run one cycle; ``blind=True`` runs it without any weather."""
        blind = changes.pop("blind", False)
        age_h = changes.pop("age_h", 1.0)
        seen = None if blind else assessment(now, data_as_of=now - age_h * HOUR, **changes)
        return self.take(decide(self.site, seen, self.open.values(), [], now), now)

    def take(self, decisions: Decisions, now: dt.datetime) -> tuple[Alert, ...]:
        """Keep what a cycle decided."""
        for episode in decisions.episodes:
            key = (episode.kind, episode.subject)
            if episode.is_open:
                self.open[key] = episode
            else:
                self.closed.append(episode)
                self.open.pop(key, None)
        if decisions.alerts:
            self.tellings.append((now, decisions.alerts))
        return decisions.alerts

    def quieted(self, now: dt.datetime, **changes: Any) -> Story:
        """Let scouting and milestones have their first word two days earlier, so that they stay out."""
        self.see(now - 2 * DAY, **changes)
        self.tellings.clear()
        return self


def kinds_of(alerts: Iterable[Alert]) -> list[str]:
    return [alert.kind.value for alert in alerts]


def every(hours_apart: float, count: int, start: dt.datetime = MORNING) -> Iterable[tuple[int, dt.datetime]]:
    return [(n, start + n * hours_apart * HOUR) for n in range(count)]


Shape = Callable[..., Any]
POLICY = load_alert_policy()
replace = dataclasses.replace
