from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import pytest

from alertd.records.alert import Alert, AlertKind, Change
from alertd.records.assessment import Level
from alertd.records.evidence import AlertEvidence, PlaceEvidence
from alertd.records.site import Channel, Subscriber, Subscription
from alertd.service.route import route, waking_at

NOON = dt.datetime(2025, 7, 1, 16, tzinfo=dt.UTC)
ZONES = {"s1": "America/New_York", "s2": "Europe/Berlin"}
READER = Subscriber("u1", "Crew Lead", Channel.EMAIL, "crew@example.com")


def alert(
    key: str = "a1", site_id: str = "s1", kind: AlertKind = AlertKind.HOT_DRY, **evidence: Any
) -> Alert:
    base = AlertEvidence(
        place=PlaceEvidence(name="Invented", zone=ZONES[site_id], latitude_deg=40.0, longitude_deg=-75.0),
        plantings=[],
        data_as_of=None,
        fetched_at=None,
        provider="",
        attribution="",
        changes=[],
    )
    base.update(evidence)  # type: ignore[typeddict-item]  # tests give single keys of it
    return Alert(key, "default", site_id, "e1", 1, kind, "", Level.HIGH, Change.OPENED, NOON, base)


def subscribed(
    subscriber: Subscriber = READER, site_id: str = "s1", *kinds: str
) -> tuple[Subscription, Subscriber]:
    return Subscription(subscriber.id, site_id, kinds), subscriber


def test_everybody_who_hears_about_the_site_gets_one_message_in_the_same_id_on_every_run() -> None:
    other = replace(READER, id="u2", address="office@example.com")
    people = [subscribed(), subscribed(other), subscribed(other, "s2")]
    first, again = (route([alert()], people, ZONES, NOON) for _ in range(2))
    assert [one.subscriber_id for one in first] == ["u1", "u2"]
    assert [one.id for one in first] == [one.id for one in again]
    assert len({one.id for one in first}) == 2


def test_who_rests_gets_nothing() -> None:
    assert route([alert()], [subscribed(replace(READER, active=False))], ZONES, NOON) == []


def test_only_the_kinds_asked_for_are_sent_and_none_named_means_all() -> None:
    alerts = [alert("a1"), alert("a2", kind=AlertKind.WEATHER_MISSING)]
    some = route(alerts, [subscribed(READER, "s1", "weather-missing")], ZONES, NOON)
    assert [one.alert_id for one in some] == ["a2"]
    assert len(route(alerts, [subscribed()], ZONES, NOON)) == 2


def test_whoever_heard_the_alarm_hears_the_all_clear_and_nobody_else() -> None:
    clear = alert("a3", kind=AlertKind.ALL_CLEAR, closes_kind=str(AlertKind.HOT_DRY))
    hot, missing = (subscribed(READER, "s1", kind) for kind in ("hot-dry-warning", "weather-missing"))
    assert len(route([clear], [hot], ZONES, NOON)) == 1
    assert route([clear], [missing], ZONES, NOON) == []


@pytest.mark.parametrize(
    ("zone", "now", "due"),
    [
        # awake: at once; the rest hour itself is rest
        ("America/New_York", "2025-07-01T10:00", "2025-07-01T10:00"),  # 06:00
        ("America/New_York", "2025-07-01T23:59", "2025-07-01T23:59"),  # 19:59
        ("America/New_York", "2025-07-02T00:00", "2025-07-02T10:00"),  # 20:00 -> 06:00
        ("America/New_York", "2025-07-01T09:59", "2025-07-01T10:00"),  # 05:59
        # across the clock changes of 9 March and 2 November 2025
        ("America/New_York", "2025-03-09T03:00", "2025-03-09T10:00"),  # 22:00 EST -> 06:00 EDT
        ("America/New_York", "2025-11-02T03:00", "2025-11-02T11:00"),  # 23:00 EDT -> 06:00 EST
        # a zone off by a half hour and one off by three quarters
        ("Asia/Kolkata", "2025-07-01T20:00", "2025-07-02T00:30"),
        ("Asia/Kathmandu", "2025-07-01T20:00", "2025-07-02T00:15"),
    ],
)
def test_messages_wait_for_the_waking_hours_of_the_site(zone: str, now: str, due: str) -> None:
    """Offsets of the IANA time zone database."""
    at, expected = (dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC) for text in (now, due))
    assert waking_at(at, zone, 6, 20) == expected
    (message,) = route([alert()], [subscribed()], {"s1": zone}, at)
    assert message.due_at == expected


def test_somebody_awake_round_the_clock_is_told_at_once() -> None:
    for hour in range(24):
        now = dt.datetime(2025, 11, 2, hour, 30, tzinfo=dt.UTC)
        assert waking_at(now, "America/New_York", 0, 24) == now
