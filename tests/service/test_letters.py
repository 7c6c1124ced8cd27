from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from alertd.records.assessment import (
    Assessment,
    HotDrySpell,
    Level,
    MaterialOutlook,
    Phase,
    SprayWindow,
    WaterState,
    WaterStatus,
)
from alertd.records.brief import WaitingAlert
from alertd.records.site import Site
from alertd.science.spray_reasons import REASON_WORDS, Reason
from alertd.service.letters import ENTRIES_MAX, digest_entries, evening_lines, has_news, weekly_lines
from alertd.store.store import open_store
from tests.alerts.builders import pressure
from tests.assess.skies import DAY, HOT, MILD, at, truth_of
from tests.service.world import Provider, World, site
from tests.store.builders import make_alert, make_site

HOUR = dt.timedelta(hours=1)
NOW = dt.datetime(2026, 7, 16, 19, tzinfo=dt.UTC)  # Thursday, 15:00 in New York
TODAY = dt.date(2026, 7, 16)
MIDNIGHT = dt.datetime(2026, 7, 17, 4, tzinfo=dt.UTC)


def place(key: str) -> Site:
    return site(key, zone="America/New_York", materials=("soap",))


def spell(level: Level, starts_in_d: int, days: int = 3) -> HotDrySpell:
    start = TODAY + starts_in_d * DAY
    return HotDrySpell(
        start, start + (days - 1) * DAY, 0, days, False, level, "invented", 35.0, 0.0, 10.0, 3.0, starts_in_d
    )


def thirsty(one: Site, state: WaterState, stressed_on: dt.date | None = None) -> WaterStatus:
    return WaterStatus(one.plantings[0].id, state, 10.0, 20.0, 40.0, "invented", None, stressed_on)


def window(start: dt.datetime, hours: int) -> SprayWindow:
    return SprayWindow("soap", start, start + hours * HOUR, ("gusts",), (), 0.5, 0.7, start)


def judged(
    one: Site,
    *,
    spells: tuple[HotDrySpell, ...] = (),
    water: tuple[WaterStatus, ...] = (),
    windows: tuple[SprayWindow, ...] = (),
    age_h: int = 1,
    reason: Reason = Reason.WIND_HIGH,
) -> Assessment:
    bits = np.full(24 * 7, int(reason), dtype=np.int64)
    outlook = MaterialOutlook("soap", windows, bits, np.zeros_like(bits), None, ("too hot",))
    as_of = NOW - age_h * HOUR
    return Assessment(
        one.id, NOW, as_of, as_of, "invented", "made up", NOW, (), (), spells, water, (outlook,)
    )


def test_the_most_pressing_site_stands_first_and_the_unknown_last() -> None:
    quiet, dry, hot, soon, blind, old = (place(key) for key in ("a", "b", "c", "d", "e", "f"))
    found = {
        "a": judged(quiet),
        "b": judged(dry, water=(thirsty(dry, WaterState.CAUTION),)),
        "c": judged(hot, spells=(spell(Level.SEVERE, 2),)),
        "d": judged(
            soon, water=(thirsty(soon, WaterState.OK, TODAY + 3 * DAY),), spells=(spell(Level.WATCH, 1),)
        ),
        "f": judged(old, spells=(spell(Level.SEVERE, 2),), age_h=200),
    }
    lines = weekly_lines([quiet, dry, hot, soon, blind, old], found, NOW)
    assert [one.site_id for one in lines] == ["c", "d", "b", "a", "e", "f"]
    assert [one.level for one in lines[:4]] == [Level.SEVERE, Level.WATCH, Level.WATCH, Level.NONE]
    assert [one.known for one in lines] == [True, True, True, True, False, False]
    assert lines[3].actions == ("Nothing beyond the usual round.",)
    assert lines[5].windows == ()


def test_only_the_coming_week_counts() -> None:
    one = place("a")
    later = judged(
        one, spells=(spell(Level.SEVERE, 8),), water=(thirsty(one, WaterState.OK, TODAY + 9 * DAY),)
    )
    (line,) = weekly_lines([one], {"a": later}, NOW)
    assert (line.level, line.spell_start_day, line.dry_on) == (Level.NONE, None, None)


def test_a_week_names_the_first_window_and_an_evening_those_of_tomorrow_alone() -> None:
    one = place("a")
    windows = (
        window(NOW + HOUR, 3),  # this evening
        window(MIDNIGHT - 2 * HOUR, 6),  # across midnight
        window(MIDNIGHT + 8 * HOUR, 4),
        window(MIDNIGHT + 23 * HOUR, 3),
    )
    found = {"a": judged(one, windows=windows)}
    (weekly,) = weekly_lines([one], found, NOW)
    assert [line.start_at for line in weekly.windows] == [NOW + HOUR]
    (evening,) = evening_lines([one], found, NOW)
    spans = [(line.start_at, line.end_at) for line in evening.windows]
    assert spans[:2] == [
        (MIDNIGHT, MIDNIGHT + 4 * HOUR),
        (MIDNIGHT + 8 * HOUR, MIDNIGHT + 12 * HOUR),
    ]
    assert all(MIDNIGHT <= start < end <= MIDNIGHT + 24 * HOUR for start, end in spans)
    # The chance of a window is not that of a part of it.
    assert [line.chance for line in evening.windows[:2]] == [None, 0.7]


def test_an_evening_says_what_closes_tomorrow_and_not_the_whole_forecast() -> None:
    one = place("a")
    (line,) = evening_lines([one], {"a": judged(one)}, NOW)
    ((_, reasons),) = line.closed
    assert reasons == (REASON_WORDS[Reason.WIND_HIGH],)
    short = judged(one)
    ended = replace(short.materials[0], block_bits=short.materials[0].block_bits[:5])
    (line,) = evening_lines([one], {"a": replace(short, materials=(ended,))}, NOW)
    assert line.closed[0][1] == (REASON_WORDS[Reason.HORIZON_END],)


@pytest.mark.parametrize(
    ("now", "hours"),
    [
        ("2026-03-07T22:00", 23),  # clocks go forward on 8 March 2026 in New York (IANA)
        ("2026-10-31T21:00", 25),  # and back on 1 November
    ],
)
def test_tomorrow_is_as_long_as_the_clocks_make_it(now: str, hours: int) -> None:
    moment = dt.datetime.fromisoformat(now).replace(tzinfo=dt.UTC)
    one = place("a")
    whole = judged(one, windows=(window(moment, 60),))
    whole = replace(whole, made_at=moment, data_as_of=moment, start_at=moment)
    (line,) = evening_lines([one], {"a": whole}, moment)
    (found,) = line.windows
    assert found.end_at - found.start_at == hours * HOUR


def test_real_assessments_make_briefs(tmp_path: Path) -> None:
    first = dt.date(2025, 4, 1)
    now = at(first + 31 * DAY)
    with open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True) as store:
        world = World(store, Provider(truth_of(first, [MILD] * 35 + [HOT] * 40)))
        sites = [site("a", materials=("soap",)), site("b", 45.0)]
        world.add(sites[:1], now)
        world.cycle.run(now)
        looks = world.outlooks.look(sites, now)
    found = {look.site.id: look.assessment for look in looks if look.assessment is not None}
    known, blind = weekly_lines(sites, found, now)
    assert (known.level, known.spell_start_day) == (Level.HIGH, first + 35 * DAY)
    assert known.dry_plants == ("Rose",)
    assert "Look at the plants before the hot days and again in their middle." in known.actions
    assert not blind.known


def test_a_digest_too_long_for_one_mail_leaves_the_rest_waiting() -> None:
    waiting = [
        WaitingAlert(f"m{n}", make_alert("s1", f"a{n}", f"e{n}"), make_site(site_id="s1"), False, 0, True)
        for n in range(ENTRIES_MAX + 5)
    ]
    found = digest_entries(waiting, NOW)
    assert len(found.entries) == len(found.told) == ENTRIES_MAX
    assert found.dropped == ()


def test_what_could_not_be_judged_is_named_and_never_taken_as_good_news() -> None:
    one = place("a")
    found = replace(judged(one, water=(thirsty(one, WaterState.UNKNOWN),)), spell_doubtful=True)
    (line,) = weekly_lines([one], {"a": found}, NOW)
    assert [words in gap for words, gap in zip(("spell", "Rose"), line.gaps, strict=True)] == [True, True]
    assert line.actions[0] == "Look for yourself where nothing could be judged."


TONIGHT, TOMORROW = window(NOW + HOUR, 3), window(MIDNIGHT + 8 * HOUR, 4)


@pytest.mark.parametrize(
    ("windows", "phase", "age_h", "news"),
    [
        ((TOMORROW,), Phase.ACTIVE, 1, True),
        ((TONIGHT,), Phase.ACTIVE, 1, True),  # tomorrow loses what today has
        ((TONIGHT, TOMORROW), Phase.ACTIVE, 1, True),
        ((), Phase.ACTIVE, 1, False),
        ((window(MIDNIGHT + 30 * HOUR, 4),), Phase.ACTIVE, 1, False),
        ((TOMORROW,), Phase.WINTER_REST, 1, False),
        ((TOMORROW,), Phase.SEASON_OVER, 1, False),
        ((TOMORROW,), Phase.ACTIVE, 200, False),  # stale weather is never good weather
    ],
)
def test_a_quiet_evening_brief_speaks_of_a_window_or_of_the_loss_of_one(
    windows: tuple[SprayWindow, ...], phase: Phase, age_h: int, news: bool
) -> None:
    one = place("a")
    seen = replace(judged(one, windows=windows, age_h=age_h), pressures=(pressure(phase=phase),))
    assert has_news(evening_lines([one], {"a": seen}, NOW)) is news
    assert has_news(evening_lines([one], {}, NOW)) is False


def test_the_last_hours_of_today_are_named_only_where_tomorrow_has_none() -> None:
    one = place("a")
    for windows, named in (((TONIGHT,), [NOW + HOUR]), ((TONIGHT, TOMORROW), [])):
        (line,) = evening_lines([one], {"a": judged(one, windows=windows)}, NOW)
        assert [found.start_at for found in line.last_today] == named
