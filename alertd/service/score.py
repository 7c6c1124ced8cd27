"""How good warnings, windows and chances were, of one site and of all: scores of verified cases."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from alertd.catalog.chance import load_chance
from alertd.science.score import (
    Brier,
    Contingency,
    Reliability,
    brier_decomposition,
    contingency,
    reliability,
)
from alertd.service.cases import EVENTS, Case
from alertd.service.verify import Record

EDGES = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)
"""Classes of the reliability table."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Scores of one event. ``enough`` says whether there are enough cases to judge by."""

    event: str
    table: Contingency
    brier: Brier | None
    classes: Reliability | None
    by_lead: tuple[tuple[int, int, int], ...]
    enough: bool


@dataclass(frozen=True, slots=True)
class Scores:
    """Scores of one site, or of all; ``leads_d`` are the days by which spells that came were foreseen."""

    site_id: str | None
    name: str
    mornings: int
    verdicts: tuple[Verdict, ...]
    spells_came: int
    leads_d: tuple[int, ...]


def scores(records: Sequence[Record], lead_d: int | None = None) -> list[Scores]:
    """Return the scores of each site and, where there are several, of all together, last.

    ``lead_d`` keeps only the cases of that lead time in days.
    """
    found = [_scored(one.site.id, one.site.name, [one], lead_d) for one in records]
    if len(records) > 1:
        found.append(_scored(None, "all sites", records, lead_d))
    return found


def _scored(site_id: str | None, name: str, records: Sequence[Record], lead_d: int | None) -> Scores:
    cases = [case for one in records for case in one.cases if lead_d is None or case.lead_d == lead_d]
    return Scores(
        site_id=site_id,
        name=name,
        mornings=sum(one.mornings for one in records),
        verdicts=tuple(_verdict(event, [case for case in cases if case.event == event]) for event in EVENTS),
        spells_came=sum(one.spells_came for one in records),
        leads_d=tuple(lead for one in records for lead in one.leads_d),
    )


def _verdict(event: str, cases: Sequence[Case]) -> Verdict:
    came = np.array([case.came for case in cases], dtype=float)
    table = contingency(np.array([case.warned for case in cases], dtype=float), came)
    chances = np.array([math.nan if case.chance is None else case.chance for case in cases], dtype=float)
    told = not np.isnan(chances).all() if len(cases) else False
    leads = sorted({case.lead_d for case in cases})
    return Verdict(
        event=event,
        table=table,
        brier=brier_decomposition(chances, came, EDGES) if told else None,
        classes=reliability(chances, came, EDGES) if told else None,
        by_lead=tuple(
            (lead, sum(c.lead_d == lead for c in cases), sum(c.came for c in cases if c.lead_d == lead))
            for lead in leads
        ),
        enough=len(cases) >= float(load_chance().score_cases),
    )
