from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.errors import DeliveryDeferred, DeliveryRejected
from alertd.records.alert import Alert, AlertKind, Change, Episode, MessageState
from alertd.records.assessment import Assessment, Level
from alertd.records.brief import Letter, WaitingAlert
from alertd.records.preferences import Brief, BriefKind, Preferences, Rule
from alertd.records.site import Site, Standing, Subscription
from alertd.service.briefs import ATTEMPTS_MAX, GRACE, LEASE_S, BriefRound, briefs_of
from alertd.service.letters import ENTRIES_MAX, digest_entries
from alertd.service.route import route
from alertd.store.store import Store, open_store
from tests.store.builders import EVIDENCE, HOUR, MINUTE, make_alert, make_episode, make_site, make_subscriber

NEW_YORK = "America/New_York"
NIGHT = dt.datetime(2026, 7, 1, 22, tzinfo=dt.UTC)  # 18:00 in New York, Wednesday
SIX = dt.datetime(2026, 7, 2, 10, tzinfo=dt.UTC)  # 06:00 there, Thursday
THREE = dt.datetime(2026, 7, 2, 19, tzinfo=dt.UTC)  # 15:00 there
DAY = dt.timedelta(days=1)


class Post:
    """A way out that answers what the test has set."""

    def __init__(self) -> None:
        self.letters: list[Letter] = []
        self.fault: BaseException | None = None

    def __enter__(self) -> Post:
        return self

    def __exit__(self, *_: object) -> None: ...

    def send(self, letter: Letter, now: dt.datetime) -> str:
        self.letters.append(letter)
        if self.fault is not None:
            raise self.fault
        return "250 ok"

    @property
    def kinds(self) -> list[BriefKind]:
        return [one.brief.kind for one in self.letters]


class PowerCut(BaseException):
    """The process ends: nothing after it is done any more."""


def nothing_known(_sites: Sequence[Site], _now: dt.datetime) -> Mapping[str, Assessment]:
    return {}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as opened:
        opened.add_site(make_site(site_id="s1"), now=NIGHT - DAY)
        opened.add_site(make_site("Invented Yard", "s2"), now=NIGHT - DAY)
        opened.add_subscriber(make_subscriber(subscriber_id="u1"), now=NIGHT - DAY)
        opened.add_subscriber(make_subscriber("Office", "u2"), now=NIGHT - DAY)
        for site_id in ("s1", "s2"):
            opened.subscribe(Subscription("u1", site_id))
        yield opened


@pytest.fixture
def post() -> Post:
    return Post()


@pytest.fixture
def round_(store: Store, post: Post) -> BriefRound:
    return BriefRound(store, nothing_known, lambda: post)


def wish(store: Store, at: dt.datetime = NIGHT - DAY, **changes: object) -> Preferences:
    wanted = Preferences("u1", zone=NEW_YORK, **changes)  # type: ignore[arg-type]  # a builder
    return store.set_preferences(wanted, now=at)


def tell(
    store: Store,
    episode: Episode,
    now: dt.datetime = NIGHT,
    level: Level = Level.WATCH,
    change: Change = Change.OPENED,
) -> Alert:
    """Keep an episode with one more alert and route it as a cycle would."""
    made = make_alert(episode.site_id, f"{episode.id}-{episode.alerts}", episode.id, episode.alerts, now)
    alert = replace(made, level=level, change=change)
    if change is Change.CLOSED:
        evidence = {**EVIDENCE, "closes_kind": str(AlertKind.HOT_DRY)}
        alert = replace(alert, kind=AlertKind.ALL_CLEAR, evidence=evidence)  # type: ignore[arg-type]  # a dict of it
    people = store.subscriptions_for([episode.site_id])
    wishes = store.preferences([reader.id for _, reader in people])
    messages = route([alert], people, {episode.site_id: NEW_YORK}, now, wishes)
    store.commit_decisions(episodes=[episode], alerts=[alert], messages=messages, now=now)
    return alert


def states(store: Store) -> Counter[MessageState]:
    return Counter({state: n for state, n in store.outbox_counts().items() if n})


# Digests


def test_a_digest_is_one_mail_at_its_hour_with_everything_the_strongest_site_first(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, digest_hour=6)
    tell(store, make_episode("s1", "e1"))
    tell(store, make_episode("s2", "e2"), level=Level.HIGH)
    tell(store, make_episode("s1", "e3", "other"), NIGHT + HOUR, Level.NOTE)
    assert store.lease(SIX + HOUR, "worker", 10, 60.0) == []
    assert store.waiting_for_digest("u1") == 3
    assert round_.run(SIX - MINUTE).sent == 0
    assert round_.run(SIX).sent == 1
    (letter,) = post.letters
    told = [(one.site.id, one.alert.level) for one in letter.entries]
    assert told == [("s2", Level.HIGH), ("s1", Level.WATCH), ("s1", Level.NOTE)]
    assert states(store) == {MessageState.SENT: 3}
    assert round_.run(SIX + HOUR).sent == 0
    assert store.waiting_for_digest("u1") == 0


def test_the_severest_level_does_not_wait(store: Store, round_: BriefRound, post: Post) -> None:
    wish(store, digest_hour=6)
    tell(store, make_episode("s1", "e1"), level=Level.SEVERE)
    assert len(store.lease(NIGHT, "worker", 10, 60.0)) == 1
    assert round_.run(SIX).sent == 0


def test_what_is_over_and_was_never_told_is_dropped_and_no_empty_digest_leaves(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, digest_hour=6)
    episode = make_episode("s1", "e1")
    tell(store, episode)
    closed = replace(episode, alerts=2, closed_at=NIGHT + HOUR, level=Level.NONE)
    tell(store, closed, NIGHT + HOUR, Level.NONE, Change.CLOSED)
    assert round_.run(SIX).needless == 1
    assert post.letters == []
    assert states(store) == {MessageState.EXPIRED: 2}


def test_what_is_over_is_said_once_to_whoever_had_heard_of_it(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, digest_hour=6)
    episode = make_episode("s1", "e1")
    tell(store, episode)
    round_.run(SIX)
    closed = replace(episode, alerts=2, closed_at=SIX + HOUR, level=Level.NONE)
    tell(store, closed, SIX + HOUR, Level.NONE, Change.CLOSED)
    round_.run(SIX + DAY)
    assert [[one.over for one in letter.entries] for letter in post.letters] == [[False], [True]]


def test_an_episode_stands_in_a_digest_once_with_its_latest_news(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, digest_hour=6)
    episode = make_episode("s1", "e1")
    tell(store, episode)
    tell(store, replace(episode, alerts=2), NIGHT + HOUR, Level.HIGH, Change.RAISED)
    round_.run(SIX)
    assert [one.alert.sequence for one in post.letters[0].entries] == [2]
    assert states(store) == {MessageState.SENT: 2}


def waiting(sequence: int = 1, told: int = 0, *, closed: bool = False, **changes: object) -> WaitingAlert:
    alert = replace(make_alert("s1", f"a{sequence}", sequence=sequence), **changes)  # type: ignore[arg-type]  # a builder
    return WaitingAlert(f"m{sequence}", alert, make_site(site_id="s1"), closed, told, wanted=True)


@pytest.mark.parametrize(
    ("found", "over"),
    [
        (waiting(), False),
        (waiting(closed=True), None),
        (waiting(2, told=1, closed=True), True),
        (waiting(2, told=3), None),  # later news was severe and went at once
        (waiting(expires_at=NIGHT - MINUTE), None),
        (waiting(expires_at=NIGHT + MINUTE), False),
        (waiting(closed=True, evidence={**EVIDENCE, "also": ["Scouting is due."]}), True),
        (replace(waiting(), wanted=False), None),
    ],
)
def test_the_truth_is_looked_at_again_when_a_digest_leaves(found: WaitingAlert, over: bool | None) -> None:
    entries = digest_entries([found], NIGHT)
    assert [one.over for one in entries.entries] == ([] if over is None else [over])
    assert (found.message_id in entries.told) == (over is not None)
    assert (found.message_id in entries.dropped) == (over is None)


@given(
    st.lists(
        st.builds(
            lambda episode, sequence, told, closed, wanted: replace(
                waiting(sequence, told, closed=closed, episode_id=f"e{episode}"),
                message_id=f"m{episode}-{sequence}",
                wanted=wanted,
            ),
            st.integers(0, 60),
            st.integers(1, 4),
            st.integers(0, 4),
            st.booleans(),
            st.booleans(),
        ),
        unique_by=lambda one: one.message_id,
        max_size=120,
    )
)
def test_every_alert_that_waits_is_told_dropped_or_left_for_the_next(found: list[WaitingAlert]) -> None:
    entries = digest_entries(found, NIGHT)
    told, dropped = set(entries.told), set(entries.dropped)
    assert not told & dropped
    left = {one.message_id for one in found} - told - dropped
    assert not left or len(entries.entries) == ENTRIES_MAX
    episodes = [one.alert.episode_id for one in entries.entries]
    assert len(episodes) == len(set(episodes)) <= ENTRIES_MAX
    assert bool(told) == bool(episodes)


def test_what_was_committed_late_for_a_digest_that_has_left_gets_another_mail(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, digest_hour=6)
    tell(store, make_episode("s1", "e1"))
    round_.run(SIX)
    tell(store, make_episode("s2", "e2"), SIX - MINUTE)
    round_.run(SIX + MINUTE)
    first, second = post.letters
    assert [one.alert.site_id for one in second.entries] == ["s2"]
    assert first.brief.id != second.brief.id


def test_whoever_snoozes_or_leaves_meanwhile_gets_no_digest(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, digest_hour=6)
    tell(store, make_episode("s1", "e1"))
    tell(store, make_episode("s2", "e2"))
    store.snooze("u1", "s1", NIGHT + 5 * DAY, now=NIGHT)
    round_.run(SIX)
    assert [one.site.id for one in post.letters[0].entries] == ["s2"]
    tell(store, make_episode("s2", "e3", "other"), SIX + HOUR)
    store.set_standing("u1", Standing.LEFT, now=SIX + HOUR)
    assert round_.run(SIX + DAY).sent == 0


# Crashes and faults


def test_a_crash_between_planning_and_sending_neither_loses_nor_doubles(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, digest_hour=6, weekly_hour=6, weekly_day=3)
    tell(store, make_episode("s1", "e1"))
    post.fault = PowerCut()
    with pytest.raises(PowerCut):
        round_.run(SIX)
    post.fault = None
    cut = post.letters[0].brief
    for minutes in (0, 1, 2):
        assert round_.run(SIX + minutes * MINUTE).sent == 0
    later = SIX + dt.timedelta(seconds=LEASE_S)
    assert round_.run(later).sent == 2
    assert round_.run(later + HOUR).sent == 0
    ids = Counter(letter.brief.id for letter in post.letters)
    assert ids[cut.id] == 2
    assert len(ids) == 2
    assert states(store) == {MessageState.SENT: 1}


def test_rounds_at_the_same_time_send_each_mail_once(store: Store, post: Post) -> None:
    wish(store, digest_hour=6, weekly_hour=6, hand_over_to="u2", hand_over_after_h=2)
    tell(store, make_episode("s1", "e1"), level=Level.HIGH)

    def run(_n: int) -> int:
        return BriefRound(store, nothing_known, lambda: post).run(SIX + 2 * HOUR).sent

    with ThreadPoolExecutor(4) as pool:
        assert sum(pool.map(run, range(8))) == 2
    assert sorted(post.kinds) == [BriefKind.DIGEST, BriefKind.WEEKLY]
    assert [one.subscriber_id for one in store.messages() if one.handed_over_from] == ["u2"]


def test_a_late_worker_settles_nothing(store: Store, round_: BriefRound, post: Post) -> None:
    wish(store, digest_hour=6)
    tell(store, make_episode("s1", "e1"))
    round_.plan(store.preferences(), SIX)
    (lost,) = store.lease_briefs(now=SIX, lease_s=60, limit=10)
    (held,) = store.lease_briefs(now=SIX + HOUR, lease_s=60, limit=10)
    assert lost.id == held.id
    assert not store.settle_brief(lost, MessageState.SENT, now=SIX, told=["e1-1"])
    assert store.waiting_for_digest("u1") == 1


def test_a_digest_that_cannot_leave_keeps_its_alerts_and_its_id(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, digest_hour=6)
    tell(store, make_episode("s1", "e1"))
    post.fault = DeliveryDeferred("451 later")
    assert round_.run(SIX).deferred == 1
    assert store.waiting_for_digest("u1") == 1
    post.fault = None
    assert round_.run(SIX + HOUR).sent == 1
    assert len({letter.brief.id for letter in post.letters}) == 1


def test_a_retry_waits_for_the_waking_hours(store: Store, round_: BriefRound, post: Post) -> None:
    wish(store, digest_hour=19)
    tell(store, make_episode("s1", "e1"), NIGHT)
    post.fault = DeliveryDeferred("451 later", retry_after_s=7200.0)
    round_.run(NIGHT + HOUR)  # 19:00; two hours later it is night until 06:00
    post.fault = None
    assert round_.run(NIGHT + 4 * HOUR).sent == 0
    assert round_.run(SIX).sent == 1


def test_what_was_missed_by_day_waits_for_the_morning(store: Store, round_: BriefRound, post: Post) -> None:
    wish(store, weekly_hour=15, digest_hour=16)
    tell(store, make_episode("s1", "e1"), THREE - DAY)
    midnight = THREE + 9 * HOUR
    assert round_.run(midnight).sent == 0
    assert store.waiting_for_digest("u1") == 1
    assert round_.run(SIX + DAY - MINUTE).sent == 0
    assert round_.run(SIX + DAY).sent == 2


@pytest.mark.parametrize("fault", [DeliveryRejected("550 no"), DeliveryDeferred("451 later")])
def test_a_digest_given_up_leaves_dead_alerts_that_the_operator_can_requeue(
    store: Store, round_: BriefRound, post: Post, fault: Exception
) -> None:
    wish(store, digest_hour=6)
    tell(store, make_episode("s1", "e1"))
    post.fault = fault
    dead = 0
    for n in range(ATTEMPTS_MAX):
        dead += round_.run(SIX + n * DAY).dead
    assert dead == 1
    assert states(store) == {MessageState.DEAD: 1}


def test_one_that_cannot_be_worded_stops_no_other(store: Store, round_: BriefRound, post: Post) -> None:
    wish(store, weekly_hour=15)
    store.subscribe(Subscription("u2", "s1"))
    store.set_preferences(Preferences("u2", zone=NEW_YORK, digest_hour=15), now=NIGHT - DAY)
    tell(store, make_episode("s1", "e1"))

    def broken(_sites: Sequence[Site], _now: dt.datetime) -> Mapping[str, Assessment]:
        raise ValueError("an invented fault")

    report = replace(round_, judge=broken).run(THREE)
    assert (report.deferred, report.sent) == (1, 1)
    assert post.letters[0].reader.id == "u2"


# Briefs by rule


def test_briefs_leave_once_at_their_local_hour(store: Store, round_: BriefRound, post: Post) -> None:
    wish(store, weekly_hour=15, evening_hour=17)
    moment = THREE - 6 * HOUR
    while moment < THREE + 8 * DAY:
        round_.run(moment)
        moment += 30 * MINUTE
    count = Counter(post.kinds)
    assert count == {BriefKind.WEEKLY: 2, BriefKind.EVENING: 8}
    (first, *_) = [one.brief for one in post.letters if one.brief.kind is BriefKind.WEEKLY]
    assert (first.due_at, first.zone, first.hour, first.weekday) == (THREE, NEW_YORK, 15, 3)
    assert [line.known for line in post.letters[0].lines] == [False, False]


def test_a_quiet_evening_brief_stays_away_while_nothing_is_to_be_said(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, weekly_hour=15, evening_hour=17, evening_quiet=True)
    moment = THREE - HOUR
    while moment < THREE + 3 * DAY:
        round_.run(moment)
        moment += HOUR
    assert Counter(post.kinds) == {BriefKind.WEEKLY: 1}
    said = {(one.state, one.last_error) for one in store.briefs("u1") if one.kind is BriefKind.EVENING}
    assert said == {(MessageState.EXPIRED, "nothing left to say"), (MessageState.PENDING, "")}


def test_a_brief_missed_while_nothing_ran_still_leaves_but_not_as_yesterdays_news(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, weekly_hour=15, evening_hour=17)
    round_.run(THREE + 4 * HOUR)
    assert set(post.kinds) == {BriefKind.WEEKLY, BriefKind.EVENING}
    post.letters.clear()
    round_.run(THREE + DAY + 8 * HOUR)  # Friday's of 17:00 is six hours late
    assert post.kinds == []


def test_a_brief_planned_before_a_long_stop_expires(store: Store, round_: BriefRound, post: Post) -> None:
    wish(store, weekly_hour=15)
    round_.run(THREE - HOUR)
    assert round_.run(THREE + GRACE[BriefKind.WEEKLY]).sent == 0
    assert store.briefs("u1")[-1].state is MessageState.EXPIRED


def test_somebody_who_asks_for_a_brief_after_its_hour_waits_for_the_next(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, THREE + MINUTE, weekly_hour=15)
    assert round_.run(THREE + HOUR).sent == 0
    assert round_.run(THREE + 7 * DAY).sent == 1


def test_another_hour_moves_what_is_planned_and_gives_no_second_mail(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, weekly_hour=15)
    round_.run(THREE - HOUR)
    wish(store, THREE - HOUR, weekly_hour=17)
    assert round_.run(THREE).sent == 0
    assert round_.run(THREE + 2 * HOUR).sent == 1
    wish(store, THREE + 2 * HOUR, weekly_hour=19)
    assert round_.run(THREE + 4 * HOUR).sent == 0


def test_a_brief_called_off_is_withdrawn(store: Store, round_: BriefRound, post: Post) -> None:
    wish(store, weekly_hour=15)
    round_.run(THREE - HOUR)
    wish(store, THREE - 2 * MINUTE)
    round_.run(THREE - MINUTE)
    assert store.briefs("u1") == []
    assert round_.run(THREE).sent == 0


def test_a_brief_called_off_at_the_last_moment_is_not_sent(
    store: Store, round_: BriefRound, post: Post
) -> None:
    wish(store, weekly_hour=15)
    round_.run(THREE - HOUR)
    wish(store, THREE - MINUTE)
    assert round_.run(THREE).needless == 1
    assert post.letters == []


def test_a_snoozed_site_is_left_out_of_briefs(store: Store, round_: BriefRound, post: Post) -> None:
    wish(store, weekly_hour=15)
    store.snooze("u1", "s1", THREE + DAY, now=NIGHT)
    round_.run(THREE)
    assert [line.site_id for line in post.letters[0].lines] == ["s2"]


@pytest.mark.parametrize(
    ("zone", "first", "days"),
    [
        # clock changes of the IANA time zone database: spring and autumn, and one of half an hour
        (NEW_YORK, dt.date(2026, 3, 6), 5),
        (NEW_YORK, dt.date(2026, 10, 30), 5),
        ("Europe/Berlin", dt.date(2026, 3, 27), 5),
        ("Europe/Berlin", dt.date(2026, 10, 23), 5),
        ("Australia/Lord_Howe", dt.date(2026, 4, 3), 5),
        ("Australia/Lord_Howe", dt.date(2026, 10, 2), 5),
    ],
)
@pytest.mark.parametrize("hour", [0, 1, 2, 3, 17])
def test_a_rule_fires_once_each_local_day_across_clock_changes(
    zone: str, first: dt.date, days: int, hour: int
) -> None:
    rule = Rule(hour, zone)
    moment = dt.datetime.combine(first, dt.time(), ZoneInfo(zone)).astimezone(dt.UTC)
    end = dt.datetime.combine(first + days * DAY, dt.time(), ZoneInfo(zone)).astimezone(dt.UTC)
    fired = set()
    while moment < end:
        following, last = rule.next(moment), rule.last(moment)
        assert last.at <= moment < following.at
        assert following.day - last.day == DAY
        fired |= {one for one in (last, following) if first <= one.day < first + days * DAY}
        moment += 30 * MINUTE
    assert sorted(one.day for one in fired) == [first + n * DAY for n in range(days)]


def test_one_brief_a_subscriber_kind_and_local_day_has_one_id() -> None:
    wishes = Preferences("u1", zone=NEW_YORK, weekly_hour=15, evening_hour=17)
    plans: list[Brief] = [one for n in range(0, 96) for one in briefs_of(wishes, THREE - DAY + n * HOUR)]
    by_id = {one.id: one for one in plans}
    assert len({(one.kind, one.local_day) for one in plans}) == len(by_id)
    assert all(by_id[one.id] == one for one in plans)


# Handing over


def handed(store: Store) -> list[tuple[str, str, str]]:
    found = store.lease(NIGHT + 3 * DAY, "worker", 10, 60.0)
    return [(one.subscriber_id, one.alert_id, one.handed_over_from) for one in found if one.handed_over_from]


def test_what_nobody_acknowledged_is_handed_over_once(store: Store, round_: BriefRound) -> None:
    wish(store, hand_over_to="u2", hand_over_after_h=2)
    alert = tell(store, make_episode("s1", "e1"), NIGHT, Level.HIGH)
    tell(store, make_episode("s2", "e2"), NIGHT, Level.WATCH)
    assert round_.run(NIGHT + HOUR).handed_over == 0
    assert round_.run(NIGHT + 2 * HOUR).handed_over == 1
    assert round_.run(NIGHT + 3 * HOUR).handed_over == 0
    assert handed(store) == [("u2", alert.id, "Crew Lead")]


@pytest.mark.parametrize("who", ["u1", "u2"])
def test_what_was_acknowledged_by_either_is_not_handed_over(
    store: Store, round_: BriefRound, who: str
) -> None:
    wish(store, hand_over_to="u2", hand_over_after_h=2)
    tell(store, make_episode("s1", "e1"), NIGHT, Level.HIGH)
    store.acknowledge(who, "e1", now=NIGHT + HOUR)
    assert round_.run(NIGHT + 2 * HOUR).handed_over == 0


def test_what_is_over_or_old_or_known_already_is_not_handed_over(store: Store, round_: BriefRound) -> None:
    wish(store, hand_over_to="u2", hand_over_after_h=2)
    episode = make_episode("s1", "e1")
    tell(store, episode, NIGHT, Level.HIGH)
    store.commit_decisions(episodes=[replace(episode, closed_at=NIGHT + HOUR)], now=NIGHT + HOUR)
    store.subscribe(Subscription("u2", "s2"))
    tell(store, make_episode("s2", "e2"), NIGHT, Level.HIGH)
    assert round_.run(NIGHT + 2 * HOUR).handed_over == 0
    tell(store, make_episode("s1", "e3", "other"), NIGHT, Level.HIGH)
    assert round_.run(NIGHT + 3 * DAY).handed_over == 0


def test_nobody_who_cannot_be_told_is_handed_anything(store: Store, round_: BriefRound) -> None:
    wish(store, hand_over_to="u2", hand_over_after_h=2)
    tell(store, make_episode("s1", "e1"), NIGHT, Level.HIGH)
    store.set_standing("u2", Standing.SUSPENDED, now=NIGHT)
    assert round_.run(NIGHT + 2 * HOUR).handed_over == 0


def test_quiet_hours_hold_for_whoever_takes_over(store: Store, round_: BriefRound) -> None:
    wish(store, hand_over_to="u2", hand_over_after_h=3)
    tell(store, make_episode("s1", "e1"), NIGHT, Level.HIGH)
    assert round_.run(NIGHT + 3 * HOUR).handed_over == 1  # 21:00 there
    (message,) = [one for one in store.messages() if one.subscriber_id == "u2"]
    assert message.due_at == SIX
