"""The soil-water account of every planting of a batch, laid out flat over plantings.

What is not known must not look wet: unknown rain up to today counts as none, an unknown demand as the
largest of the last fortnight, and an account that has not run for long is never ok.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch, SiteWeather
from alertd.assess.daily import Daily
from alertd.assess.soil_feel import Felt, felt_of, holds, still_wilted
from alertd.assess.stretch import Stretch, gap_d, trailing_max
from alertd.catalog.plants import HostPlant, load_plants
from alertd.catalog.soils import load_soils
from alertd.catalog.water import NewPlanting, WaterRules, load_water_rules
from alertd.records.assessment import WaterState, WaterStatus
from alertd.records.bulk import many
from alertd.records.observation import WaterObservation
from alertd.records.season import HISTORY_DAYS, SeasonState
from alertd.records.site import Climate, Exposure, Irrigation, Planting, Soil
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

WATERED = (Irrigation.DRIP, Irrigation.OVERHEAD)
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
    whose rain or demand is unknown, and in all that follow. ``felt`` is what somebody found, and
    ``water_since_mm`` the rain and watering known from the day after that to yesterday.
    """

    roots: Roots
    depletion_mm: Floats
    readily_mm: Floats
    now_mm: Floats
    unknown_rain_h: Ints
    wetted: npt.NDArray[np.bool_]
    felt: Felt
    water_since_mm: Floats


def roots_of(batch: Batch) -> Roots:
    """Return the plantings of the batch with the figures their account needs."""
    new = load_water_rules().new_planting
    first, today = batch.local.days[batch.first_new], batch.local.days[batch.today]
    site_row: list[int] = []
    plantings: list[Planting] = []
    figures: list[tuple[float, ...]] = []
    start: list[float | None] = []
    last_wetting: list[dt.date | None] = []
    since: list[dt.date | None] = []
    for row, member in enumerate(batch.members):
        season, climate = member.season, member.site.climate
        gap = gap_d(member, first)
        for planting in member.site.plantings:
            site_row.append(row)
            plantings.append(planting)
            known = _figures(planting.host, planting.soil, planting.exposure, climate)
            depth = _root_depth(planting, known[-1], new, today)
            figures.append((*known[:-1], depth, _irrigation(planting)))
            start.append(None if season is None else season.depletion_mm.get(planting.id))
            wet = None if season is None else season.last_wetting_day.get(planting.id)
            last_wetting.append(None if wet is None else dt.date.fromisoformat(wet))
            began = _began(season, gap, first, planting)
            since.append(None if began is None or _felt_since(began, member, planting, today) else began)
    columns = np.array(figures, dtype=np.float64).reshape(len(figures), 6)
    available, readily_share, soil_factor, coefficient, depth_m, irrigation = columns.T
    total = np.asarray(water.total_available_water(available, depth_m), dtype=np.float64)
    before = np.array([one or 0.0 for one in start], dtype=np.float64)
    return Roots(
        plantings=tuple(plantings),
        site_row=np.array(site_row, dtype=np.int64),
        total_mm=total,
        readily_share=readily_share,
        soil_factor=soil_factor,
        coefficient=coefficient,
        irrigation_mm_d=irrigation,
        start_mm=np.minimum(before, total),
        last_wetting=tuple(last_wetting),
        fresh=np.array([one is None for one in start], dtype=np.bool_),
        since=tuple(since),
    )


@lru_cache(maxsize=4096)
def _figures(host: str, soil: Soil, exposure: Exposure, climate: Climate) -> tuple[float, ...]:
    """Return available water, share and factor of the soil, coefficient and depth of grown roots."""
    plant, ground = load_plants()[host], load_soils()[soil]
    return (
        float(ground.available_water),
        float(plant.depletion_fraction),
        float(ground.depletion_factor),
        _coefficient(climate, exposure, plant, load_water_rules()),
        float(plant.root_depth),
    )


def _began(season: SeasonState | None, gap: int, first: dt.date, planting: Planting) -> dt.date | None:
    """Return the day on which the planting's account began without anybody knowing the soil.

    A gap that no weather covers makes every account begin again.
    """
    if season is None or gap > 0:
        return first
    if planting.id not in season.depletion_mm:
        return first - dt.timedelta(days=len(season.history))
    kept = season.account_since.get(planting.id)
    return None if kept is None else dt.date.fromisoformat(kept)


def _felt_since(began: dt.date, member: SiteWeather, planting: Planting, today: dt.date) -> bool:
    """Return whether somebody felt the soil after an account began, which ends its not being known."""
    return any(one.planting_id == planting.id and began <= one.day <= today for one in member.observed)


def still_young(since: dt.date | None, day: dt.date) -> bool:
    """Return whether an account that began on ``since`` has not run long enough by ``day``."""
    return since is not None and (day - since).days < YOUNG_D


def _root_depth(planting: Planting, grown_m: float, new: NewPlanting, today: dt.date) -> float:
    if planting.root_depth_m is not None:
        return planting.root_depth_m
    age = _age_d(planting, today)
    if age is not None and age < float(new.established_after):
        return float(new.root_ball_depth)
    return grown_m


def _age_d(planting: Planting, today: dt.date) -> int | None:
    return None if planting.planted_on is None else (today - planting.planted_on).days


def _coefficient(climate: Climate, exposure: Exposure, plant: HostPlant, rules: WaterRules) -> float:
    factor = plant.plant_factor_humid if climate is Climate.HUMID else plant.plant_factor_dry
    share = {
        Exposure.SHADE: rules.exposure.shade,
        Exposure.OPEN: rules.exposure.open,
        Exposure.REFLECTED_HEAT: rules.exposure.reflected_heat,
    }[exposure]
    return float(factor) * float(share)


def _irrigation(planting: Planting) -> float:
    watered = planting.irrigation in WATERED
    return (planting.irrigation_mm_per_week or 0.0) / 7.0 if watered else 0.0


def run_account(batch: Batch, daily: Daily, stretch: Stretch, roots: Roots) -> Account:
    """Run the account over the days of the batch, from the first day the season has not taken in."""
    site_row, today = roots.site_row, batch.today
    felt = felt_of(batch, roots.plantings, site_row)
    demand, rain = _bounds(batch, daily, stretch)
    fallen = _fallen_by_now(batch)
    demand, rain, fallen = demand[site_row], rain[site_row], fallen[site_row]
    n_days = len(batch.local.days)
    depletion = np.full((len(roots.plantings), n_days), np.nan)
    readily = np.full_like(depletion, np.nan)
    current = _start(batch, stretch, roots, felt)
    now_mm = current
    for day in range(n_days):
        share = roots.readily_share
        if day >= batch.first_new:
            if day == today:
                now_mm, _ = _one_day(roots, current, fallen, demand[:, day])
                now_mm = felt.obeyed(day, now_mm, roots.total_mm)
            current, share = _one_day(roots, current, rain[:, day], demand[:, day])
            current = felt.obeyed(day, current, roots.total_mm)
        depletion[:, day] = current
        readily[:, day] = share * roots.total_mm
    wetting_mm = float(load_water_rules().wetting_rain)
    wetted = daily.precipitation_known_mm[site_row] >= wetting_mm
    wetted[:, today] = fallen >= wetting_mm
    since_mm = _water_since(batch, stretch, roots, felt)
    unknown_h = _unknown_rain_h(batch)[site_row]
    return Account(roots, depletion, readily, now_mm, unknown_h, wetted, felt, since_mm)


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


def _start(batch: Batch, stretch: Stretch, roots: Roots, felt: Felt) -> Floats:
    """Return the depletion before the first new day.

    A fresh account first runs over the season's history, and so does one from the day on which somebody
    felt the soil without the season knowing.
    """
    current, running = roots.start_mm.copy(), roots.fresh.copy()
    if not (running.any() or felt.late.any()):
        return current
    rain = np.nan_to_num(stretch["precipitation_known_mm"][roots.site_row])
    demand = stretch["evapotranspiration_mm"][roots.site_row]
    for day in range(stretch.first_new):
        known = running & ~np.isnan(demand[:, day])
        if known.any():
            after, _ = _one_day(roots, current, rain[:, day], demand[:, day])
            current = np.where(known, after, current)
        here = felt.late & (felt.day == batch.first_new + day - stretch.first_new)
        if here.any():
            account = np.where(running, current, np.nan)
            told = water.depletion_as_felt(account, roots.total_mm, felt.least, felt.most)
            current, running = np.where(here, told, current), running | here
    return current


def _water_since(batch: Batch, stretch: Stretch, roots: Roots, felt: Felt) -> Floats:
    """Return the water known to have reached the roots after the day of an observation, up to yesterday."""
    if not felt.any:
        return np.zeros(len(roots.plantings))
    past = slice(0, stretch.today)
    rain = np.nan_to_num(stretch["precipitation_known_mm"][roots.site_row][:, past])
    demand = np.nan_to_num(stretch["evapotranspiration_mm"][roots.site_row][:, past])
    days = np.arange(stretch.today) + batch.first_new - stretch.first_new
    after = days > np.maximum(felt.day, days[0] - 1)[:, None]
    daily = water.effective_rain(rain, demand) + roots.irrigation_mm_d[:, None]
    return np.asarray((daily * after).sum(axis=1), dtype=np.float64)


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
    roots, today = account.roots, batch.today
    days = batch.local.days
    readily = account.readily_mm[:, today]
    dry = account.depletion_mm[:, today:] >= account.readily_mm[:, today:]
    dry[:, 0] = account.now_mm >= readily
    stressed = np.where(dry.any(axis=1), today + dry.argmax(axis=1), -1).tolist()
    wettings = last_wettings(batch, account, today)
    states = _states(batch, account, wettings)
    found = many(
        WaterStatus,
        planting_id=[planting.id for planting in roots.plantings],
        state=[state for state, _ in states],
        depletion_mm=account.now_mm.tolist(),
        readily_mm=readily.tolist(),
        total_mm=roots.total_mm.tolist(),
        reason=[reason for _, reason in states],
        last_wetting_day=wettings,
        stressed_on=[None if day < 0 else days[day] for day in stressed],
    )
    return zip(roots.site_row.tolist(), found, strict=True)


def last_wettings(batch: Batch, account: Account, until: int) -> list[dt.date | None]:
    """Return for each planting the last local day up to ``until`` with a wetting rain."""
    wet = account.wetted[:, batch.first_new : until + 1]
    place = np.arange(batch.first_new, until + 1)
    newest = np.max(np.where(wet, place, -1), axis=1, initial=-1)
    days = batch.local.days
    return [
        days[day] if day >= 0 else before
        for day, before in zip(newest.tolist(), account.roots.last_wetting, strict=True)
    ]


def _states(
    batch: Batch, account: Account, wettings: Sequence[dt.date | None]
) -> list[tuple[WaterState, str]]:
    """Return the state of each planting today and why.

    What is not known is never ok, and what somebody saw outranks the account.
    """
    rules, today = load_water_rules(), batch.local.days[batch.today]
    unknown_after_h = 24.0 * float(rules.unknown_rain_after)
    steps = float(rules.stressed_share), float(rules.caution_share)
    found = []
    for planting, since, seen, water_since_mm, wet, unknown_h, share in zip(
        account.roots.plantings,
        account.roots.since,
        account.felt.found,
        account.water_since_mm.tolist(),
        wettings,
        account.unknown_rain_h.tolist(),
        (account.now_mm / account.readily_mm[:, batch.today]).tolist(),
        strict=True,
    ):
        if seen is not None:
            outranking = _as_seen(planting, seen, water_since_mm, share, steps, today)
            if outranking is not None:
                found.append(outranking)
                continue
        thirst = _thirst(planting, today, wet, rules.new_planting)
        if thirst:
            found.append((WaterState.STRESSED, thirst))
        elif unknown_h > unknown_after_h:
            told = f"the rain of {unknown_h} of the last {RECENT_H} hours is not known"
            found.append((WaterState.UNKNOWN, told))
        else:
            state, reason = _by_share(planting, share, steps)
            if state is WaterState.OK and since is not None and still_young(since, today):
                state, reason = (
                    WaterState.CAUTION,
                    f"{reason}; counted only since {since.isoformat()}, check the soil",
                )
            found.append((state, reason))
    return found


def _as_seen(
    planting: Planting,
    seen: WaterObservation,
    water_since_mm: float,
    share: float,
    steps: tuple[float, float],
    today: dt.date,
) -> tuple[WaterState, str] | None:
    """Return the state as somebody saw it, None once that no longer says anything."""
    if still_wilted(seen, water_since_mm):
        relief_mm = float(load_water_rules().wilt_relief)
        told = f"seen wilted on {seen.day.isoformat()}, not known to have had {relief_mm:g} mm of water since"
        return WaterState.STRESSED, told
    if holds(seen, today):
        state, told = _by_share(planting, share, steps, watched=True)
        return state, f"soil found {seen.feel} on {seen.day.isoformat()}: {told}"
    return None


def _by_share(
    planting: Planting, share: float, steps: tuple[float, float], *, watched: bool = False
) -> tuple[WaterState, str]:
    """Return the state by the share of the readily available water used; ``watched``: the soil was felt."""
    stressed_from, caution_from = steps
    if math.isnan(share):
        return WaterState.UNKNOWN, "the soil-water account has no figures"
    told = f"{share:.0%} of the readily available water is used" if share < 1.0 else USED_UP
    if _watering_unknown(planting) and not watched:
        return WaterState.CAUTION, f"{told} if nobody waters; the watering is not known, check the soil"
    if share >= stressed_from:
        return WaterState.STRESSED, told
    if share >= caution_from:
        return WaterState.CAUTION, told
    return WaterState.OK, told


def _watering_unknown(planting: Planting) -> bool:
    if planting.irrigation is Irrigation.UNKNOWN:
        return True
    return planting.irrigation in WATERED and planting.irrigation_mm_per_week is None


def _thirst(planting: Planting, today: dt.date, wet: dt.date | None, new: NewPlanting) -> str:
    """Return why a new planting counts as stressed, or nothing; ``wet`` is the last day with a good rain."""
    age = _age_d(planting, today)
    if age is None or age < 0 or age >= float(new.established_after) or _irrigation(planting) > 0.0:
        return ""
    if age < float(new.first_days):
        interval = float(new.first_interval)
    elif age < float(new.second_days):
        interval = float(new.second_interval)
    else:
        interval = float(new.third_interval)
    # Nobody plants without watering in: the day of planting counts as watered.
    dry_d = age if wet is None else min(age, (today - wet).days)
    if dry_d <= interval:
        return ""
    return f"planted {age} days ago, no known water for {dry_d} days; it needs some every {interval:g} days"
