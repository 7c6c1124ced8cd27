"""Every gate just short of its limit, at it and just past it; and what holds for all of them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.catalog.limits import load_limits
from alertd.catalog.materials import load_materials
from alertd.science.spray import (
    REASON_WORDS,
    Reason,
    SprayHours,
    SprayRecords,
    SprayRules,
    blackout,
    blackouts,
    reasons_in,
    residual_left,
    rules_for,
)
from alertd.science.spray_rules import SIGNS
from tests.science.spray_cases import HOUR, N_HOURS, fair_hours, set_hours, verdict_at

EPS = 1e-6
MATERIALS = tuple(load_materials())
FLOATS = tuple(
    name
    for name, value in vars(fair_hours()).items()
    if isinstance(value, np.ndarray) and value.dtype.kind == "f"
)


def gate(
    reason: Reason, name: str, value: float, material: str = "bifenazate", profile: str = "default",
    method: str = "hand", **fixed: object,
) -> str:  # fmt: skip
    """Return what one value at the hour looked at does to one reason."""
    hours = set_hours(fair_hours(**fixed), HOUR, **{name: value})
    block, caution, _ = verdict_at(hours, rules_for(material, profile, method))
    return "block" if block & reason else "caution" if caution & reason else "open"


def test_fair_weather_is_open_for_every_material() -> None:
    for key in MATERIALS:
        hours = fair_hours(dormant=True)
        if key in ("dormant_oil", "lime_sulfur"):
            hours = set_hours(hours, slice(None), air_temperature_c=12.0, dew_point_c=6.0)
        block, _, margin = verdict_at(hours, rules_for(key))
        assert block == 0, (key, reasons_in(block))
        assert margin > 0.0


@pytest.mark.parametrize(
    ("reason", "name", "limit", "material", "outcomes"),
    [
        # outcomes just below, at and just above the limit
        (Reason.WIND_HIGH, "wind_speed_m_s", 4.4704, "bifenazate", "caution caution block"),
        (Reason.WIND_HIGH, "wind_speed_m_s", 3.57632, "bifenazate", "open open caution"),
        (Reason.WIND_LOW, "wind_speed_m_s", 1.34112 / 0.75, "bifenazate", "block open open"),
        (Reason.GUST, "wind_gust_m_s", 6.7056, "bifenazate", "caution caution block"),
        (Reason.GUST, "wind_gust_m_s", 5.36448, "bifenazate", "open open caution"),
        (Reason.DELTA_T_HIGH, "wet_bulb_depression_c", 10.0, "soap", "caution caution block"),
        (Reason.DELTA_T_HIGH, "wet_bulb_depression_c", 8.0, "soap", "open open caution"),
        (Reason.DELTA_T_LOW, "wet_bulb_depression_c", 2.0, "soap", "caution open open"),
        (Reason.DELTA_T_LOW, "wet_bulb_depression_c", 2.0, "horticultural_oil", "block open open"),
        (Reason.DELTA_T_LOW, "wet_bulb_depression_c", 2.0, "sulfur", "block open open"),
        (Reason.RAIN_NOW, "precipitation_mm", 0.1, "bifenazate", "open block block"),
        (Reason.HEAT, "air_temperature_c", 29.44, "horticultural_oil", "caution block block"),
        (Reason.HEAT, "air_temperature_c", 29.44, "sulfur", "caution block block"),
        (Reason.HEAT, "air_temperature_c", 32.22, "soap", "caution block block"),
        (Reason.HEAT, "air_temperature_c", 32.22, "neem_oil", "caution block block"),
        (Reason.HEAT, "air_temperature_c", 32.22, "abamectin", "caution block block"),
        (Reason.HEAT, "air_temperature_c", 26.67, "abamectin", "open caution caution"),
        (Reason.COLD, "air_temperature_c", 10.0, "horticultural_oil", "block open open"),
        (Reason.COLD, "air_temperature_c", 4.44, "soap", "block open open"),
        (Reason.COLD, "air_temperature_c", 10.0, "abamectin", "block caution caution"),
        (Reason.COLD, "air_temperature_c", 15.56, "abamectin", "caution open open"),
        (Reason.LEAF_WET, "relative_humidity_pct", 90.0, "horticultural_oil", "open block block"),
        (Reason.LEAF_WET, "relative_humidity_pct", 90.0, "soap", "open caution caution"),
        (Reason.LEAF_WET, "dew_point_c", 18.0, "neem_oil", "open block block"),
        (Reason.RAIN_AHEAD, "precipitation_probability_pct", 50.0, "sulfur", "caution block block"),
        (Reason.RAIN_AHEAD, "precipitation_probability_pct", 30.0, "sulfur", "open caution caution"),
        (Reason.OUTSIDE_HOURS, "local_hour", 6.0, "soap", "block open open"),
        (Reason.OUTSIDE_HOURS, "local_hour", 19.0, "soap", "open open block"),
        (Reason.INVERSION_CLOCK, "hours_since_sunrise", 2.0, "soap", "block open open"),
        (Reason.INVERSION_CLOCK, "hours_to_sunset", 3.0, "soap", "block open open"),
    ],
)  # fmt: skip
def test_a_gate_turns_exactly_at_its_limit(
    reason: Reason, name: str, limit: float, material: str, outcomes: str
) -> None:
    found = [gate(reason, name, value, material) for value in (limit - EPS, limit, limit + EPS)]
    assert found == outcomes.split()


@pytest.mark.parametrize(
    ("reason", "name", "limit", "outcomes"),
    [
        (Reason.WIND_HIGH, "wind_speed_m_s", 3.57632, "caution caution block"),
        (Reason.WIND_LOW, "wind_speed_m_s", 1.34112 / 0.6, "block open open"),
        (Reason.GUST, "wind_gust_m_s", 5.36448, "caution caution block"),
        (Reason.DELTA_T_HIGH, "wet_bulb_depression_c", 8.0, "open open block"),
        (Reason.INVERSION_CLOCK, "hours_since_sunrise", 3.0, "block open open"),
        (Reason.INVERSION_CLOCK, "hours_to_sunset", 4.0, "block open open"),
        (Reason.RAIN_AHEAD, "precipitation_probability_pct", 30.0, "caution block block"),
        (Reason.COLD, "air_temperature_c", 15.56, "block open open"),
    ],
)
def test_the_strict_profile_turns_earlier(reason: Reason, name: str, limit: float, outcomes: str) -> None:
    found = [gate(reason, name, value, profile="strict") for value in (limit - EPS, limit, limit + EPS)]
    assert found == outcomes.split()


@pytest.mark.parametrize(
    ("temperature_c", "outcome"), [(23.88, "open"), (23.89, "caution"), (29.44, "block")]
)
def test_full_sun_lowers_the_ceiling_of_every_material(temperature_c: float, outcome: str) -> None:
    assert gate(Reason.SUN_HEAT, "air_temperature_c", temperature_c, "soap", full_sun=True) == outcome


def test_cloud_or_night_takes_the_sun_away_but_unknown_cloud_does_not() -> None:
    for shade in ({"cloud_cover_pct": 95.0}, {"sun_altitude_deg": -5.0}, {"full_sun": False}):
        fixed = {"full_sun": True, **shade}
        assert gate(Reason.SUN_HEAT, "air_temperature_c", 30.0, "soap", **fixed) == "open"
    assert (
        gate(Reason.SUN_HEAT, "air_temperature_c", 30.0, "soap", full_sun=True, cloud_cover_pct=np.nan)
        == "block"
    )


@pytest.mark.parametrize(("profile", "last"), [("default", 6), ("strict", 24)])
def test_heat_within_the_horizon_closes_and_the_hour_after_it_does_not(profile: str, last: int) -> None:
    rules = rules_for("soap", profile)
    inside = set_hours(fair_hours(), HOUR + last, air_temperature_c=33.0)
    outside = set_hours(fair_hours(), HOUR + last + 1, air_temperature_c=33.0)
    assert verdict_at(inside, rules)[0] == Reason.HEAT_AHEAD
    assert not verdict_at(outside, rules)[0] & Reason.HEAT_AHEAD


def test_freeze_follows_the_kind_of_plant() -> None:
    rules = rules_for("horticultural_oil")
    for low_c, evergreen, closed in [
        (-0.1, False, True),
        (0.0, False, False),
        (4.4, True, True),
        (4.44, True, False),
    ]:
        hours = set_hours(fair_hours(evergreen=evergreen), HOUR + 24, air_temperature_c=low_c)
        assert bool(verdict_at(hours, rules)[0] & Reason.FREEZE_AHEAD) is closed, low_c
    later = set_hours(fair_hours(), HOUR + 60, air_temperature_c=-3.0)
    block, caution, _ = verdict_at(later, rules)
    assert block == 0
    assert caution & Reason.FREEZE_AHEAD


@pytest.mark.parametrize(
    ("material", "profile", "last"),
    [
        ("horticultural_oil", "default", 24),
        ("soap", "default", 4),
        ("soap", "strict", 24),
        ("abamectin", "default", 24),
    ],
)
def test_rain_within_the_rain_free_time_closes_and_later_rain_cautions(
    material: str, profile: str, last: int
) -> None:
    rules = rules_for(material, profile)
    inside = set_hours(fair_hours(), HOUR + last, precipitation_mm=0.25)
    later = set_hours(fair_hours(), HOUR + last + 1, precipitation_mm=0.25)
    assert verdict_at(inside, rules)[0] & Reason.RAIN_AHEAD
    block, caution, _ = verdict_at(later, rules)
    assert not block & Reason.RAIN_AHEAD
    assert caution & Reason.RAIN_AHEAD


def test_drizzle_adds_up_over_the_rain_free_time() -> None:
    rules = rules_for("horticultural_oil")
    few = set_hours(fair_hours(), slice(HOUR + 1, HOUR + 5), precipitation_mm=0.06)
    many = set_hours(fair_hours(), slice(HOUR + 1, HOUR + 6), precipitation_mm=0.05)
    assert not verdict_at(few, rules)[0] & Reason.RAIN_AHEAD
    assert verdict_at(many, rules)[0] & Reason.RAIN_AHEAD


def test_rain_of_the_last_two_hours_leaves_the_leaves_wet() -> None:
    for ago, closed in [(0, True), (1, True), (2, True), (3, False)]:
        hours = set_hours(fair_hours(), HOUR - ago, precipitation_mm=0.2)
        assert bool(verdict_at(hours, rules_for("sulfur"))[0] & Reason.LEAF_WET) is closed, ago


def test_hot_dry_air_closes_fine_drops_and_cautions_coarse_ones() -> None:
    def at(humidity_pct: float, temperature_c: float, method: str, profile: str = "default") -> str:
        return gate(
            Reason.HOT_DRY_AIR, "relative_humidity_pct", humidity_pct, "soap", profile, method,
            air_temperature_c=temperature_c,
        )  # fmt: skip

    assert at(39.9, 25.1, "mist-blower") == "block"
    assert at(39.9, 25.1, "hand") == "caution"
    assert at(39.9, 25.1, "hand", "strict") == "block"
    assert at(40.0, 25.1, "mist-blower") == "open"
    assert at(39.9, 25.0, "mist-blower") == "open"


def test_fine_drops_close_earlier_in_stable_and_in_damp_air_and_keep_noise_hours() -> None:
    stable = {"sun_altitude_deg": -10.0, "hours_since_sunrise": -3.0, "cloud_cover_pct": 90.0}
    assert gate(Reason.INVERSION_CLASS, "wind_speed_m_s", 2.2, method="hand", **stable) == "caution"
    assert gate(Reason.INVERSION_CLASS, "wind_speed_m_s", 2.2, method="mist-blower", **stable) == "block"
    assert gate(Reason.DELTA_T_LOW, "wet_bulb_depression_c", 1.9, method="mist-blower") == "block"
    assert gate(Reason.OUTSIDE_HOURS, "local_hour", 6.5, method="hand") == "open"
    assert gate(Reason.OUTSIDE_HOURS, "local_hour", 6.5, method="mist-blower") == "block"


def test_a_dry_spell_brings_the_evening_inversion_forward() -> None:
    assert gate(Reason.INVERSION_CLOCK, "hours_to_sunset", 3.5, dry_spell=False) == "open"
    assert gate(Reason.INVERSION_CLOCK, "hours_to_sunset", 3.5, dry_spell=True) == "block"
    assert gate(Reason.INVERSION_CLOCK, "hours_to_sunset", 4.0, dry_spell=True) == "open"


@pytest.mark.parametrize(
    "weather",
    [
        {"ceiling_m": np.nan}, {"ceiling_m": 2200.0}, {"cloud_cover_pct": 90.0}, {"wind_speed_m_s": 3.05},
    ],
)  # fmt: skip
def test_only_a_known_low_overcast_with_wind_lifts_the_clock(weather: dict[str, float]) -> None:
    fixed = {"cloud_cover_pct": 100.0, "ceiling_m": 900.0, "wind_speed_m_s": 3.2}
    assert gate(Reason.INVERSION_CLOCK, "hours_to_sunset", 1.5, **fixed) == "open"
    assert gate(Reason.INVERSION_CLOCK, "hours_to_sunset", 1.5, **{**fixed, **weather}) == "block"


@pytest.mark.parametrize(
    ("material", "profile", "outcomes"),
    [
        ("horticultural_oil", "default", "open caution block caution"),
        ("soap", "default", "open caution block caution"),
        ("abamectin", "default", "open caution caution caution"),
        ("horticultural_oil", "strict", "open block block block"),
    ],
)
def test_drought_closes_what_burns_thirsty_plants(material: str, profile: str, outcomes: str) -> None:
    found = [gate(Reason.DROUGHT, "local_hour", 10.0, material, profile, drought=state) for state in range(4)]
    assert found == outcomes.split()


def test_bees_decide_by_category_and_hour() -> None:
    def bloom(material: str, **weather: float) -> str:
        return gate(Reason.BLOOM, "cloud_cover_pct", 20.0, material, in_bloom=True, **weather)

    noon, evening, before_dawn = (
        {"hours_to_sunset": 6.0},
        {"hours_to_sunset": 0.0},
        {"hours_since_sunrise": -1.0},
    )
    assert [bloom("abamectin", **at) for at in (noon, evening, before_dawn)] == ["block"] * 3  # category I
    assert [bloom("horticultural_oil", **at) for at in (noon, evening, before_dawn)] == [
        "block",
        "caution",
        "block",
    ]
    assert [bloom("acequinocyl", **at) for at in (noon, evening, before_dawn)] == [
        "block",
        "caution",
        "caution",
    ]
    assert bloom("acequinocyl", air_temperature_c=9.9) == "caution"
    assert bloom("acequinocyl", air_temperature_c=10.0) == "block"
    assert gate(Reason.BLOOM, "local_hour", 10.0, "abamectin", weeds_in_bloom=True) == "caution"


def test_a_plant_on_the_list_closes_and_a_blue_conifer_cautions() -> None:
    for plants, outcome in [(["japanese_maple"], "block"), (["blue_spruce"], "caution"), (["oak"], "open"),
                            (["oak", "japanese_maple"], "block")]:  # fmt: skip
        block, caution, _ = verdict_at(fair_hours(), rules_for("soap", plant_groups=plants))
        found = (
            "block"
            if block & Reason.SENSITIVE_PLANT
            else "caution"
            if caution & Reason.SENSITIVE_PLANT
            else "open"
        )
        assert found == outcome, plants
    by_site = fair_hours(n_sites=3, sensitivity=0)
    by_site = dataclasses.replace(by_site, sensitivity=np.array([0, 1, 2], dtype=np.int8))
    verdict = blackout(by_site, rules_for("soap"))
    assert (verdict.block_bits[:, HOUR] & Reason.SENSITIVE_PLANT > 0).tolist() == [False, False, True]


def test_dormant_materials_ask_for_dormant_plants() -> None:
    for dormant, outcome in [(True, "open"), (False, "block"), (None, "caution")]:
        assert gate(Reason.NOT_DORMANT, "local_hour", 10.0, "dormant_oil", dormant=dormant) == outcome


@pytest.mark.parametrize(
    ("reason", "material", "book", "outcome"),
    [
        (Reason.MIN_INTERVAL, "abamectin", {"days_since_same": 6.9}, "block"),
        (Reason.MIN_INTERVAL, "abamectin", {"days_since_same": 7.0}, "open"),
        (Reason.MIN_INTERVAL, "abamectin", {"days_since_same": np.nan}, "open"),
        (Reason.LOOK_AGAIN, "soap", {"days_since_same": 15.0}, "caution"),
        (Reason.LOOK_AGAIN, "soap", {"days_since_same": 15.0, "looked_since": 1.0}, "open"),
        (Reason.SEASON_MAX, "bifenazate", {"uses_this_season": 1.0}, "open"),
        (Reason.SEASON_MAX, "bifenazate", {"uses_this_season": 2.0}, "block"),
        (Reason.SEASON_MAX, "soap", {"uses_this_season": 9.0}, "open"),
        (Reason.ROTATION, "abamectin", {"group_uses_in_a_row": 1.0}, "open"),
        (Reason.ROTATION, "abamectin", {"group_uses_in_a_row": 2.0}, "block"),
        (Reason.ROTATION, "soap", {"group_uses_in_a_row": 5.0}, "open"),
        (Reason.SULFUR_OIL, "sulfur", {"days_since_oil": 29.9}, "block"),
        (Reason.SULFUR_OIL, "sulfur", {"days_since_oil": 30.0}, "caution"),
        (Reason.SULFUR_OIL, "horticultural_oil", {"days_since_sulfur": 36.9}, "caution"),
        (Reason.SULFUR_OIL, "horticultural_oil", {"days_since_sulfur": 37.0}, "open"),
        (Reason.SULFUR_OIL, "horticultural_oil", {"days_since_oil": 3.0}, "open"),
        (Reason.SULFUR_OIL, "abamectin", {"days_since_oil": 3.0}, "open"),
        (Reason.PATCH_TEST, "soap", {"patch_test_needed": 1.0}, "block"),
        (Reason.PATCH_TEST, "soap", {"patch_test_needed": 1.0, "hours_since_patch_test": 71.9}, "block"),
        (Reason.PATCH_TEST, "soap", {"patch_test_needed": 1.0, "hours_since_patch_test": 72.0}, "open"),
        (Reason.PATCH_TEST, "soap", {"patch_test_needed": 0.0}, "open"),
        (Reason.PATCH_TEST, "soap", {"patch_injury": 1.0}, "block"),
    ],
)  # fmt: skip
def test_the_book_of_applications_closes_every_hour_it_speaks_of(
    reason: Reason, material: str, book: dict[str, float], outcome: str
) -> None:
    flags = ("looked_since", "patch_test_needed", "patch_injury")
    records = SprayRecords(**{k: np.array([bool(v) if k in flags else v]) for k, v in book.items()})
    block, caution, _ = verdict_at(fair_hours(), rules_for(material), records)
    assert ("block" if block & reason else "caution" if caution & reason else "open") == outcome


@pytest.mark.parametrize(
    ("material", "profile", "last"),
    [("soap", "default", 6), ("soap", "strict", 24), ("sulfur", "default", 24)],
)
def test_hours_whose_look_ahead_leaves_the_data_are_closed(material: str, profile: str, last: int) -> None:
    verdict = blackout(fair_hours(n_hours=60), rules_for(material, profile))
    closed = (verdict.block_bits[0] & Reason.HORIZON_END) != 0
    assert np.flatnonzero(closed).tolist() == list(range(60 - last, 60))


@pytest.mark.parametrize(
    "name", [name for name in FLOATS if name not in ("wind_gust_m_s", "precipitation_probability_pct")]
)
def test_any_missing_value_closes_the_hour_as_missing(name: str) -> None:
    hours = set_hours(fair_hours(), HOUR, **{name: np.nan})
    for key in MATERIALS:
        assert verdict_at(hours, rules_for(key))[0] & Reason.MISSING_WEATHER


@pytest.mark.parametrize(
    ("material", "name", "offset", "closed"),
    [
        ("soap", "precipitation_mm", 4, True), ("soap", "precipitation_mm", 5, False),
        ("abamectin", "precipitation_mm", 24, True), ("abamectin", "precipitation_mm", 25, False),
        ("soap", "precipitation_probability_pct", 4, True),
        ("soap", "precipitation_probability_pct", 5, False),
        ("soap", "air_temperature_c", 6, True), ("soap", "air_temperature_c", 7, False),
        ("horticultural_oil", "air_temperature_c", 24, True),
        ("horticultural_oil", "air_temperature_c", 25, False),
        ("horticultural_oil", "precipitation_mm", -2, True),
        ("horticultural_oil", "precipitation_mm", -3, False),
        ("soap", "precipitation_mm", -2, False),
    ],
)  # fmt: skip
def test_a_gap_in_what_is_looked_ahead_or_back_to_closes_the_hour(
    material: str, name: str, offset: int, closed: bool
) -> None:
    hours = set_hours(fair_hours(), HOUR + offset, **{name: np.nan})
    assert verdict_at(hours, rules_for(material))[0] == (Reason.MISSING_WEATHER if closed else 0)


def test_heat_of_the_hour_itself_is_not_heat_ahead() -> None:
    hours = set_hours(fair_hours(), HOUR, air_temperature_c=33.0)
    assert verdict_at(hours, rules_for("soap"))[0] == Reason.HEAT


def test_a_gust_reported_below_the_mean_wind_counts_as_the_mean_wind() -> None:
    rules = rules_for("soap", overrides={"gust_block_m_s": 4.0})
    hours = fair_hours(wind_speed_m_s=4.2, wind_gust_m_s=0.4)
    assert verdict_at(hours, rules)[0] == Reason.GUST


def test_a_longer_freeze_free_time_needs_a_longer_forecast() -> None:
    rules = rules_for("horticultural_oil", overrides={"freeze_block_time_h": 48.0})
    closed = (blackout(fair_hours(n_hours=60), rules).block_bits[0] & Reason.HORIZON_END) != 0
    assert int(closed.sum()) == 48


def test_a_gap_in_a_gust_or_chance_that_the_provider_gives_is_missing_weather() -> None:
    for name in ("wind_gust_m_s", "precipitation_probability_pct"):
        hours = set_hours(fair_hours(), HOUR, **{name: np.nan})
        assert verdict_at(hours, rules_for("soap"))[0] == Reason.MISSING_WEATHER


def test_without_any_gust_only_light_wind_is_open_and_carries_a_caution() -> None:
    hours = fair_hours(wind_gust_m_s=np.nan, wind_speed_m_s=2.6)
    block, caution, _ = verdict_at(hours, rules_for("soap"))
    assert block == 0
    assert caution & Reason.GUST_UNKNOWN
    windier = fair_hours(wind_gust_m_s=np.nan, wind_speed_m_s=2.7)
    assert verdict_at(windier, rules_for("soap"))[0] == Reason.GUST_UNKNOWN
    assert verdict_at(hours, rules_for("soap", "strict"))[0] & Reason.GUST_UNKNOWN
    declared = fair_hours(wind_gust_m_s=np.nan, wind_speed_m_s=2.6, gust_expected=True)
    assert verdict_at(declared, rules_for("soap"))[0] == Reason.MISSING_WEATHER


def test_coarse_steps_without_gusts_count_as_gusts_not_given() -> None:
    hours = set_hours(fair_hours(wind_speed_m_s=2.6), slice(40, None), wind_gust_m_s=np.nan)
    coarse = hours.coarse.copy()
    coarse[:, 40:] = True
    hours = dataclasses.replace(hours, coarse=coarse)
    block, caution, _ = verdict_at(hours, rules_for("soap"), at=50)
    assert block == 0
    assert caution & Reason.GUST_UNKNOWN
    assert caution & Reason.COARSE_STEP


def test_limits_tightened_to_nothing_close_without_a_fault() -> None:
    overrides = {"rain_ahead_amount_mm": 0.0, "rain_ahead_chance_block_pct": 0.0}
    assert verdict_at(fair_hours(), rules_for("soap", overrides=overrides))[0] == Reason.RAIN_AHEAD


def test_without_any_chance_of_rain_a_smaller_amount_closes() -> None:
    hours = fair_hours(precipitation_probability_pct=np.nan)
    block, caution, _ = verdict_at(hours, rules_for("sulfur"))
    assert block == 0
    assert caution & Reason.RAIN_CHANCE_UNKNOWN
    drizzle = set_hours(hours, HOUR + 5, precipitation_mm=0.12)
    assert verdict_at(drizzle, rules_for("sulfur"))[0] == Reason.RAIN_AHEAD
    assert verdict_at(set_hours(fair_hours(), HOUR + 5, precipitation_mm=0.12), rules_for("sulfur"))[0] == 0


def test_a_coarse_step_cautions_and_closes_under_the_strict_profile() -> None:
    hours = fair_hours(coarse=True)
    assert verdict_at(hours, rules_for("soap"))[1] & Reason.COARSE_STEP
    assert verdict_at(hours, rules_for("soap", "strict"))[0] & Reason.COARSE_STEP


def test_polar_day_and_night_are_judged_without_a_sunrise() -> None:
    day = fair_hours(hours_since_sunrise=np.inf, hours_to_sunset=np.inf)
    night = fair_hours(hours_since_sunrise=-np.inf, hours_to_sunset=-np.inf, sun_altitude_deg=-5.0)
    assert verdict_at(day, rules_for("soap"))[0] == 0
    assert verdict_at(night, rules_for("soap"))[0] & Reason.INVERSION_CLOCK
    mistaken = dataclasses.replace(day, sun_altitude_deg=night.sun_altitude_deg)
    assert verdict_at(mistaken, rules_for("soap"))[0] & Reason.INVERSION_CLOCK


def test_water_is_stopped_by_wind_frost_and_night_only() -> None:
    rules = rules_for("water_spray")
    assert verdict_at(fair_hours(air_temperature_c=38.0, drought=2, in_bloom=True), rules)[0] == 0
    assert verdict_at(fair_hours(air_temperature_c=3.9), rules)[0] == Reason.COLD
    assert verdict_at(fair_hours(wind_speed_m_s=6.0), rules)[0] & Reason.WIND_HIGH
    assert verdict_at(fair_hours(wind_speed_m_s=0.5, precipitation_mm=1.0), rules)[0] == 0
    assert verdict_at(fair_hours(local_hour=22.0), rules)[0] == Reason.OUTSIDE_HOURS


def test_the_margin_shrinks_towards_the_nearest_limit() -> None:
    def margin(wind_m_s: float) -> float:
        return verdict_at(
            fair_hours(wind_speed_m_s=wind_m_s, wind_gust_m_s=wind_m_s), rules_for("bifenazate")
        )[2]

    assert margin(4.4704) == 0.0
    assert 0.0 < margin(4.2) < margin(3.8) < margin(3.2)
    assert margin(1.7) == 0.0


def test_bits_have_words_and_never_move() -> None:
    assert set(REASON_WORDS) == set(Reason)
    assert [int(reason) for reason in Reason] == [1 << place for place in range(len(Reason))]
    # stored in history: these must never change
    assert (Reason.MISSING_WEATHER, Reason.HEAT, Reason.GUST, Reason.LOOK_AGAIN) == (1, 4, 1 << 13, 1 << 31)
    assert reasons_in(0) == ()
    assert reasons_in(int(Reason.HEAT | Reason.GUST)) == (Reason.HEAT, Reason.GUST)


def test_shapes_that_do_not_fit_are_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"drought: shape \(3,\)"):
        dataclasses.replace(fair_hours(n_sites=2), drought=np.zeros(3, dtype=np.int8))
    with pytest.raises(ValueError, match="air_temperature_c"):
        dataclasses.replace(fair_hours(), air_temperature_c=np.zeros(5))
    with pytest.raises(ValueError, match="wind_gust_m_s"):
        dataclasses.replace(fair_hours(n_sites=2), wind_gust_m_s=np.zeros(2))


@pytest.mark.parametrize(
    ("rain_mm", "left_d"),
    [(0.0, 10.0), (24.9, 10.0), (25.0, 5.0), (49.9, 5.0), (50.0, 0.0), (np.nan, np.nan)],
)
def test_rain_shortens_a_residual_deposit(rain_mm: float, left_d: float) -> None:
    # K-State text and OMAFRA 2020: under 1 inch kept, 1-2 inches half the days, over 2 inches none
    limits = load_limits()["default"]
    left = residual_left(
        14.0, 4.0, rain_mm, half_mm=float(limits.washoff_half_rain), all_mm=float(limits.washoff_all_rain)
    )
    np.testing.assert_equal(float(left), left_d)
    assert float(residual_left(3.0, 4.0, 0.0, half_mm=25.0, all_mm=50.0)) == 0.0


# --- properties -----------------------------------------------------------------------------------

SHAPE = (3, 40)
Values = np.ndarray[tuple[int, ...], np.dtype[np.float64]]


@st.composite
def some_hours(draw: st.DrawFn) -> SprayHours:
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    span = draw(st.sampled_from([0.1, 0.3, 1.0]))  # from fair weather to anything
    often = draw(st.sampled_from([0.0, 0.02, 0.1]))  # single hours of heat, frost, rain, chance of rain

    def around(middle: float, spread: float, low: float = -np.inf, high: float = np.inf) -> Values:
        return np.clip(middle + span * spread * random.normal(size=SHAPE), low, high)

    def sudden(size: float) -> Values:
        return size * (random.random(SHAPE) < often)

    hours = fair_hours(*SHAPE)
    return dataclasses.replace(
        hours,
        air_temperature_c=around(20.0, 8.0) + sudden(14.0) - sudden(24.0),
        relative_humidity_pct=around(60.0, 20.0, 5.0, 100.0),
        dew_point_c=around(10.0, 5.0),
        wet_bulb_depression_c=around(5.0, 3.0, 0.0),
        wind_speed_m_s=around(2.8, 1.2, 0.0),
        wind_gust_m_s=around(4.0, 2.0, 0.0),
        precipitation_mm=np.where(random.random(SHAPE) < often, random.exponential(0.5, SHAPE), 0.0),
        precipitation_probability_pct=np.where(random.random(SHAPE) < often, 70.0, 10.0),
        cloud_cover_pct=around(40.0, 40.0, 0.0, 100.0),
        drought=random.integers(0, 4, SHAPE[0]),
        in_bloom=random.random(SHAPE[0]) < 0.2,
        full_sun=random.random(SHAPE[0]) < 0.5,
        dormant=random.random(SHAPE[0]) < 0.7,
        gust_expected=np.ones(SHAPE[0], dtype=np.bool_),
        probability_expected=np.ones(SHAPE[0], dtype=np.bool_),
    )  # fmt: skip


def opened(
    before: SprayHours, after: SprayHours, rules: SprayRules, tighter: SprayRules | None = None
) -> int:
    was, now = blackout(before, rules).block_bits, blackout(after, tighter or rules).block_bits
    return int(((was != 0) & (now == 0)).sum())


@settings(max_examples=60, deadline=None)
@given(
    hours=some_hours(), material=st.sampled_from(MATERIALS), name=st.sampled_from(FLOATS),
    site=st.integers(0, SHAPE[0] - 1), start=st.integers(0, SHAPE[1] - 1), length=st.integers(1, 40),
)  # fmt: skip
def test_removing_values_never_opens_an_hour(
    hours: SprayHours, material: str, name: str, site: int, start: int, length: int
) -> None:
    holed = getattr(hours, name).copy()
    holed[site, start : start + length] = np.nan
    assert opened(hours, dataclasses.replace(hours, **{name: holed}), rules_for(material)) == 0


@settings(max_examples=120, deadline=None)
@given(
    hours=some_hours(), material=st.sampled_from(MATERIALS), name=st.sampled_from(sorted(SIGNS)),
    step=st.floats(0.01, 30.0),
)  # fmt: skip
def test_tightening_a_limit_never_opens_an_hour(
    hours: SprayHours, material: str, name: str, step: float
) -> None:
    rules = rules_for(material)
    tighter = dataclasses.replace(rules, **{name: getattr(rules, name) - SIGNS[name] * step})
    assert opened(hours, hours, rules, tighter) == 0


@settings(max_examples=30, deadline=None)
@given(hours=some_hours(), material=st.sampled_from(MATERIALS))
def test_the_strict_profile_never_opens_an_hour(hours: SprayHours, material: str) -> None:
    assert opened(hours, hours, rules_for(material), rules_for(material, "strict")) == 0


@settings(max_examples=30, deadline=None)
@given(hours=some_hours(), material=st.sampled_from(MATERIALS), order=st.permutations(range(SHAPE[0])))
def test_sites_do_not_know_each_other(hours: SprayHours, material: str, order: list[int]) -> None:
    rules = rules_for(material)
    turned = dataclasses.replace(
        hours,
        **{
            name: value[order]
            for name, value in vars(hours).items()
            if isinstance(value, np.ndarray) and name != "unknown_now"
        },
    )
    one, other = blackout(hours, rules), blackout(turned, rules)
    np.testing.assert_array_equal(one.block_bits[order], other.block_bits)
    np.testing.assert_array_equal(one.caution_bits[order], other.caution_bits)
    np.testing.assert_array_equal(one.margin[order], other.margin)


@settings(max_examples=5, deadline=None)
@given(hours=some_hours())
def test_many_materials_at_once_give_what_each_gives_alone(hours: SprayHours) -> None:
    rules = [rules_for(key, profile, method, plants) for key in MATERIALS
             for profile, method, plants in [("default", "hand", ()), ("strict", "hand", ("spruce",)),
                                             ("default", "hand", ("rhododendron",)),
                                             ("default", "mist-blower", ("blue_spruce",))]]  # fmt: skip
    for rule, together in zip(rules, blackouts(hours, rules), strict=True):
        alone = blackout(hours, rule)
        np.testing.assert_array_equal(together.block_bits, alone.block_bits)
        np.testing.assert_array_equal(together.caution_bits, alone.caution_bits)
        np.testing.assert_array_equal(together.margin, alone.margin)


@settings(max_examples=30, deadline=None)
@given(hours=some_hours(), material=st.sampled_from(MATERIALS))
def test_closed_hours_have_no_margin_and_no_bit_is_both_block_and_caution(
    hours: SprayHours, material: str
) -> None:
    verdict = blackout(hours, rules_for(material))
    assert not (verdict.block_bits & verdict.caution_bits).any()
    assert (verdict.margin[verdict.block_bits != 0] == 0.0).all()
    assert ((verdict.margin >= 0.0) & (verdict.margin <= 1.0)).all()


def test_narrow_floats_give_the_same_verdict() -> None:
    hours = fair_hours(n_hours=N_HOURS)
    narrow = dataclasses.replace(hours, **{name: getattr(hours, name).astype(np.float32) for name in FLOATS})
    rules = rules_for("horticultural_oil")
    np.testing.assert_array_equal(blackout(hours, rules).block_bits, blackout(narrow, rules).block_bits)
