from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.assess.daily import fold
from alertd.assess.spell import spells
from alertd.assess.stretch import stretch_of
from alertd.records.assessment import Assessment, HotDrySpell, Level
from alertd.records.weather import COLUMNS
from tests.assess.skies import DAY, HOT, MILD, SITE, Sky, Watch, at, days_of, truth_of, without

FIRST = dt.date(2025, 6, 1)
TODAY = FIRST + 20 * DAY
WARM = Sky(18.0, 30.0, 14.0)
"""A hot day of the watch step (29.4 degC), below that of the hotter one (32.2 degC)."""
DAMP = Sky(18.0, 30.0, 23.0)
"""As warm, with afternoons above 50 % humidity."""


def look(skies: Sequence[Sky], today: dt.date = TODAY) -> Assessment:
    return Watch(truth_of(FIRST, skies), past_h=20 * 24).look(at(today))


def around(before: int, hot: Sequence[Sky]) -> list[Sky]:
    """Return mild days, ``before`` of them behind today, then the given ones, then mild ones."""
    quiet = (TODAY - FIRST).days - before
    return [MILD] * quiet + list(hot) + [MILD] * (40 - quiet - len(hot))


def only(found: Assessment) -> HotDrySpell:
    (spell,) = found.spells
    return spell


@pytest.mark.parametrize(
    ("hot", "level"),
    [
        # mites.md section 4, watch: at least 5 of 7 days at 29.4 degC or more, rain of 5 mm at most
        ([DAMP] * 4, None),
        ([DAMP] * 5, Level.WATCH),
        ([DAMP] * 3 + [MILD] * 2 + [DAMP] * 2, Level.WATCH),
        ([DAMP] * 3 + [MILD] * 3 + [DAMP] * 2, None),
        ([DAMP] * 2 + [Sky(18.0, 30.0, 23.0, 5.0)] + [DAMP] * 3, Level.WATCH),
        ([DAMP] * 2 + [Sky(18.0, 30.0, 23.0, 5.4)] + [DAMP] * 3, None),
        # high: 7 of 10 days at 29.4 degC, or 5 of 7 at 32.2 degC, dry and with afternoons below 50 %
        ([WARM] * 6, Level.WATCH),
        ([WARM] * 7, Level.HIGH),
        ([HOT] * 5, Level.HIGH),
        ([DAMP] * 9, Level.WATCH),
        # severe: 1.5 generations within 14 days, rain of 10 mm at most; 14 x 15.56 / 140 = 1.56
        ([HOT] * 14, Level.SEVERE),
        ([HOT] * 11, Level.HIGH),
    ],
)
def test_the_steps_hold_as_the_table_of_triggers_says(hot: list[Sky], level: Level | None) -> None:
    """mites.md section 4; days behind today so that the run ends today or yesterday."""
    found = look(around(len(hot) - 1, hot))
    assert (only(found).level if found.spells else None) == level


@pytest.mark.parametrize(("rain_mm", "holds"), [(0.3, True), (3.0, True), (6.0, False)])
def test_a_trace_of_rain_does_not_break_a_spell_and_a_wetting_rain_does(rain_mm: float, holds: bool) -> None:
    """water.md 10.1: a day of 0.3 mm does not break a spell, 6 mm does, 3 mm is allowed for."""
    hot = [WARM] * 4 + [Sky(18.0, 30.0, 14.0, rain_mm)] + [WARM] * 2
    assert bool(look(around(6, hot)).spells) is holds


def test_a_moist_spell_of_forty_hours_keeps_the_third_step_away() -> None:
    """mites.md section 4: no spell of 40 h above 90 % humidity; the dew point of two days says so."""
    hot = [HOT] * 16
    dry = look(around(15, hot))
    hot[6:8] = [Sky(20.0, 35.0, 40.0)] * 2
    moist = look(around(15, hot))
    assert only(dry).level is Level.SEVERE
    assert only(moist).level < Level.SEVERE


def test_observed_and_forecast_days_are_told_apart_and_none_counts_twice() -> None:
    """water.md 10.1: observed and forecast joined with no doubled day."""
    spell = only(look(around(4, [WARM] * 9)))
    assert (spell.start_day, spell.end_day) == (TODAY - 4 * DAY, TODAY + 4 * DAY)
    assert (spell.observed_days, spell.forecast_days, spell.days) == (4, 5, 9)
    assert not spell.open_ended
    assert spell.lead_time_d == 0
    assert spell.peak_temperature_c == pytest.approx(30.0)
    assert spell.heat_sum_c_d == pytest.approx(9 * 0.6)


def test_a_spell_to_come_has_its_lead_time_and_runs_open_ended_into_the_unknown() -> None:
    spell = only(look(around(-3, [WARM] * 30)))
    assert spell.start_day == TODAY + 3 * DAY
    assert spell.lead_time_d == 7, "five hot days are together on the fifth"
    assert spell.observed_days == 0
    assert spell.open_ended


def test_a_spell_is_open_ended_too_where_only_the_rain_is_not_known_any_more() -> None:
    truth = without(
        truth_of(FIRST, around(4, [WARM] * 30)), TODAY + 4 * DAY, TODAY + 20 * DAY, "precipitation_mm"
    )
    assert only(Watch(truth, past_h=20 * 24).look(at(TODAY))).open_ended


def test_a_spell_that_ended_yesterday_is_over() -> None:
    assert look(around(6, [WARM] * 6)).spells == ()
    assert look(around(6, [WARM] * 7)).spells != ()


def test_two_spells_do_not_share_a_day() -> None:
    found = look(around(2, [WARM] * 6 + [MILD] * 3 + [WARM] * 6))
    days = [
        one.start_day + i * DAY for one in found.spells for i in range((one.end_day - one.start_day).days + 1)
    ]
    assert len(days) == len(set(days))


@pytest.mark.parametrize(
    ("change", "zone"),
    [
        (dt.date(2025, 11, 2), "America/New_York"),
        (dt.date(2025, 3, 9), "America/New_York"),
        (dt.date(2025, 4, 6), "Australia/Lord_Howe"),
        (dt.date(2025, 9, 7), "America/Santiago"),
    ],
)
def test_a_spell_across_a_clock_change_keeps_its_days(change: dt.date, zone: str) -> None:
    """Lord Howe moves its clock by half an hour, Santiago at midnight."""
    first = change - 12 * DAY
    truth = truth_of(first, [MILD] * 9 + [WARM] * 8 + [MILD] * 20, zone)
    site = SITE.__class__("s1", "Invented", 10.0, 10.0, zone, 50.0, plantings=SITE.plantings)
    found = Watch(truth, [site]).look(at(change + DAY, 9, zone))
    assert (only(found).start_day, only(found).end_day) == (change - 3 * DAY, change + 4 * DAY)


def test_a_long_spell_remembers_its_first_day_and_its_sums() -> None:
    watch = Watch(truth_of(FIRST, [MILD] * 5 + [HOT] * 60), past_h=5 * 24)
    found = watch.look(*days_of(FIRST + 4 * DAY, 32))
    spell = only(found)
    assert spell.start_day == FIRST + 5 * DAY
    assert spell.observed_days == 30
    assert spell.heat_sum_c_d == pytest.approx((35.0 - 29.4) * spell.days)


def masked(truth: pd.DataFrame, seed: int, share: float) -> pd.DataFrame:
    draw = np.random.default_rng(seed)
    holed = truth.copy()
    for name in COLUMNS:
        holed.loc[draw.random(len(holed)) < share, name] = np.nan
    return holed


@settings(max_examples=40)
@given(
    seed=st.integers(0, 10_000),
    share=st.sampled_from([0.001, 0.01, 0.05, 0.3]),
    skies=st.lists(
        st.sampled_from([HOT, WARM, DAMP, MILD, Sky(18.0, 31.0, 14.0, 2.0)]), min_size=40, max_size=40
    ),
)
def test_missing_hours_never_open_a_spell_nor_raise_its_level(
    seed: int, share: float, skies: list[Sky]
) -> None:
    truth = truth_of(FIRST, skies)
    told = []
    for table in (truth, masked(truth, seed, share)):
        batch = Watch(table, past_h=20 * 24).batch(at(TODAY))
        found = spells(batch, stretch_of(batch, fold(batch, 90.0)))
        told.append((found.levels, found.found[0], bool(found.doubtful[0])))
    (all_levels, all_spells, doubtful), (levels, _, holed_doubtful) = told
    assert (levels <= all_levels).all()
    assert not doubtful
    near = slice(-10, -2)
    if (levels[:, near] < all_levels[:, near]).any():
        assert holed_doubtful or not all_spells, "what the holes may hide is owned up to"


def test_a_hole_in_the_rain_makes_the_end_of_a_spell_doubtful() -> None:
    truth = truth_of(FIRST, around(8, [WARM] * 12))
    holed = without(truth, TODAY - DAY, TODAY, "precipitation_mm")
    found = Watch(holed, past_h=20 * 24).look(at(TODAY))
    assert found.spells == ()
    assert found.spell_doubtful
    assert not look([MILD] * 40).spell_doubtful


def test_a_site_new_to_the_service_without_past_is_doubtful_and_without_spell() -> None:
    found = Watch(truth_of(FIRST, [HOT] * 40), past_h=0).look(at(TODAY))
    assert found.spell_doubtful
    assert all(one.lead_time_d >= 4 for one in found.spells)
