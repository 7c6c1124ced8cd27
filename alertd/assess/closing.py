"""Closing finished days: what is carried into the season once nothing later is likely to change them."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from alertd.assess import plantings, spell
from alertd.assess.batch import Batch
from alertd.assess.daily import Daily
from alertd.assess.mites import MiteSeason
from alertd.assess.plantings import Account
from alertd.assess.spell import Spells
from alertd.assess.stretch import Stretch
from alertd.records.season import HISTORY_COLUMNS, HISTORY_DAYS, SeasonState, SpeciesSeason

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
    species: dict[int, list[tuple[MiteSeason, int]]] = {}
    for season in folded.seasons:
        for i, row in enumerate(season.rows.tolist()):
            species.setdefault(row, []).append((season, i))
    beds: dict[int, list[int]] = {}
    for i, row in enumerate(folded.account.roots.site_row.tolist()):
        beds.setdefault(row, []).append(i)
    states = []
    for row in range(len(folded.batch.members)):
        closed = _closable(folded.batch, folded.daily, row)
        if closed:
            last = folded.batch.first_new + closed - 1
            states.append(_state(folded, row, last, species.get(row, []), beds.get(row, [])))
    return states


def _closable(batch: Batch, daily: Daily, row: int) -> int:
    """Return how many days from the first new one on can be closed on this site."""
    closed = 0
    for i in range(batch.first_new, batch.today):
        ended = batch.start_at + dt.timedelta(hours=int(batch.local.starts[i] + batch.local.lengths[i]))
        age_h = (batch.now - ended).total_seconds() / 3600.0
        if age_h < SETTLE_H or (age_h < GIVE_UP_H and not daily.settled[row, i]):
            break
        closed += 1
    return closed


def _state(
    folded: Folded, row: int, last: int, species: Sequence[tuple[MiteSeason, int]], beds: Sequence[int]
) -> SeasonState:
    """Return the season at the end of the batch's day ``last``; what no longer grows there is dropped."""
    batch, stretch, account = folded.batch, folded.stretch, folded.account
    at = stretch.first_new + last - batch.first_new
    window = slice(at - HISTORY_DAYS + 1, at + 1)
    history = np.stack([stretch[name][row, window] for name in HISTORY_COLUMNS], axis=1)
    wettings = {_id(account, i): plantings.last_wetting(batch, account, i, last) for i in beds}
    depletion = {_id(account, i): float(account.depletion_mm[i, last]) for i in beds}
    since = {_id(account, i): account.roots.since[i] for i in beds}
    day = batch.local.days[last]
    return SeasonState(
        site_id=batch.members[row].site.id,
        day=day,
        made_at=batch.now,
        species={season.species: _species(season, i, at, stretch.first_new) for season, i in species},
        depletion_mm={key: value for key, value in depletion.items() if not math.isnan(value)},
        last_wetting_day={key: wet.isoformat() for key, wet in wettings.items() if wet is not None},
        history=tuple(map(tuple, history.tolist())),
        account_since={
            key: began.isoformat()
            for key, began in since.items()
            if began is not None and plantings.still_young(began, day)
        },
        spell=spell.so_far(batch, stretch, folded.spells, row, at),
    )


def _id(account: Account, i: int) -> str:
    return account.roots.plantings[i].id


def _species(season: MiteSeason, i: int, at: int, first_new: int) -> SpeciesSeason:
    stages = season.stages[i, at - first_new + 1]
    return SpeciesSeason(
        degree_days_c_d=float(season.degree_days[i, at]),
        generations=float(season.generations[i, at]),
        phase=int(season.phase[i, at]),
        growth=tuple(season.growth[i, at - HISTORY_DAYS + 1 : at + 1].tolist()),
        stages=tuple(stages.tolist()) if stages.any() else (),
    )
