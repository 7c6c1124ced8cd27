"""Sites laid out as arrays: each value in its place, and nothing made up."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from alertd.assess.batch import (
    BOOTSTRAP_D,
    HORIZON_D,
    LOOK_BACK_D,
    LOOK_BACK_H,
    SITES_AT_ONCE,
    Batch,
    SiteWeather,
    batches,
    midnight,
)
from alertd.records.season import SeasonState
from alertd.records.site import Site
from alertd.records.weather import COLUMNS
from alertd.science import humidity, radiation, sun
from tests.assess.skies import DAY, HOUR, MILD, SITE, Sky, at, seen_at, truth_of

FIRST = dt.date(2025, 6, 1)
TODAY = FIRST + 8 * DAY
NOW = at(TODAY)
TRUTH = truth_of(FIRST, [Sky(10.0 + i, 20.0 + i, 8.0, float(i % 3)) for i in range(20)])


def member(key: str = "s1", table: pd.DataFrame = TRUTH, past_h: int = 150, **changes: Any) -> SiteWeather:
    site: Site = replace(SITE, id=key, **changes)
    return SiteWeather(site, seen_at(table, NOW, past_h, 240, site))


def season(day: dt.date, key: str = "s1") -> SeasonState:
    return SeasonState(site_id=key, day=day, made_at=NOW)


def one(*members: SiteWeather) -> Batch:
    (batch,) = batches(members, NOW)
    return batch


def stamps(batch: Batch) -> pd.DatetimeIndex:
    return pd.date_range(batch.start_at, periods=batch.hours, freq="h")


def test_every_value_of_the_table_stands_at_its_hour() -> None:
    batch = one(member())
    axis = stamps(batch)
    table = batch.members[0].weather.table
    shared = axis.intersection(table.index)
    assert len(shared) > 200
    for name in COLUMNS:
        np.testing.assert_array_equal(
            batch.hourly[name][0][axis.isin(shared)], table.loc[shared, name].to_numpy()
        )
    np.testing.assert_array_equal(batch.forecast[0][axis.isin(shared)], table.loc[shared, "forecast"])
    assert axis[batch.now_hour] == pd.Timestamp(NOW)
    assert batch.local.days[batch.today] == TODAY


def test_hours_outside_the_table_stay_unknown() -> None:
    batch = one(member(past_h=20))
    outside = ~stamps(batch).isin(batch.members[0].weather.table.index)
    assert outside.any()
    for name, values in batch.hourly.items():
        # only the pressure of the standard atmosphere is known of them
        assert np.isnan(values[0][outside]).all() == (name != "pressure_hpa"), name
    assert batch.forecast[0][outside].all()
    assert not batch.coarse[0][outside].any()


def test_a_table_wholly_beside_the_axis_leaves_the_site_unknown() -> None:
    old = truth_of(dt.date(2024, 6, 1), [MILD] * 10)
    weather = replace(member().weather, table=old)
    yesterday = season(TODAY - DAY)
    batch = one(replace(member(), weather=weather, season=yesterday), replace(member("s2"), season=yesterday))
    assert np.isnan(batch.hourly["air_temperature_c"][0]).all()
    assert not np.isnan(batch.hourly["air_temperature_c"][1]).all()


def test_tables_of_other_lengths_and_beginnings_do_not_mix() -> None:
    numbers = list(COLUMNS)
    members = []
    for i in range(5):
        table = TRUTH.copy()
        table[numbers] += 0.5 * i
        members.append(
            replace(member(f"s{i}", table, past_h=60 + 17 * i), season=season(TODAY - DAY, f"s{i}"))
        )
    together = one(*members)
    for row, each in enumerate(members):
        (alone,) = batches([each], NOW)
        for name in together.hourly:
            np.testing.assert_array_equal(together.hourly[name][row], alone.hourly[name][0])


def test_sites_of_one_cell_share_its_weather() -> None:
    weather = member().weather
    batch = one(SiteWeather(replace(SITE, id="a"), weather), SiteWeather(replace(SITE, id="b"), weather))
    for values in batch.hourly.values():
        np.testing.assert_array_equal(values[0], values[1])


def test_more_sites_than_are_completed_at_once_are_each_completed() -> None:
    count = SITES_AT_ONCE + 3
    table = TRUTH.assign(dew_point_c=np.nan)
    batch = one(*[member(f"s{i}", table, latitude_deg=30.0 + 0.2 * i) for i in range(count)])
    assert not np.isnan(batch.hourly["dew_point_c"][:, batch.now_hour]).any()
    middle = np.datetime64(NOW.replace(tzinfo=None), "s") + np.timedelta64(1800, "s")
    expected = sun.altitude(batch.latitude_deg, batch.longitude_deg, middle)
    np.testing.assert_allclose(batch.sun_altitude_deg[:, batch.now_hour], expected, atol=1e-9)


def test_the_callers_table_is_left_alone() -> None:
    each = member(table=TRUTH.assign(dew_point_c=np.nan, pressure_hpa=np.nan))
    before = each.weather.table.copy()
    one(each)
    pd.testing.assert_frame_equal(each.weather.table, before)


def test_humidity_and_dew_point_stand_in_for_each_other() -> None:
    plain = one(member())
    for name in ("relative_humidity_pct", "dew_point_c"):
        derived = one(member(table=TRUTH.assign(**{name: np.nan})))
        known = ~np.isnan(plain.hourly["air_temperature_c"])
        np.testing.assert_allclose(derived.hourly[name][known], plain.hourly[name][known], atol=1e-6)
    neither = one(member(table=TRUTH.assign(relative_humidity_pct=np.nan, dew_point_c=np.nan)))
    for name in (
        "relative_humidity_pct",
        "dew_point_c",
        "vapour_pressure_deficit_kpa",
        "wet_bulb_depression_c",
    ):
        assert np.isnan(neither.hourly[name]).all()


def test_a_value_that_is_there_is_never_replaced() -> None:
    table = TRUTH.copy()
    table.loc[table.index[::3], ["relative_humidity_pct", "shortwave_w_m2", "pressure_hpa"]] = np.nan
    batch, whole = one(member(table=table)), one(member())
    for name in COLUMNS:
        axis = stamps(batch)
        there = table[name].reindex(axis).notna().to_numpy() & ~np.isnan(whole.hourly[name][0])
        np.testing.assert_array_equal(batch.hourly[name][0][there], whole.hourly[name][0][there])


def test_radiation_is_estimated_from_sun_and_cloud_only_where_it_is_not_given() -> None:
    batch = one(member(table=TRUTH.assign(shortwave_w_m2=np.nan)))
    expected = radiation.shortwave(batch.sun_altitude_deg, batch.hourly["cloud_cover_pct"])
    np.testing.assert_array_equal(batch.hourly["shortwave_w_m2"], expected)


def test_an_unknown_pressure_is_that_of_the_standard_atmosphere_at_the_sites_height() -> None:
    batch = one(member(table=TRUTH.assign(pressure_hpa=np.nan), elevation_m=1500.0))
    expected = humidity.standard_pressure(1500.0)
    assert batch.hourly["pressure_hpa"] == pytest.approx(float(expected))


def test_the_wet_bulb_is_there_from_the_first_hour_that_spraying_looks_at() -> None:
    batch = one(member())
    first = batch.now_hour - LOOK_BACK_H
    depression = batch.hourly["wet_bulb_depression_c"]
    assert np.isnan(depression[:, :first]).all()
    names = ("air_temperature_c", "relative_humidity_pct", "pressure_hpa")
    expected = humidity.wet_bulb_depression(*(batch.hourly[name][:, first:] for name in names))
    # worked out in half the width; the bar is 0.05 K
    np.testing.assert_allclose(depression[:, first:], expected, atol=2e-5)
    assert not np.isnan(depression[:, batch.now_hour])


def test_sites_are_grouped_by_zone_and_by_the_day_their_season_goes_on() -> None:
    yesterday, before = TODAY - DAY, TODAY - 5 * DAY
    members = [
        replace(member("a"), season=season(yesterday, "a")),
        replace(member("b"), season=season(before, "b")),
        replace(member("c"), season=season(yesterday, "c")),
        replace(member("d", zone="America/Chicago"), season=season(yesterday, "d")),
    ]
    found = {tuple(site.id for site in batch.sites): batch for batch in batches(members, NOW)}
    assert set(found) == {("a", "c"), ("b",), ("d",)}
    assert found["a", "c"].local.days[found["a", "c"].first_new] == TODAY
    assert found["b",].local.days[found["b",].first_new] == TODAY - 4 * DAY


def test_a_large_group_is_split_and_keeps_its_order() -> None:
    members = [member(f"s{i}") for i in range(5)]
    assert [[site.id for site in batch.sites] for batch in batches(members, NOW, size=2)] == [
        ["s0", "s1"], ["s2", "s3"], ["s4"],
    ]  # fmt: skip


def test_the_axis_looks_back_some_days_and_to_the_horizon() -> None:
    batch = one(replace(member(), season=season(TODAY - DAY)))
    assert batch.local.days[0] == TODAY - LOOK_BACK_D * DAY
    assert batch.local.days[-1] == TODAY + HORIZON_D * DAY


def test_a_season_long_past_is_taken_up_again_within_the_bootstrap() -> None:
    batch = one(replace(member(), season=season(TODAY - 200 * DAY)))
    assert batch.local.days[batch.first_new] == TODAY - BOOTSTRAP_D * DAY


def test_a_season_of_the_future_does_not_move_today() -> None:
    batch = one(replace(member(), season=season(TODAY + 3 * DAY)))
    assert batch.local.days[batch.first_new] == TODAY


def test_a_new_site_begins_with_the_first_whole_day_that_is_known() -> None:
    table = TRUTH.copy()
    table.loc[table.index < pd.Timestamp(at(TODAY - 4 * DAY, 9)), "air_temperature_c"] = np.nan
    batch = one(member(table=table))
    assert batch.local.days[batch.first_new] == TODAY - 3 * DAY
    nothing = one(member(table=TRUTH.assign(air_temperature_c=np.nan)))
    assert nothing.local.days[nothing.first_new] == TODAY


@pytest.mark.parametrize(
    ("zone", "expected"),
    [
        ("UTC", "2025-06-09T00:00"),
        ("America/New_York", "2025-06-09T04:00"),
        ("Asia/Kolkata", "2025-06-08T18:00"),  # 18:30 UTC, to the hour before
        ("Asia/Kathmandu", "2025-06-08T18:00"),  # 18:15 UTC
    ],
)
def test_midnight_is_on_the_hour(zone: str, expected: str) -> None:
    assert midnight(TODAY, zone) == dt.datetime.fromisoformat(expected).replace(tzinfo=dt.UTC)


def test_a_day_of_the_axis_has_23_or_25_hours_at_a_clock_change() -> None:
    zone_day = dt.date(2025, 11, 2)
    now = at(zone_day - DAY)
    table = truth_of(zone_day - 6 * DAY, [MILD] * 20)
    (batch,) = batches([SiteWeather(SITE, seen_at(table, now, 100, 240))], now)
    lengths = dict(zip(batch.local.days, batch.local.lengths.tolist(), strict=True))
    assert lengths[zone_day] == 25
    assert batch.hours == sum(lengths.values())
    assert batch.hourly["air_temperature_c"].shape == (1, batch.hours)
    assert stamps(batch)[batch.now_hour] == pd.Timestamp(now)
    assert batch.start_at + batch.hours * HOUR == midnight(zone_day - DAY + (HORIZON_D + 1) * DAY, SITE.zone)
