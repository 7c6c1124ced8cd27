"""Spray windows and blackout reasons of the materials that each site has chosen."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch
from alertd.catalog.alerts import load_alert_policy
from alertd.records.assessment import MaterialOutlook, SprayWindow, WaterState, WaterStatus
from alertd.records.site import Exposure, Site
from alertd.science import sun
from alertd.science.arrays import FloatArray as Floats
from alertd.science.spray import (
    REASON_WORDS,
    Reason,
    SprayHours,
    SprayRules,
    SprayVerdict,
    blackouts,
    rules_for,
)
from alertd.science.windows import main_reasons, open_runs

LOOK_BACK_H = 6
AHEAD_D = 7
NAMED_REASONS = 4
DROUGHT = {WaterState.OK: 0, WaterState.CAUTION: 1, WaterState.STRESSED: 2, WaterState.UNKNOWN: 3}
EVERY_NIGHT = Reason.OUTSIDE_HOURS | Reason.INVERSION_CLOCK


@dataclass(frozen=True, slots=True)
class _Terms:
    """What decides the rules of a site; sites with the same terms are judged together."""

    profile: str
    method: str
    plants: tuple[str, ...]
    limits: tuple[tuple[str, float], ...]


@lru_cache(maxsize=4096)
def _rules(material: str, terms: _Terms) -> SprayRules:
    return rules_for(material, terms.profile, terms.method, terms.plants, dict(terms.limits))


def material_outlooks(
    batch: Batch, water: Sequence[Sequence[WaterStatus]], dry: npt.NDArray[np.bool_]
) -> list[tuple[MaterialOutlook, ...]]:
    """Return, for each site, the outlook of each of its materials over the next seven days.

    ``dry`` marks the sites in a hot dry spell, where inversions begin earlier.
    """
    found: list[tuple[MaterialOutlook, ...]] = [()] * len(batch.members)
    groups: dict[_Terms, list[int]] = {}
    for row, site in enumerate(batch.sites):
        if site.materials:
            groups.setdefault(_terms(site), []).append(row)
    for terms, rows in groups.items():
        materials = sorted({material for row in rows for material in batch.sites[row].materials})
        hours = _hours(batch, np.array(rows), water, dry)
        verdicts = dict(zip(materials, blackouts(hours, [_rules(m, terms) for m in materials]), strict=True))
        for i, row in enumerate(rows):
            found[row] = tuple(
                _outlook(batch, material, verdicts[material], i, row)
                for material in batch.sites[row].materials
            )
    return found


def _terms(site: Site) -> _Terms:
    plants = tuple(sorted({planting.host for planting in site.plantings}))
    return _Terms(str(site.profile), str(site.method), plants, tuple(sorted(site.limits.items())))


def _first_hour(batch: Batch) -> int:
    return max(batch.now_hour - LOOK_BACK_H, 0)


def _hours(
    batch: Batch,
    rows: npt.NDArray[np.int64],
    water: Sequence[Sequence[WaterStatus]],
    dry: npt.NDArray[np.bool_],
) -> SprayHours:
    first = _first_hour(batch)
    rise, sets = _sun_clock(batch, rows)

    def column(name: str) -> Floats:
        return batch.hourly[name][rows, first:]

    sites = [batch.sites[row] for row in rows]
    return SprayHours(
        air_temperature_c=column("air_temperature_c"),
        relative_humidity_pct=column("relative_humidity_pct"),
        dew_point_c=column("dew_point_c"),
        wet_bulb_depression_c=column("wet_bulb_depression_c"),
        wind_speed_m_s=column("wind_speed_m_s"),
        wind_gust_m_s=column("wind_gust_m_s"),
        precipitation_mm=column("precipitation_mm"),
        precipitation_probability_pct=column("precipitation_probability_pct"),
        cloud_cover_pct=column("cloud_cover_pct"),
        sun_altitude_deg=batch.sun_altitude_deg[rows, first:],
        hours_since_sunrise=rise,
        hours_to_sunset=sets,
        local_hour=np.broadcast_to(batch.local.hour_of_day[first:].astype(float), rise.shape),
        coarse=batch.coarse[rows, first:],
        drought=np.array([_drought(water[row]) for row in rows]),
        in_bloom=np.zeros(len(rows), dtype=np.bool_),
        full_sun=np.array([_in_sun(site) for site in sites], dtype=np.bool_),
        dry_spell=dry[rows],
    )


def _drought(statuses: Sequence[WaterStatus]) -> int:
    """Return the worst state on the site; stressed is worse than unknown."""
    order = (WaterState.STRESSED, WaterState.UNKNOWN, WaterState.CAUTION, WaterState.OK)
    states = {status.state for status in statuses}
    return DROUGHT[next((state for state in order if state in states), WaterState.OK)]


def _in_sun(site: Site) -> bool:
    return not site.plantings or any(planting.exposure is not Exposure.SHADE for planting in site.plantings)


def _sun_clock(batch: Batch, rows: npt.NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return hours since sunrise and to sunset of the local day, at the start of each hour, [site, hour]."""
    first = _first_hour(batch)
    dates = np.array(batch.local.days, dtype="datetime64[D]")
    rise, sets = sun.sunrise_sunset(
        batch.latitude_deg[rows][:, None], batch.longitude_deg[rows][:, None], dates[None, :]
    )
    day_of_hour = np.repeat(np.arange(len(dates)), batch.local.lengths)[first:]
    stamps = np.datetime64(batch.start_at.replace(tzinfo=None), "s") + np.arange(
        first, batch.hours
    ) * np.timedelta64(3600, "s")
    since = _hours_between(rise[:, day_of_hour], stamps[None, :])
    until = _hours_between(stamps[None, :], sets[:, day_of_hour])
    return np.where(np.isnan(since), np.inf, since), np.where(np.isnan(until), np.inf, until)


def _hours_between(start: npt.NDArray[np.datetime64], end: npt.NDArray[np.datetime64]) -> Floats:
    gap = (end - start) / np.timedelta64(1, "h")
    return np.asarray(gap, dtype=float)


def _outlook(batch: Batch, material: str, verdict: SprayVerdict, i: int, row: int) -> MaterialOutlook:
    """Return the outlook from the running hour on; weather too old to trust closes every hour."""
    skip = batch.now_hour - _first_hour(batch)
    chosen = slice(skip, skip + AHEAD_D * 24)
    blocks, cautions = verdict.block_bits[i, chosen], verdict.caution_bits[i, chosen]
    if _stale(batch, row):
        blocks = blocks | np.int64(Reason.MISSING_WEATHER)
    margin = verdict.margin[i, chosen]
    start_at = batch.start_at + dt.timedelta(hours=batch.now_hour)
    shortest = round(float(load_alert_policy().spray_notice.shortest_window))
    windows = tuple(
        SprayWindow(
            material=material,
            start_at=start_at + dt.timedelta(hours=run.start),
            end_at=start_at + dt.timedelta(hours=run.end),
            closed_by=tuple(REASON_WORDS[reason] for reason in run.closed_by),
            cautions=tuple(REASON_WORDS[reason] for reason in run.cautions),
            quality=run.quality,
        )
        for run in open_runs(blocks, cautions, margin, hours_min=shortest)
    )
    return MaterialOutlook(
        material=material,
        windows=windows,
        block_bits=blocks,
        caution_bits=cautions,
        blocked_until=windows[0].start_at if windows else None,
        main_reasons=tuple(
            REASON_WORDS[reason] for reason in main_reasons(blocks, most=NAMED_REASONS, aside=EVERY_NIGHT)
        ),
    )


def _stale(batch: Batch, row: int) -> bool:
    age = batch.now - batch.members[row].weather.issued_at
    return age >= dt.timedelta(hours=float(load_alert_policy().weather_age.missing_after))
