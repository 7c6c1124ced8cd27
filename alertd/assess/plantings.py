"""The soil-water account of every planting of a batch, laid out flat over plantings.

What is not known must not look wet: unknown rain up to today counts as none, an unknown demand as the
largest of the last fortnight, and an account that has not run for long is never ok.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch, SiteWeather
from alertd.assess.daily import Daily
from alertd.assess.stretch import Stretch, gap_d, trailing_max
from alertd.catalog.plants import HostPlant, load_plants
from alertd.catalog.soils import load_soils
from alertd.catalog.water import NewPlanting, WaterRules, load_water_rules
from alertd.records.assessment import WaterState, WaterStatus
from alertd.records.season import HISTORY_DAYS
from alertd.records.site import Climate, Exposure, Irrigation, Planting, Site
from alertd.science import water
from alertd.science.arrays import FloatArray as Floats
from alertd.science.arrays import IntArray as Ints

YOUNG_D = 30
"""Days an account must have run before it stands for the soil, whatever it began with.

Within 30 dry days beds of the usual soils and root depths pass their readily available water (worked
from FAO-56 eqs. 82-86: 3 to 29 days at a demand of 4 to 8 mm/d).
"""
RECENT_H = 48
"""Hours before now over which unknown rain is counted."""

USED_UP = "the readily available water is used up"


@dataclass(frozen=True, slots=True)
class Roots:
    """Soil and plant figures of each planting, [planting].

    ``fresh`` marks the plantings that the season knows nothing of: their account begins at field
    capacity. ``since`` is the day an account began like that, None for one that is old enough.
    """

    plantings: tuple[Planting, ...]
    site_row: Ints
    total_mm: Floats
    readily_share: Floats
    soil_factor: Floats
    coefficient: Floats
    irrigation_mm_d: Floats
    start_mm: Floats
    last_wetting: tuple[dt.date | None, ...]
    fresh: npt.NDArray[np.bool_]
    since: tuple[dt.date | None, ...]


@dataclass(frozen=True, slots=True)
class Account:
    """The account run over the days of a batch, [planting, day]; values at the end of each day.

    ``now_mm`` is the depletion at the end of today if no more rain falls than has fallen by now.
    ``wetted`` marks days with a wetting rain, today only if it has fallen by now. NaN in days to come
    whose rain or demand is unknown, and in all that follow.
    """

    roots: Roots
    depletion_mm: Floats
    readily_mm: Floats
    now_mm: Floats
    unknown_rain_h: Ints
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
            start = None if season is None else season.depletion_mm.get(planting.id)
            wet = None if season is None else season.last_wetting_day.get(planting.id)
            rows.append((
                row,
                planting,
                float(total),
                float(plant.depletion_fraction),
                float(soil.depletion_factor),
                _coefficient(member.site, planting, plant, rules),
                min(start or 0.0, float(total)),
                None if wet is None else dt.date.fromisoformat(wet),
                start is None,
                _since(batch, member, planting),
            ))  # fmt: skip
    columns: list[tuple[Any, ...]] = list(zip(*rows, strict=True)) if rows else [()] * 10
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
        fresh=np.array(columns[8], dtype=np.bool_),
        since=tuple(columns[9]),
    )


def _since(batch: Batch, member: SiteWeather, planting: Planting) -> dt.date | None:
    """Return the day on which the planting's account began without anybody knowing the soil.

    A gap that no weather covers makes every account begin again.
    """
    season, first = member.season, batch.local.days[batch.first_new]
    if season is None or gap_d(member, first) > 0:
        return first
    if planting.id not in season.depletion_mm:
        return first - dt.timedelta(days=len(season.history))
    kept = season.account_since.get(planting.id)
    return None if kept is None else dt.date.fromisoformat(kept)


def still_young(since: dt.date | None, day: dt.date) -> bool:
    """Return whether an account that began on ``since`` has not run long enough by ``day``."""
    return since is not None and (day - since).days < YOUNG_D


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


def run_account(batch: Batch, daily: Daily, stretch: Stretch, roots: Roots) -> Account:
    """Run the account over the days of the batch, from the first day the season has not taken in."""
    site_row, today = roots.site_row, batch.today
    demand, rain = _bounds(batch, daily, stretch)
    fallen = _fallen_by_now(batch)
    demand, rain, fallen = demand[site_row], rain[site_row], fallen[site_row]
    n_days = len(batch.local.days)
    depletion = np.full((len(roots.plantings), n_days), np.nan)
    readily = np.full_like(depletion, np.nan)
    current = _start(stretch, roots)
    now_mm = current
    for day in range(n_days):
        share = roots.readily_share
        if day >= batch.first_new:
            if day == today:
                now_mm, _ = _one_day(roots, current, fallen, demand[:, day])
            current, share = _one_day(roots, current, rain[:, day], demand[:, day])
        depletion[:, day] = current
        readily[:, day] = share * roots.total_mm
    wetting_mm = float(load_water_rules().wetting_rain)
    wetted = daily.precipitation_known_mm[site_row] >= wetting_mm
    wetted[:, today] = fallen >= wetting_mm
    return Account(roots, depletion, readily, now_mm, _unknown_rain_h(batch)[site_row], wetted)


def _bounds(batch: Batch, daily: Daily, stretch: Stretch) -> tuple[Floats, Floats]:
    """Return demand and rain of each day of the batch, [site, day], on the thirsty side where unknown.

    Days to come are left unknown instead: they are told of, not acted on.
    """
    largest = trailing_max(stretch["evapotranspiration_mm"], HISTORY_DAYS)[:, stretch.first_new :]
    usual = np.full(daily.evapotranspiration_mm.shape, np.nan)
    usual[:, batch.first_new :] = largest
    by_now = np.arange(len(batch.local.days)) <= batch.today
    demand = np.where(np.isnan(daily.evapotranspiration_mm) & by_now, usual, daily.evapotranspiration_mm)
    rain = np.where(by_now, np.nan_to_num(daily.precipitation_known_mm), daily.precipitation_mm)
    return demand, rain


def _fallen_by_now(batch: Batch) -> Floats:
    """Return the known rain of today's hours that are over, [site]."""
    today = slice(int(batch.local.starts[batch.today]), batch.now_hour)
    return np.asarray(np.nansum(batch.hourly["precipitation_mm"][:, today], axis=1))


def _unknown_rain_h(batch: Batch) -> Ints:
    """Return how many of the last hours have unknown rain, [site]."""
    recent = slice(max(batch.now_hour - RECENT_H, 0), batch.now_hour)
    return np.asarray(np.isnan(batch.hourly["precipitation_mm"][:, recent]).sum(axis=1), dtype=np.int64)


def _start(stretch: Stretch, roots: Roots) -> Floats:
    """Return the depletion before the first new day; a fresh account first runs over the season's history."""
    current = roots.start_mm.copy()
    if not roots.fresh.any():
        return current
    rain = np.nan_to_num(stretch["precipitation_known_mm"][roots.site_row])
    demand = stretch["evapotranspiration_mm"][roots.site_row]
    for day in range(stretch.first_new):
        known = roots.fresh & ~np.isnan(demand[:, day])
        if known.any():
            after, _ = _one_day(roots, current, rain[:, day], demand[:, day])
            current = np.where(known, after, current)
    return current


def _one_day(roots: Roots, start: Floats, rain: Floats, demand: Floats) -> tuple[Floats, Floats]:
    """Return depletion at the end of a day and the share that is readily available; NaN if unknown."""
    use = demand * roots.coefficient
    share = water.readily_available_fraction(roots.readily_share, use) * roots.soil_factor
    credited = water.effective_rain(rain, demand)
    end = water.root_zone_depletion(
        start, credited, roots.irrigation_mm_d, use, roots.total_mm, share * roots.total_mm
    )
    return end, share


def statuses(batch: Batch, account: Account) -> Iterator[tuple[int, WaterStatus]]:
    """Yield the status of each planting today, with the row of its site."""
    rules = load_water_rules()
    today = batch.today
    for i, planting in enumerate(account.roots.plantings):
        state, reason = _state(batch, account, i, rules)
        ahead = account.depletion_mm[i, today:] >= account.readily_mm[i, today:]
        ahead[0] = account.now_mm[i] >= account.readily_mm[i, today]
        first = int(np.argmax(ahead)) if ahead.any() else None
        yield (
            int(account.roots.site_row[i]),
            WaterStatus(
                planting_id=planting.id,
                state=state,
                depletion_mm=float(account.now_mm[i]),
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
    thirst = _thirst(batch, account, i, rules)
    if thirst:
        return WaterState.STRESSED, thirst
    if account.unknown_rain_h[i] > 24.0 * float(rules.unknown_rain_after):
        told = f"the rain of {account.unknown_rain_h[i]} of the last {RECENT_H} hours is not known"
        return WaterState.UNKNOWN, told
    state, reason = _by_share(planting, float(account.now_mm[i] / account.readily_mm[i, batch.today]), rules)
    since = account.roots.since[i]
    if state is WaterState.OK and since is not None and still_young(since, batch.local.days[batch.today]):
        return WaterState.CAUTION, f"{reason}; counted only since {since.isoformat()}, check the soil"
    return state, reason


def _by_share(planting: Planting, share: float, rules: WaterRules) -> tuple[WaterState, str]:
    if math.isnan(share):
        return WaterState.UNKNOWN, "the soil-water account has no figures"
    told = f"{share:.0%} of the readily available water is used" if share < 1.0 else USED_UP
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
    if age is None or age < 0 or age >= float(new.established_after) or _irrigation(planting) > 0.0:
        return ""
    if age < float(new.first_days):
        interval = float(new.first_interval)
    elif age < float(new.second_days):
        interval = float(new.second_interval)
    else:
        interval = float(new.third_interval)
    wet = last_wetting(batch, account, i, batch.today)
    # Nobody plants without watering in: the day of planting counts as watered.
    dry_d = age if wet is None else min(age, (today - wet).days)
    if dry_d <= interval:
        return ""
    return f"planted {age} days ago, no known water for {dry_d} days; it needs some every {interval:g} days"
