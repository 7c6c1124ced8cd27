"""Hot dry spells of a batch: the catalog's three steps applied to finished and forecast days alike.

Unknown hours count on the cool and moist side, so that they never open a spell. What they could hide
is looked at as well: a site where they might, is marked, for nothing may be cleared on it.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch
from alertd.assess.stretch import Stretch, gap_d
from alertd.catalog.figure import Figure
from alertd.catalog.species import load_species
from alertd.catalog.triggers import HotDays, Triggers, load_triggers
from alertd.records.assessment import HotDrySpell, Level
from alertd.science.arrays import FloatArray as Floats
from alertd.science.arrays import IntArray as Ints
from alertd.science.spells import trailing_count, trailing_sum

MOIST_DAYS = 2
"""Local days over which the hours of a moist spell are summed: 40 h do not fit into one."""
WARN_DAYS = 8
"""Today and the days ahead in which unknown hours may hide a spell that matters."""
STEPS = {Level.WATCH: "watch", Level.HIGH: "high", Level.SEVERE: "severe"}
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Facts:
    """What the steps look at, [site, day]; NaN makes a step false."""

    temperature_max_c: Floats
    precipitation_mm: Floats
    humidity_afternoon_pct: Floats
    humid_hours: Floats
    generations: Floats

    def of(self, rows: Ints) -> _Facts:
        """Return what is known of some of the sites."""
        return _Facts(*(getattr(self, item.name)[rows] for item in fields(self)))


@dataclass(frozen=True, slots=True)
class Spells:
    """The spells of each site that are not over, the nearest first, and whether that is doubtful.

    ``levels`` and ``hot`` are what they were read from, [site, day] on the stretch's axis.
    """

    found: list[tuple[HotDrySpell, ...]]
    doubtful: Flags
    levels: Ints
    hot: Flags


@dataclass(frozen=True, slots=True)
class _Run:
    """Days ``first..last`` on which a step holds and the hot days ``start..end`` behind it.

    ``carried`` is what the season tells of a run that began before the batch.
    """

    start: int
    end: int
    first: int
    last: int
    carried: tuple[float, ...]


def spells(batch: Batch, stretch: Stretch) -> Spells:
    """Return the spells of each site."""
    triggers = load_triggers()
    told = _told(stretch)
    levels = _levels(told, triggers)
    hot = np.asarray(told.temperature_max_c >= float(triggers.watch.hot.temperature_max_c))
    near = slice(stretch.today, stretch.today + WARN_DAYS)
    doubtful = np.zeros(len(levels), dtype=np.bool_)
    unsure = _unsure(told, stretch)
    could_be = _levels(_driest(told.of(unsure), stretch, unsure), triggers)
    doubtful[unsure] = (could_be[:, near] > levels[unsure, near]).any(axis=1)
    running = np.asarray((levels[:, stretch.today :] > int(Level.NONE)).any(axis=1))
    found = [
        _of_site(batch, stretch, levels[row], hot[row], row) if running[row] else ()
        for row in range(len(batch.members))
    ]
    return Spells(found, doubtful, levels, hot)


def _told(stretch: Stretch) -> _Facts:
    """Return what is known; where something is not, no step holds."""
    return _Facts(
        stretch["temperature_max_c"],
        stretch["precipitation_mm"],
        stretch["humidity_afternoon_most_pct"],
        stretch["humid_hours"],
        stretch["twospotted_heat_c_d"] / float(load_species()["twospotted"].egg_to_egg),
    )


def _unsure(told: _Facts, stretch: Stretch) -> Ints:
    """Return the rows of the sites on which anything is unknown."""
    unknown = np.isnan(told.temperature_max_c + told.precipitation_mm + told.generations)
    return np.flatnonzero((unknown | _partly(told.humidity_afternoon_pct, stretch)).any(axis=1))


def _partly(most_pct: Floats, stretch: Stretch, rows: Ints | slice = slice(None)) -> Flags:
    """Return the days whose afternoon is not known to the last hour."""
    known_pct = stretch["humidity_afternoon_pct"][rows]
    return np.asarray(np.isnan(known_pct) | (known_pct < most_pct))


def _driest(told: _Facts, stretch: Stretch, rows: Ints) -> _Facts:
    """Return the hottest and driest weather of these sites that would fit what is known.

    Days beyond the forecast are left out: nobody was ever told about them.
    """
    beyond = np.arange(stretch.days) > stretch.today
    unknown = np.isnan(told.temperature_max_c)
    # No weather is hotter than this: an unknown day that is over may have been hot.
    hottest = np.where(unknown & ~beyond, np.inf, told.temperature_max_c)
    driest = np.nan_to_num(stretch["precipitation_known_mm"][rows])
    rain = np.where(np.isnan(told.precipitation_mm) & ~(unknown & beyond), driest, told.precipitation_mm)
    partly = _partly(told.humidity_afternoon_pct, stretch, rows)
    fast = np.where(np.isnan(told.generations) & ~beyond, np.inf, told.generations)
    return _Facts(hottest, rain, np.where(partly, 0.0, told.humidity_afternoon_pct), told.humid_hours, fast)


def _levels(facts: _Facts, triggers: Triggers) -> Ints:
    """Return the level of each day, [site, day]; a day with an unknown in its window has none."""
    watch_on = _hot_days(facts, triggers.watch.hot) & (
        _rain(facts, triggers.watch.hot) <= float(triggers.watch.precipitation_max)
    )
    window = int(float(triggers.high.hotter.window))
    afternoon = trailing_sum(facts.humidity_afternoon_pct, window) / window
    dry_air = afternoon < float(triggers.high.humidity_afternoon_below)
    high_on = np.zeros_like(watch_on)
    for hot in (triggers.high.long, triggers.high.hotter):
        little = _rain(facts, hot) <= float(triggers.high.precipitation_max)
        high_on |= _hot_days(facts, hot) & little & dry_air
    levels = np.where(watch_on, int(Level.WATCH), int(Level.NONE))
    levels = np.where(high_on, int(Level.HIGH), levels)
    return np.where(_severe(facts, triggers), int(Level.SEVERE), levels)


def _hot_days(facts: _Facts, hot: HotDays) -> Flags:
    mask = facts.temperature_max_c >= float(hot.temperature_max_c)
    return np.asarray(trailing_count(mask, int(float(hot.window))) >= float(hot.days))


def _rain(facts: _Facts, hot: HotDays) -> Floats:
    """Return the rain of the window; NaN, which compares false, where a day of it is unknown."""
    return np.asarray(trailing_sum(facts.precipitation_mm, int(float(hot.window))))


def _severe(facts: _Facts, triggers: Triggers) -> Flags:
    """Return the days at whose end the window held the generations, next to no rain and no moist spell."""
    severe = triggers.severe
    window = int(float(severe.window))
    gained = trailing_sum(facts.generations, window)
    # Not "enough hours" but "not surely fewer": an unknown day may have been moist.
    moist = ~(trailing_sum(facts.humid_hours, MOIST_DAYS) < float(severe.moist_hours))
    fungus = trailing_count(moist, window - MOIST_DAYS + 1) > 0
    dry = trailing_sum(facts.precipitation_mm, window) <= float(severe.precipitation_max)
    hot_now = _hot_days(facts, triggers.watch.hot)
    return np.asarray((gained >= float(severe.generations)) & dry & ~fungus & hot_now)


def _of_site(batch: Batch, stretch: Stretch, levels: Ints, hot: Flags, row: int) -> tuple[HotDrySpell, ...]:
    """Return the spells with a hot day today or later.

    Steps look back, so that they hold for a while after the last hot day: that spell is over.
    """
    runs = _runs(batch, stretch, levels, hot, row)
    return tuple(_spell(batch, stretch, levels, row, run) for run in runs if run.end >= stretch.today)


def _runs(batch: Batch, stretch: Stretch, levels: Ints, hot: Flags, row: int) -> list[_Run]:
    """Return the runs of days on which a step holds and that have hot days of their own.

    A run's first hot day is looked for as far back as a step does, but not in the run before.
    """
    window = int(float(load_triggers().watch.hot.window))
    edges = np.flatnonzero(np.diff((levels > int(Level.NONE)).astype(np.int8), prepend=0, append=0))
    carried, found, free = _carried(batch, row), [], 0
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        began = max(first - window + 1, free)
        hot_days = began + np.flatnonzero(hot[began:end])
        if hot_days.size:
            goes_on = first < stretch.first_new <= end
            start, last_hot = int(hot_days[0]), int(hot_days[-1])
            found.append(_Run(start, last_hot, first, end - 1, carried if goes_on else ()))
            free = last_hot + 1
    return found


def _carried(batch: Batch, row: int) -> tuple[float, ...]:
    """Return what the season holds of a running spell; nothing after a gap that no weather covers."""
    member = batch.members[row]
    if member.season is None or gap_d(member, batch.local.days[batch.first_new]) != 0:
        return ()
    return member.season.spell


def so_far(batch: Batch, stretch: Stretch, spells: Spells, row: int, at: int) -> tuple[float, ...]:
    """Return what the season has to keep of the spell that holds at the end of day ``at``, if one does."""
    runs = _runs(batch, stretch, spells.levels[row], spells.hot[row], row)
    run = next((run for run in runs if run.first <= at <= run.last), None)
    if run is None:
        return ()
    return (float(_start_day(batch, stretch, run).toordinal()), *_sums(stretch, row, run, at))


def _start_day(batch: Batch, stretch: Stretch, run: _Run) -> dt.date:
    if run.carried:
        return dt.date.fromordinal(int(run.carried[0]))
    return batch.local.days[batch.today] + dt.timedelta(days=run.start - stretch.today)


def _sums(stretch: Stretch, row: int, run: _Run, end: int) -> tuple[float, float, float, float]:
    """Return peak, rain, heat sum and largest deficit of a run up to a day; what is unknown adds nothing."""
    chosen = slice(stretch.first_new if run.carried else run.start, end + 1)
    maxima = stretch["temperature_max_c"][row, chosen]
    heat_c = float(load_triggers().watch.hot.temperature_max_c)
    _, peak, rain, heat, deficit = run.carried or (0.0, math.nan, 0.0, 0.0, math.nan)
    return (
        float(np.fmax.reduce(maxima, initial=peak)),
        rain + float(np.nansum(stretch["precipitation_known_mm"][row, chosen])),
        heat + float(np.nansum(np.maximum(maxima - heat_c, 0.0))),
        float(np.fmax.reduce(stretch["vapour_pressure_deficit_max_kpa"][row, chosen], initial=deficit)),
    )


def _spell(batch: Batch, stretch: Stretch, levels: Ints, row: int, run: _Run) -> HotDrySpell:
    """Return the spell of a run; its level is the highest from today on."""
    level = Level(int(levels[max(run.first, stretch.today) : run.last + 1].max()))
    today = batch.local.days[batch.today]
    start_day = _start_day(batch, stretch, run)
    end_day = today + dt.timedelta(days=run.end - stretch.today)
    observed = max(0, (min(today, end_day + dt.timedelta(days=1)) - start_day).days)
    peak, rain, heat, deficit = _sums(stretch, row, run, run.end)
    return HotDrySpell(
        start_day=start_day,
        end_day=end_day,
        observed_days=observed,
        forecast_days=(end_day - start_day).days + 1 - observed,
        open_ended=run.end == run.last and _unknown(stretch, row, run.last + 1),
        level=level,
        trigger=STEPS[level],
        peak_temperature_c=peak,
        precipitation_mm=rain,
        heat_sum_c_d=heat,
        vapour_pressure_deficit_max_kpa=deficit,
        lead_time_d=max(0, run.first - stretch.today),
    )


def _unknown(stretch: Stretch, row: int, day: int) -> bool:
    """Return whether nobody knows if a spell goes on into that day."""
    if day >= stretch.days:
        return True
    return bool(np.isnan(stretch["temperature_max_c"][row, day] + stretch["precipitation_mm"][row, day]))


@dataclass(frozen=True, slots=True)
class StepFigure:
    """One figure that a step of the triggers looks at on one day, and its limit.

    ``side`` says where the step holds: ``at least``, ``at most`` or ``below`` the limit.
    """

    step: str
    what: str
    value: float
    side: str
    limit: Figure


def levels(stretch: Stretch) -> Ints:
    """Return the level that the triggers give each day, [site, day]."""
    return _levels(_told(stretch), load_triggers())


def step_figures(stretch: Stretch, row: int, day: int) -> tuple[StepFigure, ...]:
    """Return what each step looks at at the end of one day of the stretch; NaN where it is unknown."""
    triggers, facts = load_triggers(), _told(stretch)
    watch, high, severe = triggers.watch, triggers.high, triggers.severe
    window = int(float(severe.window))

    def at(values: npt.NDArray[Any]) -> float:
        return float(values[row, day])

    def of_step(step: str, hot: HotDays, rain_max: Figure) -> Iterator[StepFigure]:
        span, heat = int(float(hot.window)), float(hot.temperature_max_c)
        days = trailing_count(facts.temperature_max_c >= heat, span)
        yield StepFigure(step, f"days of {span} that reach {heat:g} degC", at(days), "at least", hot.days)
        rain = _rain(facts, hot)
        yield StepFigure(step, f"rain of {span} days", at(rain), "at most", rain_max)

    span = int(float(high.hotter.window))
    afternoon = trailing_sum(facts.humidity_afternoon_pct, span) / span
    moist = ~(trailing_sum(facts.humid_hours, MOIST_DAYS) < float(severe.moist_hours))
    spells_moist = trailing_count(moist, window - MOIST_DAYS + 1)
    none = Figure(0.0, "count", severe.moist_hours.source, severe.moist_hours.status)
    over = f"{float(severe.moist_hours):g} h above {float(severe.moist_humidity_above):g} % humidity"
    return (
        *of_step(STEPS[Level.WATCH], watch.hot, watch.precipitation_max),
        *of_step(f"{STEPS[Level.HIGH]}, long", high.long, high.precipitation_max),
        *of_step(f"{STEPS[Level.HIGH]}, hotter", high.hotter, high.precipitation_max),
        StepFigure(
            STEPS[Level.HIGH], f"humidity of {span} afternoons", at(afternoon), "below",
            high.humidity_afternoon_below,
        ),
        StepFigure(
            STEPS[Level.SEVERE], f"twospotted generations in {window} days",
            at(trailing_sum(facts.generations, window)), "at least", severe.generations,
        ),
        StepFigure(
            STEPS[Level.SEVERE], f"rain of {window} days",
            at(trailing_sum(facts.precipitation_mm, window)), "at most", severe.precipitation_max,
        ),
        StepFigure(
            STEPS[Level.SEVERE], f"moist spells ({MOIST_DAYS} days with {over}) in {window} days",
            at(spells_moist), "at most", none,
        ),
    )  # fmt: skip
