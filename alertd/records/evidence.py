"""The shape of ``Alert.evidence``: decided by ``alerts``, rendered by ``delivery``, kept by ``store``.

SI units; instants as ISO 8601 UTC text, days as ISO 8601 dates; JSON-able throughout.
"""

from __future__ import annotations

from typing import NotRequired, TypedDict


class PlaceEvidence(TypedDict):
    """Where."""

    name: str
    zone: str
    latitude_deg: float
    longitude_deg: float


class PlantingEvidence(TypedDict):
    """What grows there. ``name`` is the host plant's common name."""

    id: str
    host: str
    name: str
    label: str
    count: int


class DayEvidence(TypedDict):
    """One local day."""

    day: str
    observed: bool
    temperature_min_c: float | None
    temperature_max_c: float | None
    precipitation_mm: float | None
    vapour_pressure_deficit_max_kpa: float | None
    humidity_afternoon_pct: float | None
    wind_max_m_s: float | None


class PartEvidence(TypedDict):
    """One share of a score."""

    name: str
    points: float
    value: float
    unit: str


class PressureEvidence(TypedDict):
    """Mite pressure of one species. ``plants`` are the labels of the plantings it can live on."""

    species: str
    name: str
    score: float
    score_ahead: float
    level: str
    phase: str
    parts: list[PartEvidence]
    doubling_time_d: float | None
    generations: float
    degree_days_c_d: float | None
    plants: list[str]
    provisional: NotRequired[str]
    """How little the species' growth figures rest on, where no published curve carries them."""


class SpellEvidence(TypedDict):
    """The hot dry spell."""

    start_day: str
    end_day: str
    days: int
    observed_days: int
    forecast_days: int
    open_ended: bool
    level: str
    trigger: str
    peak_temperature_c: float
    precipitation_mm: float
    heat_sum_c_d: float
    vapour_pressure_deficit_max_kpa: float
    lead_time_d: int
    chance: NotRequired[float | None]
    """0..1 that it comes; None or left out where that cannot be told."""


class RuleEvidence(TypedDict):
    """The rule that decided, the figures it used and how firm it is."""

    name: str
    text: str
    source: str
    status: str
    figures: dict[str, float]


class WaterEvidence(TypedDict):
    """Soil water of one planting."""

    plant: str
    state: str
    depletion_mm: float
    readily_mm: float
    total_mm: float
    reason: str
    stressed_on: str | None


class ScoutingEvidence(TypedDict):
    """Where to look first and when a count asks for action."""

    plant: str
    method: str
    samples: int
    threshold: float
    threshold_unit: str
    source: str
    status: str


class LookEvidence(TypedDict):
    """One species to look for now: why, where and how; again after ``interval_d`` days."""

    species: str
    name: str
    why: str
    method: str
    places: str
    interval_d: float
    plants: list[str]


class MilestoneEvidence(TypedDict):
    """One milestone in the year of a species, reached or foretold (``expected_on``)."""

    species: str
    name: str
    milestone: str
    text: str
    advice: str
    degree_days_c_d: float | None
    expected_on: str | None
    source: str
    status: str
    plants: list[str]


class ShortEvidence(TypedDict):
    """One planting that is or will be short of water, and about how much would refill its root zone."""

    plant: str
    new_planting: bool
    stressed_on: str | None
    refill_mm: float
    reason: str


class InsteadEvidence(TypedDict):
    """Something to do that no spraying limit stands against, and how firm that advice is."""

    name: str
    text: str
    status: str
    source: str


class WindowEvidence(TypedDict):
    """Hours with no block found."""

    start_at: str
    end_at: str
    hours: int
    closed_by: list[str]
    cautions: list[str]
    quality: float
    chance: NotRequired[float | None]
    """0..1 that its likeliest hours stay open; None or left out where that cannot be told."""
    best_start_at: NotRequired[str | None]
    """Start of those hours."""


class MaterialEvidence(TypedDict):
    """One material group: its windows, or until when and why there is none. Reasons are words."""

    material: str
    name: str
    windows: list[WindowEvidence]
    blocked_until: str | None
    reasons: list[str]
    loosened: NotRequired[list[str]]
    """The site's own limits that are looser than the usual ones, each with its recorded reason."""


class ProviderFault(TypedDict):
    """Why one provider gave no weather."""

    name: str
    error: str


class AlertEvidence(TypedDict):
    """Everything a message about one alert is made of; which keys are present depends on the kind."""

    place: PlaceEvidence
    plantings: list[PlantingEvidence]
    data_as_of: str | None
    fetched_at: str | None
    provider: str
    attribution: str
    changes: list[str]
    days: NotRequired[list[DayEvidence]]
    spell: NotRequired[SpellEvidence]
    rule: NotRequired[RuleEvidence]
    pressures: NotRequired[list[PressureEvidence]]
    water: NotRequired[list[WaterEvidence]]
    scouting: NotRequired[list[ScoutingEvidence]]
    materials: NotRequired[list[MaterialEvidence]]
    spray_state: NotRequired[str]
    """``open``: a usable window is ahead; ``none``: every hour ahead is closed."""
    horizon_end: NotRequired[str]
    chance_days: NotRequired[int]
    """Days of the site's own verified forecasts behind the chances; 0: the forecast alone."""
    chance_ensemble: NotRequired[str]
    """Model whose ensemble gives the spread behind the chances; left out where none does."""
    missing_since: NotRequired[str]
    age_h: NotRequired[float]
    faults: NotRequired[list[ProviderFault]]
    closes_kind: NotRequired[str]
    closed_because: NotRequired[str]
    opened_at: NotRequired[str]
    clears_when: NotRequired[list[str]]
    looks: NotRequired[list[LookEvidence]]
    milestones: NotRequired[list[MilestoneEvidence]]
    short: NotRequired[list[ShortEvidence]]
    instead: NotRequired[list[InsteadEvidence]]
    also: NotRequired[list[str]]
    """Sentences about the weaker alerts of the same cycle, which people get no message of their own for."""
    told_with: NotRequired[str]
    """The id of the strongest alert of the same cycle; the same for every alert told with it."""
