"""Each kind finds what it is for, says what changed, and lets go at its own off limits."""

from __future__ import annotations

import dataclasses
import datetime as dt
import itertools

import pytest

from alertd.alerts.evidence import pressures
from alertd.alerts.instead import instead_of_spraying
from alertd.catalog.materials import load_materials
from alertd.records.alert import Alert, AlertKind, Change
from alertd.records.assessment import Level, Phase, WaterState
from alertd.records.site import Irrigation, Planting
from tests.alerts.builders import (
    DAY,
    HOT,
    HOUR,
    MILD,
    MORNING,
    SITE,
    TODAY,
    Story,
    days,
    kinds_of,
    outlook,
    pressure,
    spell,
    water,
    window,
)

RESTING = (pressure(phase=Phase.WINTER_REST, degree_days_c_d=0.0),)


def of(told: tuple[Alert, ...], kind: AlertKind) -> Alert | None:
    return next((alert for alert in told if alert.kind is kind), None)


def hot_story(**changes: object) -> Story:
    story = Story(dataclasses.replace(SITE, materials=())).quieted(MORNING)
    assert kinds_of(story.see(MORNING, spells=(spell(Level.WATCH, **changes),), days=HOT)) == [
        "hot-dry-warning"
    ]
    return story


# hot-dry


def test_no_hot_dry_warning_while_every_mite_rests() -> None:
    assert "hot-dry-warning" not in kinds_of(
        Story().see(MORNING, spells=(spell(Level.SEVERE),), days=HOT, pressures=RESTING)
    )


def test_a_spell_that_vanishes_from_the_forecast_just_below_the_limit_is_held() -> None:
    """28 degC is neither a hot day (29.4) nor a cool one (27): on and off limits lie apart."""
    story = hot_story(start_day=TODAY - 3 * DAY, observed_days=3)
    for n in range(1, 9):
        assert story.see(MORNING + n * 12 * HOUR, days=MILD) == ()
    assert (AlertKind.HOT_DRY, "") in story.open
    (clear,) = story.see(MORNING + 9 * 12 * HOUR, days=MILD)
    assert clear.kind is AlertKind.ALL_CLEAR


def test_another_spell_after_the_told_one_is_told_although_the_episode_stands() -> None:
    """A rain parts the two: readers of the first message have not heard of the days of the second."""
    story = hot_story(start_day=TODAY, end_day=TODAY + 6 * DAY)
    later = spell(Level.WATCH, start_day=TODAY + 9 * DAY, end_day=TODAY + 14 * DAY)
    (told,) = story.see(MORNING + 5 * DAY, spells=(later,), days=HOT)
    assert told.kind is AlertKind.HOT_DRY
    assert told.evidence["spell"]["start_day"] == (TODAY + 9 * DAY).isoformat()
    assert told.evidence["changes"] == [
        f"The spell of the last message was over by {TODAY + 6 * DAY}; this is another one."
    ]
    assert story.see(MORNING + 6 * DAY, spells=(later,), days=HOT) == ()


def test_a_spell_that_only_grows_longer_is_no_news() -> None:
    story = hot_story(start_day=TODAY, end_day=TODAY + 6 * DAY)
    longer = spell(Level.WATCH, start_day=TODAY, end_day=TODAY + 10 * DAY)
    assert story.see(MORNING + 2 * DAY, spells=(longer,), days=HOT) == ()


def test_cool_days_in_a_row_end_a_spell_after_a_day() -> None:
    story = hot_story(start_day=TODAY - 3 * DAY, observed_days=3)
    cool = days([31.0, 31.0, 30.0, 30.0, 26.0, 26.5, 26.9, 28.0, 28.0, 28.0, 28.0])
    assert story.see(MORNING + 12 * HOUR, days=cool) == ()
    assert story.see(MORNING + 24 * HOUR, days=cool) == ()
    (clear,) = story.see(MORNING + 36 * HOUR, days=cool)
    assert clear.kind is AlertKind.ALL_CLEAR
    assert "3 days in a row from 2025-07-17 stay below 27 degC" in clear.evidence["closed_because"]


def test_two_cool_days_are_not_enough() -> None:
    story = hot_story(start_day=TODAY - 3 * DAY, observed_days=3)
    cool = days([31.0, 31.0, 30.0, 30.0, 26.0, 26.5, 28.0, 28.0, 28.0, 28.0, 28.0])
    for n in range(1, 8):
        assert story.see(MORNING + n * 12 * HOUR, days=cool) == ()


def test_an_observed_soaking_rain_ends_a_spell_at_once_a_shower_does_not() -> None:
    story = hot_story(start_day=TODAY - 3 * DAY, observed_days=3)
    tomorrow = MORNING + DAY

    def rained(depth_mm: float) -> dict[str, object]:
        seen = days([28.0] * 11, [0.0, 0.0, depth_mm, *[0.0] * 8])
        return {"days": tuple(dataclasses.replace(day, day=day.day + DAY) for day in seen)}

    assert story.see(tomorrow, **rained(11.9)) == ()
    (clear,) = story.see(tomorrow + HOUR, **rained(12.0))
    assert clear.evidence["closed_because"] == "A soaking rain of 12 mm fell on 2025-07-16."


def test_a_spell_that_never_began_is_called_off_when_the_forecast_is_far_from_one() -> None:
    story = hot_story()
    for n in range(1, 3):
        assert story.see(MORNING + n * 12 * HOUR, days=MILD) == ()
    (clear,) = story.see(MORNING + 36 * HOUR, days=MILD)
    assert "did not begin" in clear.evidence["closed_because"]


def test_a_forecast_that_flips_from_evening_to_morning_sends_nothing_twice() -> None:
    story = hot_story()
    for n in range(1, 21):
        seen = {"spells": (spell(Level.WATCH),), "days": HOT} if n % 2 else {"days": MILD}
        assert story.see(MORNING + n * 12 * HOUR, **seen) == ()


def test_unknown_hours_that_could_hide_a_spell_clear_nothing() -> None:
    story = hot_story()
    for n in range(1, 8):
        assert story.see(MORNING + n * 12 * HOUR, days=MILD, spell_doubtful=True) == ()


def test_a_raise_says_what_became_of_the_days() -> None:
    story = hot_story()
    told = story.see(MORNING + 12 * HOUR, spells=(spell(Level.HIGH, end_day=TODAY + 9 * DAY),), days=HOT)
    assert told[0].evidence["changes"] == [
        "The level went up from watch to high.",
        "It now runs to 2025-07-25, longer than the 2025-07-22 of before.",
    ]


@pytest.mark.parametrize("level", [Level.WATCH, Level.HIGH, Level.SEVERE])
def test_the_rule_that_decided_stands_with_its_source(level: Level) -> None:
    told = Story().see(MORNING, spells=(spell(level),), days=HOT)
    rule = of(told, AlertKind.HOT_DRY)
    assert rule is not None
    assert rule.evidence["rule"]["name"] == level.name.lower()
    assert rule.evidence["rule"]["status"] == "common practice"
    assert rule.evidence["clears_when"][0] == "a day with 12 mm of rain or more"


# mite pressure


def test_pressure_is_told_by_species_at_the_levels_of_the_catalog() -> None:
    story = Story().quieted(MORNING)
    told = story.see(MORNING, pressures=(pressure(score=71.0), pressure("spruce", 30.0)))
    assert [(alert.subject, alert.level) for alert in told if alert.kind is AlertKind.MITE_PRESSURE] == [
        ("twospotted", Level.HIGH)
    ]
    assert told[0].evidence["pressures"][0]["species"] == "twospotted"
    assert len(told[0].evidence["pressures"]) == 1


def test_watch_rides_along_or_speaks_alone_after_a_week() -> None:
    story = Story().quieted(MORNING)
    told = [
        kinds_of(story.see(MORNING + n * 24 * HOUR, pressures=(pressure(score=48.0),), materials=()))
        for n in range(9)
    ]
    first = next(n for n, kinds in enumerate(told) if "mite-pressure" in kinds)
    assert 0 < first <= 7


def test_a_score_just_below_the_level_holds_it_and_well_below_ends_it() -> None:
    story = Story().quieted(MORNING)
    story.see(MORNING, pressures=(pressure(score=72.0),))
    for n in range(1, 6):
        story.see(MORNING + n * 24 * HOUR, pressures=(pressure(score=38.0),))
    assert story.open[AlertKind.MITE_PRESSURE, "twospotted"].level == Level.WATCH
    for n in range(6, 12):
        story.see(MORNING + n * 24 * HOUR, pressures=(pressure(score=30.0),))
    assert (AlertKind.MITE_PRESSURE, "twospotted") not in story.open
    ends = [alert for _, told in story.tellings for alert in told if alert.kind is AlertKind.ALL_CLEAR]
    assert [alert.evidence["closes_kind"] for alert in ends] == ["mite-pressure"]
    assert "fallen to 30 of 100" in ends[0].evidence["closed_because"]


def test_a_species_at_rest_is_never_told_whatever_its_score() -> None:
    told = Story().see(MORNING, pressures=(pressure(score=95.0, phase=Phase.SUMMER_REST),))
    assert "mite-pressure" not in kinds_of(told)


def test_a_score_that_is_not_known_opens_nothing_and_clears_nothing() -> None:
    story = Story().quieted(MORNING)
    story.see(MORNING, pressures=(pressure(score=72.0),))
    for n in range(1, 8):
        story.see(MORNING + n * 24 * HOUR, pressures=(pressure(score=0.0, known=False),))
    assert story.open[AlertKind.MITE_PRESSURE, "twospotted"].level == Level.HIGH
    fresh = Story().see(MORNING, pressures=(pressure(score=0.0, known=False),))
    assert "mite-pressure" not in kinds_of(fresh)


# water


def test_a_dry_planting_is_told_once_and_another_one_is_news() -> None:
    story = Story().quieted(MORNING)
    one = (water("hedge", WaterState.STRESSED), water("screen"))
    both = (water("hedge", WaterState.STRESSED), water("screen", WaterState.STRESSED))
    (first,) = story.see(MORNING, water=one)
    assert [short["plant"] for short in first.evidence["short"]] == ["front hedge (burning bush)"]
    told = [story.see(MORNING + n * 24 * HOUR, water=both) for n in range(1, 8)]
    changed = [alert for alerts in told for alert in alerts if alert.kind is AlertKind.WATER_SHORT]
    assert len(changed) == 1
    assert changed[0].evidence["changes"] == ["Short of water now as well: north screen (spruce)."]


def test_water_that_runs_out_within_two_days_is_told_only_if_all_watering_is_known() -> None:
    soon = TODAY + 2 * DAY
    story = Story().quieted(MORNING)
    assert story.see(MORNING, water=(water("hedge"), water("screen", stressed_on=soon))) == ()
    (alert,) = story.see(MORNING + HOUR, water=(water("hedge", stressed_on=soon), water("screen")))
    assert alert.evidence["short"][0]["stressed_on"] == soon.isoformat()
    assert Story().quieted(MORNING).see(MORNING, water=(water("hedge", stressed_on=soon + DAY),)) == ()


def test_a_new_planting_past_its_interval_is_of_a_high_level() -> None:
    young = Planting("hedge", "burning_bush", planted_on=TODAY - 20 * DAY, irrigation=Irrigation.NONE)
    story = Story(dataclasses.replace(SITE, plantings=(young,)))
    told = story.see(
        MORNING, water=(water("hedge", WaterState.STRESSED, reason="no known water for 5 days"),)
    )
    alert = of(told, AlertKind.WATER_SHORT)
    assert alert is not None
    assert alert.level == Level.HIGH
    assert alert.evidence["short"][0]["new_planting"] is True


def test_an_unknown_account_does_not_end_the_shortage() -> None:
    story = Story().quieted(MORNING)
    story.see(MORNING, water=(water("hedge", WaterState.STRESSED),))
    for n in range(1, 8):
        story.see(MORNING + n * 24 * HOUR, water=(water("hedge", WaterState.UNKNOWN),))
    assert (AlertKind.WATER_SHORT, "") in story.open
    for n in range(8, 12):
        story.see(MORNING + n * 24 * HOUR, water=(water("hedge"),))
    assert (AlertKind.WATER_SHORT, "") not in story.open


# spray windows

PRESSED = {"pressures": (pressure(score=60.0),)}


def spraying(told: tuple[Alert, ...]) -> list[str]:
    alert = of(told, AlertKind.SPRAY_WINDOW)
    return [] if alert is None else [alert.evidence["spray_state"], *alert.evidence["changes"]]


def test_no_word_of_windows_while_no_treatment_is_in_question() -> None:
    assert spraying(Story().see(MORNING, materials=(outlook(window(MORNING + DAY)),))) == []


def test_no_word_of_windows_without_chosen_materials() -> None:
    story = Story(dataclasses.replace(SITE, materials=()))
    assert spraying(story.see(MORNING, materials=(), **PRESSED)) == []


def test_a_window_is_told_with_rule_scouting_and_what_would_change_it() -> None:
    told = Story().see(MORNING, materials=(outlook(window(MORNING + DAY)),), **PRESSED)
    alert = of(told, AlertKind.SPRAY_WINDOW)
    assert alert is not None
    assert alert.evidence["spray_state"] == "open"
    assert alert.evidence["rule"]["figures"]["need_pressure"] == 50.0
    assert alert.evidence["scouting"]
    assert alert.evidence["clears_when"]
    assert alert.expires_at == MORNING + DAY + 4 * HOUR
    assert "instead" not in alert.evidence


def test_no_window_says_what_can_be_done_instead() -> None:
    told = Story().see(MORNING, **PRESSED)
    alert = of(told, AlertKind.SPRAY_WINDOW)
    assert alert is not None
    assert alert.evidence["spray_state"] == "none"
    names = [way["name"] for way in alert.evidence["instead"]]
    assert names == ["Wash.", "Water.", "Scout.", "Prune out.", "Predators."]
    assert alert.evidence["materials"][0]["blocked_until"] is None
    assert alert.evidence["materials"][0]["reasons"] == ["too hot", "too windy"]


def test_blocked_until_is_the_start_of_a_window_that_is_long_enough() -> None:
    short, useful = window(MORNING + 80 * HOUR, 1), window(MORNING + 90 * HOUR, 3)
    alert = of(Story().see(MORNING, materials=(outlook(short, useful),), **PRESSED), AlertKind.SPRAY_WINDOW)
    assert alert is not None
    assert alert.evidence["spray_state"] == "none"  # beyond the three days looked ahead
    assert alert.evidence["materials"][0]["blocked_until"] == useful.start_at.isoformat()
    assert alert.evidence["materials"][0]["name"] == load_materials()["soap"].name


def test_in_anothers_message_a_far_window_is_named_by_its_beginning() -> None:
    far = window(MORNING + 90 * HOUR)
    told = Story().see(MORNING, materials=(outlook(far),), spells=(spell(Level.HIGH),), days=HOT)
    assert f"Spraying: no usable window before {far.start_at.isoformat()}." in told[0].evidence["also"]


def open_story(start: dt.datetime = MORNING + 30 * HOUR) -> Story:
    story = Story().quieted(MORNING)
    assert spraying(story.see(MORNING, materials=(outlook(window(start)),), **PRESSED)) == ["open"]
    return story


def test_a_window_that_shifts_by_hours_on_its_day_is_no_news() -> None:
    story = open_story()
    for n in (1, 5, 12, 20):
        seen = (outlook(window(MORNING + (28 + n / 5) * HOUR)),)
        assert spraying(story.see(MORNING + n * HOUR, materials=seen, **PRESSED)) == []


def test_a_window_that_closes_the_day_before_is_withdrawn_at_once() -> None:
    told = open_story().see(MORNING + 12 * HOUR, materials=(outlook(),), **PRESSED)
    assert spraying(told) == ["none", "The window announced for 2025-07-17 has closed."]


def test_a_withdrawn_window_that_flips_on_is_not_told_over_and_over() -> None:
    story = open_story(MORNING + 60 * HOUR)
    words = []
    for n in range(1, 5):
        seen = outlook(window(MORNING + 60 * HOUR)) if n % 2 == 0 else outlook()
        words += spraying(story.see(MORNING + n * 12 * HOUR, materials=(seen,), **PRESSED))
    assert len([word for word in words if word in {"open", "none"}]) <= 1


def test_a_window_that_has_begun_is_not_withdrawn_because_its_rest_is_short() -> None:
    story = open_story(MORNING + 6 * HOUR)
    assert spraying(story.see(MORNING + 9 * HOUR, materials=(outlook(),), **PRESSED)) == []


def test_a_window_after_none_is_told_once_two_forecasts_agree() -> None:
    story = Story().quieted(MORNING)
    assert spraying(story.see(MORNING, **PRESSED))[0] == "none"
    mornings = [window(MORNING + (30 + 24 * n) * HOUR) for n in range(9)]
    told = []
    for n in range(1, 9):
        now = MORNING + n * 12 * HOUR
        ahead = outlook(*(one for one in mornings if one.start_at > now))
        told.append(spraying(story.see(now, materials=(ahead,), **PRESSED)))
    spoken = [words for words in told if words]
    assert spoken == [["open", "A window has opened; the last message saw none."]]
    assert told.index(spoken[0]) == 5  # three days after the last word on spraying


def test_predator_advice_minds_hot_dry_air() -> None:
    hot, mild = instead_of_spraying(HOT)[-1], instead_of_spraying(())[-1]
    assert "Stethorus" in hot["text"]
    assert "Ferrero" in hot["source"]
    assert "mild, moist air" in mild["text"]
    assert all(len(way["text"]) <= 300 for way in instead_of_spraying(HOT))


# scouting


def looks(told: tuple[Alert, ...]) -> dict[str, str]:
    alert = of(told, AlertKind.SCOUTING_DUE)
    return {} if alert is None else {look["species"]: look["why"] for look in alert.evidence["looks"]}


def test_the_first_look_comes_when_a_species_becomes_active_and_only_once() -> None:
    story = Story()
    assert looks(story.see(MORNING, pressures=RESTING)) == {}
    waking = (pressure(score=5.0, degree_days_c_d=205.0, generations=0.0),)
    why = looks(story.see(MORNING + DAY, pressures=waking))
    assert why == {
        "twospotted": "the first look of the season: 205 degC d since 2025-01-01, "
        "the time of overwintered females"
    }
    for n in range(2, 40):
        assert looks(story.see(MORNING + n * DAY, pressures=waking)) == {}


def test_where_degree_days_are_not_known_the_first_look_says_so_and_no_milestone_is_told() -> None:
    story = Story()
    blind = (pressure(score=50.0, degree_days_c_d=None, generations=0.0),)
    told = story.see(MORNING, pressures=blind)
    assert looks(told) == {"twospotted": "the first look here; it is active now"}
    assert milestones(told) == []
    due = [n for n in range(1, 16) if looks(story.see(MORNING + n * DAY, pressures=blind, materials=()))]
    assert due == [14]


def test_a_degree_day_window_that_opens_asks_for_a_look() -> None:
    story = Story()
    story.see(MORNING, pressures=(pressure(score=5.0, degree_days_c_d=400.0),))
    why = looks(story.see(MORNING + 5 * DAY, pressures=(pressure(score=5.0, degree_days_c_d=723.0),)))
    assert why == {"twospotted": "the time of summer build-up has come"}


@pytest.mark.parametrize(("score", "interval"), [(50.0, 14), (75.0, 7)])
def test_while_mites_press_a_round_is_due_by_interval(score: float, interval: int) -> None:
    story = Story()
    seen = (pressure(score=score),)
    due = [n for n in range(30) if looks(story.see(MORNING + n * DAY, pressures=seen, materials=()))]
    assert due[0] == 0
    assert all(gap >= interval for gap in (b - a for a, b in itertools.pairwise(due)))
    assert len(due) >= 2


def test_a_message_that_asks_to_look_starts_the_interval_anew() -> None:
    story = Story()
    story.see(MORNING, pressures=(pressure(score=50.0),), materials=())
    story.see(
        MORNING + 10 * DAY,
        pressures=(pressure(score=50.0),),
        materials=(),
        spells=(spell(Level.HIGH),),
        days=HOT,
    )
    for n in range(11, 24):
        seen = story.see(
            MORNING + n * DAY,
            pressures=(pressure(score=50.0),),
            materials=(),
            spells=(spell(Level.HIGH),),
            days=HOT,
        )
        assert looks(seen) == {}


def test_looks_due_within_days_make_one_round() -> None:
    story = Story()
    story.see(MORNING, pressures=(pressure(score=50.0),), materials=())
    both = (pressure(score=50.0), pressure("spruce", 50.0, degree_days_c_d=20.0))
    why = looks(story.see(MORNING + 12 * DAY, pressures=both, materials=()))
    assert set(why) == {"twospotted", "spruce"}
    assert why["twospotted"] == "due within days, so it goes with this round"


# milestones


def milestones(told: tuple[Alert, ...]) -> list[str]:
    alert = of(told, AlertKind.MILESTONE)
    return [] if alert is None else [stone["milestone"] for stone in alert.evidence["milestones"]]


def spruce(degree_days_c_d: float, **changes: object) -> tuple[object, ...]:
    return (pressure("spruce", 5.0, degree_days_c_d=degree_days_c_d, generations=0.1, **changes),)


def test_egg_hatch_is_told_when_it_begins_and_once() -> None:
    story = Story()
    assert milestones(story.see(MORNING, pressures=spruce(20.0, phase=Phase.WINTER_REST))) == []
    told = story.see(MORNING + DAY, pressures=spruce(28.0))
    assert milestones(told) == ["hatch"]
    assert of(told, AlertKind.MILESTONE).evidence["milestones"][0]["text"] == (  # type: ignore[union-attr]  # asserted above
        "egg hatch begins (28 degC d since 2025-01-01)"
    )
    for n in range(2, 10):
        assert milestones(story.see(MORNING + n * DAY, pressures=spruce(30.0))) == []


def test_females_that_wintered_are_told_when_they_wake() -> None:
    told = Story().see(MORNING, pressures=(pressure(score=5.0, degree_days_c_d=205.0, generations=0.0),))
    assert milestones(told) == ["wake"]


def test_a_site_that_is_seen_late_hears_of_no_hatch_long_past() -> None:
    story = Story()
    assert milestones(story.see(MORNING, pressures=spruce(500.0))) == []
    assert story.open[AlertKind.MILESTONE, ""].alerts == 0


def test_the_first_adults_are_foretold_days_ahead() -> None:
    story = Story()
    story.see(MORNING, pressures=spruce(80.0))
    seen = spruce(85.0, next_adults_on=TODAY + 6 * DAY)
    told = story.see(MORNING + 4 * DAY, pressures=seen)
    assert milestones(told) == ["adults"]
    stone = of(told, AlertKind.MILESTONE).evidence["milestones"][0]  # type: ignore[union-attr]  # asserted above
    assert stone["expected_on"] == "2025-07-22"


def test_generations_are_told_along_with_other_messages_and_only_the_first_ones() -> None:
    story = Story()
    story.see(MORNING, pressures=(pressure(score=5.0, generations=0.9),))
    begun = (pressure(score=5.0, generations=1.1),)
    assert milestones(story.see(MORNING + 5 * DAY, pressures=begun)) == []
    dry = (water("hedge", WaterState.STRESSED),)
    assert milestones(story.see(MORNING + 6 * DAY, pressures=begun, water=dry)) == ["generation-2"]
    later = (pressure(score=5.0, generations=3.1),)
    assert milestones(story.see(MORNING + 30 * DAY, pressures=later)) == []


def test_at_the_end_of_the_season_the_memory_closes_without_a_word() -> None:
    story = Story()
    story.see(MORNING, pressures=spruce(28.0))
    for n in range(1, 15):
        assert story.see(MORNING + n * DAY, pressures=spruce(900.0, phase=Phase.SEASON_OVER)) == ()
    assert (AlertKind.MILESTONE, "") not in story.open


def test_every_alert_knows_a_sentence_for_others_to_name_it() -> None:
    told = Story().see(
        MORNING,
        spells=(spell(Level.HIGH),),
        days=HOT,
        pressures=(pressure(score=72.0, degree_days_c_d=205.0, generations=0.0),),
        water=(water("hedge", WaterState.STRESSED),),
    )
    assert set(kinds_of(told)) == {str(kind) for kind in AlertKind} - {"all-clear", "weather-missing"}
    for sentence in told[0].evidence["also"]:
        assert sentence.endswith(".")
        assert 15 < len(sentence) < 200
    assert told[0].change is Change.OPENED


def test_evidence_says_where_the_growth_figures_of_a_mite_are_provisional() -> None:
    found = pressures([pressure(key) for key in ("twospotted", "spruce", "european_red")], SITE)
    told = {one["species"]: one.get("provisional") for one in found}
    assert told["twospotted"] is None
    assert "no curve is published" in str(told["spruce"])
    assert "hot end is provisional" in str(told["european_red"])
