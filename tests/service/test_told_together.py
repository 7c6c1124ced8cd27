"""Alerts of one cycle reach a person as one message and a machine one by one."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from alertd.alerts.evidence import base
from alertd.records.alert import Alert, AlertKind, Change
from alertd.records.assessment import Level
from alertd.records.site import Channel, Site, Subscriber, Subscription
from alertd.service.route import route

NOON = dt.datetime(2025, 7, 1, 16, tzinfo=dt.UTC)
SITE = Site("s1", "Invented Court", 40.0, -75.0, "America/New_York")
READER = Subscriber("u1", "Crew Lead", Channel.EMAIL, "crew@example.com")
BOARD = Subscriber("u2", "Board", Channel.WEBHOOK, "https://hooks.example.com/a")


def telling(*kinds: AlertKind) -> list[Alert]:
    """Return alerts that are told together, the strongest first."""
    alerts = []
    for place, kind in enumerate(kinds):
        evidence = base(SITE, None)
        evidence["told_with"] = "a0"
        evidence["also"] = [str(other) for other in kinds[place + 1 :]]
        expires = NOON + dt.timedelta(hours=5)
        alerts.append(
            Alert(
                f"a{place}", "default", "s1", f"e{place}", 1, kind, "", Level.NOTE, Change.OPENED, NOON,
                evidence, expires,
            )
        )  # fmt: skip
    return alerts


def sent(subscriber: Subscriber, kinds: tuple[str, ...], alerts: list[Alert]) -> list[str]:
    people = [(Subscription(subscriber.id, "s1", kinds), subscriber)]
    return [message.alert_id for message in route(alerts, people, {"s1": SITE.zone}, NOON)]


TOGETHER = telling(AlertKind.HOT_DRY, AlertKind.SPRAY_WINDOW, AlertKind.SCOUTING_DUE)


def test_a_person_gets_the_strongest_a_machine_gets_each() -> None:
    assert sent(READER, (), TOGETHER) == ["a0"]
    assert sent(BOARD, (), TOGETHER) == ["a0", "a1", "a2"]


def test_who_wants_some_kinds_only_gets_the_strongest_of_those() -> None:
    assert sent(READER, ("spray-window", "scouting-due"), TOGETHER) == ["a1"]
    assert sent(READER, ("scouting-due",), TOGETHER) == ["a2"]


def test_every_person_is_minded_apart() -> None:
    other = replace(READER, id="u3")
    people = [(Subscription(one.id, "s1"), one) for one in (READER, other)]
    messages = route(TOGETHER, people, {"s1": SITE.zone}, NOON)
    assert [(message.subscriber_id, message.alert_id) for message in messages] == [("u1", "a0"), ("u3", "a0")]


def test_alerts_of_different_cycles_are_different_messages() -> None:
    apart = [
        replace(alert, evidence={**alert.evidence, "told_with": alert.id, "also": []})  # type: ignore[typeddict-item]  # a copy of it
        for alert in TOGETHER
    ]
    assert sent(READER, (), apart) == ["a0", "a1", "a2"]


def test_a_message_that_speaks_for_others_does_not_expire_with_its_own_news() -> None:
    people = [(Subscription("u1", "s1"), READER)]
    (message,) = route(TOGETHER, people, {"s1": SITE.zone}, NOON)
    assert message.expires_at is None
    (alone,) = route(TOGETHER[2:], people, {"s1": SITE.zone}, NOON)
    assert alone.expires_at == NOON + dt.timedelta(hours=5)
