"""Material groups against the figures of their sources, in the units those print."""

from __future__ import annotations

import pytest

from alertd.catalog.figure import Figure, Status
from alertd.catalog.materials import BeeCategory, MaterialKind, SulfurOil, load_materials
from alertd.units import celsius_to_fahrenheit

MATERIALS = load_materials()


def fahrenheit(figure: Figure | None) -> float | None:
    return None if figure is None else round(celsius_to_fahrenheit(figure.value))


@pytest.mark.parametrize(
    ("key", "ceiling_f", "floor_f", "rain_free_h"),
    [
        ("horticultural_oil", 85, 50, 24),  # WSU Hortsense; Chicago Botanic Garden
        ("dormant_oil", 70, 40, 24),  # Parker County; Chicago Botanic Garden
        ("neem_oil", 90, 50, 24),  # UC IPM Pest Notes 7493; floor from memory
        ("soap", 90, 40, 4),  # Clemson HGIC 2770; trade; common practice
        ("sulfur", 85, 50, 24),  # derived from UC IPM Pest Notes 7493
        ("beauveria", 86, 60, 24),  # Shi, Feng and Liu 2008 and memory
        ("abamectin", 90, 50, 24),  # general rule, Texas A&M
        ("bifenazate", 90, 50, 24),
        ("essential_oil", 90, 50, 24),
        ("azadirachtin", 90, 50, 24),
        ("water_spray", None, 39, None),
    ],
)
def test_weather_limits_are_those_of_the_sources(
    key: str, ceiling_f: float | None, floor_f: float, rain_free_h: float | None
) -> None:
    group = MATERIALS[key]
    assert fahrenheit(group.heat_block) == ceiling_f
    assert fahrenheit(group.cold_block) == floor_f
    assert (None if group.rain_free is None else group.rain_free.value) == rain_free_h


@pytest.mark.parametrize(
    ("key", "irac", "bees", "predators_d"),
    [
        # IRAC letters: Cloyd and UC IPM tables; bees: UC IPM; waits derived from the persistence given there
        ("abamectin", "6", "I", 21), ("hexythiazox", "10A", "II", 7), ("etoxazole", "10B", "II", 35),
        ("fenbutatin_oxide", "12B", "III", 14), ("acequinocyl", "20B", "III", 14),
        ("bifenazate", "20D", "II", 14),
        ("fenpyroximate", "21A", "I", 35), ("spiromesifen", "23", "II", 14),
        ("cyflumetofen", "25A", "II", 14),
        ("bifenthrin", "3A", "I", 84), ("azadirachtin", "UN", "II", 7), ("beauveria", "UNF", "II", 7),
        ("sulfur", "UN", "III", 14), ("soap", "", "none", 3), ("horticultural_oil", "", "II", 5),
    ],
)  # fmt: skip
def test_group_bees_and_predators_are_those_of_the_tables(
    key: str, irac: str, bees: str, predators_d: float
) -> None:
    group = MATERIALS[key]
    assert (group.irac, group.bee_category.value, group.predator_wait.value) == (irac, bees, predators_d)


@pytest.mark.parametrize(
    ("key", "days"),
    [
        ("abamectin", 7),
        ("azadirachtin", 7),
        ("horticultural_oil", 7),
        ("soap", 4),
        ("beauveria", 5),
        ("sulfur", 10),
    ],
)
def test_intervals_are_those_of_the_sources(key: str, days: float) -> None:
    # abamectin label digest; NPIC half-life; Illinois 2007; Texas A&M; Exp. Appl. Acarol. 2015; memory
    assert MATERIALS[key].reapply.value == days


def test_oils_and_sulfurs_stand_on_their_sides_of_the_gap() -> None:
    sides = {key: group.sulfur_oil for key, group in MATERIALS.items()}
    oils = {key for key, side in sides.items() if side is SulfurOil.OIL}
    assert oils == {"horticultural_oil", "dormant_oil", "neem_oil", "essential_oil"}  # UC: neem is an oil
    assert {key for key, side in sides.items() if side is SulfurOil.SULFUR} == {"sulfur", "lime_sulfur"}


def test_what_burns_thirsty_plants_is_flagged() -> None:
    # oil, neem, soap, sulfur: Delaware 2008, Clemson HGIC 2770, UC IPM Pest Notes 7493
    assert {key for key, group in MATERIALS.items() if group.drought_sensitive} == {
        "horticultural_oil", "dormant_oil", "neem_oil", "soap", "sulfur", "lime_sulfur", "essential_oil",
    }  # fmt: skip


def test_every_group_can_be_told_apart_and_explained() -> None:
    assert len({group.name for group in MATERIALS.values()}) == len(MATERIALS)
    for key, group in MATERIALS.items():
        assert group.stages, key
        assert group.sensitive_source, key
        assert group.bee_source or group.kind is MaterialKind.WATER, key
        assert (group.kind is MaterialKind.CONVENTIONAL) <= bool(group.irac), key
        assert (group.heat_block is None) == (group.kind is MaterialKind.WATER), key
        assert group.bee_category in BeeCategory


def test_figures_recalled_without_a_source_are_marked_so() -> None:
    maxima = [MATERIALS[key].season_max for key in ("hexythiazox", "etoxazole", "bifenazate", "spiromesifen")]
    assert [figure.status for figure in maxima if figure] == [Status.FROM_MEMORY] * 4


def test_the_groups_are_read_once_and_cannot_be_changed() -> None:
    assert load_materials() is MATERIALS
    with pytest.raises(TypeError):
        MATERIALS["soap"] = MATERIALS["sulfur"]  # type: ignore[index]  # read-only on purpose
