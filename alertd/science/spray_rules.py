"""The limits of one material on one kind of plant, drawn from the catalog and tightened by the label."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from enum import IntEnum
from typing import Any, TypeVar

from alertd.catalog.figure import Figure
from alertd.catalog.limits import SprayLimits, load_limits
from alertd.catalog.materials import BeeCategory, MaterialGroup, MaterialKind, SulfurOil, load_materials
from alertd.catalog.plants import HostPlant, load_plants

Entry = TypeVar("Entry")
FINE_METHOD = "mist-blower"
METHODS = ("hand", FINE_METHOD)


class Sensitivity(IntEnum):
    """What a plant stands of a material."""

    NONE = 0
    WATCH = 1
    AVOID = 2


def _less_is_tighter() -> Any:
    return field(metadata={"sign": 1.0})


def _more_is_tighter() -> Any:
    return field(metadata={"sign": -1.0})


@dataclass(frozen=True, slots=True, kw_only=True)
class SprayRules:
    """Every limit that ``blackout`` tests, in SI units; build with ``rules_for``.

    ``loosened`` names the label overrides that are looser than the catalog, with the recorded reason;
    they belong on every message. ``wind_lower_block_m_s`` holds at the nozzle, other winds at 10 m.
    """

    material: str
    profile: str
    fine: bool
    plain_water: bool
    bee_category: BeeCategory
    sulfur_oil: SulfurOil
    conventional: bool
    freeze_gate: bool
    leaf_wet_blocks: bool
    slow_drying_blocks: bool
    drought_sensitive: bool
    dormant_only: bool
    evergreen: bool
    sensitivity: Sensitivity
    drought_unknown_blocks: bool
    hot_dry_blocks: bool
    coarse_step_blocks: bool
    loosened: tuple[tuple[str, str], ...] = ()

    wind_upper_block_m_s: float = _less_is_tighter()
    wind_upper_caution_m_s: float = _less_is_tighter()
    wind_lower_block_m_s: float = _more_is_tighter()
    wind_height_factor: float = _less_is_tighter()
    gust_block_m_s: float = _less_is_tighter()
    gust_caution_m_s: float = _less_is_tighter()
    wind_upper_gust_unknown_m_s: float = _less_is_tighter()
    inversion_before_sunset_h: float = _more_is_tighter()
    inversion_before_sunset_dry_h: float = _more_is_tighter()
    inversion_after_sunrise_h: float = _more_is_tighter()
    inversion_override_wind_m_s: float = _more_is_tighter()
    inversion_override_cloud_tenths: float = _more_is_tighter()
    inversion_override_ceiling_m: float = _less_is_tighter()
    stability_block_class: float = _less_is_tighter()
    stability_caution_class: float = _less_is_tighter()
    wet_bulb_depression_block_c: float = _less_is_tighter()
    wet_bulb_depression_caution_c: float = _less_is_tighter()
    wet_bulb_depression_low_c: float = _more_is_tighter()
    hot_dry_humidity_pct: float = _more_is_tighter()
    hot_dry_temperature_c: float = _less_is_tighter()
    rain_now_block_mm: float = _less_is_tighter()
    rain_free_h: float = _more_is_tighter()
    rain_ahead_amount_mm: float = _less_is_tighter()
    rain_ahead_amount_chance_unknown_mm: float = _less_is_tighter()
    rain_ahead_chance_block_pct: float = _less_is_tighter()
    rain_ahead_chance_caution_pct: float = _less_is_tighter()
    rain_caution_time_h: float = _more_is_tighter()
    leaf_wet_humidity_pct: float = _less_is_tighter()
    leaf_wet_dew_point_depression_c: float = _more_is_tighter()
    leaf_wet_rain_time_h: float = _more_is_tighter()
    heat_block_c: float = _less_is_tighter()
    heat_sun_block_c: float = _less_is_tighter()
    heat_sun_caution_c: float = _less_is_tighter()
    heat_shade_caution_c: float = _less_is_tighter()
    heat_horizon_h: float = _more_is_tighter()
    sun_cloud_pct: float = _more_is_tighter()
    cold_block_c: float = _more_is_tighter()
    cold_caution_c: float = _more_is_tighter()
    freeze_deciduous_c: float = _more_is_tighter()
    freeze_evergreen_c: float = _more_is_tighter()
    freeze_block_time_h: float = _more_is_tighter()
    freeze_caution_time_h: float = _more_is_tighter()
    bee_flight_temperature_c: float = _less_is_tighter()
    crew_start: float = _more_is_tighter()
    crew_end: float = _less_is_tighter()
    noise_start: float = _more_is_tighter()
    noise_end: float = _less_is_tighter()
    reapply_d: float = _more_is_tighter()
    season_max: float = _less_is_tighter()
    group_uses_in_a_row: float = _less_is_tighter()
    contact_review_d: float = _less_is_tighter()
    sulfur_oil_gap_d: float = _more_is_tighter()
    sulfur_oil_caution_d: float = _more_is_tighter()
    patch_test_wait_h: float = _more_is_tighter()
    scale_temperature_c: float = _less_is_tighter()
    scale_wind_m_s: float = _less_is_tighter()
    scale_gust_m_s: float = _less_is_tighter()
    scale_wet_bulb_depression_c: float = _less_is_tighter()
    scale_clock_h: float = _less_is_tighter()


SIGNS: Mapping[str, float] = {f.name: f.metadata["sign"] for f in fields(SprayRules) if "sign" in f.metadata}
"""Limits that a label may override: 1 where less is tighter, -1 where more is."""

MATERIAL_LIMITS = frozenset({
    "rain_free_h", "heat_block_c", "cold_block_c", "cold_caution_c", "reapply_d", "season_max",
    "patch_test_wait_h",
})  # fmt: skip
"""Limits that differ from material to material."""

_SUFFIXES = {"m/s": "_m_s", "degC": "_c", "h": "_h", "%": "_pct", "mm": "_mm", "d": "_d", "m": "_m",
             "tenths": "_tenths", "1": "", "local hour": "", "count": ""}  # fmt: skip


def rules_for(
    material: str,
    profile: str = "default",
    method: str = "hand",
    plant_groups: Sequence[str] = (),
    overrides: Mapping[str, float] | None = None,
    reasons: Mapping[str, str] | None = None,
) -> SprayRules:
    """Rules of one material, profile and method for a set of plant groups.

    Parameters
    ----------
    material : str
        Key of the material catalog.
    profile : str
        ``default`` or ``strict``.
    method : str
        ``hand`` (coarse drops) or ``mist-blower`` (fine drops).
    plant_groups : sequence of str
        Keys of the plant catalog; the most sensitive plant decides.
    overrides : mapping of str to float, optional
        Label limits by name of the rule (see ``SIGNS``). ``soap.heat_block_c`` holds for one material
        only. A name without material that differs between materials is read as a site's own bound:
        the stricter of it and the catalog holds.
    reasons : mapping of str to str, optional
        The recorded reason of each override that is looser than the catalog.

    Raises
    ------
    ValueError
        On an unknown name, an impossible value, or a looser limit without a recorded reason.
    """
    group = _known(load_materials(), material, "material")
    limits = _known(load_limits(), profile, "profile")
    if method not in METHODS:
        raise ValueError(f"method: {method!r} is not known; use one of {', '.join(METHODS)}")
    plants = {key: _known(load_plants(), key, "plant_groups") for key in plant_groups}
    values = _values(group, limits, profile == "strict")
    if method == FINE_METHOD:
        values["stability_block_class"] = min(
            values["stability_block_class"], float(limits.stability_block_class_fine)
        )
    rules = SprayRules(
        material=material,
        profile=profile,
        fine=method == FINE_METHOD,
        plain_water=group.kind is MaterialKind.WATER,
        bee_category=group.bee_category,
        sulfur_oil=group.sulfur_oil,
        conventional=group.kind is MaterialKind.CONVENTIONAL and bool(group.irac),
        freeze_gate=group.freeze_gate,
        leaf_wet_blocks=group.leaf_wet_blocks,
        slow_drying_blocks=group.slow_drying_blocks or method == FINE_METHOD,
        drought_sensitive=group.drought_sensitive,
        dormant_only=group.dormant_only,
        evergreen=any(plant.evergreen for plant in plants.values()),
        sensitivity=max((sensitivity(material, key) for key in plants), default=Sensitivity.NONE),
        drought_unknown_blocks=limits.drought_unknown_blocks,
        hot_dry_blocks=limits.hot_dry_blocks_hand or method == FINE_METHOD,
        coarse_step_blocks=limits.coarse_step_blocks,
        **values,  # type: ignore[arg-type]  # names of float fields only, checked in tests
    )
    return _overridden(rules, overrides or {}, reasons or {}, float(limits.sulfur_oil_gap_floor))


def sensitivity(material: str, plant_group: str) -> Sensitivity:
    """Return what a plant group stands of a material. Raises ValueError on an unknown key."""
    group = _known(load_materials(), material, "material")
    plant: HostPlant = _known(load_plants(), plant_group, "plant_groups")
    if material in plant.avoid:
        return Sensitivity.AVOID
    if material in plant.watch or (plant.glaucous and group.glaucous_caution):
        return Sensitivity.WATCH
    return Sensitivity.NONE


def check_overrides(
    overrides: Mapping[str, float],
    profile: str = "default",
    method: str = "hand",
    reasons: Mapping[str, str] | None = None,
) -> None:
    """Refuse label limits that ``rules_for`` would refuse for any material; for use where they are entered.

    Raises
    ------
    ValueError
        Naming the limit and what is wrong with it.
    """
    for material in load_materials():
        rules_for(material, profile, method, (), overrides, reasons)


def figure_of(name: str, material: str, profile: str = "default") -> Figure | None:
    """Return the catalog figure behind a rule, with its source; None if the material has no such limit.

    Raises
    ------
    ValueError
        On an unknown name, material or profile.
    """
    group, limits = _known(load_materials(), material, "material"), _known(load_limits(), profile, "profile")
    if name not in SIGNS:
        raise ValueError(f"{name}: no such limit; use one of {', '.join(sorted(SIGNS))}")
    figures = _figures_of_material(group, profile == "strict")
    return figures[name] if name in figures else _general_figures(limits)[name]


def _known(catalog: Mapping[str, Entry], key: str, what: str) -> Entry:
    if key not in catalog:
        raise ValueError(f"{what}: {key!r} is not in the catalog; use one of {', '.join(sorted(catalog))}")
    return catalog[key]


def _general_figures(limits: SprayLimits) -> dict[str, Figure]:
    figures = {}
    for item in fields(SprayLimits):
        figure = getattr(limits, item.name)
        if isinstance(figure, Figure) and item.name + _SUFFIXES[figure.unit] in SIGNS:
            figures[item.name + _SUFFIXES[figure.unit]] = figure
    return figures


def _figures_of_material(group: MaterialGroup, strict: bool) -> dict[str, Figure | None]:
    return {
        "rain_free_h": (group.rain_free_strict if strict else None) or group.rain_free,
        "heat_block_c": group.heat_block,
        "cold_block_c": (group.cold_block_strict if strict else None) or group.cold_block,
        "cold_caution_c": group.cold_caution,
        "reapply_d": group.reapply,
        "season_max": group.season_max,
        "patch_test_wait_h": group.patch_test,
    }


_WITHOUT_LIMIT = {
    "rain_free_h": 0.0, "heat_block_c": math.inf, "cold_caution_c": -math.inf, "season_max": math.inf,
    "patch_test_wait_h": 0.0,
}  # fmt: skip


def _values(group: MaterialGroup, limits: SprayLimits, strict: bool) -> dict[str, float]:
    figures = {**_general_figures(limits), **_figures_of_material(group, strict)}
    return {
        name: _WITHOUT_LIMIT[name] if figure is None else float(figure) for name, figure in figures.items()
    }


def _overridden(
    rules: SprayRules, overrides: Mapping[str, float], reasons: Mapping[str, str], gap_floor_d: float
) -> SprayRules:
    values: dict[str, float] = {}
    loosened = []
    for key, value in overrides.items():
        material, _, name = key.rpartition(".")
        _check_override(key, material, name, value, gap_floor_d)
        if material not in ("", rules.material):
            continue
        looser = (value - getattr(rules, name)) * SIGNS[name] > 0.0
        if looser and not reasons.get(key, "").strip():
            if not material and name in MATERIAL_LIMITS:
                continue
            raise ValueError(
                f"{key}: {value} is looser than the catalog's {getattr(rules, name)}; "
                "a label limit may only tighten it unless a reason is recorded"
            )
        if looser:
            loosened.append((key, reasons[key].strip()))
        values[name] = value
    return replace(rules, **values, loosened=tuple(loosened)) if values else rules  # type: ignore[arg-type]  # names are checked


def _check_override(key: str, material: str, name: str, value: float, gap_floor_d: float) -> None:
    if material:
        _known(load_materials(), material, key)
    if name not in SIGNS or name.startswith("scale_"):
        raise ValueError(f"{key}: no such limit; use one of {', '.join(sorted(SIGNS))}")
    if not math.isfinite(value):
        raise ValueError(f"{key}: {value} is not a number")
    if name == "sulfur_oil_gap_d" and value < gap_floor_d:
        raise ValueError(f"{key}: {value} d; no source allows less than {gap_floor_d:g} d")
