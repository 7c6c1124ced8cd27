"""The hours of a batch as spraying judges them: weather, sun clock and the state of the plants."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import LOOK_BACK_H, Batch
from alertd.records.assessment import WaterState, WaterStatus
from alertd.records.site import Exposure, Site
from alertd.science import sun
from alertd.science.arrays import BoolArray as Flags
from alertd.science.arrays import FloatArray as Floats
from alertd.science.arrays import IntArray as Ints
from alertd.science.spray import SprayHours, offered

DROUGHT = {WaterState.OK: 0, WaterState.CAUTION: 1, WaterState.STRESSED: 2, WaterState.UNKNOWN: 3}


def _first_hour(batch: Batch) -> int:
    return max(batch.now_hour - LOOK_BACK_H, 0)


def judged_hours(
    batch: Batch,
    rows: Ints,
    water: Sequence[Sequence[WaterStatus]],
    dry: Flags,
) -> tuple[SprayHours, int]:
    """Return the hours as they are judged for these sites, and where on the axis they begin."""
    return _hours(batch, rows, water, dry), _first_hour(batch)


def _hours(batch: Batch, rows: Ints, water: Sequence[Sequence[WaterStatus]], dry: Flags) -> SprayHours:
    first = _first_hour(batch)
    every = len(rows) == len(batch.members)
    chosen = slice(None) if every else rows

    def column(name: str) -> Floats:
        return batch.hourly[name][chosen, first:]

    sites = [batch.members[row].site for row in rows]
    altitude, coarse = batch.sun_altitude_deg[chosen, first:], batch.coarse[chosen, first:]
    rise, sets = _sun_clock(batch, rows, altitude)
    forecast = batch.forecast[chosen, first:]
    gust, chance = column("wind_gust_m_s"), column("precipitation_probability_pct")
    return SprayHours(
        air_temperature_c=column("air_temperature_c"),
        relative_humidity_pct=column("relative_humidity_pct"),
        dew_point_c=column("dew_point_c"),
        wet_bulb_depression_c=column("wet_bulb_depression_c"),
        wind_speed_m_s=column("wind_speed_m_s"),
        wind_gust_m_s=gust,
        precipitation_mm=column("precipitation_mm"),
        precipitation_probability_pct=chance,
        cloud_cover_pct=column("cloud_cover_pct"),
        sun_altitude_deg=altitude,
        hours_since_sunrise=rise,
        hours_to_sunset=sets,
        local_hour=np.broadcast_to(batch.local.hour_of_day[first:].astype(float), rise.shape),
        coarse=coarse,
        drought=np.array([drought_of(water[row]) for row in rows]),
        in_bloom=None,
        full_sun=np.array([_in_sun(site) for site in sites], dtype=np.bool_),
        dry_spell=dry[rows],
        gust_expected=_given_ahead(gust, forecast)[:, None] & ~coarse,
        probability_expected=_given_ahead(chance, forecast),
    )


def _given_ahead(values: Floats, forecast: Flags) -> Flags:
    """Return whether the forecast gives a quantity at all, by site.

    Finished hours may come from another service, so they say nothing of what this one gives.
    """
    return offered(np.where(forecast, values, np.nan))


def drought_of(statuses: Sequence[WaterStatus]) -> int:
    """Return the worst state on the site; stressed is worse than unknown."""
    order = (WaterState.STRESSED, WaterState.UNKNOWN, WaterState.CAUTION, WaterState.OK)
    states = {status.state for status in statuses}
    return DROUGHT[next((state for state in order if state in states), WaterState.OK)]


def _in_sun(site: Site) -> bool:
    return not site.plantings or any(planting.exposure is not Exposure.SHADE for planting in site.plantings)


def _sun_clock(batch: Batch, rows: Ints, altitude: Floats) -> tuple[Floats, Floats]:
    """Return hours since sunrise and to sunset of the local day, at the start of each hour, [site, hour].

    On a day without sunrise or sunset both are infinite, at the side that the sun's altitude tells: in
    the polar night the sun rose never and has set for ever.
    """
    first = _first_hour(batch)
    day_of_hour = np.repeat(np.arange(len(batch.local.days)), batch.local.lengths)[first:]
    first_day = int(day_of_hour[0])
    dates = np.array(batch.local.days[first_day:], dtype="datetime64[D]")
    rise, sets = sun.sunrise_sunset(
        batch.latitude_deg[rows][:, None], batch.longitude_deg[rows][:, None], dates[None, :]
    )
    # to the second and from the first hour: small whole numbers, which no width rounds
    origin = np.datetime64(batch.start_at.replace(tzinfo=None), "s") + np.timedelta64(first * 3600, "s")
    hour = np.arange(len(day_of_hour), dtype=np.float64)
    rise_h, set_h = _hours_after(origin, rise), _hours_after(origin, sets)
    since = hour - rise_h[:, day_of_hour - first_day]
    until = set_h[:, day_of_hour - first_day] - hour
    endless = np.isnan(since)
    if endless.any():
        side = np.where(altitude > 0.0, np.inf, -np.inf)
        since, until = np.where(endless, side, since), np.where(np.isnan(until), side, until)
    return since, until


def _hours_after(origin: np.datetime64, moments: npt.NDArray[np.datetime64]) -> Floats:
    gap = (moments - origin) / np.timedelta64(1, "h")
    return np.asarray(gap, dtype=float)
