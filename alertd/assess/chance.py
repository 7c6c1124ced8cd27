"""How likely each spray window and each hot dry spell of a batch is to hold."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from functools import cache

import numpy as np

from alertd.assess import spraying
from alertd.assess.batch import Batch
from alertd.assess.daily import KNOWN_HOURS
from alertd.assess.stretch import Stretch
from alertd.catalog.alerts import load_alert_policy
from alertd.catalog.chance import PriorSpread, load_chance
from alertd.catalog.triggers import load_triggers
from alertd.records.assessment import HotDrySpell
from alertd.science import days as local_days
from alertd.science.arrays import FloatArray as Floats
from alertd.science.arrays import IntArray as Ints
from alertd.science.chance import (
    Calibration,
    ForecastSkill,
    SpellRule,
    chance_within,
    corrected,
    prior_errors,
    spell_chance,
    window_chance,
)
from alertd.science.spray import SprayRules
from alertd.science.spray_board import Look
from alertd.science.spray_room import cold_room, heat_room, rain_chance_ahead

WARMEST_HOUR = 15.0
"""Local hour that stands for the day's maximum in lead times."""


@cache
def prior_skill() -> ForecastSkill:
    """Return what is believed of forecasts before any of them was verified."""
    spread = load_chance().spread
    return ForecastSkill({
        item.name: prior_errors(getattr(spread, item.name).x, getattr(spread, item.name).y)
        for item in fields(PriorSpread)
    })  # fmt: skip


def spell_rule() -> SpellRule:
    """Return the watch step of the hot dry triggers as a rule to draw against."""
    watch = load_triggers().watch
    return SpellRule(
        heat_c=float(watch.hot.temperature_max_c),
        hot_days=int(float(watch.hot.days)),
        window=int(float(watch.hot.window)),
        rain_max_mm=float(watch.precipitation_max),
    )


def with_chances(
    batch: Batch,
    stretch: Stretch,
    spells: Sequence[tuple[HotDrySpell, ...]],
    skills: Mapping[str, ForecastSkill] | None = None,
) -> list[tuple[HotDrySpell, ...]]:
    """Return the spells with their chances; ``skills`` by site id, else the prior holds."""
    return _spells(batch, stretch, spells, _known(batch, skills))


def window_chances(batch: Batch, skills: Mapping[str, ForecastSkill] | None = None) -> spraying.WindowChances:
    """Return what gives spray windows their chance; ``skills`` by site id, else the prior holds."""
    errors = _Errors(batch, _known(batch, skills))

    def told(look: Look, rules: SprayRules, runs: spraying.Runs) -> tuple[list[float | None], list[int]]:
        return _of_limits(look, rules, runs, errors)

    return told


class _Errors:
    """Errors of the forecasts at each hour of the axis, looked up once for sites that know the same.

    Sites of one ``kind`` have the same skill and a forecast of the same time; [row] of the batch.
    """

    def __init__(self, batch: Batch, skills: Sequence[ForecastSkill]) -> None:
        kinds: dict[tuple[int, dt.datetime], int] = {}
        self.kind = np.array(
            [
                kinds.setdefault((id(skill), member.weather.issued_at), len(kinds))
                for skill, member in zip(skills, batch.members, strict=True)
            ],
            dtype=np.int64,
        )
        _, first_rows = np.unique(self.kind, return_index=True)
        self.skills = [skills[row] for row in first_rows.tolist()]
        issued_h = [
            (batch.members[row].weather.issued_at - batch.start_at).total_seconds() / 3600.0
            for row in first_rows.tolist()
        ]
        middle_h = np.arange(batch.hours) + 0.5
        self.lead_h = np.maximum(middle_h - np.array(issued_h)[:, None], 0.0)
        self._known: dict[str, tuple[Floats, Floats]] = {}

    def of(self, name: str) -> tuple[Floats, Floats]:
        """Return bias and spread of one quantity, [kind, hour]."""
        if name not in self._known:
            pairs = [
                skill.errors[name].at(lead_h) for skill, lead_h in zip(self.skills, self.lead_h, strict=True)
            ]
            self._known[name] = np.stack([bias for bias, _ in pairs]), np.stack([wide for _, wide in pairs])
        return self._known[name]


def _known(batch: Batch, skills: Mapping[str, ForecastSkill] | None) -> list[ForecastSkill]:
    return [(skills or {}).get(site.id, prior_skill()) for site in batch.sites]


def _told(raw: Floats, calibration: Calibration | None) -> list[float | None]:
    """Return chances fit to be told: corrected, never certain; None where one is unknown."""
    least = float(load_chance().least)
    chances = np.clip(raw if calibration is None else calibration(raw), least, 1.0 - least)
    return [None if math.isnan(chance) else chance for chance in chances.tolist()]


def _of_limits(
    look: Look, rules: SprayRules, runs: spraying.Runs, errors: _Errors
) -> tuple[list[float | None], list[int]]:
    """Return chance and hour of the likeliest stretch of each window under one set of limits.

    No window is shorter than the job.
    """
    job = round(float(load_alert_policy().spray_notice.shortest_window))
    lengths = runs.end - runs.start
    ends = np.cumsum(lengths)
    begins = ends - lengths
    # the hours of all windows in one line, each worked out once though stretches overlap
    owner = np.repeat(np.arange(len(lengths)), lengths)
    place = np.arange(len(owner))
    hour = place + (runs.start - begins)[owner]
    groups, rain = _hourly(look, rules, runs, owner, hour, errors)
    held = window_chance(
        [[_of_next(np.minimum, np.minimum.reduce(group), job)[:, None]] for group in groups],
        _of_next(np.maximum, rain, job),
    )
    # an unknown stretch is no candidate; where all are unknown the first stands for the window
    rank = np.where(np.isnan(held), -1.0, held)
    starts = np.stack([begins, ends - job + 1], axis=1).ravel()  # a stretch must end within its window
    highest = np.maximum.reduceat(np.append(rank, -1.0), starts)[::2]
    fits = place <= (ends - job)[owner]
    best_ones = np.flatnonzero((rank == highest[owner]) & fits)
    best = best_ones[np.searchsorted(best_ones, begins)]
    return _by_skill(held[best], errors, errors.kind[runs.row]), hour[best].tolist()


def _of_next(join: np.ufunc, values: Floats, count: int) -> Floats:
    """Return each value joined with those after it, ``count`` in all, as far as there are any."""
    joined = values.copy()
    for later in range(1, count):
        join(joined[: len(values) - later], values[later:], out=joined[: len(values) - later])
    return joined


def _by_skill(raw: Floats, errors: _Errors, kind: Ints) -> list[float | None]:
    """Return the chances as they are told, each corrected by what its site has learned."""
    curves = [skill.windows for skill in errors.skills]
    learned = np.array([curve is not None for curve in curves])[kind]
    if learned.any():
        figures = [(0.0, 1.0) if one is None else (one.intercept, one.slope) for one in curves]
        intercept, slope = np.array(figures).T
        raw = np.where(learned, corrected(raw, intercept[kind], slope[kind]), raw)
    return _told(raw, None)


def _hourly(
    look: Look, rules: SprayRules, runs: spraying.Runs, owner: Ints, hour: Ints, errors: _Errors
) -> tuple[list[list[Floats]], Floats]:
    """Return the chances of each quantity by groups that go wrong together, and that of rain, [hour]."""
    hours, site = look.hours, runs.site[owner]
    flat = site * hours.shape[1] + hour
    kind = errors.kind[runs.row][owner] * errors.lead_h.shape[1] + hour + runs.first

    def at(values: Floats) -> Floats:
        return values.take(flat) if values.flags.c_contiguous else values[site, hour]

    def within(name: str, below: Floats | float, above: Floats | float) -> Floats:
        bias, spread = errors.of(name)
        return chance_within(below, above, bias.take(kind), spread.take(kind))

    wind, gust = at(hours.wind_speed_m_s), at(hours.wind_gust_m_s)
    no_gust = np.isnan(gust)  # an open hour without one: the service gives none, a lower wind limit holds
    cap = np.where(no_gust, rules.wind_upper_gust_unknown_m_s, rules.wind_upper_block_m_s)
    least = -np.inf if rules.plain_water else rules.wind_lower_block_m_s / rules.wind_height_factor
    below = np.inf if math.isinf(least) else wind - least
    calm = [
        within("wind_speed_m_s", below, cap - wind),
        np.where(
            no_gust, 1.0, within("wind_gust_m_s", np.inf, rules.gust_block_m_s - np.where(no_gust, 0.0, gust))
        ),
    ]
    cold = cold_room(look, rules, at)
    if rules.plain_water:
        return [calm, [within("air_temperature_c", cold, np.inf)]], np.zeros(len(hour))
    air = at(hours.wet_bulb_depression_c)
    damp = air - rules.wet_bulb_depression_low_c if rules.slow_drying_blocks else np.inf
    warmth = [
        within("air_temperature_c", cold, heat_room(look, rules, at)),
        within("wet_bulb_depression_c", damp, rules.wet_bulb_depression_block_c - air),
    ]
    rain = rain_chance_ahead(look, rules, at) / 100.0
    return [calm, warmth], np.where(np.isfinite(rain), rain, np.nan)


def _spells(
    batch: Batch,
    stretch: Stretch,
    spells: Sequence[tuple[HotDrySpell, ...]],
    skills: Sequence[ForecastSkill],
) -> list[tuple[HotDrySpell, ...]]:
    if not any(spells):
        return list(spells)
    hourly = batch.hourly["precipitation_probability_pct"]
    wet = local_days.daily_max(hourly, batch.local, required=KNOWN_HOURS)[:, batch.first_new :] / 100.0
    return [
        tuple(_with_chance(batch, stretch, wet, row, spell, skills[row]) for spell in found)
        for row, found in enumerate(spells)
    ]


def _with_chance(
    batch: Batch, stretch: Stretch, wet: Floats, row: int, spell: HotDrySpell, skill: ForecastSkill
) -> HotDrySpell:
    rule, figures = spell_rule(), load_chance()
    today = batch.local.days[batch.today]
    begins = stretch.today + (spell.start_day - today).days
    end = stretch.today + (spell.end_day - today).days
    first = max(begins + rule.hot_days - 1, stretch.today)
    from_ = max(first - rule.window + 1, 0)
    chosen = slice(from_, end + 1)
    observed = np.arange(from_, end + 1) < stretch.today
    probability = np.full(stretch.days, np.nan)
    probability[stretch.first_new :] = wet[row]
    bias, spread = skill.errors["temperature_max_c"].at(_day_lead_h(batch, stretch, row)[chosen])
    raw = spell_chance(
        stretch["temperature_max_c"][row, chosen],
        stretch["precipitation_mm"][row, chosen],
        probability[chosen],
        observed,
        bias,
        spread,
        first - from_,
        rule,
        persistence=float(figures.persistence),
        wet_day_mm=float(figures.wet_day_rain),
        samples=int(float(figures.samples)),
    )
    return replace(spell, chance=_told(np.array([raw]), skill.spells)[0])


def _day_lead_h(batch: Batch, stretch: Stretch, row: int) -> Floats:
    """Return the age of the forecast at the warmest hour of each day of the stretch."""
    issued = batch.members[row].weather.issued_at
    age_h = (issued - batch.start_at).total_seconds() / 3600.0
    begins_h = float(batch.local.starts[batch.today])
    offset = np.arange(stretch.days) - stretch.today
    return np.asarray(np.maximum(begins_h + 24.0 * offset + WARMEST_HOUR - age_h, 0.0))
