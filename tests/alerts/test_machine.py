"""The state machine speaks when there is cause and only then, whatever the forecasts do."""

from __future__ import annotations

import dataclasses
import datetime as dt

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from alertd.alerts.machine import Finding, Speech, Step, advance
from alertd.catalog.alerts import Calm
from alertd.records.alert import Alert, AlertKind, Change, Episode
from alertd.records.assessment import Level
from tests.alerts.builders import HOUR, MORNING, SITE, calm, finding

CALM = calm()


class Teller:
    """Tells whatever there is to tell at once, as if this were the only kind."""

    def __init__(self, rules: Calm = CALM) -> None:
        self.rules = rules
        self.episode: Episode | None = None
        self.alerts: list[Alert] = []
        self.closed: list[Episode] = []

    def see(self, found: Finding, at: dt.datetime) -> Alert | None:
        step = advance(found, self.episode, self.rules, SITE, at)
        after = step.speech.episode if step.speech else step.silent
        if after is not None and not after.is_open:
            self.closed.append(after)
            after = None
        self.episode = after
        if step.speech is None:
            return None
        self.alerts.append(step.speech.alert)
        return step.speech.alert

    def run(self, findings: list[Finding], hours_apart: float = 12.0) -> list[str]:
        """Return what was told at each step, such as ``opened watch``, or nothing."""
        told = []
        for n, found in enumerate(findings):
            alert = self.see(found, MORNING + n * hours_apart * HOUR)
            told.append("" if alert is None else f"{alert.change} {alert.level.name.lower()}")
        return told


N, W, H, S = Level.NONE, Level.WATCH, Level.HIGH, Level.SEVERE


@pytest.mark.parametrize(
    ("levels", "told"),
    [
        ([N, N], ["", ""]),
        ([W, W, W, W, W], ["opened watch", "", "", "", ""]),
        ([W, H, S], ["opened watch", "raised high", "raised severe"]),
        ([H, W, H, W, H], ["opened high", "", "", "", ""]),
        ([W, N, W, N, W, N], ["opened watch", "", "", "", "", ""]),
        ([W, N, N, N], ["opened watch", "", "", "closed none"]),
        ([W, N, N, N, N, N], ["opened watch", "", "", "closed none", "", ""]),
        ([W, N, N, N, W], ["opened watch", "", "", "closed none", "opened watch"]),
    ],
)
def test_levels_every_twelve_hours_are_told_like_this(levels: list[Level], told: list[str]) -> None:
    assert Teller().run([finding(level) for level in levels]) == told


def test_the_off_limits_hold_what_was_told_at_its_level() -> None:
    held = finding(N, held=W)
    teller = Teller(calm(hold_at_most=72.0))
    assert teller.run([finding(W), held, held, held, held]) == ["opened watch", "", "", "", ""]
    assert teller.episode is not None
    assert teller.episode.level == W


def test_the_off_limits_hold_for_a_bounded_time() -> None:
    held = finding(N, held=W)
    told = Teller(calm(hold_at_most=48.0, close_after=24.0)).run([finding(W), *[held] * 8])
    assert told == ["opened watch", "", "", "", "", "", "", "closed none", ""]


def test_the_off_limits_never_open_nor_raise() -> None:
    assert Teller().run([finding(N, held=S)] * 3) == ["", "", ""]
    assert Teller().run([finding(W, held=S)] * 3) == ["opened watch", "", ""]


def test_an_episode_that_nobody_heard_of_is_not_held_and_ends_without_a_word() -> None:
    silent = advance(finding(W), None, CALM, SITE, MORNING).silent
    assert silent is not None
    step = advance(finding(N, held=W, at_once=True), silent, CALM, SITE, MORNING + HOUR)
    assert step.speech is None
    assert step.silent is not None
    assert not step.silent.is_open


def test_the_off_limits_never_raise_to_a_level_that_nobody_heard_of() -> None:
    told = advance(finding(Level.NOTE), None, CALM, SITE, MORNING).speech
    assert told is not None
    unheard = advance(finding(H), told.episode, CALM, SITE, MORNING + HOUR).silent
    step = advance(finding(W, held=H), unheard, CALM, SITE, MORNING + 2 * HOUR)
    assert step.speech is not None
    assert step.speech.alert.level == W


def test_what_was_not_told_is_still_to_be_told() -> None:
    silent = advance(finding(W), None, CALM, SITE, MORNING).silent
    step = advance(finding(W), silent, CALM, SITE, MORNING + HOUR)
    assert step.speech is not None
    assert step.speech.alert.change is Change.OPENED
    assert step.speech.alert.sequence == 1


def test_an_observed_fact_ends_the_episode_at_once() -> None:
    assert Teller().run([finding(W), finding(N, at_once=True)], 1.0) == ["opened watch", "closed none"]


def test_a_kind_without_an_all_clear_ends_in_silence() -> None:
    teller = Teller()
    assert teller.run([finding(W), *[finding(N, closing_kind=None)] * 4])[1:] == ["", "", "", ""]
    assert len(teller.closed) == 1


def test_new_advice_is_told_once_it_has_stood_and_says_what_changed() -> None:
    new = finding(W, news="b")
    new.evidence["changes"] = ["The window has moved."]
    teller = Teller(calm(settle=18.0, gap=20.0))
    assert teller.run([finding(W, news="a"), new, new, new, new]) == [
        "opened watch",
        "",
        "",
        "changed watch",
        "",
    ]
    assert teller.alerts[1].evidence["changes"] == ["The window has moved."]


def test_advice_that_flips_between_evening_and_morning_is_never_told_again() -> None:
    flips = [finding(W, news="ab"[n % 2]) for n in range(60)]
    assert Teller().run(flips) == ["opened watch", *[""] * 59]


def test_urgent_news_is_told_at_once_but_not_twice_within_the_gap() -> None:
    flips = [finding(W, news=str(n), urgent=True) for n in range(6)]
    told = Teller(calm(gap=48.0, settle=24.0)).run(flips)
    assert told == ["opened watch", "changed watch", "", "", "", "changed watch"]


def test_a_raise_says_from_what_to_what() -> None:
    teller = Teller()
    teller.run([finding(W), finding(S)])
    assert teller.alerts[1].evidence["changes"] == ["The level went up from watch to severe."]


def test_a_level_left_for_long_is_news_when_it_comes_back_and_said_so() -> None:
    teller = Teller(calm(forget_after=48.0))
    told = teller.run([finding(H), *[finding(W)] * 6, finding(H)])
    assert told == ["opened high", *[""] * 6, "raised high"]
    assert teller.alerts[1].evidence["changes"] == ["The level had gone down meanwhile and is high again."]


def test_the_level_sinks_in_silence_after_its_time() -> None:
    teller = Teller(calm(ease_after=24.0))
    teller.run([finding(H), finding(W), finding(W)])
    assert teller.episode is not None
    assert teller.episode.level == H
    teller.see(finding(W), MORNING + 36 * HOUR)
    assert teller.episode.level == W


def test_a_mute_finding_keeps_its_memory_and_says_nothing_until_there_is_news() -> None:
    quiet, loud = finding(W, mute=True, news="a"), finding(W, news="b")
    teller = Teller(calm(settle=0.0, gap=0.0))
    assert teller.run([quiet, quiet, loud, loud]) == ["", "", "opened watch", ""]


def test_what_rides_waits_for_company_and_speaks_alone_in_the_end() -> None:
    rules = calm(alone_after=48.0)
    silent, rides = None, []
    for n in range(4):
        step = advance(finding(W, rides=True), silent, rules, SITE, MORNING + n * 24 * HOUR)
        assert step.speech is not None
        silent = step.silent
        rides.append(step.speech.rides)
    assert rides == [True, True, False, False]


def test_an_all_clear_tells_what_it_closes_and_since_when() -> None:
    teller = Teller()
    teller.run([finding(W), finding(N, at_once=True)])
    clear = teller.alerts[-1]
    assert (clear.kind, clear.level) == (AlertKind.ALL_CLEAR, N)
    assert clear.evidence["closes_kind"] == "hot-dry-warning"
    assert clear.evidence["opened_at"] == MORNING.isoformat()


def test_a_closed_episode_is_refused() -> None:
    teller = Teller()
    teller.run([finding(W), finding(N, at_once=True)])
    with pytest.raises(ValueError, match="is closed"):
        advance(finding(W), teller.closed[0], CALM, SITE, MORNING + 99 * HOUR)


def test_ids_tell_episode_and_sequence_and_are_the_same_every_time() -> None:
    first, second = Teller(), Teller()
    first.run([finding(W), finding(H), finding(N, at_once=True)])
    second.run([finding(W), finding(H), finding(N, at_once=True)])
    assert first.alerts == second.alerts
    assert [alert.sequence for alert in first.alerts] == [1, 2, 3]
    assert len({alert.id for alert in first.alerts}) == 3
    assert {alert.episode_id for alert in first.alerts} == {first.closed[0].id}


levels = st.sampled_from([N, Level.NOTE, W, H, S])
findings = st.builds(
    finding,
    levels,
    held=levels,
    news=st.sampled_from(["a", "b", "c"]),
    mute=st.booleans(),
    urgent=st.booleans(),
    at_once=st.booleans(),
    rides=st.booleans(),
)


class Conversation(RuleBasedStateMachine):
    """Any findings at any pace: nobody is bothered without cause or left without an end."""

    @initialize(
        ease=st.sampled_from([0.0, 24.0]),
        gap=st.sampled_from([6.0, 20.0, 72.0]),
        settle=st.sampled_from([0.0, 18.0]),
        close=st.sampled_from([0.0, 24.0]),
        closing=st.sampled_from([None, AlertKind.ALL_CLEAR]),
    )
    def begin(self, ease: float, gap: float, settle: float, close: float, closing: AlertKind | None) -> None:
        self.rules = calm(ease_after=ease, gap=gap, settle=settle, close_after=close)
        self.closing = closing
        self.now = MORNING
        self.episode: Episode | None = None
        self.told: list[Alert] = []
        self.closed_ids: set[str] = set()
        self.hears = True

    @rule(hours_on=st.floats(0.5, 60.0))
    def time_passes(self, hours_on: float) -> None:
        self.now += dt.timedelta(seconds=round(hours_on * 3600))

    @rule(hears=st.booleans())
    def somebody_listens_or_not(self, hears: bool) -> None:
        """Whoever arranges the messages may let one wait."""
        self.hears = hears

    @rule(found=findings)
    def look(self, found: Finding) -> None:
        found = dataclasses.replace(found, closing_kind=self.closing)
        self.now += dt.timedelta(seconds=1)  # no two cycles of a site are at the same instant
        before = self.episode
        step = advance(found, before, self.rules, SITE, self.now)
        assert step == advance(found, before, self.rules, SITE, self.now)
        if step.speech is not None:
            self._has_cause(step.speech, found, before)
        speech = step.speech if self.hears else None
        after = speech.episode if speech else step.silent
        if speech is not None:
            self._keep(speech)
        if found.level > N:
            assert after is not None
            assert after.is_open
            self._raise_always_speaks(found, before, step)
        if after is not None and not after.is_open:
            self._ends_once(after)
            after = None
        self.episode = after

    def _has_cause(self, speech: Speech, found: Finding, before: Episode | None) -> None:
        memory = {} if before is None else before.memory
        if speech.alert.change is Change.CLOSED:
            assert found.level == N
            assert before is not None
            assert before.alerts > 0
        elif speech.alert.change is Change.RAISED:
            assert speech.alert.level > int(memory["peak"])
        elif "announced" in memory:
            assert found.news != memory["announced"] or speech.alert.level > int(memory["peak"])
        assert not (found.mute and speech.alert.change is not Change.CLOSED)

    def _raise_always_speaks(self, found: Finding, before: Episode | None, step: Step) -> None:
        told_before = before is not None and before.alerts > 0
        if told_before and not found.mute and found.level > int(before.memory["peak"]):
            assert step.speech is not None
            assert step.speech.alert.level == found.level
            assert step.speech.urgent

    def _keep(self, speech: Speech) -> None:
        assert speech.alert.sequence == 1 + sum(
            alert.episode_id == speech.alert.episode_id for alert in self.told
        )
        self.told.append(speech.alert)

    def _ends_once(self, after: Episode) -> None:
        assert after.id not in self.closed_ids
        self.closed_ids.add(after.id)
        mine = [alert for alert in self.told if alert.episode_id == after.id]
        ends = [alert for alert in mine if alert.change is Change.CLOSED]
        spoke = len(mine) > len(ends)
        assert len(ends) == (1 if spoke and self.closing else 0)
        if ends:
            assert mine[-1] is ends[0]

    @invariant()
    def nothing_is_told_of_what_is_over(self) -> None:
        if getattr(self, "told", None) and self.episode is not None:
            assert self.episode.id not in self.closed_ids
            assert self.episode.level > N

    @invariant()
    def ids_are_unique(self) -> None:
        if getattr(self, "told", None):
            assert len({alert.id for alert in self.told}) == len(self.told)


TestConversation = Conversation.TestCase
TestConversation.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)


@settings(max_examples=60, deadline=None)
@given(
    period_h=st.floats(0.5, 24.0),
    news=st.lists(st.sampled_from("abc"), min_size=1, max_size=6),
    urgent=st.booleans(),
)
def test_flipping_news_at_one_level_are_bounded_by_two_messages_in_a_gap(
    period_h: float, news: list[str], urgent: bool
) -> None:
    rules = calm(gap=24.0, settle=0.0)
    count = round(20 * 24 / period_h)
    flips = [finding(W, news=news[n % len(news)], urgent=urgent) for n in range(count)]
    told = [text for text in Teller(rules).run(flips, period_h) if text]
    assert len(told) <= 2 * (20 + 1)
    if not urgent:
        assert len(told) <= 20 + 1


@settings(max_examples=60, deadline=None)
@given(
    period_h=st.floats(0.5, 24.0),
    seen=st.lists(st.tuples(levels, levels), min_size=1, max_size=12),
)
def test_flipping_levels_are_bounded_too(period_h: float, seen: list[tuple[Level, Level]]) -> None:
    """Each episode opens once, rises three times at most until it is forgotten, and closes once."""
    rules = calm(close_after=24.0, forget_after=240.0)
    count = round(20 * 24 / period_h)
    shown = [seen[n % len(seen)] for n in range(count)]
    told = [
        text for text in Teller(rules).run([finding(on, held=off) for on, off in shown], period_h) if text
    ]
    assert len(told) <= 5 * (20 + 1)


@given(shift_h=st.integers(-48, 48), seen=st.lists(levels, min_size=1, max_size=30))
def test_elapsed_time_is_all_that_counts_so_clock_changes_do_not(shift_h: int, seen: list[Level]) -> None:
    """The night of 2 November 2025 has 25 hours in New York; the same hours anywhere tell the same."""
    plain, over = Teller(), Teller()
    autumn = dt.datetime(2025, 11, 2, 5, tzinfo=dt.UTC) + shift_h * HOUR
    assume(autumn != MORNING)
    for n, level in enumerate(seen):
        first = plain.see(finding(level), MORNING + n * 6 * HOUR)
        second = over.see(finding(level), autumn + n * 6 * HOUR)
        assert (first is None) == (second is None)
        if first is not None and second is not None:
            assert (first.change, first.level) == (second.change, second.level)
