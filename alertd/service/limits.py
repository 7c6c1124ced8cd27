"""A site's own spraying limits, from the label in hand: checked where they are set, told where they hold."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from alertd.catalog.materials import load_materials
from alertd.errors import InputError
from alertd.records.site import Site
from alertd.science.spray import SprayRules, check_overrides, rules_for
from alertd.science.spray_own_limits import amount, limit_key, limit_words, settable, usual
from alertd.service.places import nearest
from alertd.units import fahrenheit_to_celsius, feet_to_metres, inches_to_mm, km_h_to_m_s, mph_to_m_s

EVERY_MATERIAL = "all"
REASON_LENGTH_MIN, REASON_LENGTH_MAX = 8, 160
_VALUE = re.compile(r"([+-]?\d{1,6}(?:\.\d{1,6})?)\s*([a-z/%°]*)")
_READ: Mapping[str, Mapping[str, Callable[[float], float]]] = {
    "degC": {"c": float, "degc": float, "°c": float, "f": fahrenheit_to_celsius, "°f": fahrenheit_to_celsius},
    "m/s": {"m/s": float, "mph": mph_to_m_s, "km/h": km_h_to_m_s},
    "mm": {"mm": float, "in": inches_to_mm},
    "m": {"m": float, "ft": feet_to_metres},
    "h": {"h": float},
    "d": {"d": float},
    "%": {"%": float},
}


@dataclass(frozen=True, slots=True)
class OwnLimit:
    """One limit of a site: what it says, what the catalog says, and whether it is the looser one."""

    key: str
    material: str
    name: str
    value: float
    words: str
    usual: float | None
    usual_words: str
    looser: bool
    reason: str


def own_limits(site: Site) -> list[OwnLimit]:
    """Return the limits of a site by material and name; one that cannot be used is told as it stands."""
    return [_own(site, key, value) for key, value in sorted(site.limits.items())]


def _own(site: Site, key: str, value: float) -> OwnLimit:
    material, _, name = key.rpartition(".")
    known = name in settable() and (not material or material in load_materials())
    catalog = usual(name, material, str(site.profile)) if known else None
    return OwnLimit(
        key=key,
        material=material or EVERY_MATERIAL,
        name=name,
        value=value,
        words=limit_words(name, value) if known else f"{name} {value:g}",
        usual=catalog,
        usual_words="" if catalog is None else amount(name, catalog),
        looser=known and key in _loosened(site),
        reason=site.limit_reasons.get(key, ""),
    )


def limit_line(one: OwnLimit) -> str:
    """Return a limit in one line, such as ``heat block 29 degC instead of 29.4 degC (soap)``."""
    instead = f" instead of {one.usual_words}" if one.usual_words else ""
    why = f", looser: {one.reason}" if one.looser else ""
    return f"{one.words}{instead} ({one.material}{why})"


def _loosened(site: Site) -> set[str]:
    """Return the keys that are looser than the catalog for some material."""
    found: set[str] = set()
    for material in load_materials():
        try:
            rules = _rules(site, material)
        except ValueError:
            continue
        found |= {key for key, _ in rules.loosened}
    return found


def _rules(site: Site, material: str) -> SprayRules:
    return rules_for(material, str(site.profile), str(site.method), (), site.limits, site.limit_reasons)


def with_limit(site: Site, material: str, name: str, text: str, reason: str = "") -> Site:
    """Return the site with one limit set, for one material or for ``all``.

    ``name`` may leave out its unit; ``text`` is a number in the unit of the limit, or with a unit that the
    trade uses (85F, 8mph, 0.1in). Raises InputError naming what is wrong and the fix, such as a looser
    limit without a reason.
    """
    key = limit_key_of(material, name)
    value = _value(key.rpartition(".")[2], text)
    reasons = {other: why for other, why in site.limit_reasons.items() if other != key}
    why = " ".join(reason.split())
    if why:
        reasons[key] = _checked_reason(why)
    wanted = replace(site, limits={**site.limits, key: value}, limit_reasons=reasons)
    checked_limits(wanted)
    if why and key not in _loosened(wanted):
        # A reason is shown with looser limits only; one that will never be shown is not kept.
        return replace(wanted, limit_reasons={k: v for k, v in reasons.items() if k != key})
    return wanted


def without_limit(site: Site, material: str, name: str) -> Site:
    """Return the site without one of its own limits. Raises InputError if it has no such limit."""
    key = limit_key_of(material, name)
    if key not in site.limits:
        own = ", ".join(f"{one.material} {one.name}" for one in own_limits(site)) or "none"
        raise InputError("limit", f"{site.name!r} has no limit {name!r} for {material}; its own: {own}")
    return replace(
        site,
        limits={other: value for other, value in site.limits.items() if other != key},
        limit_reasons={other: why for other, why in site.limit_reasons.items() if other != key},
    )


def checked_limits(site: Site) -> Site:
    """Return the site. Raises InputError naming the first limit that cannot be used with its settings.

    A limit that tightens one profile may be looser than another: they are checked whenever a site changes.
    """
    try:
        check_overrides(site.limits, str(site.profile), str(site.method), site.limit_reasons)
    except ValueError as error:
        told = str(error)
        if "unless a reason" in told:
            key = told.partition(":")[0]
            raise InputError(
                "limit",
                f"{_looser(site, key)}; a label may only tighten it, unless you record why with --reason, "
                "which stands on every message then",
            ) from error
        raise InputError("limit", told) from error
    return site


def _looser(site: Site, key: str) -> str:
    """Return in words which limit is looser than what, for the first material that says so."""
    material, _, name = key.rpartition(".")
    value = site.limits[key]
    for one in [material] if material else list(load_materials()):
        catalog = usual(name, one, str(site.profile))
        try:
            rules_for(one, str(site.profile), str(site.method), (), {key: value})
        except ValueError:
            whose = "" if not material else f" of {one}"
            instead = "" if catalog is None else f" than the usual {amount(name, catalog)}{whose}"
            return f"{limit_words(name, value)} ({name}) is looser{instead} in the {site.profile} profile"
    return f"{limit_words(name, value)} ({name}) is looser than the usual limit"


def limit_key_of(material: str, name: str) -> str:
    """Return the key of a limit as a site keeps it. Raises InputError naming near matches."""
    wanted = material.strip().lower().replace(" ", "_").replace("-", "_")
    if wanted != EVERY_MATERIAL and wanted not in load_materials():
        near = nearest(wanted, sorted(load_materials()))
        hint = f"did you mean {near}?" if near else "`alertd materials` lists them"
        raise InputError("material", f"{material!r} is not in the catalog; {hint}, or use all")
    found = limit_name(name)
    return found if wanted == EVERY_MATERIAL else f"{wanted}.{found}"


def limit_name(name: str) -> str:
    """Return the full name of a limit, typed with or without its unit. Raises InputError."""
    plain = name.strip().lower().replace(" ", "_").replace("-", "_")
    by_short = {limit_key(full): full for full in settable()}
    if plain in settable():
        return plain
    if plain in by_short:
        return by_short[plain]
    near = nearest(plain, sorted(by_short))
    hint = f"did you mean {near}?" if near else "`alertd site limit fields` lists them"
    raise InputError("field", f"{name!r} is no limit; {hint}")


def _value(name: str, text: str) -> float:
    bounds = settable()[name]
    found = _VALUE.fullmatch(text.strip().lower())
    readers = _READ.get(bounds.unit, {})
    if found is None or (found[2] and found[2] not in readers):
        units = " or ".join(dict.fromkeys(unit for unit in readers if "°" not in unit and unit != "degc"))
        hint = f"a number in {units}" if units else "a number"
        raise InputError("value", f"{text!r} cannot be read; give {hint} for {name}")
    number = float(found[1])
    if found[2] and "depression" in name and found[2] in ("f", "°f"):
        value = number / 1.8  # a difference of temperatures, so without the offset of 32
    else:
        value = readers[found[2]](number) if found[2] else number
    if not (math.isfinite(value) and bounds.low <= value <= bounds.high):
        raise InputError(
            "value",
            f"{text.strip()} is impossible for {name}; keep it within {amount(name, bounds.low)} "
            f"to {amount(name, bounds.high)}",
        )
    return round(value, 4)


def _checked_reason(why: str) -> str:
    if not why.isprintable() or not REASON_LENGTH_MIN <= len(why) <= REASON_LENGTH_MAX:
        raise InputError(
            "reason",
            f"give one line of {REASON_LENGTH_MIN} to {REASON_LENGTH_MAX} characters, "
            "as --reason 'label of 2026: may be used up to 32 degC'",
        )
    return why
