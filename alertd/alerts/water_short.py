"""Plants short of water: plantings stressed now or within days, new plantings past their interval."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator

from alertd.alerts import evidence
from alertd.alerts.kind import Kind, Sight
from alertd.alerts.machine import Finding
from alertd.catalog.water import load_water_rules
from alertd.records.alert import Alert, AlertKind
from alertd.records.assessment import Level, WaterState, WaterStatus
from alertd.records.evidence import RuleEvidence, ShortEvidence
from alertd.records.site import Irrigation, Planting


def find(sight: Sight) -> Iterator[Finding]:
    """Yield which plantings are short; one more is news, one fewer is not.

    Off limits: a planting that was named stays in question until its account is well again, and an
    account that is not known clears nothing.
    """
    plantings = {planting.id: planting for planting in sight.site.plantings}
    known = [(plantings[one.planting_id], one) for one in sight.assessment.water]
    short = [(planting, one) for planting, one in known if _is_short(planting, one, sight)]
    named = {text for text in sight.announced(AlertKind.WATER_SHORT).split(",") if text}
    lingering = [one for _, one in known if one.planting_id in named and one.state != WaterState.OK]
    found = evidence.growing(sight)
    found["closed_because"] = "The plants have water again by the soil account."
    found["short"] = [_short(planting, one, sight) for planting, one in short]
    found["rule"] = _rule(sight)
    found["clears_when"] = [
        "rain or watering that fills the soil account up again",
        "your own look: soil that feels moist outranks the account",
    ]
    fresh = [planting for planting, _ in short if planting.id not in named]
    found["changes"] = [f"Short of water now as well: {evidence.plant_label(one)}." for one in fresh]
    yield Finding(
        AlertKind.WATER_SHORT,
        "",
        max((_level(planting, one, sight) for planting, one in short), default=Level.NONE),
        found,
        held=Level.WATCH if lingering else Level.NONE,
        news=",".join(sorted(named | {planting.id for planting, _ in short})),
    )


def _is_short(planting: Planting, one: WaterStatus, sight: Sight) -> bool:
    if one.state == WaterState.STRESSED:
        return True
    if one.state == WaterState.UNKNOWN or one.stressed_on is None or not _accounted(planting):
        return False
    return one.stressed_on <= sight.today + dt.timedelta(days=float(sight.policy.water_short.ahead))


def _accounted(planting: Planting) -> bool:
    """Return whether all the water that the planting gets is in the account."""
    dry = planting.irrigation in (Irrigation.NONE, Irrigation.RESTRICTED)
    return dry or planting.irrigation_mm_per_week is not None


def _is_new(planting: Planting, sight: Sight) -> bool:
    established_d = float(load_water_rules().new_planting.established_after)
    return planting.planted_on is not None and (sight.today - planting.planted_on).days < established_d


def _level(planting: Planting, one: WaterStatus, sight: Sight) -> Level:
    """Return high for a new planting without water, which can die of it; watch for any other."""
    return (
        Level.HIGH if one.state == WaterState.STRESSED and _is_new(planting, sight) else Level.WATCH
    )  # fmt: skip


def _short(planting: Planting, one: WaterStatus, sight: Sight) -> ShortEvidence:
    ahead = one.state != WaterState.STRESSED and one.stressed_on is not None
    return ShortEvidence(
        plant=evidence.plant_label(planting),
        new_planting=_is_new(planting, sight),
        stressed_on=one.stressed_on.isoformat() if ahead and one.stressed_on is not None else None,
        refill_mm=0.0 if math.isnan(one.depletion_mm) else round(one.depletion_mm, 1),
        reason=one.reason,
    )


def _rule(sight: Sight) -> RuleEvidence:
    share = load_water_rules().stressed_share
    return RuleEvidence(
        name="water-short",
        text=(
            f"the readily available water in the root zone is used up, or will be within "
            f"{float(sight.policy.water_short.ahead):g} days; or a new planting has gone longer without "
            "known water than it should"
        ),
        source=share.source,
        status=str(share.status),
        figures={"stressed_share": float(share), "ahead_d": float(sight.policy.water_short.ahead)},
    )


def _mention(alert: Alert) -> str:
    plants = [one["plant"] for one in alert.evidence.get("short", [])]
    more = f" and {len(plants) - 3} more" if len(plants) > 3 else ""
    return f"Short of water: {', '.join(plants[:3])}{more}."


KIND = Kind(AlertKind.WATER_SHORT, find, _mention, "the plants have water again")
