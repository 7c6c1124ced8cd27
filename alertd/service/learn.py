"""Learning how chances are to be corrected, from what became of them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable

import numpy as np

from alertd.catalog.chance import load_chance
from alertd.records.site import Site
from alertd.records.skill import LearntCorrection
from alertd.science.chance import Calibration, fit_calibration
from alertd.service.cases import SPELL_HELD, WINDOW_HELD, Case
from alertd.service.skill import Skills
from alertd.service.verify import Verifier

LEARNED_FROM = dt.timedelta(days=30)
"""Days of chances that a correction is learned from."""
LEARNED_AT_ONCE = 10
"""Sites that are learned from in one go."""
KEPT = dt.timedelta(days=400)
"""How long what was learnt is kept for looks back; long since out of use by then."""


def learn(
    verifier: Verifier,
    skills: Skills,
    sites: Iterable[Site],
    now: dt.datetime,
    *,
    at_once: int = LEARNED_AT_ONCE,
    stopping: Callable[[], bool] = lambda: False,
) -> int:
    """Learn the corrections of chances from what became of them, of the sites that are due.

    It takes a second or two a site, so that only some are taken at once. Returns how many were.
    """
    since = now - LEARNED_FROM
    done = 0
    for site in skills.due(sites, now)[:at_once]:
        if stopping():
            return done
        # The raw chances: a correction learned from corrected ones would correct twice.
        skill = skills.raw([site], since)[site.id]
        cases = verifier.record(site, since.date(), now, skill).cases
        windows, spells = told_chances(cases, WINDOW_HELD), told_chances(cases, SPELL_HELD)
        skills.correct(
            LearntCorrection(
                site_id=site.id,
                learnt_at=now,
                windows=calibration_of(windows),
                spells=calibration_of(spells),
                window_pairs=len(windows),
                spell_pairs=len(spells),
            )
        )
        done += 1
    if done:
        skills.forget(now - KEPT)
    return done


def told_chances(cases: Iterable[Case], event: str) -> list[tuple[float, bool]]:
    """Return the chances told of one event, each with whether it came."""
    return [(case.chance, case.came) for case in cases if case.event == event and case.chance is not None]


def calibration_of(pairs: Iterable[tuple[float, bool]]) -> Calibration | None:
    """Return the correction that verified chances ask for; None with too few."""
    told = list(pairs)
    return fit_calibration(
        np.array([chance for chance, _ in told], dtype=float),
        np.array([came for _, came in told], dtype=float),
        cases_min=int(float(load_chance().calibration_cases)),
    )
