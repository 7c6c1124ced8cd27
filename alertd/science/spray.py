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
from alertd.science.spray_board import Board, Look
from alertd.science.spray_hours import SprayHours, SprayRecords, offered
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
from alertd.science.spray_weather import weather_board

__all__ = [
    "REASON_WORDS",
    "Reason",
    "Sensitivity",
    "SprayHours",
    "SprayRecords",
    "SprayRules",
    "SprayVerdict",
    "blackout",
    "blackouts",
    "check_overrides",
    "figure_of",
    "offered",
    "reasons_in",
    "residual_left",
    "rules_for",
    "sensitivity",
]

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
    """Judge the same hours for several materials, sharing what they have in common; see ``blackout``."""
    look = Look(hours)
    books = records if records is not None else [None] * len(rules)
    return [_judge(look, rule, book) for rule, book in zip(rules, books, strict=True)]


def _judge(look: Look, rules: SprayRules, records: SprayRecords | None) -> SprayVerdict:
    board = weather_board(look, rules)
    plant_gates(look.hours, rules, board)
    if records is not None:
        record_gates(records, rules, board)
    return _verdict(board, WATER_GATES if rules.plain_water else None)


def _verdict(board: Board, gates: Reason | None) -> SprayVerdict:
    blocks, cautions = board.blocks, board.cautions
    if gates is not None:
        blocks &= np.int64(gates)
        cautions &= np.int64(gates)
    margin: FloatArray = np.where(blocks == 0, np.clip(board.margin, 0.0, 1.0), 0.0)
    return SprayVerdict(blocks, cautions & ~blocks, margin)
