"""What the weather means for one site at one moment."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum

import numpy as np
import numpy.typing as npt


class Level(IntEnum):
    """How much a finding asks of the reader."""

    NONE = 0
    NOTE = 1
    WATCH = 2
    HIGH = 3
    SEVERE = 4


class Phase(StrEnum):
    """Where a mite species stands in its year."""

    WINTER_REST = "winter rest"
    ACTIVE = "active"
    SUMMER_REST = "summer rest"
    SEASON_OVER = "season over"


class WaterState(StrEnum):
    """How short of water a planting is."""

    OK = "ok"
    CAUTION = "caution"
    STRESSED = "stressed"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Part:
    """One share of a score: its name, its points and the fact behind it in SI units."""

    name: str
    points: float
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class MitePressure:
    """Mite pressure 0-100 of one species on one site, with what it is made of.

    ``known`` is False where too few of the last days are known: the score is then 0 but says nothing.
    Doubling times are those of steady growth on the site's best host, over the next days and over the
    forecast. ``abundance`` (1: what came out of winter; what the weather allows on the site's best host,
    without predators or treatment), ``egg_share`` and the dates come from the population model and are
    None while the species rests; a date is None, too, if it lies beyond the forecast. ``generations`` is
    a lower bound where the service does not know the whole season.
    """

    species: str
    score: float
    level: Level
    parts: tuple[Part, ...]
    phase: Phase
    doubling_time_d: float | None
    generations: float
    degree_days_c_d: float | None
    biofix: dt.date
    hosts: tuple[str, ...]
    score_ahead: float = 0.0
    next_adults_on: dt.date | None = None
    egg_share: float | None = None
    next_hatch_on: dt.date | None = None
    doubling_ahead_d: float | None = None
    known: bool = True
    abundance: float | None = None


@dataclass(frozen=True, slots=True)
class HotDrySpell:
    """A run of hot dry local days, ``[start_day, end_day]`` inclusive.

    ``observed_days`` are over, ``forecast_days`` are to come (today counts as to come).
    ``open_ended`` says that the spell still runs at the end of the forecast. ``chance`` is that of the
    watch step being reached on one of its days from today on; None where it cannot be told.
    """

    start_day: dt.date
    end_day: dt.date
    observed_days: int
    forecast_days: int
    open_ended: bool
    level: Level
    trigger: str
    peak_temperature_c: float
    precipitation_mm: float
    heat_sum_c_d: float
    vapour_pressure_deficit_max_kpa: float
    lead_time_d: int
    chance: float | None = None

    @property
    def days(self) -> int:
        """Length of the run in local days."""
        return (self.end_day - self.start_day).days + 1


@dataclass(frozen=True, slots=True)
class WaterStatus:
    """The soil-water account of one planting."""

    planting_id: str
    state: WaterState
    depletion_mm: float
    readily_mm: float
    total_mm: float
    reason: str
    last_wetting_day: dt.date | None = None
    stressed_on: dt.date | None = None


@dataclass(frozen=True, slots=True)
class SprayWindow:
    """Hours in a row with no block found: ``[start_at, end_at)`` in UTC.

    ``chance`` is that of the likeliest stretch as long as the job, from ``best_start_at``, staying
    without a block; both None where it cannot be told.
    """

    material: str
    start_at: dt.datetime
    end_at: dt.datetime
    closed_by: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    quality: float = 0.0
    chance: float | None = None
    best_start_at: dt.datetime | None = None

    @property
    def hours(self) -> int:
        """Length in whole hours."""
        return round((self.end_at - self.start_at).total_seconds() / 3600.0)


@dataclass(frozen=True, slots=True)
class MaterialOutlook:
    """Windows of one material group, and why the other hours are closed.

    ``block_bits`` and ``caution_bits`` hold one integer an hour from ``Assessment.start_at``;
    the meaning of the bits is ``alertd.science.spray.Reason``. ``loosened`` says in words which of the
    site's own limits are looser than the usual ones, and why; it belongs on every message.
    """

    material: str
    windows: tuple[SprayWindow, ...]
    block_bits: npt.NDArray[np.int64]
    caution_bits: npt.NDArray[np.int64]
    blocked_until: dt.datetime | None = None
    main_reasons: tuple[str, ...] = ()
    loosened: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DayWeather:
    """One local day in SI units; None where unknown."""

    day: dt.date
    observed: bool
    temperature_min_c: float | None
    temperature_max_c: float | None
    precipitation_mm: float | None
    vapour_pressure_deficit_max_kpa: float | None
    humidity_afternoon_pct: float | None
    wind_max_m_s: float | None


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything alertd can say about a site at ``made_at``, from weather as of ``data_as_of``.

    ``spell_doubtful`` says that unknown hours could hide a hot dry spell, or a higher level of one:
    no warning may be lowered or cleared on it. ``chance_days`` are the days of the site's own verified
    forecasts behind its chances; 0: they come from the forecast alone. ``chance_ensemble`` is the model
    whose ensemble gives their spread, empty without one.
    """

    site_id: str
    made_at: dt.datetime
    data_as_of: dt.datetime
    fetched_at: dt.datetime
    provider: str
    attribution: str
    start_at: dt.datetime
    days: tuple[DayWeather, ...]
    pressures: tuple[MitePressure, ...]
    spells: tuple[HotDrySpell, ...]
    water: tuple[WaterStatus, ...]
    materials: tuple[MaterialOutlook, ...]
    missing: Mapping[str, float] = field(default_factory=dict)
    spell_doubtful: bool = False
    chance_days: int = 0
    chance_ensemble: str = ""

    @property
    def age_h(self) -> float:
        """Age of the weather behind this assessment."""
        return (self.made_at - self.data_as_of).total_seconds() / 3600.0
