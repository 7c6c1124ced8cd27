from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from alertd.errors import InputError
from alertd.records.alert import Alert, AlertKind, Change
from alertd.records.assessment import Level
from alertd.records.preferences import Brief, BriefKind, Preferences, SitePreferences
from alertd.records.site import Channel, Subscriber, Subscription, UnitSystem
from alertd.service.preferences import Wish, begin, change, wishes_of
from alertd.service.route import route
from alertd.store.store import Store, open_store
from tests.assess.skies import DAY, HOT, MILD, at, truth_of
from tests.service.test_route import NOON, READER, ZONES, alert
from tests.service.world import Provider, World
from tests.service.world import site as world_site
from tests.store.builders import HOUR, NOW, make_alert, make_episode, make_message, make_site, make_subscriber

SIX_NEXT_DAY = dt.datetime(2025, 7, 2, 10, tzinfo=dt.UTC)
TODAY = dt.date(2025, 7, 1)
WATCH = replace(alert(), level=Level.WATCH)
SPRAY = replace(WATCH, kind=AlertKind.SPRAY_WINDOW)


def routed(
    told: Alert,
    subscriber: Subscriber = READER,
    told_on: set[dt.date] | None = None,
    peak: Level = Level.SEVERE,
    **wishes: object,
) -> str:
    """Return what becomes of one alert: ``now``, ``digest`` or nothing."""
    asked = Preferences(subscriber.id, ZONES["s1"], **wishes)  # type: ignore[arg-type]  # a builder
    messages = route(
        [told],
        [(Subscription(subscriber.id, "s1"), subscriber)],
        ZONES,
        NOON,
        {subscriber.id: asked},
        {(subscriber.id, "s1"): told_on or set()},
        {told.episode_id: peak},
    )
    if not messages:
        return ""
    (message,) = messages
    assert message.due_at == (SIX_NEXT_DAY if message.digest else NOON)
    return "digest" if message.digest else "now"


@pytest.mark.parametrize(
    ("told", "wishes", "becomes"),
    [
        (WATCH, {}, "now"),
        # kinds
        (WATCH, {"kinds": ("water-short",)}, ""),
        (WATCH, {"kinds": ("hot-dry-warning",)}, "now"),
        # levels, with what differs at the site
        (WATCH, {"least_level": Level.HIGH}, ""),
        (WATCH, {"least_level": Level.WATCH}, "now"),
        (WATCH, {"least_level": Level.HIGH, "sites": {"s1": SitePreferences(Level.NOTE)}}, "now"),
        (WATCH, {"sites": {"s1": SitePreferences(Level.HIGH)}}, ""),
        (WATCH, {"sites": {"s2": SitePreferences(Level.HIGH)}}, "now"),
        # digests
        (WATCH, {"digest_hour": 6}, "digest"),
        (WATCH, {"digest_hour": 9, "sites": {"s1": SitePreferences(digest_hour=6)}}, "digest"),
        (WATCH, {"digest_hour": 6, "sites": {"s1": SitePreferences(at_once=True)}}, "now"),
        (WATCH, {"sites": {"s1": SitePreferences(digest_hour=6)}}, "digest"),
        (replace(WATCH, level=Level.HIGH), {"digest_hour": 6}, "digest"),
        (replace(WATCH, level=Level.SEVERE), {"digest_hour": 6}, "now"),
        (SPRAY, {"digest_hour": 6}, "digest"),
        (replace(SPRAY, change=Change.CHANGED), {"digest_hour": 6}, "now"),
        (replace(SPRAY, change=Change.CLOSED), {"digest_hour": 6}, "now"),
    ],
)
def test_an_alert_goes_the_way_its_reader_chose(told: Alert, wishes: dict[str, object], becomes: str) -> None:
    assert routed(told, **wishes) == becomes  # type: ignore[arg-type]  # a table of keywords


@pytest.mark.parametrize(
    ("told", "told_on", "becomes"),
    [
        (WATCH, set(), "now"),
        (WATCH, {TODAY - dt.timedelta(days=1)}, "now"),
        (WATCH, {TODAY}, "digest"),
        (replace(WATCH, level=Level.SEVERE), {TODAY}, "now"),
        (replace(SPRAY, change=Change.CHANGED), {TODAY}, "now"),
        (replace(WATCH, level=Level.HIGH), {TODAY}, "digest"),
        (replace(WATCH, level=Level.HIGH, change=Change.RAISED), {TODAY}, "now"),
        (replace(WATCH, change=Change.RAISED), {TODAY}, "digest"),
    ],
)
def test_whoever_wants_one_mail_a_day_gets_the_rest_in_a_digest(
    told: Alert, told_on: set[dt.date], becomes: str
) -> None:
    assert routed(told, told_on=told_on, one_a_day=True) == becomes
    assert routed(told, told_on=told_on) == "now"


def test_the_second_alert_of_one_cycle_counts_too() -> None:
    asked = {"u1": Preferences("u1", ZONES["s1"], one_a_day=True)}
    alerts = [WATCH, replace(WATCH, id="a2", episode_id="e2")]
    messages = route(alerts, [(Subscription("u1", "s1"), READER)], ZONES, NOON, asked)
    assert [one.digest for one in messages] == [False, True]


@pytest.mark.parametrize("end", [Change.EASED, Change.CLOSED])
def test_the_end_is_told_to_whoever_was_told_the_beginning(end: Change) -> None:
    clear = replace(alert(closes_kind="hot-dry-warning"), level=Level.NONE, change=end)
    assert routed(clear, least_level=Level.HIGH, peak=Level.HIGH) == "now"
    assert routed(clear, least_level=Level.HIGH, peak=Level.WATCH) == ""


def test_programs_get_no_digests() -> None:
    hook = replace(READER, channel=Channel.WEBHOOK)
    assert routed(WATCH, hook, digest_hour=6, one_a_day=True, told_on={TODAY}) == "now"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as opened:
        opened.add_site(replace(make_site("Invented Yard", "s2"), zone="America/Chicago"), now=NOW)
        opened.add_site(make_site(site_id="s1"), now=NOW)
        opened.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
        opened.add_subscriber(make_subscriber("Office", "u2"), now=NOW)
        for site_id in ("s1", "s2"):
            opened.subscribe(Subscription("u1", site_id))
        yield opened


def test_what_is_not_named_stays_as_it_is(store: Store) -> None:
    change(store, "crew lead", Wish(digest_hour=7, weekly=True, evening=True), NOW)
    change(store, "u1", Wish(hand_over_to="office", after_h=3, units=UnitSystem.METRIC), NOW)
    change(store, "u1", Wish(digest_hour=9, least_level=Level.HIGH), NOW, "invented yard")
    now = change(store, "u1", Wish(evening=False, weekly_day=0), NOW)
    assert now == Preferences(
        "u1",
        "America/New_York",  # of Invented Court, the first by name
        digest_hour=7,
        weekly_hour=15,
        weekly_day=0,
        hand_over_to="u2",
        hand_over_after_h=3,
        changed_at=NOW,
        sites={"s2": SitePreferences(Level.HIGH, 9)},
    )
    assert store.subscriber("u1").units is UnitSystem.METRIC
    assert wishes_of(store, store.subscriber("u1")) == now
    after = change(store, "u1", Wish(at_once=True, hand_over_to=""), NOW)
    assert (after.digest_hour, after.hand_over_to, after.hand_over_after_h) == (None, None, 0)
    assert after.digest_at("s2") == 9


def test_kinds_can_differ_by_site(store: Store) -> None:
    change(store, "u1", Wish(kinds=("water-short",)), NOW, "s2")
    assert [one.kinds for one in store.subscriptions("u1")] == [(), ("water-short",)]
    assert change(store, "u1", Wish(kinds=("milestone",)), NOW).kinds == ("milestone",)


@pytest.mark.parametrize(
    ("wish", "site", "told"),
    [
        (Wish(digest_hour=5), None, "quiet hour"),
        (Wish(digest_hour=20), None, "quiet hour"),
        (Wish(evening=True, evening_hour=21), None, "quiet hour"),
        (Wish(digest_hour=5), "s1", "quiet hour"),
        (Wish(digest_hour=6, at_once=True), None, "one of"),
        (Wish(hand_over_to="u1", after_h=2), None, "somebody else"),
        (Wish(hand_over_to="u2"), None, "hours"),
        (Wish(after_h=2), None, "to whom"),
        (Wish(hand_over_to="stranger", after_h=2), None, "no subscriber"),
        (Wish(zone="Nowhere"), None, "time zone"),
        (Wish(weekly=True), "s1", "leave --site out"),
        (Wish(least_level=Level.HIGH), "elsewhere", "no site"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_changes(
    store: Store, wish: Wish, site: str | None, told: str
) -> None:
    with pytest.raises(InputError, match=told):
        change(store, "u1", wish, NOW, site)
    assert store.preferences() == {}


def test_programs_get_no_briefs(store: Store) -> None:
    hook = replace(make_subscriber("Board", "u3"), channel=Channel.WEBHOOK, address="https://h.example.com/")
    store.add_subscriber(hook, now=NOW)
    with pytest.raises(InputError, match="webhook"):
        change(store, "u3", Wish(weekly=True), NOW)


def test_somebody_new_gets_one_mail_a_site_and_day(store: Store) -> None:
    kept = begin(store, store.subscriber("u1"), NOW)
    assert kept is not None
    assert kept.one_a_day
    assert (kept.weekly_day, kept.weekly_hour) == (3, 15)  # Thursday afternoon
    assert (kept.evening_hour, kept.evening_quiet) == (17, True)
    assert store.preferences()["u1"] == kept
    assert begin(store, replace(store.subscriber("u1"), channel=Channel.WEBHOOK), NOW) is None


def test_the_usual_hours_give_way_to_quiet_hours(store: Store) -> None:
    early = replace(store.subscriber("u1"), wake_hour=5, rest_hour=14)
    store.edit_subscriber(early, now=NOW)
    kept = begin(store, early, NOW)
    assert kept is not None
    assert (kept.weekly_hour, kept.evening_hour) == (13, 13)


def test_briefs_are_switched_off_and_made_daily_by_one_wish(store: Store) -> None:
    begin(store, store.subscriber("u1"), NOW)
    kept = change(store, "u1", Wish(weekly=False, evening_quiet=False), NOW)
    assert (kept.weekly_hour, kept.evening_hour, kept.evening_quiet) == (None, 17, False)
    kept = change(store, "u1", Wish(evening=False), NOW)
    assert kept.rules() == {}
    assert kept.one_a_day


@pytest.mark.parametrize("told_h_ago", [1, 30])
def test_a_cycle_knows_what_was_told_today(tmp_path: Path, told_h_ago: int) -> None:
    """The first mild alert of an invented season comes an hour, or more than a day, after another mail."""
    first = dt.date(2025, 4, 1)
    now = at(first + 31 * DAY)
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as store:
        world = World(store, Provider(truth_of(first, [MILD] * 35 + [HOT] * 40)))
        world.add([world_site("a")], now - 2 * DAY)
        begin(store, store.subscriber("u1"), now - 2 * DAY)
        earlier = now - told_h_ago * HOUR
        store.commit_decisions(
            episodes=[replace(make_episode("a"), closed_at=earlier, memory={})],
            alerts=[make_alert("a", at=earlier)],
            messages=[make_message("u1", due_at=earlier)],
            now=earlier,
        )
        assert world.cycle.run(now).messages >= 1
        made = [one.id for one in store.messages() if one.id != "m1"]
        assert made
        told_today = told_h_ago == 1
        assert waiting(store) == (set(made) if told_today else set(made[1:]))


def waiting(store: Store) -> set[str]:
    """Return the messages that wait for a digest."""
    last = dt.datetime(2030, 1, 1, tzinfo=dt.UTC)
    brief = Brief("b", "u1", BriefKind.DIGEST, last.date(), "UTC", 0, last)
    return {one.message_id for one in store.waiting_alerts(brief)}
