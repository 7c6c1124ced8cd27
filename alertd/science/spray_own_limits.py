"""A site's own limits: what may be set, between which bounds, and what is said of one that is looser."""

from __future__ import annotations

import typing
from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from typing import Any

from alertd.catalog.limits import SprayLimits
from alertd.catalog.loader import Between
from alertd.catalog.materials import MaterialGroup, load_materials
from alertd.science.spray_rules import MATERIAL_LIMITS, SIGNS, SprayRules, figure_of

_MATERIAL_FIELDS = {name: name.rpartition("_")[0] for name in MATERIAL_LIMITS} | {
    "season_max": "season_max",
    "patch_test_wait_h": "patch_test",
}
_SUFFIXES = ("_m_s", "_mm", "_pct", "_tenths", "_c", "_h", "_d", "_m")
_WORDS = {"degC": "degC", "m/s": "m/s", "mm": "mm", "h": "hours", "%": "%", "d": "days", "m": "m"}
_WORDS |= {"tenths": "tenths", "local hour": "o'clock"}


@cache
def settable() -> Mapping[str, Between]:
    """Return the limits that a site may set for itself, each with its bounds and unit."""
    general = typing.get_type_hints(SprayLimits, include_extras=True)
    special = typing.get_type_hints(MaterialGroup, include_extras=True)
    found = {}
    for name in sorted(SIGNS):
        if name.startswith("scale_"):
            continue  # no limits, but the yardstick of their distance
        hint = special[_MATERIAL_FIELDS[name]] if name in MATERIAL_LIMITS else general[_field(name)]
        found[name] = _bounds(hint)
    return found


def _field(name: str) -> str:
    (found,) = (item.name for item in fields(SprayLimits) if item.name in (name, limit_key(name)))
    return found


def _bounds(hint: Any) -> Between:
    """Return the bounds in a declared type, however it is wrapped."""
    for part in typing.get_args(hint):
        if isinstance(part, Between):
            return part
        if typing.get_args(part):
            return _bounds(part)
    raise TypeError(f"{hint} has no bounds")


def limit_key(name: str) -> str:
    """Return the name of a limit without its unit."""
    return next((name.removesuffix(end) for end in _SUFFIXES if name.endswith(end)), name)


def limit_words(name: str, value: float) -> str:
    """Return a limit in words, such as ``heat block 32 degC``."""
    return f"{limit_key(name).replace('_', ' ')} {amount(name, value)}"


def amount(name: str, value: float) -> str:
    """Return the value of a limit with its unit; a difference of temperatures is no temperature."""
    unit = settable()[name].unit
    words = "Celsius degrees" if unit == "degC" and "depression" in name else _WORDS.get(unit, "")
    return f"{round(value, 2):g} {words}".strip()


def loosened_words(rules: SprayRules) -> tuple[str, ...]:
    """Return what is to be said of every limit that is looser than the catalog's, with its reason."""
    said = []
    for key, reason in rules.loosened:
        name = key.rpartition(".")[2]
        usual = figure_of(name, rules.material, rules.profile)
        instead = "" if usual is None else f" instead of {amount(name, float(usual))}"
        said.append(f"{limit_words(name, getattr(rules, name))}{instead} ({reason})")
    return tuple(said)


def usual(name: str, material: str, profile: str) -> float | None:
    """Return what the catalog says, of every material where ``material`` is empty and they agree."""
    materials = [material] if material else list(load_materials())
    figures = {None if (f := figure_of(name, key, profile)) is None else float(f) for key in materials}
    return figures.pop() if len(figures) == 1 else None
