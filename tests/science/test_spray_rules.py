"""Rules are drawn from the catalog; a label may tighten them, and loosen only with a recorded reason."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.catalog.limits import load_limits
from alertd.catalog.materials import load_materials
from alertd.catalog.plants import load_plants
from alertd.science.spray import Sensitivity, check_overrides, figure_of, rules_for, sensitivity
from alertd.science.spray_rules import MATERIAL_LIMITS, SIGNS

MATERIALS = tuple(load_materials())
LABEL_NAMES = sorted(name for name in SIGNS if not name.startswith("scale_") and name != "sulfur_oil_gap_d")
DORMANT_OIL_AVOID = (
    "japanese_maple", "maple", "arborvitae", "beech", "birch", "boxwood", "douglas_fir", "blue_spruce",
)  # fmt: skip
STRIPS_WAX = ("horticultural_oil", "soap", "azadirachtin")


@pytest.mark.parametrize("material", MATERIALS)
@pytest.mark.parametrize("profile", ["default", "strict"])
def test_every_limit_has_a_number_for_every_material(material: str, profile: str) -> None:
    rules = rules_for(material, profile)
    for name in SIGNS:
        value = getattr(rules, name)
        assert isinstance(value, float)
        assert not math.isnan(value), name


def test_the_numbers_are_those_of_the_catalog() -> None:
    rules, limits, oil = (
        rules_for("horticultural_oil"),
        load_limits()["default"],
        load_materials()["horticultural_oil"],
    )
    assert rules.wind_upper_block_m_s == limits.wind_upper_block.value
    assert rules.sulfur_oil_gap_d == limits.sulfur_oil_gap.value
    assert oil.heat_block is not None
    assert rules.heat_block_c == oil.heat_block.value
    assert rules.cold_block_c == oil.cold_block.value
    assert (rules.fine, rules.plain_water, rules.freeze_gate) == (False, False, True)


def test_a_tighter_label_limit_holds() -> None:
    assert rules_for("soap", overrides={"wind_upper_block_m_s": 2.2}).wind_upper_block_m_s == 2.2
    assert rules_for("soap", overrides={"soap.rain_free_h": 12.0}).rain_free_h == 12.0
    assert rules_for("sulfur", overrides={"soap.rain_free_h": 12.0}).rain_free_h == 24.0


def test_a_site_bound_that_differs_between_materials_never_loosens_one() -> None:
    assert rules_for("soap", overrides={"heat_block_c": 30.0}).heat_block_c == 30.0
    assert rules_for("horticultural_oil", overrides={"heat_block_c": 30.0}).heat_block_c == 29.44


@given(st.sampled_from(MATERIALS), st.sampled_from(LABEL_NAMES), st.floats(0.01, 50.0))
def test_a_looser_limit_without_a_reason_is_refused_or_passed_over(
    material: str, name: str, step: float
) -> None:
    catalog = getattr(rules_for(material), name)
    if not math.isfinite(catalog):
        return
    looser = {name: catalog + SIGNS[name] * step}
    if name in MATERIAL_LIMITS:
        assert getattr(rules_for(material, overrides=looser), name) == catalog
    else:
        with pytest.raises(ValueError, match=name):
            rules_for(material, overrides=looser)
    with pytest.raises(ValueError, match="unless a reason is recorded"):
        rules_for(material, overrides={f"{material}.{name}": catalog + SIGNS[name] * step})
    loosened = rules_for(material, overrides=looser, reasons={name: "label of 2025"})
    assert loosened.loosened == ((name, "label of 2025"),)
    assert getattr(loosened, name) == looser[name]


@given(st.sampled_from(MATERIALS), st.sampled_from(LABEL_NAMES), st.floats(0.01, 50.0))
def test_a_tighter_limit_needs_no_reason(material: str, name: str, step: float) -> None:
    catalog = getattr(rules_for(material), name)
    tighter = catalog - SIGNS[name] * step if math.isfinite(catalog) else 20.0
    rules = rules_for(material, overrides={name: tighter})
    assert getattr(rules, name) == tighter
    assert rules.loosened == ()


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ({"material": "snake_oil"}, "material: 'snake_oil'"),
        ({"profile": "lax"}, "profile: 'lax'"),
        ({"method": "drone"}, "method: 'drone'"),
        ({"plant_groups": ["triffid"]}, "plant_groups: 'triffid'"),
        ({"overrides": {"wind": 3.0}}, "wind: no such limit"),
        ({"overrides": {"scale_wind_m_s": 0.1}}, "scale_wind_m_s: no such limit"),
        ({"overrides": {"tar.heat_block_c": 3.0}}, "'tar' is not in the catalog"),
        ({"overrides": {"heat_block_c": math.nan}}, "heat_block_c: nan"),
        ({"overrides": {"heat_block_c": math.inf}}, "heat_block_c: inf"),
        ({"overrides": {"gust_block_m_s": 9.0}, "reasons": {"gust_block_m_s": "  "}}, "gust_block_m_s"),
    ],
)
def test_what_cannot_be_used_is_refused_by_name(arguments: dict[str, object], named: str) -> None:
    with pytest.raises(ValueError, match=named.replace("(", r"\(")):
        rules_for(**{"material": "soap", **arguments})  # type: ignore[arg-type]  # wrong on purpose


def test_the_most_sensitive_plant_decides_and_one_evergreen_is_enough() -> None:
    rules = rules_for("dormant_oil", plant_groups=["oak", "arborvitae"])
    assert rules.sensitivity is Sensitivity.AVOID
    assert rules.evergreen
    assert rules_for("dormant_oil", plant_groups=["oak"]).sensitivity is Sensitivity.NONE
    assert not rules_for("dormant_oil", plant_groups=["oak"]).evergreen


@pytest.mark.parametrize(
    ("material", "plant", "level"),
    [
        # dormant oil: Illinois HYG 2007, Chicago Botanic Garden
        *[("dormant_oil", plant, Sensitivity.AVOID) for plant in DORMANT_OIL_AVOID],
        # oil in leaf: a garden site after extension lists
        ("horticultural_oil", "maple", Sensitivity.AVOID), ("horticultural_oil", "azalea", Sensitivity.AVOID),
        ("horticultural_oil", "spruce", Sensitivity.WATCH), ("horticultural_oil", "holly", Sensitivity.WATCH),
        # blue wax: WSU Hortsense
        *[(material, "blue_spruce", Sensitivity.WATCH) for material in STRIPS_WAX],
        # soap: Cornell Cooperative Extension Monroe County
        ("soap", "japanese_maple", Sensitivity.AVOID),
        ("neem_oil", "dwarf_alberta_spruce", Sensitivity.AVOID),
        ("abamectin", "oak", Sensitivity.NONE), ("soap", "oak", Sensitivity.NONE),
    ],
)  # fmt: skip
def test_sensitive_plants_are_those_of_the_lists(material: str, plant: str, level: Sensitivity) -> None:
    assert sensitivity(material, plant) is level


def test_every_plant_names_only_materials_of_the_catalog() -> None:
    for key, plant in load_plants().items():
        assert set(plant.avoid) | set(plant.watch) <= set(MATERIALS), key
        assert not set(plant.avoid) & set(plant.watch), key


@pytest.mark.parametrize("material", MATERIALS)
def test_every_rule_can_be_traced_to_its_figure_and_source(material: str) -> None:
    for profile in ("default", "strict"):
        rules = rules_for(material, profile)
        for name in SIGNS:
            figure = figure_of(name, material, profile)
            value = getattr(rules, name)
            if figure is None:
                assert value in (0.0, math.inf, -math.inf), name
            else:
                assert figure.value == value, name
                assert figure.source


def test_a_figure_that_is_not_there_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="wind: no such limit"):
        figure_of("wind", "soap")


def test_label_limits_can_be_checked_where_they_are_entered() -> None:
    check_overrides({"wind_upper_block_m_s": 3.0, "soap.heat_block_c": 29.0})
    with pytest.raises(ValueError, match="wind_upper_block_m_s"):
        check_overrides({"wind_upper_block_m_s": 6.0})
    with pytest.raises(ValueError, match=r"sulfur\.heat_block_c"):
        check_overrides({"sulfur.heat_block_c": 40.0})
    check_overrides({"sulfur.heat_block_c": 32.0}, reasons={"sulfur.heat_block_c": "label of 2025"})
    with pytest.raises(ValueError, match="wind_upper_block_m_s"):
        check_overrides({"wind_upper_block_m_s": 4.0}, profile="strict")
