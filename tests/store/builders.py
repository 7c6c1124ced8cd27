from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable

import numpy as np

from alertd.records.alert import Alert, AlertKind, Change, Episode, OutboxMessage
from alertd.records.assessment import Level
from alertd.records.evidence import AlertEvidence
from alertd.records.site import Channel, Planting, Site, Subscriber
from alertd.records.weather import HourlyWeather, WeatherCell, cell_of, empty_table
from alertd.store.store import Store

NOW = dt.datetime(2026, 7, 1, 12, 0, tzinfo=dt.UTC)
HOUR = dt.timedelta(hours=1)
MINUTE = dt.timedelta(minutes=1)
CELL = cell_of(40.0, -75.0, 120.0)


def numbered_ids() -> Callable[[], str]:
    """Ids that are the same in every run."""
    numbers = itertools.count(1)
    return lambda: f"id-{next(numbers)}"


def make_site(name: str = "Invented Court", site_id: str = "", firm_id: str = "default") -> Site:
    return Site(
        id=site_id,
        name=name,
        latitude_deg=40.0,
        longitude_deg=-75.0,
        zone="America/New_York",
        elevation_m=120.0,
        firm_id=firm_id,
        plantings=(
            Planting(id="", host="spruce", label="north hedge", count=12),
            Planting(id="", host="rose", planted_on=dt.date(2026, 4, 2), root_depth_m=0.4),
        ),
        materials=("oil", "soap"),
        limits={"wind_max_m_s": 3.5},
        biofix=dt.date(2026, 3, 1),
    )


def make_subscriber(name: str = "Crew Lead", subscriber_id: str = "", firm_id: str = "default") -> Subscriber:
    return Subscriber(
        id=subscriber_id, name=name, channel=Channel.EMAIL, address="crew@example.com", firm_id=firm_id
    )


def make_episode(site_id: str, episode_id: str = "e1", subject: str = "", alerts: int = 1) -> Episode:
    return Episode(
        id=episode_id,
        site_id=site_id,
        kind=AlertKind.HOT_DRY,
        subject=subject,
        level=Level.WATCH,
        opened_at=NOW,
        changed_at=NOW,
        alerts=alerts,
        memory={"peak": 34.5, "days": ["2026-07-03"]},
    )


EVIDENCE: AlertEvidence = {
    "place": {
        "name": "Invented Court",
        "zone": "America/New_York",
        "latitude_deg": 40.0,
        "longitude_deg": -75.0,
    },
    "plantings": [{"id": "p1", "host": "spruce", "name": "Spruce", "label": "north hedge", "count": 12}],
    "data_as_of": "2026-07-01T11:00:00+00:00",
    "fetched_at": "2026-07-01T11:05:00+00:00",
    "provider": "invented",
    "attribution": "made up for tests",
    "changes": [],
}


def make_alert(
    site_id: str, alert_id: str = "a1", episode_id: str = "e1", sequence: int = 1, at: dt.datetime = NOW
) -> Alert:
    return Alert(
        id=alert_id,
        firm_id="default",
        site_id=site_id,
        episode_id=episode_id,
        sequence=sequence,
        kind=AlertKind.HOT_DRY,
        subject="",
        level=Level.WATCH,
        change=Change.OPENED,
        made_at=at,
        evidence=EVIDENCE,
    )


def make_message(
    subscriber_id: str,
    message_id: str = "m1",
    alert_id: str = "a1",
    due_at: dt.datetime = NOW,
    expires_at: dt.datetime | None = None,
) -> OutboxMessage:
    return OutboxMessage(
        id=message_id,
        alert_id=alert_id,
        subscriber_id=subscriber_id,
        channel=Channel.EMAIL,
        due_at=due_at,
        expires_at=expires_at,
    )


def queue(store: Store, count: int, expires_at: dt.datetime | None = None) -> list[str]:
    """Keep a site, a subscriber and ``count`` alerts with one message each, due a minute apart."""
    site = store.add_site(make_site(site_id="s1"), now=NOW)
    store.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
    store.commit_decisions(
        episodes=[make_episode(site.id)],
        alerts=[make_alert(site.id, f"a{n}", sequence=n) for n in range(count)],
        messages=[
            make_message("u1", f"m{n}", f"a{n}", NOW + dt.timedelta(minutes=n), expires_at)
            for n in range(count)
        ],
        now=NOW,
    )
    return [f"m{n}" for n in range(count)]


def make_weather(
    fetched_at: dt.datetime = NOW,
    cell: WeatherCell = CELL,
    provider: str = "invented",
    start_at: dt.datetime = NOW,
    hours: int = 48,
    temperature_c: float = 21.3,
) -> HourlyWeather:
    table = empty_table(start_at, hours)
    table["air_temperature_c"] = temperature_c
    table.loc[table.index[3:5], "air_temperature_c"] = np.nan
    table["pressure_hpa"] = 1013.25
    table["precipitation_mm"] = 0.0
    table.loc[table.index[10:], "forecast"] = True
    return HourlyWeather(
        cell=cell,
        provider=provider,
        issued_at=fetched_at - HOUR,
        fetched_at=fetched_at,
        table=table,
        attribution="made up for tests",
        dropped={"out of range": 2},
    )
