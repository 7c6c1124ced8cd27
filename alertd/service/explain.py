"""Why one hour is open or closed to one material: every gate with its inputs, limits and sources.

Open or closed is read off the bits that were decided; the numbers beside them are those that the gates
compare.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

import numpy as np

from alertd.assess import spraying
from alertd.assess.batch import Batch, SiteWeather, batches
from alertd.assess.site import Workings, assess, work_out
from alertd.catalog.figure import Figure
from alertd.catalog.materials import load_materials
from alertd.catalog.plants import load_plants
from alertd.errors import InputError, WeatherUnavailable
from alertd.records.assessment import Assessment, MaterialOutlook, SprayWindow
from alertd.records.season import SeasonState
from alertd.records.site import Site
from alertd.records.weather import COLUMNS, HourlyWeather, cell_of
from alertd.science.chance import ForecastSkill
from alertd.science.spray import (
    REASON_WORDS,
    WATER_GATES,
    Reason,
    SprayHours,
    SprayRules,
    figure_of,
    sensitivity,
)
from alertd.science.spray_board import Look
from alertd.science.spray_room import Comparison, comparisons

ORDER: tuple[tuple[str, tuple[Reason, ...]], ...] = (
    ("weather at hand", (Reason.MISSING_WEATHER, Reason.COARSE_STEP, Reason.HORIZON_END)),
    ("label and plants", (Reason.SENSITIVE_PLANT, Reason.NOT_DORMANT)),
    ("earlier applications", (Reason.MIN_INTERVAL, Reason.LOOK_AGAIN, Reason.SEASON_MAX, Reason.ROTATION,
                              Reason.SULFUR_OIL, Reason.PATCH_TEST)),
    ("bloom and bees", (Reason.BLOOM,)),
    ("water status", (Reason.DROUGHT,)),
    ("inversion", (Reason.INVERSION_CLOCK, Reason.INVERSION_CLASS)),
    ("wind", (Reason.WIND_HIGH, Reason.WIND_LOW, Reason.GUST, Reason.GUST_UNKNOWN)),
    ("temperature", (Reason.HEAT, Reason.SUN_HEAT, Reason.HEAT_AHEAD, Reason.COLD, Reason.FREEZE_AHEAD)),
    ("air and leaves", (Reason.DELTA_T_HIGH, Reason.DELTA_T_LOW, Reason.HOT_DRY_AIR, Reason.LEAF_WET)),
    ("rain", (Reason.RAIN_NOW, Reason.RAIN_AHEAD, Reason.RAIN_CHANCE_UNKNOWN)),
    ("people", (Reason.OUTSIDE_HOURS,)),
)  # fmt: skip
"""The gates in the order in which they are told; reasons that are not named here follow at the end."""


class GateState(StrEnum):
    """What a gate says of an hour."""

    CLOSED = "closed"
    CAUTION = "caution"
    NO_BLOCK = "no block found"
    NOT_ASKED = "not asked"


@dataclass(frozen=True, slots=True)
class Cited:
    """A figure with where it comes from; ``value`` None where there is no limit."""

    name: str
    value: float | None
    unit: str
    source: str
    status: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Test:
    """One value held against one limit. ``margin`` is positive on the open side; None where unknown."""

    what: str
    value: float | None
    unit: str
    side: str
    limit: Cited
    margin: float | None
    blocks: bool


@dataclass(frozen=True, slots=True)
class GateExplanation:
    """One gate of one hour."""

    group: str
    reason: str
    words: str
    state: GateState
    tests: tuple[Test, ...]
    notes: tuple[str, ...]
    figures: tuple[Cited, ...] = ()


@dataclass(frozen=True, slots=True)
class HourExplanation:
    """Everything that decided about one hour and one material."""

    site_id: str
    site: str
    material: str
    name: str
    start_at: dt.datetime
    made_at: dt.datetime
    data_as_of: dt.datetime
    provider: str
    block_bits: int
    caution_bits: int
    inputs: tuple[tuple[str, float | None], ...]
    gates: tuple[GateExplanation, ...]
    window: SprayWindow | None
    next_window: SprayWindow | None
    loosened: tuple[tuple[str, str], ...]

    @property
    def is_open(self) -> bool:
        """Whether no block was found."""
        return self.block_bits == 0


class ExplainStore(Protocol):
    """What an explanation needs of the store."""

    def latest_weather(self, cell_keys: Iterable[str], as_of: dt.datetime) -> Mapping[str, HourlyWeather]:
        """Return the newest stored weather of each cell, fetched no later than ``as_of``."""
        ...

    def seasons(self, site_ids: Iterable[str], as_of: dt.datetime) -> Mapping[str, SeasonState]:
        """Return the newest season state of each site made no later than ``as_of``."""
        ...


@dataclass(frozen=True, slots=True)
class Scene:
    """One site at one moment, with everything that was worked out for it."""

    site: Site
    batch: Batch
    workings: Workings
    assessment: Assessment


def scene_at(
    store: ExplainStore,
    cell_size_deg: float,
    site: Site,
    at: dt.datetime,
    skill: ForecastSkill | None = None,
) -> Scene:
    """Return the site as it stood. Raises WeatherUnavailable where no weather was stored by then."""
    key = cell_of(site.latitude_deg, site.longitude_deg, site.elevation_m, cell_size_deg).key
    weather = store.latest_weather([key], at).get(key)
    if weather is None:
        raise WeatherUnavailable(
            f"no weather was stored for {site.name!r} by {at:%Y-%m-%d %H:%M} UTC; "
            "run `alertd cycle` to fetch some"
        )
    (batch,) = batches([SiteWeather(site, weather, store.seasons([site.id], at).get(site.id))], at)
    (assessment,), _ = assess(batch, None if skill is None else {site.id: skill})
    return Scene(site, batch, work_out(batch), assessment)


def explain_hour(scene: Scene, material: str, hour: dt.datetime) -> HourExplanation:
    """Return why an hour is open or closed. Raises InputError on an hour or material that was not judged."""
    outlook = _outlook(scene, material)
    at = hour.replace(minute=0, second=0, microsecond=0)
    place = round((at - scene.assessment.start_at).total_seconds() / 3600.0)
    if not 0 <= place < len(outlook.block_bits):
        raise InputError(
            "hour",
            f"{at.isoformat()} was not judged; give an hour from {scene.assessment.start_at.isoformat()} "
            f"to {len(outlook.block_bits)} h later",
        )
    rules = _rules(scene, material)
    hours, first = spraying.judged_hours(scene.batch, np.array([0]), scene.workings.water, scene.workings.dry)
    column = round((at - scene.batch.start_at).total_seconds() / 3600.0) - first
    bits = int(outlook.block_bits[place]), int(outlook.caution_bits[place])
    gates = _Gates(scene, rules, hours, column, *bits)
    weather = scene.batch.members[0].weather
    return HourExplanation(
        site_id=scene.site.id,
        site=scene.site.name,
        material=material,
        name=load_materials()[material].name,
        start_at=at,
        made_at=scene.assessment.made_at,
        data_as_of=weather.issued_at,
        provider=weather.provider,
        block_bits=bits[0],
        caution_bits=bits[1],
        inputs=tuple(_inputs(hours, column)),
        gates=tuple(gates.all()),
        window=next((one for one in outlook.windows if one.start_at <= at < one.end_at), None),
        next_window=next((one for one in outlook.windows if one.start_at > at), None),
        loosened=rules.loosened,
    )


def _outlook(scene: Scene, material: str) -> MaterialOutlook:
    for outlook in scene.assessment.materials:
        if outlook.material == material:
            return outlook
    chosen = ", ".join(scene.site.materials) or "none"
    raise InputError("material", f"{material!r} is not chosen for {scene.site.name!r}; chosen: {chosen}")


def _rules(scene: Scene, material: str) -> SprayRules:
    try:
        return spraying.site_rules(scene.site, material)
    except ValueError as error:
        raise InputError("limits", f"the limits of {scene.site.name!r} cannot be used: {error}") from error


def _inputs(hours: SprayHours, column: int) -> Iterator[tuple[str, float | None]]:
    for name in (*COLUMNS, "wet_bulb_depression_c", "sun_altitude_deg", "local_hour"):
        values = getattr(hours, name, None)
        if values is not None:
            yield name, known(values[0, column])


def known(value: float) -> float | None:
    """Return a number, None where it is unknown or there is none."""
    return float(value) if math.isfinite(value) else None


def cited(name: str, figure: Figure) -> Cited:
    """Return a catalog figure with its name."""
    return Cited(name, float(figure), figure.unit, figure.source, str(figure.status), figure.note)


def limit_of(rules: SprayRules, name: str, value: float, unit: str) -> Cited:
    """Return a limit as it held, with the source of the catalog or the site's own word."""
    if not name:
        return Cited("horizon", value, unit, "the sun at the horizon", "derived")
    figure = figure_of(name, rules.material, rules.profile)
    if figure is None:
        return Cited(name, known(value), unit, "no limit in the catalog", "")
    own = getattr(rules, name)
    if own == float(figure) and value == float(figure):
        return cited(name, figure)
    if own != float(figure) and value == own:
        source = f"set for this site or method; the catalog says {float(figure):g}"
        return Cited(name, known(value), unit, source, "site's own", figure.note)
    return Cited(name, known(value), unit, f"the stricter of two limits; {figure.source}", str(figure.status))


class _Gates:
    """The gates of one hour, one explanation each."""

    def __init__(
        self, scene: Scene, rules: SprayRules, hours: SprayHours, column: int, blocks: int, cautions: int
    ) -> None:
        self.scene, self.rules, self.hours, self.column = scene, rules, hours, column
        self.blocks, self.cautions = blocks, cautions
        self.compared: dict[Reason, list[Comparison]] = {}
        for one in comparisons(Look(hours), rules):
            self.compared.setdefault(one.reason, []).append(one)

    def all(self) -> Iterator[GateExplanation]:
        """Yield every gate in order."""
        told = {reason for _, reasons in ORDER for reason in reasons}
        rest = tuple(reason for reason in Reason if reason not in told)
        for group, reasons in (*ORDER, ("other", rest)):
            for reason in reasons:
                yield self.one(group, reason)

    def one(self, group: str, reason: Reason) -> GateExplanation:
        """Return one gate."""
        tests = tuple(self._test(one) for one in self.compared.get(reason, ()) if self._applies(one))
        return GateExplanation(
            group=group,
            reason=str(reason.name).lower(),
            words=REASON_WORDS[reason],
            state=self._state(reason),
            tests=tests,
            notes=tuple(self._notes(reason)),
            figures=tuple(self._figures(reason)),
        )

    def _state(self, reason: Reason) -> GateState:
        if self.blocks & reason:
            return GateState.CLOSED
        if self.cautions & reason:
            return GateState.CAUTION
        if self.rules.plain_water and not WATER_GATES & reason:
            return GateState.NOT_ASKED
        return GateState.NO_BLOCK

    def _applies(self, one: Comparison) -> bool:
        limit = np.broadcast_to(one.limit, one.value.shape)[0, self.column]
        applies = one.applies is None or bool(np.broadcast_to(one.applies, one.value.shape)[0, self.column])
        return applies and math.isfinite(limit)

    def _test(self, one: Comparison) -> Test:
        at = (0, self.column)
        limit = float(np.broadcast_to(one.limit, one.value.shape)[at])
        return Test(
            what=one.what,
            value=known(one.value[at]),
            unit=one.unit,
            side=str(one.side),
            limit=limit_of(self.rules, one.limit_name, limit, one.unit),
            margin=known(one.margin[at]),
            blocks=one.blocks,
        )

    def _notes(self, reason: Reason) -> Iterator[str]:
        """Yield what is to be said of a gate that is no comparison of numbers."""
        rules = self.rules
        if reason is Reason.MISSING_WEATHER:
            yield from self._gaps()
        elif reason is Reason.SENSITIVE_PLANT:
            yield from self._sensitive()
        elif reason is Reason.DROUGHT:
            yield from self._drought()
        elif reason is Reason.BLOOM:
            group = load_materials()[rules.material]
            yield f"bee category {rules.bee_category} ({group.bee_source})"
            yield "bloom on the site is not recorded" if self.hours.in_bloom is None else "bloom as recorded"
        elif reason is Reason.INVERSION_CLOCK and not self.blocks & reason:
            yield "low overcast with wind lifts the clock rule, if the cloud base is known"
        elif reason is Reason.NOT_DORMANT and rules.dormant_only:
            yield "the material is for dormant plants only"
        elif reason in _FROM_RECORDS:
            yield "decided from the applications on record; nothing on record, nothing to hold against it"

    def _gaps(self) -> Iterator[str]:
        missing = [name for name, value in _inputs(self.hours, self.column) if value is None]
        if missing:
            yield f"unknown in this hour: {', '.join(missing)}"
        elif self.blocks & Reason.MISSING_WEATHER:
            yield "a value of the hours looked ahead or back at is missing, or the forecast is too old"

    def _sensitive(self) -> Iterator[str]:
        for host in sorted({planting.host for planting in self.scene.site.plantings}):
            plant = load_plants()[host]
            level = sensitivity(self.rules.material, host).name.lower()
            yield f"{plant.name}: {level} ({plant.sensitivity_source})"

    def _drought(self) -> Iterator[str]:
        names = {planting.id: load_plants()[planting.host].name for planting in self.scene.site.plantings}
        for status in self.scene.workings.water[0]:
            yield f"{names[status.planting_id]}: {status.state} ({status.reason})"
        held = "closes on plants short of water" if self.rules.drought_sensitive else "cautions only"
        yield (
            f"for this material it {held}"
            if held.startswith("closes")
            else "for this material it cautions only"
        )

    def _figures(self, reason: Reason) -> Iterator[Cited]:
        """Yield the figures behind gates that are no comparison of numbers."""
        for name in _BEHIND.get(reason, ()):
            value = float(getattr(self.rules, name))
            unit = _unit(name)
            if math.isfinite(value):
                yield limit_of(self.rules, name, value, unit)
        reentry = load_materials()[self.rules.material].reentry
        if reason is Reason.OUTSIDE_HOURS and reentry is not None:
            yield cited("reentry_h", reentry)


_FROM_RECORDS = frozenset({
    Reason.MIN_INTERVAL, Reason.LOOK_AGAIN, Reason.SEASON_MAX, Reason.ROTATION, Reason.SULFUR_OIL,
    Reason.PATCH_TEST,
})  # fmt: skip
_BEHIND: Mapping[Reason, Sequence[str]] = {
    Reason.MIN_INTERVAL: ("reapply_d",),
    Reason.LOOK_AGAIN: ("contact_review_d",),
    Reason.SEASON_MAX: ("season_max",),
    Reason.ROTATION: ("group_uses_in_a_row",),
    Reason.SULFUR_OIL: ("sulfur_oil_gap_d", "sulfur_oil_caution_d"),
    Reason.PATCH_TEST: ("patch_test_wait_h",),
    Reason.BLOOM: ("bee_flight_temperature_c",),
    Reason.GUST_UNKNOWN: ("wind_upper_gust_unknown_m_s",),
    Reason.RAIN_CHANCE_UNKNOWN: ("rain_ahead_amount_chance_unknown_mm",),
    Reason.INVERSION_CLOCK: (
        "inversion_override_wind_m_s", "inversion_override_cloud_tenths", "inversion_override_ceiling_m"
    ),
}  # fmt: skip
_UNITS = {"_c": "degC", "_m_s": "m/s", "_mm": "mm", "_d": "d", "_h": "h", "_pct": "%", "_m": "m",
          "_tenths": "tenths"}  # fmt: skip


def _unit(name: str) -> str:
    """Return the unit that a rule's name ends in."""
    ends = sorted((end for end in _UNITS if name.endswith(end)), key=len)
    return _UNITS[ends[-1]] if ends else "1"
