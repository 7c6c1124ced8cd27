"""Material groups by common name and the limits each of them has when the label is silent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from types import MappingProxyType
from typing import Annotated

from alertd.catalog.figure import Figure
from alertd.catalog.loader import Between, load_table

Ceiling = Annotated[Figure, Between(10.0, 45.0, "degC")]
Floor = Annotated[Figure, Between(-10.0, 25.0, "degC")]
RainFree = Annotated[Figure, Between(0.0, 96.0, "h")]
Reentry = Annotated[Figure, Between(0.0, 720.0, "h")]
Interval = Annotated[Figure, Between(0.0, 400.0, "d")]
Count = Annotated[Figure, Between(1.0, 20.0, "count")]
PatchTest = Annotated[Figure, Between(0.0, 720.0, "h")]


class MaterialKind(StrEnum):
    """What sort of thing is put on the plant."""

    OIL = "oil"
    SOAP = "soap"
    SULFUR = "sulfur"
    BOTANICAL = "botanical"
    MICROBIAL = "microbial"
    CONVENTIONAL = "conventional"
    WATER = "water"


class BeeCategory(StrEnum):
    """How much a material endangers bees; I is the most dangerous."""

    I = "I"  # noqa: E741  # the trade's own numeral
    II = "II"
    III = "III"
    NONE = "none"


class SulfurOil(StrEnum):
    """Which side of the sulfur-oil gap a material stands on."""

    OIL = "oil"
    SULFUR = "sulfur"
    NEITHER = "neither"


class Stage(StrEnum):
    """A mite stage that a material hits."""

    EGG = "egg"
    IMMATURE = "immature"
    ADULT = "adult"


class Rating(StrEnum):
    """How hard a material is on predatory mites."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


@dataclass(frozen=True, slots=True)
class MaterialGroup:
    """One group of materials with its limits; ``label_check`` lists what only the label can tell."""

    name: str
    kind: MaterialKind
    irac: str
    cold_block: Floor
    freeze_gate: bool
    leaf_wet_blocks: bool
    slow_drying_blocks: bool
    drought_sensitive: bool
    reapply: Interval
    bee_category: BeeCategory
    bee_source: str
    sulfur_oil: SulfurOil
    stages: tuple[Stage, ...]
    predator_rating: Rating
    predator_wait: Interval
    glaucous_caution: bool
    sensitive_plants: str
    sensitive_source: str
    label_check: tuple[str, ...]
    note: str
    dormant_only: bool
    misses_ground_winter: bool
    heat_block: Ceiling | None = None
    cold_block_strict: Floor | None = None
    cold_caution: Floor | None = None
    rain_free: RainFree | None = None
    rain_free_strict: RainFree | None = None
    dry_time: RainFree | None = None
    season_max: Count | None = None
    residual: Interval | None = None
    reentry: Reentry | None = None
    patch_test: PatchTest | None = None


@cache
def load_materials() -> Mapping[str, MaterialGroup]:
    """Return every material group by key. Raises CatalogError naming file, key and fix."""
    return MappingProxyType(load_table("materials", MaterialGroup))
