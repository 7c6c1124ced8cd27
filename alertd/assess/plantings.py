"""The soil-water account of every planting of a batch, laid out flat over plantings."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch
from alertd.assess.daily import Daily
from alertd.catalog.plants import HostPlant, load_plants
from alertd.catalog.soils import load_soils
from alertd.catalog.water import NewPlanting, WaterRules, load_water_rules
from alertd.records.assessment import WaterState, WaterStatus
from alertd.records.site import Climate, Exposure, Irrigation, Planting, Site
from alertd.science import water
from alertd.science.arrays import FloatArray as Floats
from alertd.science.arrays import IntArray as Ints


@dataclass(frozen=True, slots=True)
class Roots:
    """Soil and plant figures of each planting, [planting]."""

    plantings: tuple[Planting, ...]
    site_row: Ints
    total_mm: Floats
    readily_share: Floats
    soil_factor: Floats
    coefficient: Floats
    irrigation_mm_d: Floats
    start_mm: Floats
    last_wetting: tuple[dt.date | None, ...]


@dataclass(frozen=True, slots=True)
class Account:
    """The account run over the days of a batch, [planting, day]; values at the end of each day."""

    roots: Roots
    depletion_mm: Floats
    readily_mm: Floats
    rain_known: npt.NDArray[np.bool_]
    wetted: npt.NDArray[np.bool_]


def roots_of(batch: Batch) -> Roots:
    """Return the plantings of the batch with the figures their account needs."""
    rules = load_water_rules()
    rows: list[tuple[Any, ...]] = []
    for row, member in enumerate(batch.members):
        season = member.season
        for planting in member.site.plantings:
            plant, soil = load_plants()[planting.host], load_soils()[planting.soil]
            total = water.total_available_water(
                float(soil.available_water), _root_depth(planting, plant, rules.new_planting, batch)
            )
            start = 0.0 if season is None else season.depletion_mm.get(planting.id, 0.0)
            wet = None if season is None else season.last_wetting_day.get(planting.id)
            rows.append((
                row,
                planting,
                float(total),
                float(plant.depletion_fraction),
                float(soil.depletion_factor),
                _coefficient(member.site, planting, plant, rules),
                min(start, float(total)),
                None if wet is None else dt.date.fromisoformat(wet),
            ))  # fmt: skip
    columns: list[tuple[Any, ...]] = list(zip(*rows, strict=True)) if rows else [()] * 8
    plantings: tuple[Planting, ...] = tuple(columns[1])
    return Roots(
        plantings=plantings,
        site_row=np.array(columns[0], dtype=np.int64),
        total_mm=np.array(columns[2], dtype=float),
        readily_share=np.array(columns[3], dtype=float),
        soil_factor=np.array(columns[4], dtype=float),
        coefficient=np.array(columns[5], dtype=float),
        irrigation_mm_d=np.array([_irrigation(planting) for planting in plantings], dtype=float),
        start_mm=np.array(columns[6], dtype=float),
        last_wetting=tuple(columns[7]),
    )


def _root_depth(planting: Planting, plant: HostPlant, new: NewPlanting, batch: Batch) -> float:
    if planting.root_depth_m is not None:
        return planting.root_depth_m
    age = _age_d(planting, batch.local.days[batch.today])
    if age is not None and age < float(new.established_after):
        return float(new.root_ball_depth)
    return float(plant.root_depth)


def _age_d(planting: Planting, today: dt.date) -> int | None:
    return None if planting.planted_on is None else (today - planting.planted_on).days


def _coefficient(site: Site, planting: Planting, plant: HostPlant, rules: WaterRules) -> float:
    factor = plant.plant_factor_humid if site.climate is Climate.HUMID else plant.plant_factor_dry
    exposure = {
        Exposure.SHADE: rules.exposure.shade,
        Exposure.OPEN: rules.exposure.open,
        Exposure.REFLECTED_HEAT: rules.exposure.reflected_heat,
    }[planting.exposure]
    return float(factor) * float(exposure)


def _irrigation(planting: Planting) -> float:
    watered = planting.irrigation in (Irrigation.DRIP, Irrigation.OVERHEAD)
    return (planting.irrigation_mm_per_week or 0.0) / 7.0 if watered else 0.0


def run_account(batch: Batch, daily: Daily, roots: Roots) -> Account:
    """Run the account over the days of the batch, from the first day the season has not taken in.

    A day without known evapotranspiration or rain changes nothing and is marked as unknown.
    """
    rules = load_water_rules()
    rain = daily.precipitation_mm[roots.site_row]
    demand = daily.evapotranspiration_mm[roots.site_row]
    n_days = len(batch.local.days)
    depletion = np.full((len(roots.plantings), n_days), np.nan)
    readily = np.full_like(depletion, np.nan)
    current = roots.start_mm.copy()
    for day in range(n_days):
        if day >= batch.first_new:
            current, share = _one_day(roots, current, rain[:, day], demand[:, day])
        else:
            share = roots.readily_share
        depletion[:, day] = current
        readily[:, day] = share * roots.total_mm
    return Account(roots, depletion, readily, ~np.isnan(rain), rain >= float(rules.wetting_rain))


def _one_day(roots: Roots, start: Floats, rain: Floats, demand: Floats) -> tuple[Floats, Floats]:
    unknown = np.isnan(rain) | np.isnan(demand)
    known_demand = np.where(np.isnan(demand), 0.0, demand)
    use = known_demand * roots.coefficient
    share = water.readily_available_fraction(roots.readily_share, use) * roots.soil_factor
    credited = water.effective_rain(np.where(np.isnan(rain), 0.0, rain), known_demand)
    end = water.root_zone_depletion(
        start, credited, roots.irrigation_mm_d, use, roots.total_mm, share * roots.total_mm
    )
    return np.where(unknown, start, end), share


def statuses(batch: Batch, account: Account) -> Iterator[tuple[int, WaterStatus]]:
    """Yield the status of each planting today, with the row of its site."""
    rules = load_water_rules()
    today = batch.today
    for i, planting in enumerate(account.roots.plantings):
        state, reason = _state(batch, account, i, rules)
        ahead = account.depletion_mm[i, today:] >= account.readily_mm[i, today:]
        first = int(np.argmax(ahead)) if ahead.any() else None
        yield (
            int(account.roots.site_row[i]),
            WaterStatus(
                planting_id=planting.id,
                state=state,
                depletion_mm=float(account.depletion_mm[i, today]),
                readily_mm=float(account.readily_mm[i, today]),
                total_mm=float(account.roots.total_mm[i]),
                reason=reason,
                last_wetting_day=last_wetting(batch, account, i, today),
                stressed_on=None if first is None else batch.local.days[today + first],
            ),
        )


def last_wetting(batch: Batch, account: Account, i: int, until: int) -> dt.date | None:
    """Return the last local day up to ``until`` with a wetting rain on planting ``i``."""
    wet = np.flatnonzero(account.wetted[i, batch.first_new : until + 1])
    if wet.size:
        return batch.local.days[batch.first_new + int(wet[-1])]
    return account.roots.last_wetting[i]


def _state(batch: Batch, account: Account, i: int, rules: WaterRules) -> tuple[WaterState, str]:
    """Return the state and why; what is not known is never ok."""
    planting = account.roots.plantings[i]
    today = batch.today
    if not account.rain_known[i, max(batch.first_new, today - 1) : today + 1].any():
        return WaterState.UNKNOWN, "no known rain for more than a day"
    thirst = _thirst(batch, account, i, rules)
    if thirst:
        return WaterState.STRESSED, thirst
    return _by_share(planting, float(account.depletion_mm[i, today] / account.readily_mm[i, today]), rules)


def _by_share(planting: Planting, share: float, rules: WaterRules) -> tuple[WaterState, str]:
    if math.isnan(share):
        return WaterState.UNKNOWN, "the soil-water account has no figures"
    told = f"{share:.0%} of the readily available water is used"
    if _watering_unknown(planting):
        return WaterState.CAUTION, f"{told} if nobody waters; the watering is not known, check the soil"
    if share >= float(rules.stressed_share):
        return WaterState.STRESSED, told
    if share >= float(rules.caution_share):
        return WaterState.CAUTION, told
    return WaterState.OK, told


def _watering_unknown(planting: Planting) -> bool:
    watered = planting.irrigation in (Irrigation.DRIP, Irrigation.OVERHEAD)
    return planting.irrigation is Irrigation.UNKNOWN or (watered and planting.irrigation_mm_per_week is None)


def _thirst(batch: Batch, account: Account, i: int, rules: WaterRules) -> str:
    """Return why a new planting counts as stressed, or nothing."""
    planting, new = account.roots.plantings[i], rules.new_planting
    today = batch.local.days[batch.today]
    age = _age_d(planting, today)
    if age is None or age < 0 or age >= float(new.established_after) or planting.irrigation_mm_per_week:
        return ""
    if age < float(new.first_days):
        interval = float(new.first_interval)
    elif age < float(new.second_days):
        interval = float(new.second_interval)
    else:
        interval = float(new.third_interval)
    wet = last_wetting(batch, account, i, batch.today) or planting.planted_on
    dry_d = (today - wet).days if wet is not None else age
    if dry_d <= interval:
        return ""
    return f"planted {age} days ago, no known water for {dry_d} days; it needs some every {interval:g} days"
