"""Spray windows and blackout reasons of the materials that each site has chosen."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from alertd.assess.batch import Batch
from alertd.assess.spray_hours import judged_hours as judged_hours  # asked for here by its callers
from alertd.catalog.alerts import load_alert_policy
from alertd.records.assessment import MaterialOutlook, SprayWindow, WaterStatus
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


@dataclass(frozen=True, slots=True)
class Runs:
    """Windows under one set of limits: row of the site in the batch, place among those judged, hours.

    ``[start, end)`` counts on the axis of the judged hours, which begins at hour ``first`` of the batch.
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


class _Window(NamedTuple):
    """One window, in hours from the running one on."""

    start: int
    end: int
    closed_by: tuple[str, ...]
    cautions: tuple[str, ...]
    quality: float
    chance: float | None
    best_start: int


class _Found(NamedTuple):
    """What one verdict says of one site."""

    block_bits: Ints
    caution_bits: Ints
    windows: list[_Window]
    main_reasons: tuple[str, ...]


@lru_cache(maxsize=4096)
def _rules(material: str, terms: _Terms) -> SprayRules:
    return rules_for(material, terms.profile, terms.method, terms.plants, dict(terms.limits))


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
        verdict_of = dict(zip(rules, judged.shared.verdict_of, strict=True))
        clock = [
            batch.start_at + dt.timedelta(hours=batch.now_hour + hour)
            for hour in range(judged.shared.block_bits.shape[2] + 1)
        ]
        shut = {material: _shut(material, fault, len(clock) - 1) for material, fault in faults.items()}
        for i, (row, site) in enumerate(zip(rows.tolist(), sites, strict=True)):
            found[row] = tuple([
                shut[material]
                if material in shut
                else _outlook(material, told[verdict_of[material]][i], clock)
                for material in site.materials
            ])  # fmt: skip
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
    return _Terms(str(site.profile), str(site.method), plants, tuple(sorted(site.limits.items())))


def _told(batch: Batch, judged: Judged, chances: WindowChances | None) -> list[list[_Found]]:
    """Return what each verdict says of each site; weather too old to trust closes every hour."""
    shared = judged.shared
    n_verdicts, n_sites, n_hours = shared.block_bits.shape
    flat = (n_verdicts * n_sites, n_hours)
    blocks = shared.block_bits.astype(np.int64)
    blocks[:, _stale(batch, judged.rows)] |= np.int64(Reason.MISSING_WEATHER)
    cautions = shared.caution_bits.astype(np.int64)
    blocks.setflags(write=False)  # materials share them
    cautions.setflags(write=False)
    shortest = round(float(load_alert_policy().spray_notice.shortest_window))
    by_row = blocks.reshape(flat)
    found = open_windows(by_row, cautions.reshape(flat), shared.margin.reshape(flat), hours_min=shortest)
    columns = (
        found.start.tolist(),
        found.end.tolist(),
        map(_words, found.closed_bits.tolist()),
        map(_words, found.caution_bits.tolist()),
        found.quality.tolist(),
        *_chances(judged, found, chances),
    )
    windows = list(map(_Window, *columns))
    bounds = np.searchsorted(found.row, np.arange(flat[0] + 1)).tolist()
    reasons = [
        tuple([word for bit in bits for word in _words(bit)])
        for bits in commonest(by_row, most=NAMED_REASONS, aside=EVERY_NIGHT).tolist()
    ]
    return [
        [
            _Found(blocks[v, i], cautions[v, i], windows[bounds[row] : bounds[row + 1]], reasons[row])
            for i, row in enumerate(range(v * n_sites, (v + 1) * n_sites))
        ]
        for v in range(n_verdicts)
    ]


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


def _outlook(material: str, found: _Found, clock: Sequence[dt.datetime]) -> MaterialOutlook:
    """Return the outlook of one material on one site; ``clock`` holds the instant of each hour."""
    windows = tuple([
        SprayWindow(
            material,
            clock[one.start],
            clock[one.end],
            one.closed_by,
            one.cautions,
            one.quality,
            one.chance,
            None if one.chance is None else clock[one.best_start],
        )
        for one in found.windows
    ])  # fmt: skip
    return MaterialOutlook(
        material=material,
        windows=windows,
        block_bits=found.block_bits,
        caution_bits=found.caution_bits,
        blocked_until=windows[0].start_at if windows else None,
        main_reasons=found.main_reasons,
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
