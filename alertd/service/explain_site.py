"""Why the numbers of a site are what they are: pressure, season, spell, water, chance, with sources."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

import numpy as np

from alertd.assess import spell as spell_steps
from alertd.assess.chance import prior_skill
from alertd.assess.mites import MiteSeason
from alertd.catalog.chance import load_chance
from alertd.catalog.figure import Figure, Series
from alertd.catalog.plants import load_plants
from alertd.catalog.pressure import load_pressure
from alertd.catalog.soils import load_soils
from alertd.catalog.species import load_species
from alertd.catalog.water import load_water_rules
from alertd.records.assessment import HotDrySpell, MitePressure, Part, WaterStatus
from alertd.records.season import HISTORY_DAYS
from alertd.records.site import Climate, Exposure, Planting
from alertd.records.skill import LearntCorrection
from alertd.science import sun
from alertd.science.chance import ErrorSpread, ForecastSkill
from alertd.science.season import critical_day_length
from alertd.service.explain import Cited, Scene, cited, known

SHOWN_DAYS = 7
"""Finished days of the water account that are shown."""


@dataclass(frozen=True, slots=True)
class DayInput:
    """One local day as the pressure of a species sees it."""

    day: dt.date
    observed: bool
    growth_per_d: float | None
    temperature_max_c: float | None
    precipitation_mm: float | None
    vapour_pressure_deficit_max_kpa: float | None
    humidity_mean_pct: float | None


@dataclass(frozen=True, slots=True)
class PressureExplanation:
    """The pressure of one species, what went into it and where the species stands in its year."""

    species: str
    name: str
    score: float
    level: str
    parts: tuple[Part, ...]
    factors: tuple[tuple[str, float], ...]
    days: tuple[DayInput, ...]
    phase: str
    phase_facts: tuple[tuple[str, float | None, str], ...]
    biofix: dt.date
    biofix_source: str
    doubling_time_d: float | None
    doubling_ahead_d: float | None
    generations: float
    abundance: float | None
    egg_share: float | None
    next_hatch_on: dt.date | None
    next_adults_on: dt.date | None
    figures: tuple[Cited, ...]


@dataclass(frozen=True, slots=True)
class StepExplanation:
    """One figure of one step of the hot dry triggers on one day; ``holds`` None where it is unknown."""

    step: str
    what: str
    value: float | None
    side: str
    limit: Cited
    holds: bool | None


@dataclass(frozen=True, slots=True)
class SpellExplanation:
    """One spell, or today where there is none: which step holds on the day, and every step's figures."""

    spell: HotDrySpell | None
    day: dt.date
    level: str
    steps: tuple[StepExplanation, ...]


@dataclass(frozen=True, slots=True)
class WaterDay:
    """One local day of a water account."""

    day: dt.date
    precipitation_mm: float | None
    evapotranspiration_mm: float | None
    depletion_mm: float | None
    readily_mm: float | None


@dataclass(frozen=True, slots=True)
class WaterExplanation:
    """The soil-water account of one planting."""

    plant: str
    label: str
    status: WaterStatus
    soil: str
    root_depth_m: float
    coefficient: float
    irrigation: str
    irrigation_mm_d: float
    days: tuple[WaterDay, ...]
    figures: tuple[Cited, ...]


@dataclass(frozen=True, slots=True)
class ChanceExplanation:
    """How far the forecast of one quantity strays at each lead time, and what that rests on."""

    quantity: str
    lead_h: tuple[float, ...]
    bias: tuple[float, ...]
    spread: tuple[float, ...]
    verified_days: tuple[int, ...]
    source: str
    status: str


@dataclass(frozen=True, slots=True)
class SiteExplanation:
    """Every number of a site with its parts, inputs and sources."""

    site_id: str
    site: str
    made_at: dt.datetime
    data_as_of: dt.datetime
    provider: str
    pressures: tuple[PressureExplanation, ...]
    spells: tuple[SpellExplanation, ...]
    water: tuple[WaterExplanation, ...]
    chances: tuple[ChanceExplanation, ...]
    correction: LearntCorrection | None


def explain_site(
    scene: Scene, skill: ForecastSkill | None = None, correction: LearntCorrection | None = None
) -> SiteExplanation:
    """Return why the numbers of a site are what they are."""
    weather = scene.batch.members[0].weather
    return SiteExplanation(
        site_id=scene.site.id,
        site=scene.site.name,
        made_at=scene.assessment.made_at,
        data_as_of=weather.issued_at,
        provider=weather.provider,
        pressures=tuple(_pressures(scene)),
        spells=tuple(_spells(scene)),
        water=tuple(_water(scene)),
        chances=tuple(_chances(skill or prior_skill())),
        correction=correction,
    )


def figures_in(record: Any, name: str = "") -> Iterator[Cited]:
    """Yield every figure below a catalog record; a curve counts as its source, without a single value."""
    if isinstance(record, Figure):
        yield cited(name, record)
    elif isinstance(record, Series):
        yield Cited(name, None, record.unit, record.source, str(record.status), record.note)
    elif is_dataclass(record) and not isinstance(record, type):
        for item in fields(record):
            yield from figures_in(getattr(record, item.name), f"{name}.{item.name}" if name else item.name)
    elif isinstance(record, Mapping):
        for key, value in record.items():
            yield from figures_in(value, f"{name}.{key}")
    elif isinstance(record, tuple):
        for place, value in enumerate(record):
            yield from figures_in(value, f"{name}[{place}]")


def _pressures(scene: Scene) -> Iterator[PressureExplanation]:
    seasons = {season.species: season for season in scene.workings.seasons}
    for one in scene.assessment.pressures:
        yield _pressure(scene, one, seasons[one.species])


def _pressure(scene: Scene, one: MitePressure, season: MiteSeason) -> PressureExplanation:
    species = load_species()[one.species]
    own = scene.site.biofix is not None
    biofix = species.season.biofix_south if scene.site.southern else species.season.biofix_north
    hosts = {planting.host for planting in scene.site.plantings if planting.id in one.hosts}
    return PressureExplanation(
        species=one.species,
        name=species.common_name,
        score=one.score,
        level=one.level.name.lower(),
        parts=one.parts,
        factors=(
            ("host plant", float(season.host_factor[0])),
            ("watering", float(season.irrigation_factor[0])),
        ),
        days=tuple(_pressure_days(scene, season)),
        phase=str(one.phase),
        phase_facts=tuple(_phase_facts(scene, one)),
        biofix=one.biofix,
        biofix_source="set for this site" if own else f"{biofix.source} ({biofix.status})",
        doubling_time_d=one.doubling_time_d,
        doubling_ahead_d=one.doubling_ahead_d,
        generations=one.generations,
        abundance=one.abundance,
        egg_share=one.egg_share,
        next_hatch_on=one.next_hatch_on,
        next_adults_on=one.next_adults_on,
        figures=(
            *figures_in(load_pressure(), "pressure"),
            *(cited(f"hosts.{host}", species.hosts[host]) for host in sorted(hosts)),
            *(
                cited(name, getattr(species, name))
                for name in ("lower_c", "optimum_c", "egg_to_egg", "flare_rate")
            ),
            *figures_in(species.season, "season"),
        ),
    )


def _pressure_days(scene: Scene, season: MiteSeason) -> Iterator[DayInput]:
    stretch, today = scene.workings.stretch, scene.batch.local.days[scene.batch.today]
    for i in range(stretch.today - HISTORY_DAYS + 1, stretch.today + 1):
        yield DayInput(
            day=today + dt.timedelta(days=i - stretch.today),
            observed=i < stretch.today,
            growth_per_d=known(season.growth[0, i]),
            temperature_max_c=known(stretch["temperature_max_c"][0, i]),
            precipitation_mm=known(stretch["precipitation_mm"][0, i]),
            vapour_pressure_deficit_max_kpa=known(stretch["vapour_pressure_deficit_max_kpa"][0, i]),
            humidity_mean_pct=known(stretch["humidity_mean_pct"][0, i]),
        )


def _phase_facts(scene: Scene, one: MitePressure) -> Iterator[tuple[str, float | None, str]]:
    """Yield what decides the phase: degree-days against the hatch, days behind, day length."""
    season = load_species()[one.species].season
    today = scene.batch.local.days[scene.batch.today]
    base = f"degree-days above {float(season.base_c):g} degC since the biofix"
    yield base, one.degree_days_c_d, "degC d"
    yield "degree-days from which the species is active", float(season.active_from), "degC d"
    stretch = scene.workings.stretch
    mean = stretch["temperature_mean_c"][0, stretch.today - 6 : stretch.today + 1]
    high = stretch["temperature_max_c"][0, stretch.today - 6 : stretch.today + 1]
    for what, values in (("mean temperature of 7 days", mean), ("mean maximum of 7 days", high)):
        yield what, known(float(np.nanmean(values))) if not np.isnan(values).all() else None, "degC"
    latitude = scene.site.latitude_deg
    of_year = float(today.timetuple().tm_yday)
    length = sun.day_length(latitude, of_year, twilight="civil")
    yield "day length with civil twilight", float(np.asarray(length)), "h"
    critical = float(critical_day_length(latitude, one.species))
    if critical > 0.0:
        yield "day length below which the season ends", critical, "h"


def _spells(scene: Scene) -> Iterator[SpellExplanation]:
    stretch = scene.workings.stretch
    today = scene.batch.local.days[scene.batch.today]
    levels = spell_steps.levels(stretch)[0]
    for spell in scene.assessment.spells:
        first = stretch.today + spell.lead_time_d
        end = stretch.today + (spell.end_day - today).days
        best = first + int(np.argmax(levels[first : end + 1]))
        yield _spell_on(scene, spell, best, int(levels[best]))
    if not scene.assessment.spells:
        yield _spell_on(scene, None, stretch.today, int(levels[stretch.today]))


def _spell_on(scene: Scene, spell: HotDrySpell | None, at: int, level: int) -> SpellExplanation:
    stretch = scene.workings.stretch
    day = scene.batch.local.days[scene.batch.today] + dt.timedelta(days=at - stretch.today)
    steps = tuple(
        StepExplanation(
            step=one.step,
            what=one.what,
            value=known(one.value),
            side=one.side,
            limit=cited(one.step, one.limit),
            holds=step_holds(one.value, one.side, float(one.limit)),
        )
        for one in spell_steps.step_figures(stretch, 0, at)
    )
    return SpellExplanation(spell, day, type_name(level), steps)


def type_name(level: int) -> str:
    """Return the name of a level of the triggers."""
    return next((name for one, name in spell_steps.STEPS.items() if int(one) == level), "none")


def step_holds(value: float, side: str, limit: float) -> bool | None:
    """Return whether a figure lies on the side on which its step holds; None where it is unknown."""
    if math.isnan(value):
        return None
    return value >= limit if side == "at least" else value <= limit if side == "at most" else value < limit


def _water(scene: Scene) -> Iterator[WaterExplanation]:
    roots = scene.workings.account.roots
    for i, (planting, status) in enumerate(zip(roots.plantings, scene.assessment.water, strict=True)):
        soil = load_soils()[planting.soil]
        yield WaterExplanation(
            plant=load_plants()[planting.host].name,
            label=planting.label,
            status=status,
            soil=soil.name,
            root_depth_m=float(roots.total_mm[i]) / float(soil.available_water),
            coefficient=float(roots.coefficient[i]),
            irrigation=str(planting.irrigation),
            irrigation_mm_d=float(roots.irrigation_mm_d[i]),
            days=tuple(_water_days(scene, i)),
            figures=tuple(_water_figures(scene, planting)),
        )


def _water_days(scene: Scene, i: int) -> Iterator[WaterDay]:
    account, daily, local = scene.workings.account, scene.workings.daily, scene.batch.local
    for day in range(max(scene.batch.today - SHOWN_DAYS, 0), scene.batch.today + 1):
        yield WaterDay(
            day=local.days[day],
            precipitation_mm=known(daily.precipitation_mm[0, day]),
            evapotranspiration_mm=known(daily.evapotranspiration_mm[0, day]),
            depletion_mm=known(account.depletion_mm[i, day]) if day >= scene.batch.first_new else None,
            readily_mm=known(account.readily_mm[i, day]) if day >= scene.batch.first_new else None,
        )


def _water_figures(scene: Scene, planting: Planting) -> Iterator[Cited]:
    plant, soil, rules = load_plants()[planting.host], load_soils()[planting.soil], load_water_rules()
    humid = scene.site.climate is Climate.HUMID
    exposure = {
        Exposure.SHADE: rules.exposure.shade,
        Exposure.OPEN: rules.exposure.open,
        Exposure.REFLECTED_HEAT: rules.exposure.reflected_heat,
    }
    yield cited("available water of the soil", soil.available_water)
    yield cited("depletion factor of the soil", soil.depletion_factor)
    if planting.root_depth_m is None:
        yield cited("root depth", plant.root_depth)
        yield cited("root ball of new plants", rules.new_planting.root_ball_depth)
    else:
        yield Cited("root depth", planting.root_depth_m, "m", "set for this planting", "site's own")
    yield cited("depletion fraction", plant.depletion_fraction)
    yield cited("plant factor", plant.plant_factor_humid if humid else plant.plant_factor_dry)
    yield cited(f"exposure {planting.exposure}", exposure[planting.exposure])
    for name in ("caution_share", "stressed_share", "wetting_rain"):
        yield cited(name, getattr(rules, name))


def _chances(skill: ForecastSkill) -> Iterator[ChanceExplanation]:
    prior = load_chance().spread
    for quantity, errors in skill.errors.items():
        series: Series = getattr(prior, quantity)
        own = max(errors.days)
        told = (
            f"own verified forecasts of up to {own} days, drawn from: {series.source}"
            if own
            else series.source
        )
        model = skill.members.get(quantity)
        if model is not None:
            floor = float(load_chance().ensemble_floor)
            told = f"members of the ensemble {model}, where known; no less than {floor:g} times {told}"
            errors = _by_the_day(errors)
        yield ChanceExplanation(
            quantity=quantity,
            lead_h=errors.lead_h,
            bias=errors.bias,
            spread=errors.spread,
            verified_days=errors.days,
            source=told,
            status=str(series.status),
        )


def _by_the_day(errors: ErrorSpread) -> ErrorSpread:
    """Return the errors at whole days ahead, few enough to be read."""
    lead_h = tuple(24.0 * day for day in range(int(errors.lead_h[-1] // 24.0) + 1))
    bias, spread = errors.at(lead_h)
    nearest = (min(range(len(errors.days)), key=lambda i: abs(errors.lead_h[i] - lead)) for lead in lead_h)
    return ErrorSpread(
        lead_h, tuple(bias.tolist()), tuple(spread.tolist()), tuple(errors.days[i] for i in nearest)
    )
