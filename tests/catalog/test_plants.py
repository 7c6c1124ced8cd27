"""Host plants and soils against the tables they come from."""

from __future__ import annotations

import pytest

from alertd.catalog.plants import PlantKind, load_plants
from alertd.catalog.soils import load_soils
from alertd.records.site import Soil

PLANTS, SOILS = load_plants(), load_soils()
NEEDED = {
    "spruce", "arborvitae", "juniper", "hemlock", "azalea", "holly", "camellia", "rhododendron", "boxwood",
    "burning_bush", "rose", "herbaceous", "honeylocust", "crabapple", "oak", "maple", "elm",
    "birch", "linden",
}  # fmt: skip


def test_every_host_plant_of_the_mites_is_there() -> None:
    assert set(PLANTS) >= NEEDED


def test_conifers_are_evergreen_trees_with_their_own_depletion_fraction() -> None:
    for key, plant in PLANTS.items():
        # FAO-56 Table 22: conifer trees 0.70; apples and berry bushes 0.50
        assert plant.depletion_fraction.value == (0.70 if plant.conifer else 0.50), key
        assert plant.evergreen >= plant.conifer, key
        assert plant.glaucous <= plant.conifer, key


@pytest.mark.parametrize(
    ("key", "threshold", "unit"),
    [
        ("spruce", 10, "mites per branch tap"),  # an arborist page, Nebraska column
        ("arborvitae", 10, "mites per branch tap"),
        ("juniper", 10, "mites per branch tap"),
        ("azalea", 10, "mites per branch tap"),  # common practice
        ("holly", 10, "mites per branch tap"),
        ("boxwood", 10, "mites per branch tap"),
        ("burning_bush", 5, "mites per branch tap"),  # common practice, the lower end of 5-10
        ("rose", 5, "mites per branch tap"),
        ("crabapple", 1, "mites per leaf"),  # New England fruit guide, the lower end of 1-2
    ],
)
def test_a_count_asks_for_action_where_the_sources_say(key: str, threshold: float, unit: str) -> None:
    assert (PLANTS[key].threshold.value, PLANTS[key].threshold_unit) == (threshold, unit)


def test_water_use_follows_the_landscape_standard() -> None:
    for key, plant in PLANTS.items():
        # ANSI/ASABE S623.1: non-turf 0.7 humid, 0.5 dry; annual flowers 0.8
        wanted = (0.8, 0.8) if plant.kind is PlantKind.HERBACEOUS else (0.7, 0.5)
        assert (plant.plant_factor_humid.value, plant.plant_factor_dry.value) == wanted, key


def test_roots_are_taken_shallow() -> None:
    depths = {kind: {p.root_depth.value for p in PLANTS.values() if p.kind is kind} for kind in PlantKind}
    # Morton Arboretum: most roots in the upper 0.3-0.6 m
    assert depths == {PlantKind.TREE: {0.6}, PlantKind.SHRUB: {0.45}, PlantKind.HERBACEOUS: {0.3}}


def test_every_plant_can_be_scouted() -> None:
    for key, plant in PLANTS.items():
        assert plant.samples.value >= 5, key  # clumped counts: at least 5-10 spots
        assert plant.scouting, key
        assert plant.name[0].isupper(), key
        assert plant.sensitivity_source, key


@pytest.mark.parametrize(
    ("key", "low", "high"),
    [
        # FAO-56 Table 19, p. 144, m3/m3 x 1000
        ("sand", 50, 110), ("loamy-sand", 60, 120), ("sandy-loam", 110, 150), ("loam", 130, 180),
        ("silt-loam", 130, 190), ("silt", 160, 200), ("silty-clay-loam", 130, 180), ("silty-clay", 130, 190),
        ("clay", 120, 200),
    ],
)  # fmt: skip
def test_soils_hold_what_table_19_says(key: str, low: float, high: float) -> None:
    soil = SOILS[key]
    assert (soil.available_water_low.value, soil.available_water_high.value) == (low, high)
    assert soil.available_water.value == (low + high) / 2


def test_the_middle_of_loamy_sand_is_that_of_the_worked_example() -> None:
    # FAO-56 Example 36: loamy sand 90 mm/m, 0.4 m of roots, 36 mm
    assert SOILS["loamy-sand"].available_water.value * 0.4 == pytest.approx(36.0)


def test_every_soil_of_a_planting_is_in_the_catalog() -> None:
    assert set(SOILS) == {str(soil) for soil in Soil}
