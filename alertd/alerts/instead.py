"""What can be done while every treatment is blocked: words with the facts behind them."""

from __future__ import annotations

from collections.abc import Iterable

from alertd.catalog.counts import load_counts
from alertd.catalog.figure import Status
from alertd.records.assessment import DayWeather
from alertd.records.evidence import InsteadEvidence

DRY_AIR_KPA = 1.8
"""Above it most of the day the eggs of the common glasshouse predatory mite fail (twice its limit)."""
HOT_DAY_C = 30.0
"""Above it spider mites outgrow that predator."""
FERRERO = "Ferrero et al. 2010, Entomol. Exp. Appl. 135:237-244"


def instead_of_spraying(days: Iterable[DayWeather]) -> list[InsteadEvidence]:
    """Return what no spraying limit stands against, in the order in which to try it."""
    return [_wash(), _water(), _scout(), _prune(), _predators(list(days))]


def _common(name: str, text: str) -> InsteadEvidence:
    return InsteadEvidence(name=name, text=text, status=str(Status.COMMON_PRACTICE), source="common practice")


def _wash() -> InsteadEvidence:
    return _common(
        "Wash.",
        "A strong jet of plain water onto the undersides of the leaves, in the morning so that they dry, "
        "two or three times a week for two weeks. It knocks off all stages, eggs in part. Gently on soft "
        "plants; not in frost, under a watering ban, or within 24 hours after any pesticide.",
    )


def _water() -> InsteadEvidence:
    return _common(
        "Water.",
        "Thirsty plants are hit worse, and watered ones can be treated sooner. Water the roots deeply in the "
        "evening or early morning, mulch, and feel the soil again before any spraying.",
    )


def _scout() -> InsteadEvidence:
    return _common(
        "Scout.",
        "Tap branches now, so that you know on which plants a treatment is needed at all when a window "
        "opens.",
    )


def _prune() -> InsteadEvidence:
    return _common(
        "Prune out.",
        "Cut out the few shoots that are webbed and bronzed, bag them on the spot, clean the tools, and hose "
        "dust off the rest: dust and webbing hinder predators.",
    )


def _predators(days: list[DayWeather]) -> InsteadEvidence:
    """Return the advice on predators; in hot dry air another species than in mild air."""
    share = load_counts().predators.hold_from
    prey = round(1.0 / float(share))
    kept = f"With one predator for {prey} mites wait, do not spray, and look again in a week."
    source = share.source
    if _hot_dry_air(days):
        source = f"{source}; dry air: {FERRERO}"
        choice = (
            "A release now is hard on Phytoseiulus persimilis: its eggs dry out in such air and mites "
            "outgrow it in the heat. The western predatory mite or Stethorus lady beetles bear both better."
        )
    else:
        choice = "A release works best in mild, moist air; ask how long to wait after the last spray."
    return InsteadEvidence(
        name="Predators.", text=f"{kept} {choice}", status=str(share.status), source=source
    )


def _hot_dry_air(days: list[DayWeather]) -> bool:
    ahead = [day for day in days if not day.observed]
    dry = [
        day.vapour_pressure_deficit_max_kpa is not None
        and day.vapour_pressure_deficit_max_kpa > DRY_AIR_KPA
        and day.temperature_max_c is not None
        and day.temperature_max_c > HOT_DAY_C
        for day in ahead
    ]
    return sum(dry) * 2 > len(ahead)
