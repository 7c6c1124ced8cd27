"""Figures of the population model's edges, of counting mites, and of predators."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Annotated

from alertd.catalog.figure import Figure, Series
from alertd.catalog.loader import Between, load_record
from alertd.errors import CatalogError

Positive = Annotated[Figure, Between(1e-6, 1e9, "1")]
Share = Annotated[Figure, Between(0.0, 1.0, "1")]
Days = Annotated[Figure, Between(1.0, 60.0, "d")]


@dataclass(frozen=True, slots=True)
class Predators:
    """Predators per mite, and what to do at each ratio."""

    hold_from: Share
    recheck_from: Share
    hold_recheck_after: Days
    recheck_after: Days
    act_recheck_after: Days


@dataclass(frozen=True, slots=True)
class Counts:
    """Every figure of counts and of the population's bounds."""

    wash_off: Annotated[Series, Between(0.0, 0.95, "1")]
    refuge: Positive
    ceiling: Positive
    dispersion: Positive
    taylor_b: Positive
    prior_mean: Annotated[Figure, Between(0.001, 100.0, "mites")]
    prior_shape: Positive
    growth_spread: Annotated[Figure, Between(0.0, 1.0, "1")]
    scouting_risk: Share
    predators: Predators


@cache
def load_counts(*, text: str | None = None) -> Counts:
    """Return the figures. Raises CatalogError naming file, key and fix."""
    counts = load_record("counts", Counts, text=text)
    if not float(counts.refuge) < float(counts.ceiling):
        raise CatalogError("counts.toml: ceiling: not above refuge; raise it")
    if not float(counts.predators.recheck_from) < float(counts.predators.hold_from):
        raise CatalogError("counts.toml: predators.hold_from: not above recheck_from; raise it")
    return counts
