"""Assessments as the JSON-able evidence that messages are rendered from and history keeps."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import cast

from alertd.alerts.kind import Sight
from alertd.catalog.materials import load_materials
from alertd.catalog.plants import load_plants
from alertd.catalog.species import load_species
from alertd.records.assessment import (
    Assessment,
    DayWeather,
    HotDrySpell,
    MaterialOutlook,
    MitePressure,
    SprayWindow,
    WaterStatus,
)
from alertd.records.evidence import (
    AlertEvidence,
    DayEvidence,
    MaterialEvidence,
    PartEvidence,
    PlaceEvidence,
    PlantingEvidence,
    PressureEvidence,
    ScoutingEvidence,
    SpellEvidence,
    WaterEvidence,
    WindowEvidence,
)
from alertd.records.site import Planting, Site


def base(site: Site, assessment: Assessment | None) -> AlertEvidence:
    """Return what every message says: where, which plants, as of when."""
    return AlertEvidence(
        place=PlaceEvidence(
            name=site.name, zone=site.zone, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg
        ),
        plantings=[
            PlantingEvidence(
                id=planting.id,
                host=planting.host,
                name=load_plants()[planting.host].name,
                label=planting.label,
                count=planting.count,
            )
            for planting in site.plantings
        ],
        data_as_of=None if assessment is None else assessment.data_as_of.isoformat(),
        fetched_at=None if assessment is None else assessment.fetched_at.isoformat(),
        provider="" if assessment is None else assessment.provider,
        attribution="" if assessment is None else assessment.attribution,
        changes=[],
    )


def growing(sight: Sight) -> AlertEvidence:
    """Return the base with everything that advice on plants rests on: days, mites, water, treatments."""
    if not sight.written:
        sight.written.append(_growing(sight))
    return cast("AlertEvidence", {**sight.written[0]})


def _growing(sight: Sight) -> AlertEvidence:
    site, assessment = sight.site, sight.assessment
    found = base(site, assessment)
    found["days"] = days(assessment.days)
    found["pressures"] = pressures(assessment.pressures, site)
    found["water"] = water(assessment.water, site)
    shortest_h = float(sight.policy.spray_notice.shortest_window)
    found["materials"] = materials(assessment.materials, sight.now, shortest_h)
    found["horizon_end"] = horizon_end(assessment).isoformat()
    found["chance_days"] = assessment.chance_days
    if assessment.chance_ensemble:
        found["chance_ensemble"] = assessment.chance_ensemble
    return found


def horizon_end(assessment: Assessment) -> dt.datetime:
    """Return when the last judged hour ends."""
    hours = max((len(outlook.block_bits) for outlook in assessment.materials), default=0)
    return assessment.start_at + dt.timedelta(hours=hours)


def plant_labels(site: Site, planting_ids: Iterable[str]) -> list[str]:
    """Return the labels of those plantings that the site still has."""
    wanted = set(planting_ids)
    return [plant_label(planting) for planting in site.plantings if planting.id in wanted]


def plant_label(planting: Planting) -> str:
    """Return how people name the planting: its own label with the kind of plant."""
    name = load_plants()[planting.host].name
    return f"{planting.label} ({name.lower()})" if planting.label else name


def days(found: Iterable[DayWeather]) -> list[DayEvidence]:
    """Return the local days."""
    return [
        DayEvidence(
            day=day.day.isoformat(),
            observed=day.observed,
            temperature_min_c=day.temperature_min_c,
            temperature_max_c=day.temperature_max_c,
            precipitation_mm=day.precipitation_mm,
            vapour_pressure_deficit_max_kpa=day.vapour_pressure_deficit_max_kpa,
            humidity_afternoon_pct=day.humidity_afternoon_pct,
            wind_max_m_s=day.wind_max_m_s,
        )
        for day in found
    ]


def spell(found: HotDrySpell) -> SpellEvidence:
    """Return the hot dry spell."""
    return SpellEvidence(
        start_day=found.start_day.isoformat(),
        end_day=found.end_day.isoformat(),
        days=found.days,
        observed_days=found.observed_days,
        forecast_days=found.forecast_days,
        open_ended=found.open_ended,
        level=found.level.name.lower(),
        trigger=found.trigger,
        peak_temperature_c=round(found.peak_temperature_c, 2),
        precipitation_mm=round(found.precipitation_mm, 2),
        heat_sum_c_d=round(found.heat_sum_c_d, 2),
        vapour_pressure_deficit_max_kpa=round(found.vapour_pressure_deficit_max_kpa, 3),
        lead_time_d=found.lead_time_d,
        chance=None if found.chance is None else round(found.chance, 2),
    )


def pressures(found: Iterable[MitePressure], site: Site) -> list[PressureEvidence]:
    """Return mite pressures, worst first."""
    labels = {planting.id: plant_label(planting) for planting in site.plantings}
    worst_first = sorted(found, key=lambda one: -max(one.score, one.score_ahead))
    return [_pressure(one, labels) for one in worst_first]


def _pressure(one: MitePressure, labels: Mapping[str, str]) -> PressureEvidence:
    species = load_species()[one.species]
    told = PressureEvidence(
        species=one.species,
        name=species.common_name,
        score=round(one.score, 1),
        score_ahead=round(one.score_ahead, 1),
        level=one.level.name.lower(),
        phase=str(one.phase),
        parts=[
            PartEvidence(
                name=part.name, points=round(part.points, 1), value=round(part.value, 3), unit=part.unit
            )
            for part in one.parts
        ],
        doubling_time_d=None if one.doubling_time_d is None else round(one.doubling_time_d, 2),
        generations=round(one.generations, 2),
        degree_days_c_d=None if one.degree_days_c_d is None else round(one.degree_days_c_d, 1),
        plants=[labels[planting_id] for planting_id in one.hosts],
    )
    if species.curve.is_provisional:
        told["provisional"] = species.curve.confidence
    return told


def water(found: Iterable[WaterStatus], site: Site) -> list[WaterEvidence]:
    """Return the soil-water account of each planting."""
    labels = {planting.id: plant_label(planting) for planting in site.plantings}
    return [
        WaterEvidence(
            plant=labels[status.planting_id],
            state=str(status.state),
            depletion_mm=_rounded(status.depletion_mm),
            readily_mm=_rounded(status.readily_mm),
            total_mm=_rounded(status.total_mm),
            reason=status.reason,
            stressed_on=None if status.stressed_on is None else status.stressed_on.isoformat(),
        )
        for status in found
    ]


def _rounded(value: float) -> float:
    return 0.0 if math.isnan(value) else round(value, 1)


def scouting(site: Site, planting_ids: Iterable[str]) -> list[ScoutingEvidence]:
    """Return where and how to look, one entry a planting."""
    wanted = set(planting_ids)
    found: list[ScoutingEvidence] = []
    for planting in site.plantings:
        if planting.id in wanted:
            plant = load_plants()[planting.host]
            found.append(
                ScoutingEvidence(
                    plant=plant_label(planting),
                    method=plant.scouting,
                    samples=round(float(plant.samples)),
                    threshold=float(plant.threshold),
                    threshold_unit=plant.threshold_unit,
                    source=plant.threshold.source,
                    status=str(plant.threshold.status),
                )
            )
    return found


def window(found: SprayWindow) -> WindowEvidence:
    """Return one spray window."""
    return WindowEvidence(
        start_at=found.start_at.isoformat(),
        end_at=found.end_at.isoformat(),
        hours=found.hours,
        closed_by=list(found.closed_by),
        cautions=list(found.cautions),
        quality=round(found.quality, 2),
        chance=None if found.chance is None else round(found.chance, 2),
        best_start_at=None if found.best_start_at is None else found.best_start_at.isoformat(),
    )


def materials(
    found: Sequence[MaterialOutlook], since: dt.datetime, shortest_h: float
) -> list[MaterialEvidence]:
    """Return each material group with its windows of useful length that are not over.

    ``blocked_until`` is the start of the first of them, None where one is open or none is known.
    """
    return [_material(outlook, since, usable(outlook, since, shortest_h)) for outlook in found]


def _material(
    outlook: MaterialOutlook, since: dt.datetime, windows: Sequence[SprayWindow]
) -> MaterialEvidence:
    first = windows[0].start_at if windows else None
    found = MaterialEvidence(
        material=outlook.material,
        name=load_materials()[outlook.material].name,
        windows=[window(one) for one in windows],
        blocked_until=first.isoformat() if first is not None and first > since else None,
        reasons=list(outlook.main_reasons),
    )
    if outlook.loosened:
        found["loosened"] = list(outlook.loosened)
    return found


def usable(outlook: MaterialOutlook, since: dt.datetime, shortest_h: float) -> list[SprayWindow]:
    """Return the windows with at least ``shortest_h`` hours left after ``since``."""
    least = dt.timedelta(hours=shortest_h)
    return [one for one in outlook.windows if one.end_at - max(one.start_at, since) >= least]
