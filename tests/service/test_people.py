from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.errors import InputError
from alertd.records.alert import Change, MessageState
from alertd.records.assessment import Level
from alertd.records.keeping import Ration
from alertd.records.site import Channel, Standing, Subscription
from alertd.service.people import RATION, SNOOZE_MAX, People, Welcome, suppressed
from alertd.service.route import route
from alertd.service.subscribers import Added
from alertd.store.notices import address_key
from alertd.store.store import Store, open_store
from tests.store.builders import HOUR, MINUTE, NOW, make_alert, make_episode, make_site, make_subscriber

DAY = dt.timedelta(days=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as opened:
        opened.add_site(make_site(site_id="s1"), now=NOW)
        yield opened


@pytest.fixture
def people(store: Store) -> People:
    return People(store, confirms=True)


def join(
    people: People, name: str = "Crew Lead", address: str = "crew@example.com", now: dt.datetime = NOW
) -> tuple[Added, Welcome]:
    wanted = dataclasses.replace(make_subscriber(name), address=address)
    return people.add(wanted, [people.store.site("s1")], [], now)


def test_a_new_address_waits_for_its_owners_word_and_gets_no_alert(store: Store, people: People) -> None:
    added, welcome = join(people)
    assert added.subscriber.standing is Standing.PENDING
    assert welcome.notice is not None
    assert welcome.notice.expires_at == NOW + 7 * DAY
    assert store.subscriptions_for(["s1"]) == []
    assert len(store.subscriptions(added.subscriber.id)) == 1


def test_without_pages_the_operator_vouches_and_webhooks_never_confirm(store: Store) -> None:
    added, welcome = join(People(store, confirms=False))
    assert (added.subscriber.standing, welcome.notice) == (Standing.ACTIVE, None)
    hook = dataclasses.replace(make_subscriber("Board"), channel=Channel.WEBHOOK, address="https://x.example")
    added, welcome = People(store, confirms=True).add(hook, [], [], NOW)
    assert (added.subscriber.standing, welcome.notice) == (Standing.ACTIVE, None)


def test_who_left_is_asked_again_and_never_just_switched_on(store: Store, people: People) -> None:
    added, _ = join(people)
    store.set_standing(added.subscriber.id, Standing.ACTIVE, now=NOW)
    people.leave(added.subscriber.id, NOW + HOUR)
    again, welcome = join(people, now=NOW + DAY)
    assert again.subscriber.id == added.subscriber.id
    assert welcome.subscriber.standing is Standing.PENDING
    assert welcome.notice is not None
    assert store.subscriptions_for(["s1"]) == []


def test_suspending_neither_wakes_who_left_nor_hides_that_they_did(store: Store, people: People) -> None:
    added, _ = join(people)
    people.leave(added.subscriber.id, NOW)
    assert people.suspend(added.subscriber, "mail came back", NOW).standing is Standing.LEFT
    with pytest.raises(InputError, match="left, not suspended"):
        people.resume(store.subscriber(added.subscriber.id), NOW)


@pytest.mark.parametrize("requests", [1_000, pytest.param(10_000, marks=pytest.mark.slow)])
def test_thousands_of_requests_for_one_address_send_five_mails_a_day(
    store: Store, people: People, requests: int
) -> None:
    """Every subscriber is another one, case and +tags vary: what is counted is the mailbox."""
    forms = ("stranger@example.org", "Stranger@Example.ORG", "stranger+{n}@example.org")
    readers = [join(people, f"Name {n}", forms[n % 3].format(n=n))[1] for n in range(30)]
    asked = sum(welcome.notice is not None for welcome in readers)
    assert asked == 1
    (first,) = store.lease_notices(RATION, now=NOW, lease_s=10, limit=50)
    store.settle_notice(first, MessageState.SENT, now=NOW)
    for n in range(30, requests):
        now = NOW + n * DAY / requests
        try:
            notice = people.ask(readers[n % 30].subscriber, now)
        except InputError:
            continue
        asked += 1
        (leased,) = store.lease_notices(RATION, now=now, lease_s=10, limit=50)
        assert leased.id == notice.id
        store.settle_notice(leased, MessageState.SENT, now=now)
    assert asked == RATION.per_day
    assert len(store.notices()) == RATION.per_day


def test_a_second_request_for_the_same_person_adds_no_second_mail(store: Store, people: People) -> None:
    added, first = join(people)
    _, second = join(people)
    assert first.notice == second.notice
    assert len(store.notices(added.subscriber.id)) == 1


def test_all_addresses_together_get_no_more_than_the_hour_allows(store: Store, people: People) -> None:
    ration = Ration(RATION.pause, RATION.per_day, per_hour_in_all=20)
    for n in range(30):
        join(people, f"Name {n}", f"stranger{n}@example.org")
    sent = 0
    while leased := store.lease_notices(ration, now=NOW + MINUTE, lease_s=10, limit=8):
        sent += len(leased)
        assert sent <= 20
    assert sent == 20
    later = store.lease_notices(ration, now=NOW + 2 * HOUR, lease_s=10, limit=50)
    assert len(later) == 20, "the others wait for their turn"


@given(st.emails(), st.integers(0, 99))
def test_one_mailbox_has_one_key_whatever_its_spelling(address: str, tag: int) -> None:
    local, _, domain = address.rpartition("@")
    assert address_key(f"{local}+{tag}@{domain.upper()}") == address_key(address.upper().lower())


def subscription(**changes: object) -> Subscription:
    return dataclasses.replace(Subscription("u1", "s1"), **changes)  # type: ignore[arg-type]  # a builder


@given(
    level=st.sampled_from(Level),
    change=st.sampled_from(Change),
    hours=st.integers(-100, 100),
    seen=st.booleans(),
)
def test_only_a_snooze_or_a_seen_repeat_spares_and_severe_is_never_snoozed(
    level: Level, change: Change, hours: int, seen: bool
) -> None:
    alert = dataclasses.replace(make_alert("s1"), level=level, change=change)
    one = subscription(
        snoozed_until=NOW + hours * HOUR, acknowledged=frozenset({"e1"}) if seen else frozenset()
    )
    why = suppressed(alert, one, NOW)
    if level is Level.SEVERE or hours <= 0:
        assert why in ("", "acknowledged")
    else:
        assert why == "snoozed"
    if why == "acknowledged":
        assert seen
        assert change not in (Change.OPENED, Change.RAISED, Change.CHANGED, Change.CLOSED)


def test_the_route_leaves_out_who_is_spared() -> None:
    reader = make_subscriber(subscriber_id="u1")
    alert = make_alert("s1")
    zones = {"s1": "America/New_York"}
    assert len(route([alert], [(subscription(), reader)], zones, NOW)) == 1
    quiet = subscription(snoozed_until=NOW + HOUR)
    assert route([alert], [(quiet, reader)], zones, NOW) == []
    severe = dataclasses.replace(alert, level=Level.SEVERE)
    assert len(route([severe], [(quiet, reader)], zones, NOW)) == 1


def test_an_acknowledgement_lasts_as_long_as_its_episode(store: Store, people: People) -> None:
    added, _ = join(people)
    reader = store.set_standing(added.subscriber.id, Standing.ACTIVE, now=NOW)
    episode = make_episode("s1")
    store.commit_decisions(episodes=[episode], now=NOW)
    assert people.acknowledge("e1", reader.id, NOW).is_open
    people.acknowledge("e1", reader.id, NOW + HOUR)
    assert store.acknowledged_at(reader.id, "e1") == NOW
    ((told, _),) = store.subscriptions_for(["s1"])
    assert told.acknowledged == frozenset({"e1"})
    store.commit_decisions(episodes=[dataclasses.replace(episode, closed_at=NOW + HOUR, alerts=2)], now=NOW)
    ((told, _),) = store.subscriptions_for(["s1"])
    assert told.acknowledged == frozenset()


def test_a_snooze_needs_an_end_within_reach_and_something_to_be_quiet_about(people: People) -> None:
    added, _ = join(people)
    told = Subscription(added.subscriber.id, "s1")
    for until in (NOW, NOW - DAY, NOW + SNOOZE_MAX + HOUR):
        with pytest.raises(InputError, match="within the next 60 days"):
            people.snooze(told, until, NOW)
    with pytest.raises(InputError, match="stopped already"):
        people.snooze(Subscription(added.subscriber.id, "elsewhere"), NOW + DAY, NOW)
    people.snooze(told, NOW + DAY, NOW)
    people.snooze(told, None, NOW)


def test_naming_the_site_again_keeps_the_quiet(store: Store, people: People) -> None:
    added, _ = join(people)
    store.set_standing(added.subscriber.id, Standing.ACTIVE, now=NOW)
    people.snooze(Subscription(added.subscriber.id, "s1"), NOW + DAY, NOW)
    store.subscribe(Subscription(added.subscriber.id, "s1", ("hot-dry-warning",)))
    ((told, _),) = store.subscriptions_for(["s1"])
    assert told.snoozed_until == NOW + DAY


def test_an_operator_may_vouch_for_who_waits_and_for_nobody_else(store: Store, people: People) -> None:
    added, _ = join(people)
    reader = people.vouch(added.subscriber, NOW + HOUR)
    assert (reader.standing, reader.standing_at) == (Standing.ACTIVE, NOW + HOUR)
    assert [one.id for _, one in store.subscriptions_for(["s1"])] == [reader.id]
    for standing in (Standing.ACTIVE, Standing.SUSPENDED, Standing.LEFT):
        store.set_standing(reader.id, standing, now=NOW + DAY)
        with pytest.raises(InputError, match="nothing to confirm"):
            people.vouch(store.subscriber(reader.id), NOW + DAY)
