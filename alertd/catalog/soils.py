"""Soil textures and the water they hold for roots."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Annotated

from alertd.catalog.figure import Figure
from alertd.catalog.loader import Between, load_table

AvailableWater = Annotated[Figure, Between(20.0, 300.0, "mm/m")]
Factor = Annotated[Figure, Between(0.5, 1.5, "1")]


@dataclass(frozen=True, slots=True)
class SoilTexture:
    """One texture class: available water, and how it shifts the depletion fraction of a plant."""

    name: str
    available_water_low: AvailableWater
    available_water_high: AvailableWater
    available_water: AvailableWater
    depletion_factor: Factor


@cache
def load_soils() -> Mapping[str, SoilTexture]:
    """Return every soil texture by key. Raises CatalogError naming file, key and fix."""
    return MappingProxyType(load_table("soils", SoilTexture))
