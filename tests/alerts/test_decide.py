"""What several kinds say about one site comes together, at most once a day, and nothing is lost."""

from __future__ import annotations

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.alerts.decide import decide
from alertd.alerts.kind import Kind, Need, Sight
from alertd.alerts.kinds import BY_NAME, KINDS
from alertd.alerts.machine import Finding
from alertd.catalog.alerts import load_alert_policy
from alertd.errors import AlertdError
from alertd.records.alert import Alert, AlertKind, Change
from alertd.records.assessment import Level, Phase, WaterState
from tests.alerts.builders import (
    DAY,
    HOT,
    HOUR,
    MILD,
    MORNING,
    SITE,
    Story,
    kinds_of,
    outlook,
    pressure,
    spell,
    water,
    window,
)

NOON_WINDOW = window(MORNING + 26 * HOUR)


def test_every_kind_is_registered_once_with_its_own_calm() -> None:
    told = set(AlertKind) - {AlertKind.ALL_CLEAR}
    assert set(BY_NAME) == told
    assert len(KINDS) == len(told)
    assert set(load_alert_policy().calm) == {str(kind) for kind in told}


def test_figures_of_calm_never_pass_for_published() -> None:
    for calm in load_alert_policy().calm.values():
        for name in calm.__slots__:
            assert str(getattr(calm, name).status) == "common practice"
            assert "own choice" in getattr(calm, name).source


def test_a_hot_spell_and_a_window_in_the_same_minute_are_one_message() -> None:
    told = Story().see(MORNING, spells=(spell(Level.HIGH),), days=HOT, materials=(outlook(NOON_WINDOW),))
    assert kinds_of(told)[0] == "hot-dry-warning"
    assert "spray-window" in kinds_of(told)
    also = told[0].evidence["also"]
    assert (
        f"Spray window: {NOON_WINDOW.start_at.isoformat()}" in also[kinds_of(told).index("spray-window") - 1]
    )
    assert len(also) == len(told) - 1
    assert {alert.evidence["told_with"] for alert in told} == {told[0].id}


def test_each_alert_names_the_weaker_ones_only_so_any_reader_hears_all_that_is_left() -> None:
    told = Story().see(MORNING, spells=(spell(Level.HIGH),), days=HOT, materials=(outlook(NOON_WINDOW),))
    assert [len(alert.evidence["also"]) for alert in told] == list(range(len(told) - 1, -1, -1))


def test_one_alert_alone_is_told_with_nobody() -> None:
    story = Story().quieted(MORNING)
    (alert,) = story.see(MORNING, water=(water("hedge", WaterState.STRESSED), water("screen")))
    assert "also" not in alert.evidence
    assert "told_with" not in alert.evidence


def test_what_is_not_urgent_waits_for_the_next_day_with_its_episode_open() -> None:
    story = Story()
    assert story.see(MORNING) != ()  # the first look of the season
    dry = {"water": (water("hedge", WaterState.STRESSED), water("screen"))}
    assert story.see(MORNING + 6 * HOUR, **dry) == ()
    assert story.open[AlertKind.WATER_SHORT, ""].alerts == 0
    (alert,) = story.see(MORNING + 24 * HOUR, **dry)
    assert (alert.kind, alert.change) == (AlertKind.WATER_SHORT, Change.OPENED)
    assert story.see(MORNING + 30 * HOUR, **dry) == ()


def test_what_waited_and_is_over_is_never_told() -> None:
    story = Story()
    story.see(MORNING)
    story.see(MORNING + 6 * HOUR, water=(water("hedge", WaterState.STRESSED), water("screen")))
    for hours in range(24, 24 * 6, 12):
        assert "water-short" not in kinds_of(story.see(MORNING + hours * HOUR))
    assert (AlertKind.WATER_SHORT, "") not in story.open


def test_a_raise_does_not_wait_and_takes_along_what_waited() -> None:
    story = Story().quieted(MORNING)
    story.see(MORNING, spells=(spell(Level.WATCH),), days=HOT)
    dry = {"water": (water("hedge", WaterState.STRESSED), water("screen"))}
    assert story.see(MORNING + 6 * HOUR, spells=(spell(Level.WATCH),), days=HOT, **dry) == ()
    told = story.see(MORNING + 12 * HOUR, spells=(spell(Level.HIGH),), days=HOT, **dry)
    assert kinds_of(told) == ["hot-dry-warning", "water-short"]
    assert told[0].change is Change.RAISED


def test_late_in_the_evening_counts_as_the_next_day_because_it_is_read_then() -> None:
    story = Story().quieted(MORNING)
    late = MORNING + 15 * HOUR  # 21:00 on the site
    dry = (water("hedge", WaterState.STRESSED), water("screen"))
    assert kinds_of(story.see(late, water=dry)) == ["water-short"]
    assert story.see(late + 10 * HOUR, spells=(spell(Level.WATCH),), days=HOT, water=dry) == ()
    told = story.see(late + 24 * HOUR, spells=(spell(Level.WATCH),), days=HOT, water=dry)
    assert "hot-dry-warning" in kinds_of(told)


def test_useless_weather_opens_nothing_and_above_all_clears_nothing() -> None:
    story = Story().quieted(MORNING)
    story.see(MORNING, spells=(spell(Level.HIGH),), days=HOT)
    before = dict(story.open)
    for n in range(1, 8):
        story.see(MORNING + n * 12 * HOUR, age_h=40.0)
    assert story.open[AlertKind.HOT_DRY, ""].opened_at == before[AlertKind.HOT_DRY, ""].opened_at
    assert "all-clear" not in [kind for _, told in story.tellings for kind in kinds_of(told)]


def test_a_site_without_any_weather_says_so_at_once_and_again_only_after_two_days() -> None:
    story = Story()
    told = [kinds_of(story.see(MORNING + n * 12 * HOUR, blind=True)) for n in range(6)]
    assert told == [["weather-missing"], [], [], [], ["weather-missing"], []]


def test_stale_weather_still_warns_of_heat_but_finds_no_windows() -> None:
    told = Story().see(
        MORNING, spells=(spell(Level.HIGH),), days=HOT, materials=(outlook(NOON_WINDOW),), age_h=20.0
    )
    assert kinds_of(told) == ["hot-dry-warning", "weather-missing"]


def test_fresh_weather_ends_the_gap_once_it_has_lasted() -> None:
    story = Story().quieted(MORNING)
    story.see(MORNING, age_h=40.0)
    assert story.see(MORNING + HOUR) == ()
    assert "all-clear" in kinds_of(story.see(MORNING + 25 * HOUR))


def test_a_subject_that_is_gone_closes_without_a_word() -> None:
    story = Story().quieted(MORNING)
    story.see(MORNING, pressures=(pressure(score=75.0), pressure("spruce")))
    assert (AlertKind.MITE_PRESSURE, "twospotted") in story.open
    told = story.see(MORNING + DAY, pressures=(pressure("spruce"),))
    assert (AlertKind.MITE_PRESSURE, "twospotted") not in story.open
    assert "all-clear" not in kinds_of(told)


def test_a_new_kind_fits_without_touching_the_others() -> None:
    """A kind is a name, what it finds and a sentence; the machine does the rest."""

    def find(sight: Sight) -> list[Finding]:
        from alertd.alerts.evidence import base

        return [Finding(AlertKind.MILESTONE, "own", Level.WATCH, base(sight.site, None), news="x")]

    own = Kind(AlertKind.MILESTONE, find, lambda alert: "x", needs=Need.NOTHING)
    decisions = decide(SITE, None, [], [], MORNING, kinds=(own,))
    assert [alert.subject for alert in decisions.alerts] == ["own"]


def test_a_kind_that_asks_for_weather_that_is_not_there_is_told_so() -> None:
    with pytest.raises(AlertdError, match="site-1"):
        _ = Sight(SITE, None, MORNING, load_alert_policy()).assessment


def test_decisions_are_the_same_every_time() -> None:
    once, twice = Story(), Story()
    seen = {"spells": (spell(Level.HIGH),), "days": HOT, "materials": (outlook(NOON_WINDOW),)}
    assert once.see(MORNING, **seen) == twice.see(MORNING, **seen)
    assert once.open == twice.open


def test_only_changed_episodes_are_handed_back() -> None:
    story = Story()
    story.see(MORNING)
    seen = decide(SITE, None, story.open.values(), [], MORNING + HOUR)
    assert {episode.kind for episode in seen.episodes} >= {AlertKind.WEATHER_MISSING}
    quiet = Story().quieted(MORNING)
    from tests.alerts.builders import assessment

    again = decide(SITE, assessment(MORNING), quiet.open.values(), [], MORNING)
    assert again.alerts == ()
    assert again.episodes == ()


scores = st.sampled_from([5.0, 40.0, 48.0, 60.0, 75.0, 95.0])
looks = st.fixed_dictionaries(
    {
        "spells": st.sampled_from([(), (spell(Level.WATCH),), (spell(Level.HIGH),), (spell(Level.SEVERE),)]),
        "days": st.sampled_from([HOT, MILD]),
        "pressures": st.tuples(
            st.builds(pressure, st.just("twospotted"), scores),
            st.builds(
                pressure, st.just("spruce"), scores, phase=st.sampled_from([Phase.ACTIVE, Phase.SUMMER_REST])
            ),
        ),
        "water": st.tuples(
            st.builds(water, st.just("hedge"), st.sampled_from(WaterState)),
            st.builds(water, st.just("screen"), st.sampled_from(WaterState)),
        ),
        "open": st.booleans(),
        "age_h": st.sampled_from([1.0, 1.0, 1.0, 20.0, 40.0]),
    }
)


def urgent(alert: Alert) -> bool:
    return (
        alert.change is Change.RAISED
        or alert.level >= Level.HIGH
        or alert.kind is AlertKind.WEATHER_MISSING
        or (alert.kind is AlertKind.SPRAY_WINDOW and "has closed" in " ".join(alert.evidence["changes"]))
    )


@settings(max_examples=60, deadline=None)
@given(
    seen=st.lists(looks, min_size=5, max_size=40),
    start=st.sampled_from([MORNING, dt.datetime(2025, 10, 25, 4, tzinfo=dt.UTC)]),
)
def test_whatever_the_weather_a_site_speaks_once_a_day_unless_it_is_urgent(
    seen: list[dict[str, Any]], start: dt.datetime
) -> None:
    """Also across the end of summer time (2 November 2025 in New York)."""
    story = Story()
    for n, look in enumerate(seen):
        now = start + n * 12 * HOUR
        look = dict(look)
        windows = (window(now + 20 * HOUR),) if look.pop("open") else ()
        story.see(now, materials=(outlook(*windows),), **look)
    heard: set[dt.date] = set()
    for at, told in story.tellings:
        day = (at.astimezone(ZoneInfo(SITE.zone)).replace(tzinfo=None) + 4 * HOUR).date()
        assert day not in heard or any(urgent(alert) for alert in told)
        heard.add(day)
    alerts = [alert for _, told in story.tellings for alert in told]
    assert len({alert.id for alert in alerts}) == len(alerts)
    for episode in story.closed:
        mine = [alert for alert in alerts if alert.episode_id == episode.id]
        assert sum(alert.change is Change.CLOSED for alert in mine) <= 1
        assert [alert.sequence for alert in mine] == list(range(1, len(mine) + 1))
