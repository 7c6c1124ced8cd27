"""Hot dry spells of a batch: the catalog's three steps applied to finished and forecast days alike."""

from __future__ import annotations

import datetime as dt

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch
from alertd.assess.stretch import Stretch, trailing_mean
from alertd.catalog.species import load_species
from alertd.catalog.triggers import HotDays, Triggers, load_triggers
from alertd.records.assessment import HotDrySpell, Level
from alertd.science import days as local_days
from alertd.science import degree_days
from alertd.science.arrays import FloatArray as Floats
from alertd.science.arrays import IntArray as Ints
from alertd.science.spells import trailing_count, trailing_sum

MOIST_DAYS = 2
"""Local days over which the hours of a moist spell are summed: 40 h do not fit into one."""
STEPS = {Level.WATCH: "watch", Level.HIGH: "high", Level.SEVERE: "severe"}


def spells(batch: Batch, stretch: Stretch) -> list[tuple[HotDrySpell, ...]]:
    """Return, for each site, the spells that are not over, the nearest first."""
    triggers = load_triggers()
    levels = _levels(batch, stretch, triggers)
    hot = stretch["temperature_max_c"] >= float(triggers.watch.hot.temperature_max_c)
    return [_of_site(batch, stretch, levels[row], hot[row], row) for row in range(len(batch.members))]


def _levels(batch: Batch, stretch: Stretch, triggers: Triggers) -> Ints:
    """Return the level of each day, [site, day]; a day with an unknown in its window has none."""
    rain = stretch["precipitation_mm"]
    watch_on = _hot_days(stretch, triggers.watch.hot) & (
        _rain(rain, triggers.watch.hot) <= float(triggers.watch.precipitation_max)
    )
    afternoon = trailing_mean(stretch["humidity_afternoon_pct"], int(float(triggers.high.hotter.window)))
    dry_air = afternoon < float(triggers.high.humidity_afternoon_below)
    high_on = np.zeros_like(watch_on)
    for hot in (triggers.high.long, triggers.high.hotter):
        little = _rain(rain, hot) <= float(triggers.high.precipitation_max)
        high_on |= _hot_days(stretch, hot) & little & dry_air
    levels = np.where(watch_on, int(Level.WATCH), int(Level.NONE))
    levels = np.where(high_on, int(Level.HIGH), levels)
    return np.where(_severe(batch, stretch, triggers), int(Level.SEVERE), levels)


def _hot_days(stretch: Stretch, hot: HotDays) -> npt.NDArray[np.bool_]:
    mask = stretch["temperature_max_c"] >= float(hot.temperature_max_c)
    return np.asarray(trailing_count(mask, int(float(hot.window))) >= float(hot.days))


def _rain(rain: Floats, hot: HotDays) -> Floats:
    """Return the rain of the window; NaN, which compares false, where a day of it is unknown."""
    return np.asarray(trailing_sum(rain, int(float(hot.window))))


def _severe(batch: Batch, stretch: Stretch, triggers: Triggers) -> npt.NDArray[np.bool_]:
    severe = triggers.severe
    window = int(float(severe.window))
    gained = trailing_sum(generations_per_day(batch, stretch), window)
    moist = np.nan_to_num(trailing_sum(np.nan_to_num(stretch["humid_hours"]), MOIST_DAYS))
    fungus = trailing_count(moist >= float(severe.moist_hours), window) > 0
    dry = trailing_sum(stretch["precipitation_mm"], window) <= float(severe.precipitation_max)
    hot_now = _hot_days(stretch, triggers.watch.hot)
    return np.asarray((gained >= float(severe.generations)) & dry & ~fungus & hot_now)


def generations_per_day(batch: Batch, stretch: Stretch) -> Floats:
    """Return the share of a twospotted generation of each day, [site, day].

    Hours of the batch are summed; finished days, of which only the extremes are kept, go by the sine.
    """
    species = load_species()["twospotted"]
    lower, upper = float(species.lower_c), float(species.optimum_c)
    low, high = stretch["temperature_min_c"], stretch["temperature_max_c"]
    sine = degree_days.single_sine(np.fmin(low, high), high, lower, upper)
    warm = degree_days.above_threshold(batch.hourly["air_temperature_c"], lower, upper) / 24.0
    summed = local_days.daily_sum(warm, batch.local)[:, batch.first_new :]
    sine[:, stretch.first_new :] = np.where(np.isnan(summed), sine[:, stretch.first_new :], summed)
    return np.asarray(sine / float(species.egg_to_egg))


def _of_site(
    batch: Batch, stretch: Stretch, levels: Ints, hot: npt.NDArray[np.bool_], row: int
) -> tuple[HotDrySpell, ...]:
    on = levels > int(Level.NONE)
    if not on[stretch.today :].any():
        return ()
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(np.int8)))
    return tuple(
        _spell(batch, stretch, levels, hot, row, int(first), int(end) - 1)
        for first, end in zip(edges[::2], edges[1::2], strict=True)
        if end > stretch.today
    )


def _spell(
    batch: Batch, stretch: Stretch, levels: Ints, hot: npt.NDArray[np.bool_], row: int, first: int, last: int
) -> HotDrySpell:
    """Return the spell behind the days ``first..last`` on which a step holds."""
    window = int(float(load_triggers().watch.hot.window))
    began = max(first - window + 1, 0)
    start = began + int(np.argmax(hot[began : last + 1]))
    end = last - int(np.argmax(hot[start : last + 1][::-1]))
    level = Level(int(levels[first : last + 1].max()))
    today = batch.local.days[batch.today]
    chosen = slice(start, end + 1)
    maxima = stretch["temperature_max_c"][row, chosen]
    heat_c = float(load_triggers().watch.hot.temperature_max_c)
    known = np.flatnonzero(~np.isnan(stretch["temperature_max_c"][row]))
    start_day = today + dt.timedelta(days=start - stretch.today)
    end_day = today + dt.timedelta(days=end - stretch.today)
    observed = max(0, min(stretch.today, end + 1) - start)
    return HotDrySpell(
        start_day=start_day,
        end_day=end_day,
        observed_days=observed,
        forecast_days=end - start + 1 - observed,
        open_ended=bool(known.size and end >= int(known[-1])),
        level=level,
        trigger=STEPS[level],
        peak_temperature_c=float(np.nanmax(maxima)),
        precipitation_mm=float(np.nansum(stretch["precipitation_mm"][row, chosen])),
        heat_sum_c_d=float(np.nansum(np.maximum(maxima - heat_c, 0.0))),
        vapour_pressure_deficit_max_kpa=_largest(stretch["vapour_pressure_deficit_max_kpa"][row, chosen]),
        lead_time_d=max(0, first - stretch.today),
    )


def _largest(values: Floats) -> float:
    return float(np.fmax.reduce(values)) if values.size else float("nan")
