from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.assess.batch import batches
from alertd.assess.site import assess
from alertd.records.assessment import Assessment, WaterState
from alertd.records.season import SeasonState
from alertd.records.site import Irrigation, Site, Soil
from alertd.science.spray import Reason
from tests.assess.skies import (
    DAY,
    HOT,
    HOUR,
    MILD,
    SITE,
    Sky,
    Watch,
    at,
    days_of,
    planting,
    pressure_of,
    seen_at,
    truth_of,
    water_of,
)

FIRST = dt.date(2025, 4, 1)
GARDEN = (
    planting("rose", "p1", planted_on=dt.date(2025, 3, 1)),
    planting("spruce", "p2", irrigation=Irrigation.UNKNOWN),
    planting("azalea", "p3", soil=Soil.SAND, irrigation=Irrigation.DRIP, irrigation_mm_per_week=20.0),
)
MATERIALS = ("horticultural_oil", "soap")


def varied(seed: int, days: int) -> list[Sky]:
    draw = np.random.default_rng(seed)
    heat = 20.0 + 10.0 * np.sin(np.arange(days) / 9.0) + draw.normal(0.0, 2.0, days)
    rain = np.where(draw.random(days) < 0.25, draw.gamma(0.9, 8.0, days), 0.0)
    return [Sky(float(h - 8), float(h + 6), float(h - 10), float(r)) for h, r in zip(heat, rain, strict=True)]


def close(one: Any, other: Any, path: str = "") -> None:
    """Compare nested records to 1e-9."""
    if isinstance(one, dict):
        assert one.keys() == other.keys(), path
        for key in one:
            close(one[key], other[key], f"{path}.{key}")
    elif isinstance(one, list | tuple):
        assert len(one) == len(other), path
        for i, (mine, theirs) in enumerate(zip(one, other, strict=True)):
            close(mine, theirs, f"{path}[{i}]")
    elif isinstance(one, np.ndarray):
        assert np.array_equal(one, other), path
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=1e-9, abs=1e-9, nan_ok=True), path
    else:
        assert one == other, path


def told(assessment: Assessment) -> dict[str, Any]:
    return asdict(assessment)


def carried(state: SeasonState) -> dict[str, Any]:
    found = asdict(state)
    del found["made_at"]
    return found


@settings(max_examples=3)
@given(seed=st.integers(0, 10_000), every=st.integers(3, 9))
def test_splitting_a_season_into_cycles_changes_nothing(seed: int, every: int) -> None:
    site = replace(SITE, plantings=GARDEN)
    truth = truth_of(FIRST, varied(seed, 60))
    last = FIRST + 45 * DAY
    start = FIRST + 15 * DAY
    runs: list[Sequence[dt.datetime]] = [
        [at(start), at(last)],
        list(days_of(start, 45 - 15 + 1)),
        [*days_of(start, 45 - 15, every), at(last)],
    ]
    found: list[tuple[dict[str, Any], dict[str, Any]]] = []
    for instants in runs:
        watch = Watch(truth, [site], past_h=62 * 24)
        watch.look(*instants)
        found.append((told(watch.found["s1"]), carried(watch.seasons["s1"])))
    for assessment, season in found[1:]:
        close(assessment, found[0][0])
        close(season, found[0][1])


def test_a_season_run_through_a_long_spell_twice_a_day_or_at_once_is_the_same() -> None:
    truth = truth_of(FIRST, [MILD] * 20 + [HOT] * 45 + [MILD] * 15)
    start, last = FIRST + 15 * DAY, FIRST + 50 * DAY
    once, twice = Watch(truth, past_h=62 * 24), Watch(truth, past_h=62 * 24)
    once.look(at(start), at(last, 18))
    twice.look(*(at(start + i * DAY, hour) for i in range(36) for hour in (6, 18)))
    close(told(twice.found["s1"]), told(once.found["s1"]))
    close(carried(twice.seasons["s1"]), carried(once.seasons["s1"]))


@settings(max_examples=4)
@given(order=st.permutations(range(6)))
def test_the_order_and_the_company_of_sites_change_nothing(order: list[int]) -> None:
    sites = [
        replace(
            SITE,
            id=f"s{i}",
            plantings=GARDEN[i % 3 :],
            latitude_deg=40.0 - 15.0 * i,
            materials=MATERIALS[: i % 3],
        )
        for i in range(5)
    ]
    sites.append(replace(SITE, id="s5", zone="Asia/Kolkata", plantings=GARDEN[:1]))
    truth = truth_of(FIRST, varied(3, 40))
    together = Watch(truth, [sites[i] for i in order])
    instants = [at(FIRST + 20 * DAY), at(FIRST + 21 * DAY)]
    together.look(*instants)
    for site in sites:
        alone = Watch(truth, [site])
        alone.look(*instants)
        close(told(together.found[site.id]), told(alone.found[site.id]))
        close(carried(together.seasons[site.id]), carried(alone.seasons[site.id]))


def test_a_day_closes_three_hours_after_local_midnight_in_every_zone() -> None:
    for zone in (
        "America/New_York",
        "Asia/Kolkata",
        "Asia/Kathmandu",
        "Australia/Lord_Howe",
        "Pacific/Auckland",
    ):
        site = replace(SITE, zone=zone)
        watch = Watch(truth_of(FIRST, [MILD] * 40, zone), [site])
        watch.look(at(FIRST + 20 * DAY, 12, zone))
        watch.look(at(FIRST + 21 * DAY, 2, zone))
        assert watch.seasons["s1"].day == FIRST + 19 * DAY, zone
        watch.look(at(FIRST + 21 * DAY, 4, zone))
        assert watch.seasons["s1"].day == FIRST + 20 * DAY, zone


def test_a_day_known_only_as_a_forecast_waits_for_three_days_before_it_is_closed() -> None:
    watch = Watch(truth_of(FIRST, [MILD] * 40))
    watch.look(at(FIRST + 20 * DAY))
    stale = seen_at(watch.truth, at(FIRST + 20 * DAY))
    closed = []
    for day in range(21, 26):
        member = replace(watch.member(SITE, at(FIRST + day * DAY)), weather=stale)
        (batch,) = batches([member], at(FIRST + day * DAY))
        _, states = assess(batch)
        closed.append(max((state.day for state in states), default=None))
    assert closed == [None, None, None, FIRST + 20 * DAY, FIRST + 21 * DAY]


def test_a_day_with_unknown_rain_waits_and_takes_in_the_late_report() -> None:
    truth = truth_of(FIRST, [MILD] * 20 + [Sky(12.0, 24.0, 8.0, 14.0)] + [MILD] * 20)
    late = truth.copy()
    unreported = (late.index >= at(FIRST + 20 * DAY, 5)) & (late.index < at(FIRST + 20 * DAY, 23))
    late.loc[unreported, "precipitation_mm"] = np.nan
    watch = Watch(late)
    watch.look(at(FIRST + 20 * DAY))
    watch.look(at(FIRST + 21 * DAY))
    assert watch.seasons["s1"].day == FIRST + 19 * DAY
    watch.truth = truth
    watch.look(at(FIRST + 22 * DAY))
    assert watch.seasons["s1"].day == FIRST + 21 * DAY
    assert watch.seasons["s1"].last_wetting_day == {"p1": (FIRST + 20 * DAY).isoformat()}


def test_days_missed_while_the_service_was_down_are_taken_in_from_the_past_of_the_weather() -> None:
    truth = truth_of(FIRST, varied(8, 60))
    steady, down = Watch(truth), Watch(truth)
    steady.look(*days_of(FIRST + 12 * DAY, 30))
    down.look(*days_of(FIRST + 12 * DAY, 21), at(FIRST + 41 * DAY))
    close(told(down.found["s1"]), told(steady.found["s1"]))


def test_days_that_no_weather_covers_any_more_do_not_stop_a_season() -> None:
    """Three weeks down with ten days of past: eleven days are lost."""
    truth = truth_of(FIRST, [MILD] * 90)
    watch = Watch(truth)
    watch.look(*days_of(FIRST + 12 * DAY, 10))
    found = watch.look(at(FIRST + 43 * DAY))
    assert watch.seasons["s1"].day == FIRST + 42 * DAY
    assert pressure_of(found, "twospotted").known
    assert water_of(found).state is not WaterState.OK


def test_a_provider_without_past_gives_no_pressure_no_spell_and_no_ok_on_its_first_day() -> None:
    watch = Watch(truth_of(FIRST, [HOT] * 60), past_h=0)
    found = watch.look(at(FIRST + 20 * DAY, 14))
    assert not pressure_of(found, "twospotted").known
    assert water_of(found).state is WaterState.UNKNOWN
    assert found.days[0].temperature_max_c is None
    assert found.spell_doubtful
    assert watch.seasons == {}


@pytest.mark.parametrize("age_h", [12, 13, 36, 100])
def test_stale_weather_blacks_out_every_hour(age_h: int) -> None:
    site = replace(SITE, materials=MATERIALS)
    truth = truth_of(FIRST, [MILD] * 60)
    now = at(FIRST + 20 * DAY, 18)
    fresh = Watch(truth, [site]).look(now)
    assert any(one.windows for one in fresh.materials), "with fresh weather there are windows"
    watch = Watch(truth, [site])
    stale = replace(watch.member(site, now), weather=seen_at(truth, now - age_h * HOUR, cell_of_site=site))
    (batch,) = batches([stale], now)
    (found,), _ = assess(batch)
    for outlook in found.materials:
        assert outlook.windows == ()
        assert (outlook.block_bits & int(Reason.MISSING_WEATHER) != 0).all()
    assert found.age_h >= 12.0


def test_unknown_hours_are_blacked_out_with_that_as_the_reason() -> None:
    site = replace(SITE, materials=MATERIALS)
    truth = truth_of(FIRST, [MILD] * 60)
    now = at(FIRST + 20 * DAY, 6)
    holed = truth.copy()
    gap = (holed.index >= now + 4 * HOUR) & (holed.index < now + 7 * HOUR)
    holed.loc[gap, "wind_speed_m_s"] = np.nan
    found = Watch(holed, [site]).look(now)
    for outlook in found.materials:
        assert (outlook.block_bits[4:7] & int(Reason.MISSING_WEATHER) != 0).all()
    assert found.missing["wind_speed_m_s"] == pytest.approx(3.0 / 48.0)


def test_sites_without_plants_or_materials_still_have_their_weather_told() -> None:
    bare = Site("s1", "Invented Lot", 40.0, -75.0, SITE.zone)
    watch = Watch(truth_of(FIRST, [HOT] * 60), [bare])
    found = watch.look(at(FIRST + 20 * DAY))
    assert (found.pressures, found.water, found.materials) == ((), (), ())
    assert found.spells != ()
    assert [day.day for day in found.days] == [FIRST + i * DAY for i in range(17, 28)]
    assert [day.observed for day in found.days] == [True] * 3 + [False] * 8
    assert found.days[0].temperature_max_c == 35.0


def test_sites_of_several_zones_are_each_assessed_on_their_own_day() -> None:
    """Noon in New York of the 20th is already the 21st in Auckland."""
    sites = [replace(SITE, id=zone, zone=zone) for zone in ("America/New_York", "Pacific/Auckland")]
    watch = Watch(truth_of(FIRST, [MILD] * 60), sites)
    watch.look(at(FIRST + 20 * DAY, 12))
    todays = {key: found.days[3].day for key, found in watch.found.items()}
    assert todays == {"America/New_York": FIRST + 20 * DAY, "Pacific/Auckland": FIRST + 21 * DAY}


@pytest.mark.parametrize("latitude_deg", [-89.9, -70.0, 70.0, 89.9])
@pytest.mark.parametrize("month", [6, 12])
def test_polar_day_and_night_are_assessed_with_every_part(latitude_deg: float, month: int) -> None:
    site = replace(SITE, latitude_deg=latitude_deg, zone="UTC", plantings=GARDEN, materials=MATERIALS)
    first = dt.date(2025, month, 1)
    watch = Watch(truth_of(first, [Sky(5.0, 14.0, 2.0)] * 40, "UTC"), [site])
    found = watch.look(at(first + 15 * DAY, 6, "UTC"), at(first + 16 * DAY, 6, "UTC"))
    assert len(found.water) == len(GARDEN)
    assert len(found.materials) == len(MATERIALS)
    assert found.spells == ()


def test_rain_known_in_part_is_shown_if_it_is_wetting_and_else_not() -> None:
    wet, drizzle = Sky(12.0, 24.0, 8.0, 14.0), Sky(12.0, 24.0, 8.0, 1.0)
    truth = truth_of(FIRST, [MILD] * 18 + [wet, drizzle] + [MILD] * 30)
    for day in (18, 19):
        hour = at(FIRST + day * DAY, 3)
        truth.loc[truth.index == hour, "precipitation_mm"] = np.nan
    found = Watch(truth).look(at(FIRST + 20 * DAY))
    told_mm = {day.day: day.precipitation_mm for day in found.days}
    assert told_mm[FIRST + 18 * DAY] == 14.0
    assert told_mm[FIRST + 19 * DAY] is None
