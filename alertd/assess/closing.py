"""Closing finished days: what is carried into the season once nothing later is likely to change them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import repeat

import numpy as np

from alertd.assess import plantings, spell
from alertd.assess.batch import Batch
from alertd.assess.daily import Daily
from alertd.assess.mites import MiteSeason
from alertd.assess.plantings import Account
from alertd.assess.spell import Spells
from alertd.assess.stretch import Stretch
from alertd.records.assessment import Level
from alertd.records.bulk import many
from alertd.records.season import HISTORY_COLUMNS, HISTORY_DAYS, SeasonState, SpeciesSeason
from alertd.science.arrays import IntArray as Ints

SETTLE_H = 3
"""Hours after local midnight before a day is closed: late observations still count."""
GIVE_UP_H = 72
"""Hours after which a day is closed with what is known of it, be it only a forecast.

As long as the axis looks back anyway: waiting costs nothing.
"""


@dataclass(frozen=True, slots=True)
class Folded:
    """Everything that was worked out for the days of a batch."""

    batch: Batch
    daily: Daily
    stretch: Stretch
    seasons: Sequence[MiteSeason]
    account: Account
    spells: Spells


def new_seasons(folded: Folded) -> list[SeasonState]:
    """Return the new season of each site where a day could be closed."""
    closed = _closable(folded.batch, folded.daily)
    states: dict[int, SeasonState] = {}
    for many_days in np.unique(closed[closed > 0]).tolist():
        rows = np.flatnonzero(closed == many_days)
        last = folded.batch.first_new + many_days - 1
        states.update(zip(rows.tolist(), _states(folded, rows, last), strict=True))
    return [states[row] for row in sorted(states)]


def _closable(batch: Batch, daily: Daily) -> Ints:
    """Return how many days from the first new one on can be closed on each site."""
    finished = slice(batch.first_new, batch.today)
    ends = batch.local.starts[finished] + batch.local.lengths[finished]
    age_h = (batch.now - batch.start_at).total_seconds() / 3600.0 - ends
    ready = (age_h >= SETTLE_H) & ((age_h >= GIVE_UP_H) | daily.settled[:, finished])
    return np.asarray(np.logical_and.accumulate(ready, axis=1).sum(axis=1), dtype=np.int64)


def _states(folded: Folded, rows: Ints, last: int) -> list[SeasonState]:
    """Return the season of each site at the end of the batch's day ``last``."""
    batch, stretch = folded.batch, folded.stretch
    at = stretch.first_new + last - batch.first_new
    window = slice(at - HISTORY_DAYS + 1, at + 1)
    history = np.stack([stretch[name][rows, window] for name in HISTORY_COLUMNS], axis=2).tolist()
    species = _species(folded, at)
    beds = _beds(folded, last)
    of_site = [beds.get(row, ({}, {}, {})) for row in rows.tolist()]
    in_spell = folded.spells.levels[:, at] > int(Level.NONE)
    return many(
        SeasonState,
        site_id=[batch.members[row].site.id for row in rows.tolist()],
        day=repeat(batch.local.days[last]),
        made_at=repeat(batch.now),
        species=[species.get(row, {}) for row in rows.tolist()],
        depletion_mm=[depletion for depletion, _, _ in of_site],
        last_wetting_day=[wettings for _, wettings, _ in of_site],
        history=[tuple(map(tuple, days)) for days in history],
        account_since=[since for _, _, since in of_site],
        spell=[
            spell.so_far(batch, stretch, folded.spells, row, at) if in_spell[row] else ()
            for row in rows.tolist()
        ],
    )


def _beds(folded: Folded, last: int) -> dict[int, tuple[dict[str, float], dict[str, str], dict[str, str]]]:
    """Return depletion, last wetting and start of the account by planting, by row of the site.

    What is not known is left out, and so is the start of an account that is no longer young.
    """
    batch, account = folded.batch, folded.account
    day = batch.local.days[last]
    found: dict[int, tuple[dict[str, float], dict[str, str], dict[str, str]]] = {}
    for row, planting, depletion, wet, began in zip(
        account.roots.site_row.tolist(),
        account.roots.plantings,
        account.depletion_mm[:, last].tolist(),
        plantings.last_wettings(batch, account, last),
        account.roots.since,
        strict=True,
    ):
        if row not in found:
            found[row] = ({}, {}, {})
        depletions, wettings, since = found[row]
        if not math.isnan(depletion):
            depletions[planting.id] = depletion
        if wet is not None:
            wettings[planting.id] = wet.isoformat()
        if began is not None and plantings.still_young(began, day):
            since[planting.id] = began.isoformat()
    return found


def _species(folded: Folded, at: int) -> dict[int, dict[str, SpeciesSeason]]:
    """Return the species of each site, by its row, at the end of day ``at`` of the stretch."""
    found: dict[int, dict[str, SpeciesSeason]] = {}
    for season in folded.seasons:
        stages = season.stages[:, at - folded.stretch.first_new + 1]
        kept = many(
            SpeciesSeason,
            degree_days_c_d=season.degree_days[:, at].tolist(),
            generations=season.generations[:, at].tolist(),
            phase=season.phase[:, at].tolist(),
            growth=map(tuple, season.growth[:, at - HISTORY_DAYS + 1 : at + 1].tolist()),
            stages=[tuple(row) if any(row) else () for row in stages.tolist()],
        )
        for row, one in zip(season.rows.tolist(), kept, strict=True):
            found.setdefault(row, {})[season.species] = one
    return found
