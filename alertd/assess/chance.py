"""How likely each spray window and each hot dry spell of a batch is to hold."""

from __future__ import annotations

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
    known = _known(batch, skills)

    def told(look: Look, rules: SprayRules, runs: spraying.Runs) -> tuple[list[float | None], list[int]]:
        return _of_limits(batch, look, rules, runs, known)

    return told


def _known(batch: Batch, skills: Mapping[str, ForecastSkill] | None) -> list[ForecastSkill]:
    return [(skills or {}).get(site.id, prior_skill()) for site in batch.sites]


def _told(raw: Floats, calibration: Calibration | None) -> list[float | None]:
    """Return chances fit to be told: corrected, never certain; None where one is unknown."""
    least = float(load_chance().least)
    chances = np.clip(raw if calibration is None else calibration(raw), least, 1.0 - least)
    return [None if math.isnan(chance) else chance for chance in chances.tolist()]


def _of_limits(
    batch: Batch,
    look: Look,
    rules: SprayRules,
    runs: spraying.Runs,
    skills: Sequence[ForecastSkill],
) -> tuple[list[float | None], list[int]]:
    """Return chance and hour of the likeliest stretch of each window under one set of limits."""
    job = round(float(load_alert_policy().spray_notice.shortest_window))
    lengths = runs.end - runs.start
    after = np.cumsum(lengths)
    before = after - lengths
    # the hours of all windows in one line, each worked out once though stretches overlap
    owner = np.repeat(np.arange(len(lengths)), lengths)
    hour = np.arange(len(owner)) - before[owner] + runs.start[owner]
    groups, rain = _hourly(batch, look, rules, runs, owner, hour, skills)
    many = np.maximum(lengths - job, 0) + 1
    edges = np.concatenate([[0], np.cumsum(many)])
    of_window = np.repeat(np.arange(len(lengths)), many)
    start = before[of_window] + np.arange(edges[-1]) - edges[of_window]
    line = np.minimum(start[:, None] + np.arange(job), after[of_window][:, None] - 1)
    held = window_chance([[part[line] for part in group] for group in groups], rain[line].max(axis=-1))
    # an unknown stretch is no candidate; where all are unknown the first stands for the window
    rank = np.where(np.isnan(held), -1.0, held)
    is_best = np.flatnonzero(rank == np.maximum.reduceat(rank, edges[:-1])[of_window])
    _, firsts = np.unique(of_window[is_best], return_index=True)
    best = is_best[firsts]
    told = _by_skill(held[best], [skills[row] for row in runs.row.tolist()])
    return told, hour[start[best]].tolist()


def _by_skill(raw: Floats, skills: Sequence[ForecastSkill]) -> list[float | None]:
    """Return the chances as they are told, each corrected by what its site has learned."""
    if all(skill.windows is None for skill in skills):
        return _told(raw, None)
    return [_told(raw[i : i + 1], skill.windows)[0] for i, skill in enumerate(skills)]


def _hourly(
    batch: Batch,
    look: Look,
    rules: SprayRules,
    runs: spraying.Runs,
    owner: Ints,
    hour: Ints,
    skills: Sequence[ForecastSkill],
) -> tuple[list[list[Floats]], Floats]:
    """Return the chances of each quantity by groups that go wrong together, and that of rain, [hour]."""
    hours, site, row = look.hours, runs.site[owner], runs.row[owner]
    lead_h = _lead_h(batch, row, hour + runs.first)

    def within(name: str, below: Floats | float, above: Floats | float) -> Floats:
        bias, spread = _errors(skills, row, name, lead_h)
        return chance_within(below, above, bias, spread)

    wind, gust = hours.wind_speed_m_s[site, hour], hours.wind_gust_m_s[site, hour]
    no_gust = np.isnan(gust)  # an open hour without one: the service gives none, a lower wind limit holds
    cap = np.where(no_gust, rules.wind_upper_gust_unknown_m_s, rules.wind_upper_block_m_s)
    least = -np.inf if rules.plain_water else rules.wind_lower_block_m_s / rules.wind_height_factor
    calm = [
        within("wind_speed_m_s", wind - least, cap - wind),
        np.where(
            no_gust, 1.0, within("wind_gust_m_s", np.inf, rules.gust_block_m_s - np.where(no_gust, 0.0, gust))
        ),
    ]
    cold = cold_room(look, rules)[site, hour]
    if rules.plain_water:
        warmth = [within("air_temperature_c", cold, np.where(np.isnan(cold), np.nan, np.inf))]
        return [calm, warmth], np.zeros(len(hour))
    low = rules.wet_bulb_depression_low_c if rules.slow_drying_blocks else -np.inf
    air = hours.wet_bulb_depression_c[site, hour]
    warmth = [
        within("air_temperature_c", cold, heat_room(look, rules)[site, hour]),
        within("wet_bulb_depression_c", air - low, rules.wet_bulb_depression_block_c - air),
    ]
    rain = rain_chance_ahead(look, rules)[site, hour] / 100.0
    return [calm, warmth], np.where(np.isfinite(rain), rain, np.nan)


def _lead_h(batch: Batch, row: Ints, hour: Ints) -> Floats:
    """Return the age of the forecast at the middle of each hour of the axis, [hour]."""
    issued_h = np.array([
        (member.weather.issued_at - batch.start_at).total_seconds() / 3600.0 for member in batch.members
    ])  # fmt: skip
    return np.asarray(np.maximum(hour + 0.5 - issued_h[row], 0.0))


def _errors(skills: Sequence[ForecastSkill], row: Ints, name: str, lead_h: Floats) -> tuple[Floats, Floats]:
    """Return bias and spread at each lead time; rows that know the same are looked up together."""
    bias, spread = np.empty(lead_h.shape), np.empty(lead_h.shape)
    kinds = {id(skill): skill for skill in skills}
    kind_of_row = np.array([id(skill) for skill in skills])[row]
    for kind, skill in kinds.items():
        mine = kind_of_row == kind
        bias[mine], spread[mine] = skill.errors[name].at(lead_h[mine])
    return bias, spread


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
