"""What is carried from one local day to the next, so that a cycle costs the horizon and not the season."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

HISTORY_DAYS = 14
"""Finished days that rules look back on."""

HISTORY_COLUMNS: tuple[str, ...] = (
    "temperature_min_c",
    "temperature_max_c",
    "temperature_mean_c",
    "precipitation_mm",
    "vapour_pressure_deficit_max_kpa",
    "humidity_mean_pct",
    "humidity_afternoon_pct",
    "humid_hours",
    "wind_max_m_s",
    "precipitation_known_mm",
    "humidity_afternoon_most_pct",
    "evapotranspiration_mm",
    "twospotted_heat_c_d",
)
"""Newer columns stand at the end: a state written before them has shorter days.

``precipitation_mm`` is NaN unless every hour is known, ``precipitation_known_mm`` what the known hours
add up to. ``humid_hours`` and ``humidity_afternoon_most_pct`` count unknown hours as moist.
"""


@dataclass(frozen=True, slots=True)
class SpeciesSeason:
    """The season of one species up to the end of a local day.

    ``degree_days_c_d`` counts above the season base since the biofix, NaN if the service does not know
    that far back; ``generations`` since the species woke; ``phase`` is a code of
    ``science.season.SeasonPhase``, -1 unknown; ``growth`` holds the mean rate of increase of the last
    finished days (1/d, newest last); ``stages`` is the state vector of the population model.
    """

    degree_days_c_d: float = float("nan")
    generations: float = 0.0
    phase: int = -1
    growth: tuple[float, ...] = ()
    stages: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class SeasonState:
    """The season of one site up to the end of ``day`` (local), as known at ``made_at``.

    ``history`` holds the last finished days, newest last, each a tuple in the order of
    ``HISTORY_COLUMNS``, NaN for unknown. ``account_since`` names the plantings whose soil-water account
    is still young, with the day it began without anybody knowing the soil. ``spell`` is the hot dry
    spell that holds at the end of ``day``, empty if none does: ordinal of its first day, then its peak
    (degC), rain (mm), heat sum (degC d) and largest vapour pressure deficit (kPa) so far.
    """

    site_id: str
    day: dt.date
    made_at: dt.datetime
    species: Mapping[str, SpeciesSeason] = field(default_factory=dict)
    depletion_mm: Mapping[str, float] = field(default_factory=dict)
    last_wetting_day: Mapping[str, str] = field(default_factory=dict)
    history: tuple[tuple[float, ...], ...] = ()
    account_since: Mapping[str, str] = field(default_factory=dict)
    spell: tuple[float, ...] = ()
