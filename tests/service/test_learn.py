"""Learning how chances are to be corrected from what became of them."""

from __future__ import annotations

from alertd.service.learn import calibration_of, learn
from alertd.service.skill import Skills
from alertd.service.verify import Verifier
from tests.service.archive import (
    DAY,
    SIZE_DEG,
    START,
    Archive,
    Book,
    daily_archive,
    make_site,
    weather_of_days,
)

SITE = make_site(materials=("soap",))


def test_what_became_of_windows_corrects_the_chances_that_follow() -> None:
    # a month of forecasts that all come true: chances told too low by the prior are raised
    archive, now = daily_archive(weather_of_days(60), SITE, range(10, 45)), START + 45 * DAY
    skills = Skills(archive, Book(), SIZE_DEG)
    assert learn(Verifier(archive, SIZE_DEG), skills, [SITE], now) == 1
    found = skills.of([SITE], now)[SITE.id]
    assert found.windows is not None
    assert found.spells is None
    assert float(found.windows(0.5)) > 0.6
    assert learn(Verifier(archive, SIZE_DEG), skills, [SITE], now + DAY) == 0


def test_learning_stops_when_it_is_told_to() -> None:
    archive, now = daily_archive(weather_of_days(30), SITE, range(10, 20)), START + 20 * DAY
    skills = Skills(archive, Book(), SIZE_DEG)
    assert learn(Verifier(archive, SIZE_DEG), skills, [SITE], now, stopping=lambda: True) == 0
    assert skills.due([SITE], now) == [SITE]


def test_chances_are_corrected_only_with_enough_cases() -> None:
    few = [(0.5, True)] * 29
    assert calibration_of(few) is None
    found = calibration_of([*few, *few])
    assert found is not None
    assert float(found(0.5)) > 0.7


def test_what_was_learned_says_when_and_from_how_many_and_outlives_the_process() -> None:
    archive, now = daily_archive(weather_of_days(60), SITE, range(10, 45)), START + 45 * DAY
    book = Book()
    learn(Verifier(archive, SIZE_DEG), Skills(archive, book, SIZE_DEG), [SITE], now)
    (kept,) = book.fixes
    assert kept.windows is not None
    assert (kept.learnt_at, kept.window_pairs, kept.spell_pairs) == (now, kept.windows.cases, 0)
    assert kept.window_pairs >= 30
    restarted = Skills(Archive(), book, SIZE_DEG)
    assert restarted.of([SITE], now + DAY)[SITE.id].windows == kept.windows


def test_a_correction_is_learned_from_raw_chances_so_that_nothing_is_corrected_twice() -> None:
    archive, now = daily_archive(weather_of_days(60), SITE, range(10, 52)), START + 45 * DAY
    first, second = Book(), Book()
    skills = Skills(archive, first, SIZE_DEG)
    learn(Verifier(archive, SIZE_DEG), skills, [SITE], now)
    learn(Verifier(archive, SIZE_DEG), skills, [SITE], now + 7 * DAY)
    learn(Verifier(archive, SIZE_DEG), Skills(archive, second, SIZE_DEG), [SITE], now + 7 * DAY)
    assert first.fixes[-1] == second.fixes[-1]
