"""Outlooks of materials: what is shared between sites and materials must not show."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from alertd.assess import site as whole
from alertd.assess import spraying
from alertd.assess.batch import Batch, SiteWeather, batches
from alertd.catalog.alerts import load_alert_policy
from alertd.catalog.materials import load_materials
from alertd.records.assessment import MaterialOutlook
from alertd.records.site import Exposure, Method, Profile, Site
from alertd.science.spray import REASON_WORDS, Reason, SprayRules, blackout
from alertd.science.spray_board import Look
from alertd.science.windows import main_reasons, open_runs
from tests.assess.skies import HOUR, MILD, SITE, Sky, at, planting, seen_at, truth_of

FIRST = dt.date(2025, 6, 1)
NOW = at(FIRST + dt.timedelta(days=8))
ALL = tuple(sorted(load_materials()))
SUMMER = truth_of(FIRST, [MILD] * 20)


def varied(seed: int) -> pd.DataFrame:
    """Return changeable weather with gaps in every column."""
    draw = np.random.default_rng(seed)
    table = truth_of(FIRST, [Sky(10.0, float(high), 9.0) for high in draw.uniform(14.0, 36.0, 20)])
    hours = len(table)
    wet = draw.random(hours) < 0.04
    table["precipitation_mm"] = np.where(wet, np.round(draw.gamma(1.0, 1.0, hours), 1), 0.0)
    table["precipitation_probability_pct"] = np.where(wet, 70.0, 10.0)
    table["wind_speed_m_s"] = np.round(draw.gamma(5.0, 0.6, hours), 1)
    table["wind_gust_m_s"] = np.round(table["wind_speed_m_s"] * draw.uniform(1.1, 2.0, hours), 1)
    table["cloud_cover_pct"] = draw.choice([0.0, 40.0, 92.0, 100.0], hours)
    for column in ("air_temperature_c", "wind_gust_m_s", "precipitation_mm", "dew_point_c"):
        table.loc[draw.random(hours) < 0.004, column] = np.nan
    return table


def make_site(key: str = "s1", **changes: Any) -> Site:
    return replace(SITE, id=key, **{"materials": ALL, **changes})


def batch_of(*members: tuple[Site, pd.DataFrame], now: dt.datetime = NOW) -> Batch:
    (batch,) = batches(
        [SiteWeather(site, seen_at(table, now, 100, 240, site)) for site, table in members], now
    )
    return batch


def outlooks(batch: Batch) -> list[dict[str, MaterialOutlook]]:
    found = whole.work_out(batch)
    listed = spraying.material_outlooks(batch, found.water, found.dry)
    return [{one.material: one for one in some} for some in listed]


def bits(found: MaterialOutlook, reason: Reason) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    return (found.block_bits & int(reason)) != 0


def told(batch: Batch, material: str = "soap") -> MaterialOutlook:
    return outlooks(batch)[0][material]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_outlook_is_that_of_the_material_judged_alone_hour_by_hour(seed: int) -> None:
    profile, method = [
        (Profile.DEFAULT, Method.HAND), (Profile.STRICT, Method.HAND), (Profile.STRICT, Method.MIST_BLOWER),
    ][seed % 3]  # fmt: skip
    site = make_site(profile=profile, method=method, plantings=(planting("spruce"), planting("rose", "p2")))
    batch = batch_of((site, varied(seed)))
    work = whole.work_out(batch)
    hours, first = spraying.judged_hours(batch, np.array([0]), work.water, work.dry)
    shown = slice(batch.now_hour - first, batch.now_hour - first + 7 * 24)
    shortest = round(float(load_alert_policy().spray_notice.shortest_window))
    for material, found in outlooks(batch)[0].items():
        alone = blackout(hours, spraying.site_rules(site, material))
        blocks, cautions = alone.block_bits[0, shown], alone.caution_bits[0, shown]
        np.testing.assert_array_equal(found.block_bits, blocks)
        np.testing.assert_array_equal(found.caution_bits, cautions)
        runs = open_runs(blocks, cautions, alone.margin[0, shown], hours_min=shortest)
        assert [
            (round((one.start_at - NOW) / HOUR), one.hours, one.closed_by, one.cautions, one.quality)
            for one in found.windows
        ] == [
            (
                run.start,
                run.hours,
                tuple(REASON_WORDS[reason] for reason in run.closed_by),
                tuple(REASON_WORDS[reason] for reason in run.cautions),
                run.quality,
            )
            for run in runs
        ]
        named = main_reasons(blocks, most=4, aside=Reason.OUTSIDE_HOURS | Reason.INVERSION_CLOCK)
        assert found.main_reasons == tuple(REASON_WORDS[reason] for reason in named)
        assert found.blocked_until == (found.windows[0].start_at if found.windows else None)


def test_a_site_has_the_same_outlooks_in_any_company() -> None:
    sites = [
        make_site(f"s{i}", materials=ALL[i % 5 :: 3], profile=[Profile.DEFAULT, Profile.STRICT][i % 2])
        for i in range(9)
    ]
    tables = [varied(seed) for seed in range(9)]
    together = outlooks(batch_of(*zip(sites, tables, strict=True)))
    for site, table, found in zip(sites, tables, together, strict=True):
        alone = outlooks(batch_of((site, table)))[0]
        assert list(found) == list(site.materials)
        for material, one in found.items():
            np.testing.assert_array_equal(one.block_bits, alone[material].block_bits)
            np.testing.assert_array_equal(one.caution_bits, alone[material].caution_bits)
            assert (one.windows, one.main_reasons) == (alone[material].windows, alone[material].main_reasons)


def test_windows_lie_in_working_hours_of_the_site_across_a_clock_change() -> None:
    truth = truth_of(dt.date(2025, 10, 25), [Sky(14.0, 20.0, 8.0)] * 20)
    site = make_site(materials=("soap",))
    found = told(batch_of((site, truth), now=at(dt.date(2025, 11, 1))))
    zone = ZoneInfo(site.zone)
    assert {one.start_at.astimezone(zone).date().day for one in found.windows} >= {1, 2, 3}
    for one in found.windows:
        start, end = one.start_at.astimezone(zone), one.end_at.astimezone(zone)
        assert 6 <= start.hour < end.hour <= 20


def test_what_materials_share_cannot_be_written_on() -> None:
    found = told(batch_of((make_site(), SUMMER)))
    with pytest.raises(ValueError, match="read-only"):
        found.block_bits[0] = 0


def test_a_site_without_materials_has_no_outlooks() -> None:
    batch = batch_of((make_site("s1", materials=()), SUMMER), (make_site("s2"), SUMMER))
    assert [list(found) for found in outlooks(batch)] == [[], list(ALL)]


def test_a_provider_without_gusts_closes_windy_hours_only_and_says_so() -> None:
    table = SUMMER.assign(wind_gust_m_s=np.nan)
    found = told(batch_of((make_site(), table)))
    assert not bits(found, Reason.MISSING_WEATHER).any()
    assert found.windows
    assert all(REASON_WORDS[Reason.GUST_UNKNOWN] in one.cautions for one in found.windows)
    windy = told(batch_of((make_site(), table.assign(wind_speed_m_s=3.0))))
    assert not windy.windows
    assert bits(windy, Reason.GUST_UNKNOWN).all()


def test_a_gap_in_the_gusts_of_a_provider_that_gives_them_is_missing_weather() -> None:
    table = SUMMER.copy()
    gap = (table.index >= pd.Timestamp(NOW) + 30 * HOUR) & (table.index < pd.Timestamp(NOW) + 34 * HOUR)
    table.loc[gap, "wind_gust_m_s"] = np.nan
    found = told(batch_of((make_site(), table)))
    assert np.flatnonzero(bits(found, Reason.MISSING_WEATHER)).tolist() == [30, 31, 32, 33]


def test_gusts_of_finished_hours_do_not_make_those_ahead_expected() -> None:
    # past hours may come from a station while the forecast comes from a service without gusts
    table = SUMMER.copy()
    table.loc[table.index >= pd.Timestamp(NOW), "wind_gust_m_s"] = np.nan
    found = told(batch_of((make_site(), table)))
    assert not bits(found, Reason.MISSING_WEATHER).any()
    assert found.windows


def test_a_gust_missing_in_a_coarse_step_is_not_expected() -> None:
    table = SUMMER.copy()
    late = table.index >= pd.Timestamp(NOW) + 60 * HOUR
    table.loc[late, "wind_gust_m_s"] = np.nan
    table.loc[late, "coarse"] = True
    found = told(batch_of((make_site(), table)))
    assert not bits(found, Reason.MISSING_WEATHER)[:100].any()


def test_weather_too_old_to_trust_closes_every_hour_of_its_site_only() -> None:
    batch = batch_of((make_site("s1"), SUMMER), (make_site("s2"), SUMMER))
    first = batch.members[0]
    age = dt.timedelta(hours=float(load_alert_policy().weather_age.missing_after))
    stale = replace(first, weather=replace(first.weather, issued_at=NOW - age))
    old, fresh = outlooks(replace(batch, members=(stale, batch.members[1])))
    for found in old.values():
        assert bits(found, Reason.MISSING_WEATHER).all()
        assert found.windows == ()
    assert fresh["soap"].windows


@pytest.mark.parametrize(
    ("limits", "shut"),
    [({"no_such_limit": 1.0}, set(ALL)), ({"soap.heat_block_c": 44.0}, {"soap"})],
)
def test_limits_that_cannot_be_used_close_their_materials_with_the_reason_and_stop_nothing(
    limits: dict[str, float], shut: set[str]
) -> None:
    wrong, right = outlooks(batch_of((make_site("s1", limits=limits), SUMMER), (make_site("s2"), SUMMER)))
    reason = REASON_WORDS[Reason.LIMITS_UNUSABLE]
    for material, found in wrong.items():
        closed = bool(bits(found, Reason.LIMITS_UNUSABLE).all())
        assert closed == (material in shut), material
        if closed:
            assert found.windows == ()
            assert found.blocked_until is None
            (only,) = found.main_reasons
            assert only.startswith(reason)
            assert next(iter(limits)) in only
    assert right["soap"].windows
    assert not any(bits(found, Reason.LIMITS_UNUSABLE).any() for found in right.values())


def test_unusable_limits_leave_the_rest_of_the_assessment_whole() -> None:
    assessments, _ = whole.assess(batch_of((make_site(limits={"no_such_limit": 1.0}), SUMMER)))
    assert assessments[0].pressures
    assert not any(one.windows for one in assessments[0].materials)


def test_unknown_bloom_warns_of_bees_where_the_material_endangers_them() -> None:
    found = outlooks(batch_of((make_site(), SUMMER)))[0]
    word = REASON_WORDS[Reason.BLOOM]
    assert found["abamectin"].windows
    assert all(word in one.cautions for one in found["abamectin"].windows)
    assert found["soap"].windows
    assert not any(word in one.cautions for one in found["soap"].windows)
    assert not any(bits(one, Reason.BLOOM).any() for one in found.values())


def far_north(day: dt.date) -> MaterialOutlook:
    first = day - dt.timedelta(days=8)
    truth = truth_of(first, [Sky(14.0, 16.0, 6.0)] * 20, "Europe/Oslo")
    site = make_site(latitude_deg=69.6, longitude_deg=18.9, zone="Europe/Oslo", materials=("soap",))
    return told(batch_of((site, truth), now=at(day, zone="Europe/Oslo")))


def test_the_polar_night_is_night_all_day() -> None:
    found = far_north(dt.date(2025, 12, 20))
    assert bits(found, Reason.INVERSION_CLOCK).all()
    assert bits(found, Reason.INVERSION_CLASS).any()
    assert found.windows == ()


def test_the_polar_day_has_no_inversion_hours() -> None:
    found = far_north(dt.date(2025, 6, 20))
    assert not bits(found, Reason.INVERSION_CLOCK).any()
    assert found.windows


def test_the_sun_never_rose_in_the_polar_night_and_never_sets_in_the_polar_day() -> None:
    for day, side in ((dt.date(2025, 12, 20), -np.inf), (dt.date(2025, 6, 20), np.inf)):
        truth = truth_of(day - dt.timedelta(days=8), [Sky(14.0, 16.0, 6.0)] * 20, "Europe/Oslo")
        site = make_site(latitude_deg=75.0, longitude_deg=18.9, zone="Europe/Oslo")
        batch = batch_of((site, truth), now=at(day, zone="Europe/Oslo"))
        hours, _ = spraying.judged_hours(batch, np.array([0]), [[]], np.array([False]))
        assert (hours.hours_since_sunrise == side).all()
        assert (hours.hours_to_sunset == side).all()


def test_plants_in_the_shade_are_not_in_full_sun() -> None:
    sites = [
        make_site("s1", plantings=(planting(exposure=Exposure.SHADE),)),
        make_site("s2", plantings=(planting(exposure=Exposure.SHADE), planting(key="p2"))),
        make_site("s3", plantings=()),
    ]
    batch = batch_of(*[(site, SUMMER) for site in sites])
    hours, _ = spraying.judged_hours(batch, np.arange(3), [[], [], []], np.zeros(3, dtype=np.bool_))
    assert hours.full_sun.tolist() == [False, True, True]


def test_chances_are_asked_for_once_for_all_materials_under_the_same_limits() -> None:
    batch = batch_of((make_site("s1"), SUMMER), (make_site("s2", materials=("soap",)), SUMMER))
    asked: list[str] = []

    def chances(look: Look, rules: SprayRules, runs: spraying.Runs) -> tuple[list[float | None], list[int]]:
        assert look.hours.shape[0] == 2
        np.testing.assert_array_equal(runs.row, runs.site)
        assert (runs.end - runs.start >= 3).all()
        asked.append(rules.material)
        told: list[float | None] = [0.25 if row == 0 else None for row in runs.row.tolist()]
        return told, (runs.start + 1).tolist()

    found = whole.work_out(batch)
    first, second = spraying.material_outlooks(batch, found.water, found.dry, chances)
    assert 1 < len(asked) == len(set(asked)) < len(ALL)
    for outlook in first:
        for window in outlook.windows:
            assert (window.chance, window.best_start_at) == (0.25, window.start_at + HOUR)
    (soap,) = second
    assert soap.windows
    assert all(window.chance is window.best_start_at is None for window in soap.windows)
