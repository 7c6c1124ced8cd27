"""What is known about each mite species: thresholds, stages, curves, seasons, hosts, scouting."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from types import MappingProxyType
from typing import Annotated

from alertd.catalog.figure import Figure, Series
from alertd.catalog.loader import Between, load_table
from alertd.catalog.plants import load_plants
from alertd.errors import CatalogError

Temperature = Annotated[Figure, Between(-30.0, 60.0, "degC")]
DegreeDays = Annotated[Figure, Between(0.0, 3000.0, "degC d")]
Days = Annotated[Figure, Between(0.0, 60.0, "d")]
DayOfYear = Annotated[Figure, Between(1.0, 366.0, "day of year")]
Hours = Annotated[Figure, Between(-5.0, 24.0, "h")]
Share = Annotated[Figure, Between(0.0, 1.0, "1")]


class SeasonClass(StrEnum):
    """Whether a species thrives in summer heat or rests through it."""

    WARM = "warm"
    COOL = "cool"


class CurveForm(StrEnum):
    """The equation behind a development curve."""

    LINEAR = "linear"
    BRIERE = "briere"
    LACTIN = "lactin"
    SHARPE_SCHOOLFIELD = "sharpe_schoolfield"


class WinterStage(StrEnum):
    """The stage that lives through the winter."""

    EGG = "egg"
    FEMALE = "female"


CURVE_PARAMETERS: Mapping[CurveForm, frozenset[str]] = MappingProxyType({
    CurveForm.LINEAR: frozenset({"lower_c", "constant_c_d"}),
    CurveForm.BRIERE: frozenset({"a", "lower_c", "lethal_c"}),
    CurveForm.LACTIN: frozenset({"rho", "lethal_c", "delta", "shift"}),
    CurveForm.SHARPE_SCHOOLFIELD: frozenset({
        "reference_rate", "reference_c", "activation_ev", "deactivation_ev", "optimum_c",
    }),
})  # fmt: skip


@dataclass(frozen=True, slots=True)
class Curve:
    """Rate of development from egg to adult against temperature: its form and its parameters."""

    form: CurveForm
    parameters: Mapping[str, Figure]
    confidence: str

    @property
    def is_provisional(self) -> bool:
        """Whether readers must be told that the curve, or a part of it, rests on no published one."""
        return "provisional" in self.confidence


@dataclass(frozen=True, slots=True)
class Stages:
    """Degree-days of each stage above ``lower_c``."""

    lower_c: Temperature
    egg: DegreeDays
    larva: DegreeDays
    protonymph: DegreeDays
    deutonymph: DegreeDays
    preoviposition: DegreeDays

    @property
    def egg_to_adult_c_d(self) -> float:
        """Sum of the stages from laying to adult."""
        return sum(float(stage) for stage in (self.egg, self.larva, self.protonymph, self.deutonymph))


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of degree-days since biofix in which something is to be seen or done."""

    label: str
    start: DegreeDays
    end: DegreeDays


@dataclass(frozen=True, slots=True)
class SummerRest:
    """When a cool-season species stops in the heat and when it starts again."""

    enter_temperature_max_c: Temperature
    enter_temperature_mean_c: Temperature
    leave_temperature_mean_c: Temperature
    leave_temperature_max_c: Temperature


@dataclass(frozen=True, slots=True)
class SeasonEnd:
    """What ends the season; a species without day-length figures goes on to hard frost."""

    hard_frost_c: Temperature
    temperature_mean_c: Temperature | None = None
    run_days: Days | None = None
    day_length_intercept: Hours | None = None
    day_length_slope: Annotated[Figure, Between(0.0, 1.0, "h")] | None = None
    day_length_margin: Hours | None = None
    day_length_min: Hours | None = None
    day_length_max: Hours | None = None


@dataclass(frozen=True, slots=True)
class Season:
    """The year of a species: winter stage, biofix, hatch, windows, summer rest, end."""

    winter_stage: WinterStage
    winter_place: str
    biofix_north: DayOfYear
    biofix_south: DayOfYear
    base_c: Temperature
    active_from: DegreeDays
    hatch_start: DegreeDays
    hatch_end: DegreeDays
    end: SeasonEnd
    windows: tuple[Window, ...] = ()
    summer_rest: SummerRest | None = None


@dataclass(frozen=True, slots=True)
class Life:
    """What the population model needs besides development and rate of increase.

    ``humidity`` is the factor on the rate of increase against vapour pressure deficit; it works in
    full at ``humidity_full_c`` and not at all below ``humidity_from_c``.
    """

    substages: Annotated[Figure, Between(4.0, 40.0, "count")]
    survival: Annotated[Series, Between(0.0, 1.0, "1")]
    longevity: Annotated[Series, Between(0.5, 365.0, "d")]
    humidity: Annotated[Series, Between(0.1, 2.0, "1")] | None = None
    humidity_from_c: Temperature | None = None
    humidity_full_c: Temperature | None = None


@dataclass(frozen=True, slots=True)
class Scouting:
    """How to look, how often, and when there are too many."""

    method: str
    places: str
    taps: Annotated[Figure, Between(1.0, 100.0, "count")]
    threshold_per_tap: Annotated[Figure, Between(0.0, 500.0, "mites")]
    interval_min: Days
    interval_max: Days


@dataclass(frozen=True, slots=True)
class Species:
    """One mite species.

    ``hosts`` maps keys of the host-plant catalog to the suitability of that plant; ``flare_rate`` is
    the rate of increase of the weather in which the species is known to build up.
    """

    common_name: str
    scientific_name: str
    season_class: SeasonClass
    lower_c: Temperature
    optimum_c: Temperature
    upper_c: Temperature
    egg_to_adult: DegreeDays
    egg_to_egg: DegreeDays
    stages: Stages
    curve: Curve
    rate_of_increase: Annotated[Series, Between(-1.0, 1.0, "1/d")]
    flare_rate: Annotated[Figure, Between(0.01, 1.0, "1/d")]
    hosts: Mapping[str, Share]
    season: Season
    life: Life
    scouting: Scouting


@cache
def load_species(*, text: str | None = None) -> Mapping[str, Species]:
    """Return every species by key. Raises CatalogError naming file, key and fix."""
    table = load_table("species", Species, text=text)
    for key, species in table.items():
        _check(key, species)
    return MappingProxyType(table)


def _check(key: str, species: Species) -> None:
    """Refuse figures that contradict each other."""
    expected = CURVE_PARAMETERS[species.curve.form]
    if frozenset(species.curve.parameters) != expected:
        raise CatalogError(
            f"species.toml: {key}.curve.parameters: do not fit the form {species.curve.form.value}; "
            f"give exactly {', '.join(sorted(expected))}"
        )
    if not float(species.lower_c) < float(species.optimum_c) < float(species.upper_c):
        raise CatalogError(
            f"species.toml: {key}.optimum_c: not between lower_c and upper_c; check the three thresholds"
        )
    unknown = sorted(set(species.hosts) - set(load_plants()))
    if unknown:
        raise CatalogError(
            f"species.toml: {key}.hosts.{unknown[0]}: unknown host-plant group; "
            f"use one of {', '.join(sorted(load_plants()))}"
        )
    if not float(species.season.hatch_start) < float(species.season.hatch_end):
        raise CatalogError(f"species.toml: {key}.season.hatch_end: not after hatch_start; raise it")
    for window in species.season.windows:
        if not float(window.start) < float(window.end):
            raise CatalogError(f"species.toml: {key}.season.windows: {window.label!r} ends before it starts")
