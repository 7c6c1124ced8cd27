"""Which hours are closed to a material, why, and how far the open ones are from the nearest limit.

An open hour means "no block found", nothing more: the label of the product in hand, local law and
licensed practice always win.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from alertd.science.arrays import FloatArray, IntArray, floating
from alertd.science.spray_board import ROOM, Bits, Board, Look, Room
from alertd.science.spray_hours import SprayHours, SprayRecords, offered
from alertd.science.spray_own_limits import loosened_words
from alertd.science.spray_plan import plan_of
from alertd.science.spray_plants import plant_gates, record_gates
from alertd.science.spray_reasons import REASON_WORDS, Reason, reasons_in
from alertd.science.spray_rules import (
    Sensitivity,
    SprayRules,
    check_overrides,
    figure_of,
    rules_for,
    sensitivity,
)

__all__ = [
    "REASON_WORDS",
    "Reason",
    "Sensitivity",
    "SharedVerdicts",
    "SprayHours",
    "SprayRecords",
    "SprayRules",
    "SprayVerdict",
    "blackout",
    "blackouts",
    "check_overrides",
    "figure_of",
    "judge",
    "loosened_words",
    "offered",
    "reasons_in",
    "residual_left",
    "rules_for",
    "sensitivity",
]

SITES_AT_ONCE = 192
ONE = ROOM(1.0)
WATER_GATES = (
    Reason.MISSING_WEATHER | Reason.COARSE_STEP | Reason.COLD | Reason.WIND_HIGH | Reason.GUST
    | Reason.GUST_UNKNOWN | Reason.OUTSIDE_HOURS
)  # fmt: skip
"""What closes an hour to plain water: a freeze, wind that carries it away, the hours of work."""


@dataclass(frozen=True, slots=True)
class SprayVerdict:
    """Verdict on each hour; arrays of shape (n_sites, n_hours).

    ``block_bits`` and ``caution_bits`` hold ``Reason`` bits; 0 blocks: no block found. ``margin`` is the
    distance from the nearest limit, 0 at it or closed .. 1 roomy.
    """

    block_bits: IntArray
    caution_bits: IntArray
    margin: FloatArray


@dataclass(frozen=True, slots=True)
class SharedVerdicts:
    """Verdicts that materials with the same limits share; arrays of shape (n_verdicts, n_sites, n_hours).

    ``verdict_of`` holds the position of the verdict of each of the rules.
    """

    block_bits: Bits
    caution_bits: Bits
    margin: Room
    verdict_of: tuple[int, ...]


def residual_left(
    residual_d: npt.ArrayLike,
    elapsed_d: npt.ArrayLike,
    rain_since_mm: npt.ArrayLike,
    *,
    half_mm: float,
    all_mm: float,
) -> FloatArray:
    """Days that a dried residual deposit still works after rain.

    Parameters
    ----------
    residual_d, elapsed_d : array of float
        Days it works unwashed, and days gone. [d]
    rain_since_mm : array of float
        Rain since the deposit dried; NaN unknown. [mm]
    half_mm, all_mm : float
        Rain that halves the days left, and that leaves none. [mm]

    Returns
    -------
    array of float
        Never negative; NaN where an input is. [d]

    References
    ----------
    Ontario ministry of agriculture (2020) and K-State text: 1-2 inches halve the days, above 2 respray as
    soon as the label allows.
    """
    residual, elapsed, rain_mm = floating(residual_d, elapsed_d, rain_since_mm)
    left = np.maximum(residual - elapsed, 0.0)
    share = np.where(rain_mm >= all_mm, 0.0, np.where(rain_mm >= half_mm, 0.5, 1.0))
    remaining: FloatArray = np.where(np.isnan(rain_mm), np.nan, left * share)
    return remaining


def blackout(hours: SprayHours, rules: SprayRules, records: SprayRecords | None = None) -> SprayVerdict:
    """Judge every hour of every site for one material.

    Parameters
    ----------
    hours : SprayHours
        Weather and plants, shape (n_sites, n_hours).
    rules : SprayRules
        Limits, from ``rules_for``.
    records : SprayRecords, optional
        What was applied before; None: nothing on record.

    Returns
    -------
    SprayVerdict
        Bits and margin, shape (n_sites, n_hours).

    Notes
    -----
    A missing value closes the hour, and so does a look-ahead (heat, freeze, rain) that meets a missing
    value or the end of the data. Removing a value or tightening a limit never opens an hour, as long as
    ``gust_expected`` and ``probability_expected`` stay the same.

    References
    ----------
    Each limit's source stands beside it in the catalog (limits, materials, plants).
    """
    return blackouts(hours, [rules], [records])[0]


def blackouts(
    hours: SprayHours, rules: Sequence[SprayRules], records: Sequence[SprayRecords | None] | None = None
) -> list[SprayVerdict]:
    """Judge the same hours for several materials, sharing what they have in common; see ``blackout``.

    Materials with the same limits share the arrays of their verdict: read them, do not write to them.
    """
    shared = judge(hours, rules, records)
    blocks, cautions = shared.block_bits.astype(np.int64), shared.caution_bits.astype(np.int64)
    verdicts = [SprayVerdict(*parts) for parts in zip(blocks, cautions, shared.margin, strict=True)]
    return [verdicts[i] for i in shared.verdict_of]


def judge(
    hours: SprayHours,
    rules: Sequence[SprayRules],
    records: Sequence[SprayRecords | None] | None = None,
    judged: slice = slice(None),
) -> SharedVerdicts:
    """Judge hours for several materials, sharing what they have in common.

    Parameters
    ----------
    hours : SprayHours
        Weather and plants, shape (n_sites, n_hours).
    rules : sequence of SprayRules
        Limits of each material.
    records : sequence of SprayRecords or None, optional
        What was applied before, for each of the rules.
    judged : slice
        The hours that are judged; the others are only looked back on or ahead at.

    Returns
    -------
    SharedVerdicts
        As many verdicts as there are different sets of limits.

    Notes
    -----
    Sites are judged in handfuls whose arrays stay in the processor's cache; no site sees another.
    """
    plan = plan_of(rules, records)
    n_sites, n_hours = hours.shape
    shape = (len(plan.verdicts), n_sites, len(range(n_hours)[judged]))
    blocks, cautions = np.empty(shape, dtype=np.uint32), np.empty(shape, dtype=np.uint32)
    margin = np.empty(shape, dtype=ROOM)
    for first in range(0, n_sites, SITES_AT_ONCE):
        some = slice(first, first + SITES_AT_ONCE)
        look = Look(hours.of_sites(some), judged)
        for i, weather in plan.boards(look):
            rule, book = plan.verdicts[i].rules, plan.verdicts[i].records
            board = Board()
            plant_gates(look.now, rule, board)
            if book is not None:
                record_gates(book.of_sites(some, judged), rule, board)
            target = blocks[i, some], cautions[i, some], margin[i, some]
            _write(weather.joined(board), WATER_GATES if rule.plain_water else None, target)
    return SharedVerdicts(blocks, cautions, margin, plan.verdict_of)


def _write(board: Board, gates: Reason | None, target: tuple[Bits, Bits, Room]) -> None:
    blocks, cautions, margin = target
    blocks[...] = 0 if board.blocks is None else board.blocks
    cautions[...] = 0 if board.cautions is None else board.cautions
    if gates is not None:
        blocks &= np.uint32(gates)
        cautions &= np.uint32(gates)
    np.bitwise_and(cautions, ~blocks, out=cautions)
    room = ONE if board.margin is None else np.clip(board.margin, 0.0, 1.0)
    np.multiply(room, blocks == 0, out=margin)
