"""Spray windows and blackout reasons of the materials that each site has chosen."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import compress, islice, pairwise, repeat
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch
from alertd.assess.spray_hours import judged_hours as judged_hours  # asked for here by its callers
from alertd.catalog.alerts import load_alert_policy
from alertd.records.assessment import MaterialOutlook, SprayWindow, WaterStatus
from alertd.records.bulk import many
from alertd.records.site import Site
from alertd.science.arrays import BoolArray as Flags
from alertd.science.arrays import IntArray as Ints
from alertd.science.spray import (
    REASON_WORDS,
    Reason,
    SharedVerdicts,
    SprayHours,
    SprayRules,
    judge,
    loosened_words,
    reasons_in,
    rules_for,
)
from alertd.science.spray_board import Look
from alertd.science.windows import OpenWindows, commonest, open_windows

AHEAD_D = 7
NAMED_REASONS = 4
EVERY_NIGHT = Reason.OUTSIDE_HOURS | Reason.INVERSION_CLOCK


@dataclass(frozen=True, slots=True)
class _Terms:
    """What decides the rules of a site; sites with the same terms are judged together."""

    profile: str
    method: str
    plants: tuple[str, ...]
    limits: tuple[tuple[str, float], ...]
    reasons: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Runs:
    """Windows under one set of limits: row of the site in the batch, place among those judged, hours.

    ``[start, end)`` counts on the axis of the judged hours, which begins at hour ``first`` of the batch.
    None is shorter than the job.
    """

    row: Ints
    site: Ints
    start: Ints
    end: Ints
    first: int


WindowChances = Callable[[Look, SprayRules, Runs], tuple[list[float | None], list[int]]]
"""Returns, for each window, the chance of its likeliest stretch and the hour at which that begins."""


@dataclass(frozen=True, slots=True)
class Judged:
    """Sites under the same rules, their hours, and the verdicts on the next seven days.

    The hours begin at hour ``first`` of the batch; the ``skipped`` ones before the running hour, and those
    after the seven days, have no verdict.
    """

    rows: Ints
    hours: SprayHours
    first: int
    skipped: int
    rules: dict[str, SprayRules]
    shared: SharedVerdicts


class _Told(NamedTuple):
    """What one verdict says of its sites: columns by window, and lists by site.

    The windows of a site lie at ``bounds[i]:bounds[i + 1]``, ``owner`` tells the site of each.
    """

    owner: list[int]
    bounds: list[int]
    windows: tuple[list[Any], ...]
    block_bits: list[Ints]
    caution_bits: list[Ints]
    main_reasons: list[tuple[str, ...]]


@lru_cache(maxsize=4096)
def _rules(material: str, terms: _Terms) -> SprayRules:
    return rules_for(
        material, terms.profile, terms.method, terms.plants, dict(terms.limits), dict(terms.reasons)
    )


@lru_cache(maxsize=65536)
def _words(bits: int) -> tuple[str, ...]:
    return tuple(REASON_WORDS[reason] for reason in reasons_in(bits))


def material_outlooks(
    batch: Batch,
    water: Sequence[Sequence[WaterStatus]],
    dry: npt.NDArray[np.bool_],
    chances: WindowChances | None = None,
) -> list[tuple[MaterialOutlook, ...]]:
    """Return, for each site, the outlook of each of its materials over the next seven days.

    ``dry`` marks the sites in a hot dry spell, where inversions begin earlier. Materials whose limits
    cannot be used on a site are closed there at every hour, with the fault among the reasons. Without
    ``chances`` windows have none.
    """
    found: list[tuple[MaterialOutlook, ...]] = [()] * len(batch.members)
    every = batch.sites
    for rows in judged_groups(batch):
        sites = [every[row] for row in rows]
        materials = sorted({material for site in sites for material in site.materials})
        rules, faults = _usable_rules(materials, _terms(sites[0]))
        judged = judge_sites(batch, rows, rules, water, dry)
        told = _told(batch, judged, chances)
        hours = judged.shared.block_bits.shape[2]
        made: dict[str, Mapping[int, MaterialOutlook]] = {}
        for material, verdict in zip(rules, judged.shared.verdict_of, strict=True):
            chosen = [i for i, site in enumerate(sites) if material in site.materials]
            outlooks = _outlooks(material, told[verdict], chosen, loosened_words(rules[material]))
            made[material] = dict(zip(chosen, outlooks, strict=True))
        for material, fault in faults.items():
            made[material] = dict.fromkeys(range(len(sites)), _shut(material, fault, hours))
        for i, (row, site) in enumerate(zip(rows.tolist(), sites, strict=True)):
            found[row] = tuple([made[material][i] for material in site.materials])
    return found


def judge_sites(
    batch: Batch,
    rows: Ints,
    rules: dict[str, SprayRules],
    water: Sequence[Sequence[WaterStatus]],
    dry: npt.NDArray[np.bool_],
) -> Judged:
    """Judge the next seven days on sites that share their rules, by material."""
    hours, first = judged_hours(batch, rows, water, dry)
    skipped = batch.now_hour - first
    shared = judge(hours, list(rules.values()), judged=slice(skipped, skipped + AHEAD_D * 24))
    return Judged(rows, hours, first, skipped, rules, shared)


def _usable_rules(materials: Sequence[str], terms: _Terms) -> tuple[dict[str, SprayRules], dict[str, str]]:
    """Return the rules by material, and what is wrong with the limits of the others."""
    rules: dict[str, SprayRules] = {}
    faults: dict[str, str] = {}
    for material in materials:
        try:
            rules[material] = _rules(material, terms)
        except ValueError as error:
            faults[material] = str(error)
    return rules, faults


def _shut(material: str, fault: str, hours: int) -> MaterialOutlook:
    reason = Reason.LIMITS_UNUSABLE
    return MaterialOutlook(
        material=material,
        windows=(),
        block_bits=np.full(hours, int(reason), dtype=np.int64),
        caution_bits=np.zeros(hours, dtype=np.int64),
        main_reasons=(f"{REASON_WORDS[reason]} ({fault})",),
    )


def _terms(site: Site) -> _Terms:
    plants = tuple(sorted({planting.host for planting in site.plantings}))
    limits, reasons = tuple(sorted(site.limits.items())), tuple(sorted(site.limit_reasons.items()))
    return _Terms(str(site.profile), str(site.method), plants, limits, reasons)


def _told(batch: Batch, judged: Judged, chances: WindowChances | None) -> list[_Told]:
    """Return what each verdict says of its sites; weather too old to trust closes every hour."""
    shared = judged.shared
    n_verdicts, n_sites, n_hours = shared.block_bits.shape
    flat = (n_verdicts * n_sites, n_hours)
    bits = shared.block_bits
    # the verdicts were made for this alone, so that they can be written to
    bits[:, _stale(batch, judged.rows)] |= np.uint32(Reason.MISSING_WEATHER)
    blocks, cautions = bits.astype(np.int64), shared.caution_bits.astype(np.int64)
    blocks.setflags(write=False)  # materials share them
    cautions.setflags(write=False)
    by_row = bits.reshape(flat)
    found = open_windows(
        by_row, shared.caution_bits.reshape(flat), shared.margin.reshape(flat), hours_min=_job_h()
    )
    chance, best = _chances(judged, found, chances)
    begins = batch.start_at + dt.timedelta(hours=batch.now_hour)
    clock = [begins + dt.timedelta(hours=hour) for hour in range(n_hours + 1)]
    at = clock.__getitem__
    columns = (
        list(map(at, found.start.tolist())),
        list(map(at, found.end.tolist())),
        list(map(_words, found.closed_bits.tolist())),
        list(map(_words, found.caution_bits.tolist())),
        found.quality.tolist(),
        chance,
        [None if one is None else clock[hour] for one, hour in zip(chance, best, strict=True)],
    )
    owner = (found.row % n_sites).tolist()
    bounds = np.searchsorted(found.row, np.arange(flat[0] + 1)).tolist()
    reasons = _named_reasons(by_row)
    told = []
    for v in range(n_verdicts):
        sites = slice(v * n_sites, (v + 1) * n_sites)
        low, high = bounds[sites.start], bounds[sites.stop]
        told.append(
            _Told(
                owner[low:high],
                [bound - low for bound in bounds[sites.start : sites.stop + 1]],
                tuple(column[low:high] for column in columns),
                list(blocks[v]),
                list(cautions[v]),
                reasons[sites],
            )
        )
    return told


def _job_h() -> int:
    return round(float(load_alert_policy().spray_notice.shortest_window))


def _named_reasons(block_bits: npt.NDArray[np.uint32]) -> list[tuple[str, ...]]:
    """Return the words for the commonest reasons of each row; rows that agree share theirs."""
    bits = commonest(block_bits, most=NAMED_REASONS, aside=EVERY_NIGHT)
    return list(map(_in_words, map(tuple, bits.tolist())))


@lru_cache(maxsize=65536)
def _in_words(bits: tuple[int, ...]) -> tuple[str, ...]:
    return tuple(word for bit in bits for word in _words(bit))


def _chances(
    judged: Judged, found: OpenWindows, chances: WindowChances | None
) -> tuple[list[float | None], list[int]]:
    """Return chance and best start of each window, worked out for one set of limits at a time."""
    if chances is None:
        return [None] * len(found.row), found.start.tolist()
    look = Look(judged.hours)
    rules = list(judged.rules.values())
    verdict, site = np.divmod(found.row, len(judged.rows))
    edges = np.searchsorted(verdict, np.arange(len(judged.shared.block_bits) + 1)).tolist()
    told: list[float | None] = []
    best_starts: list[int] = []
    for v, (low, high) in enumerate(pairwise(edges)):
        if low == high:
            continue
        here = site[low:high]
        start, end = found.start[low:high] + judged.skipped, found.end[low:high] + judged.skipped
        runs = Runs(judged.rows[here], here, start, end, judged.first)
        chance, best_start = chances(look, rules[judged.shared.verdict_of.index(v)], runs)
        told += chance
        best_starts += [hour - judged.skipped for hour in best_start]
    return told, best_starts


def _outlooks(
    material: str, told: _Told, chosen: Sequence[int], loosened: tuple[str, ...]
) -> list[MaterialOutlook]:
    """Return the outlooks of one material on the chosen of the sites, which rise."""
    n_sites = len(told.main_reasons)
    columns: tuple[Iterable[Any], ...] = told.windows
    per_site: list[Iterable[Any]] = [told.block_bits, told.caution_bits, told.main_reasons]
    counts = [high - low for low, high in pairwise(told.bounds)]
    if len(chosen) < n_sites:
        picked = [False] * n_sites
        for i in chosen:
            picked[i] = True
        kept = [picked[i] for i in told.owner]
        columns = tuple(compress(column, kept) for column in columns)
        per_site = [compress(values, picked) for values in per_site]
        counts = [counts[i] for i in chosen]
    start, end, closed_by, within, quality, chance, best_start = columns
    in_turn = iter(
        many(
            SprayWindow,
            material=repeat(material),
            start_at=start,
            end_at=end,
            closed_by=closed_by,
            cautions=within,
            quality=quality,
            chance=chance,
            best_start_at=best_start,
        )
    )
    windows = [tuple(islice(in_turn, count)) for count in counts]
    blocks, cautions, reasons = per_site
    return many(
        MaterialOutlook,
        material=repeat(material),
        windows=windows,
        block_bits=blocks,
        caution_bits=cautions,
        blocked_until=[some[0].start_at if some else None for some in windows],
        main_reasons=reasons,
        loosened=repeat(loosened),
    )


def _stale(batch: Batch, rows: Ints) -> Flags:
    """Return the sites whose weather is too old to be trusted."""
    oldest = batch.now - dt.timedelta(hours=float(load_alert_policy().weather_age.missing_after))
    return np.array([batch.members[row].weather.issued_at <= oldest for row in rows], dtype=np.bool_)


def judged_groups(batch: Batch) -> list[npt.NDArray[np.int64]]:
    """Return the rows of the sites with materials, those under the same rules together."""
    groups: dict[_Terms, list[int]] = {}
    for row, site in enumerate(batch.sites):
        if site.materials:
            groups.setdefault(_terms(site), []).append(row)
    return [np.array(rows, dtype=np.int64) for rows in groups.values()]


def site_rules(site: Site, material: str) -> SprayRules:
    """Return the limits that hold for one material on one site."""
    return _rules(material, _terms(site))
