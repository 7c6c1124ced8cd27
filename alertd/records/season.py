"""What is carried from one local day to the next, so that a cycle costs the horizon and not the season."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class SpeciesSeason:
    """The season of one species up to the end of a local day."""

    degree_days_c_d: float = 0.0
    log_abundance: float = 0.0
    stages: tuple[float, ...] = ()
    phase: str = "winter rest"


@dataclass(frozen=True, slots=True)
class SeasonState:
    """The season of one site up to the end of ``day`` (local), as known at ``made_at``.

    ``history`` holds the finished days a rule looks back on: one tuple a day, newest last, of
    (temperature min, max in degC, precipitation in mm, afternoon humidity in %, largest vapour
    pressure deficit in kPa, hours with humidity above 90 %); NaN for unknown.
    """

    site_id: str
    day: dt.date
    made_at: dt.datetime
    species: Mapping[str, SpeciesSeason] = field(default_factory=dict)
    depletion_mm: Mapping[str, float] = field(default_factory=dict)
    last_wetting_day: Mapping[str, str] = field(default_factory=dict)
    history: tuple[tuple[float, ...], ...] = ()
