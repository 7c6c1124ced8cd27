"""What verdicts share must not show: many materials, sites and hours at once against each alone."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from alertd.catalog.materials import BeeCategory, load_materials
from alertd.science import spray
from alertd.science.spray import Reason, SprayHours, SprayRecords, blackout, blackouts, judge, rules_for
from alertd.science.spray_plan import plan_of
from alertd.science.spray_rules import SIGNS, Sensitivity
from tests.science.spray_cases import fair_hours

MATERIALS = tuple(load_materials())


def random_hours(n_sites: int, n_hours: int, seed: int) -> SprayHours:
    """Return hours around every limit, with gaps, on sites of every kind."""
    draw = np.random.default_rng(seed)
    shape = (n_sites, n_hours)
    clock = np.arange(n_hours) % 24.0
    temperature = np.round(draw.uniform(-4.0, 32.0, (n_sites, 1)) + draw.normal(0.0, 4.0, shape), 1)
    wet = draw.random(shape) < 0.03
    weather = {
        "air_temperature_c": temperature,
        "relative_humidity_pct": np.round(draw.uniform(20.0, 100.0, shape)),
        "dew_point_c": np.round(temperature - draw.gamma(2.0, 4.0, shape), 1),
        "wet_bulb_depression_c": draw.gamma(2.0, 2.5, shape),
        "wind_speed_m_s": np.round(draw.gamma(4.0, 0.7, shape), 1),
        "wind_gust_m_s": np.round(draw.gamma(5.0, 0.9, shape), 1),
        "precipitation_mm": np.where(wet, np.round(draw.gamma(1.0, 0.4, shape), 2), 0.0),
        "precipitation_probability_pct": np.where(wet, np.round(draw.uniform(0.0, 100.0, shape)), 5.0),
        "cloud_cover_pct": draw.choice([0.0, 45.0, 55.0, 92.0, 100.0], shape),
    }
    for name in weather:
        weather[name][draw.random(shape) < 0.002] = np.nan
    weather["wind_gust_m_s"][: n_sites // 4] = np.nan
    return dataclasses.replace(
        fair_hours(n_sites, n_hours),
        **weather,
        sun_altitude_deg=60.0 * np.cos((clock - 13.0) / 24.0 * 2.0 * np.pi) + np.zeros(shape),
        hours_since_sunrise=clock - 5.4 + np.zeros(shape),
        hours_to_sunset=20.3 - clock + np.zeros(shape),
        local_hour=clock + np.zeros(shape),
        coarse=draw.random(shape) < 0.01,
        drought=draw.integers(0, 4, n_sites),
        in_bloom=draw.random(n_sites) < 0.3,
        full_sun=draw.random(n_sites) < 0.6,
        dry_spell=draw.random(n_sites) < 0.3,
        evergreen=draw.random(n_sites) < 0.3,
        dormant=draw.random(n_sites) < 0.5,
        sensitivity=draw.integers(0, 3, n_sites),
    )


@pytest.mark.parametrize("seed", [1, 2])
def test_materials_judged_together_have_the_verdicts_of_each_judged_alone(seed: int) -> None:
    hours = random_hours(9, 150, seed)
    rules = [
        rules_for(material, profile, method)
        for material in MATERIALS
        for profile, method in (("default", "hand"), ("strict", "mist-blower"))
    ]
    for rule, together in zip(rules, blackouts(hours, rules), strict=True):
        alone = blackout(hours, rule)
        np.testing.assert_array_equal(together.block_bits, alone.block_bits)
        np.testing.assert_array_equal(together.caution_bits, alone.caution_bits)
        np.testing.assert_array_equal(together.margin, alone.margin)


FLAGS = (
    "fine", "freeze_gate", "leaf_wet_blocks", "slow_drying_blocks", "drought_sensitive", "dormant_only",
    "evergreen", "drought_unknown_blocks", "hot_dry_blocks", "coarse_step_blocks", "plain_water",
)  # fmt: skip


@pytest.mark.parametrize("name", [*SIGNS, *FLAGS, "bee_category", "sensitivity"])
def test_rules_that_differ_in_one_thing_only_are_judged_by_it(name: str) -> None:
    """A gate that read a limit it did not name would hand its like the wrong verdict."""
    hours = random_hours(12, 130, 6)
    base = rules_for("horticultural_oil")
    before = getattr(base, name)
    other: object
    if name in FLAGS:
        other = not before
    elif name == "bee_category":
        other = BeeCategory.I
    elif name == "sensitivity":
        other = Sensitivity.AVOID
    else:
        other = before - SIGNS[name] * max(0.5, 0.3 * abs(before)) if np.isfinite(before) else 5.0
    changed = dataclasses.replace(base, **{name: other})
    for order in ([base, changed], [changed, base]):
        for rule, together in zip(order, blackouts(hours, order), strict=True):
            alone = blackout(hours, rule)
            np.testing.assert_array_equal(together.block_bits, alone.block_bits)
            np.testing.assert_array_equal(together.caution_bits, alone.caution_bits)
            np.testing.assert_array_equal(together.margin, alone.margin)


def test_more_sites_than_fit_into_one_handful_are_each_judged_as_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    hours = random_hours(11, 100, 3)
    rules = [rules_for(material) for material in MATERIALS]
    whole = judge(hours, rules)
    monkeypatch.setattr(spray, "SITES_AT_ONCE", 4)
    parts = judge(hours, rules)
    for name in ("block_bits", "caution_bits", "margin"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(parts, name))


def test_hours_that_are_not_judged_are_still_looked_at() -> None:
    hours = random_hours(6, 200, 4)
    rules = [rules_for(material) for material in MATERIALS]
    whole, part = judge(hours, rules), judge(hours, rules, judged=slice(6, 80))
    np.testing.assert_array_equal(whole.block_bits[:, :, 6:80], part.block_bits)
    np.testing.assert_array_equal(whole.caution_bits[:, :, 6:80], part.caution_bits)
    np.testing.assert_array_equal(whole.margin[:, :, 6:80], part.margin)


def test_records_by_site_and_by_hour_follow_their_sites_and_hours(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spray, "SITES_AT_ONCE", 2)
    hours = fair_hours(5, 60)
    days = np.array([1.0, 50.0, 2.0, 50.0, np.nan])
    by_hour = np.zeros((5, 60), dtype=np.bool_)
    by_hour[3, 20:] = True
    records = SprayRecords(days_since_same=days, patch_injury=by_hour)
    found = judge(hours, [rules_for("soap")], [records], slice(10, 40)).block_bits[0]
    assert ((found & int(Reason.MIN_INTERVAL)) != 0).all(axis=1).tolist() == [True, False, True, False, False]
    injured = (found & int(Reason.PATCH_TEST)) != 0
    assert injured[3].tolist() == [False] * 10 + [True] * 20
    assert not injured[[0, 1, 2, 4]].any()


def test_materials_under_the_same_limits_share_a_verdict_and_others_do_not() -> None:
    rules = [rules_for(material) for material in MATERIALS]
    shared = judge(fair_hours(1, 30), rules)
    at = dict(zip(MATERIALS, shared.verdict_of, strict=True))
    assert at["etoxazole"] == at["hexythiazox"]
    assert len({at["soap"], at["sulfur"], at["horticultural_oil"], at["dormant_oil"], at["water_spray"]}) == 5
    assert len(shared.block_bits) == len(set(shared.verdict_of)) < len(MATERIALS)


def test_an_override_parts_a_material_from_its_like() -> None:
    tighter = rules_for("etoxazole", overrides={"wind_upper_block_m_s": 3.0})
    assert len(set(plan_of([rules_for("etoxazole"), rules_for("hexythiazox"), tighter]).verdict_of)) == 2


def test_materials_with_a_record_never_share() -> None:
    rules = [rules_for("etoxazole"), rules_for("hexythiazox")]
    assert plan_of(rules, [SprayRecords(), None]).verdict_of == (0, 1)


def test_the_margin_is_exact_to_a_millionth_though_it_is_kept_in_half_the_width() -> None:
    wind = np.random.default_rng(5).uniform(1.8, 4.4, (1, 400))
    hours = dataclasses.replace(fair_hours(1, 400), wind_speed_m_s=wind, wind_gust_m_s=wind)
    rules = rules_for("soap")
    exact = np.minimum(
        (rules.wind_upper_block_m_s - wind) / rules.scale_wind_m_s,
        (wind - rules.wind_lower_block_m_s / rules.wind_height_factor) / rules.scale_wind_m_s,
    )
    found = blackout(hours, rules)
    opened = found.block_bits == 0
    bounded = np.clip(exact, 0.0, 1.0)[opened]
    assert opened.sum() > 300
    assert (found.margin[opened] <= bounded + 1e-6).all()
    nearest = bounded < 0.2  # nothing else is that near a limit here
    np.testing.assert_allclose(found.margin[opened][nearest], bounded[nearest], atol=1e-6)


def test_unknown_bloom_warns_where_the_material_endangers_bees_and_blocks_nothing() -> None:
    hours = dataclasses.replace(fair_hours(), in_bloom=None)
    for material, warned in (("abamectin", True), ("horticultural_oil", True), ("soap", False)):
        verdict = blackout(hours, rules_for(material))
        assert not (verdict.block_bits & Reason.BLOOM).any()
        assert ((verdict.caution_bits & Reason.BLOOM) != 0).any() == warned
