"""Host plants: their water use, how to scout them, when to act, and what not to put on them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from types import MappingProxyType
from typing import Annotated

from alertd.catalog.figure import Figure
from alertd.catalog.loader import Between, load_table

PlantFactor = Annotated[Figure, Between(0.05, 1.2, "1")]
RootDepth = Annotated[Figure, Between(0.05, 3.0, "m")]
DepletionFraction = Annotated[Figure, Between(0.1, 0.8, "1")]
Threshold = Annotated[Figure, Between(0.1, 500.0, "mites")]
Samples = Annotated[Figure, Between(1.0, 100.0, "count")]
ScoutingInterval = Annotated[Figure, Between(1.0, 60.0, "d")]


class PlantKind(StrEnum):
    """How a plant grows."""

    TREE = "tree"
    SHRUB = "shrub"
    HERBACEOUS = "herbaceous"


@dataclass(frozen=True, slots=True)
class HostPlant:
    """One group of host plants. ``avoid`` and ``watch`` are keys of the material catalog."""

    name: str
    kind: PlantKind
    evergreen: bool
    conifer: bool
    glaucous: bool
    plant_factor_humid: PlantFactor
    plant_factor_dry: PlantFactor
    root_depth: RootDepth
    depletion_fraction: DepletionFraction
    threshold: Threshold
    threshold_unit: str
    scouting: str
    samples: Samples
    scouting_interval: ScoutingInterval
    avoid: tuple[str, ...]
    watch: tuple[str, ...]
    sensitivity_source: str
    note: str


@cache
def load_plants() -> Mapping[str, HostPlant]:
    """Return every host plant by key. Raises CatalogError naming file, key and fix."""
    return MappingProxyType(load_table("plants", HostPlant))
