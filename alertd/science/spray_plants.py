"""The gates that the plants set, and those of the book of applications."""

from __future__ import annotations

import numpy as np

from alertd.catalog.materials import BeeCategory, SulfurOil
from alertd.science.arrays import BoolArray
from alertd.science.spray_board import Board, by_site
from alertd.science.spray_hours import SprayHours, SprayRecords
from alertd.science.spray_reasons import Reason
from alertd.science.spray_rules import Sensitivity, SprayRules

HOUR_H = 1.0
DROUGHT_OK, DROUGHT_CAUTION, DROUGHT_STRESSED = 0, 1, 2


PLANT_LIMITS = (
    "drought_sensitive", "drought_unknown_blocks", "sensitivity", "dormant_only", "bee_category",
    "bee_flight_temperature_c",
)  # fmt: skip
"""What ``plant_gates`` reads of the rules."""


def plant_gates(hours: SprayHours, rules: SprayRules, board: Board) -> None:
    """Set what the plants forbid: drought, bloom, sensitivity, leaf."""
    _drought(hours, rules, board)
    _bloom(hours, rules, board)
    level = np.full((hours.shape[0], 1), int(rules.sensitivity))
    if hours.sensitivity is not None:
        level = np.maximum(level, by_site(hours.sensitivity))
    board.block(Reason.SENSITIVE_PLANT, level >= Sensitivity.AVOID)
    board.caution(Reason.SENSITIVE_PLANT, level == Sensitivity.WATCH)
    if rules.dormant_only:
        if hours.dormant is None:
            board.caution(Reason.NOT_DORMANT, np.array(True))
        else:
            board.block(Reason.NOT_DORMANT, ~by_site(hours.dormant))


def _drought(hours: SprayHours, rules: SprayRules, board: Board) -> None:
    state = by_site(hours.drought)
    closed = state == DROUGHT_STRESSED
    if rules.drought_unknown_blocks:
        closed = state != DROUGHT_OK
    if rules.drought_sensitive:
        board.block(Reason.DROUGHT, closed)
    board.caution(Reason.DROUGHT, state != DROUGHT_OK)


def _bloom(hours: SprayHours, rules: SprayRules, board: Board) -> None:
    if hours.in_bloom is None:
        bloom = np.zeros((hours.shape[0], 1), dtype=np.bool_)
        board.caution(Reason.BLOOM, np.array(rules.bee_category is not BeeCategory.NONE))
    else:
        bloom = by_site(hours.in_bloom)
    if bloom.any():
        board.block(Reason.BLOOM, bloom & ~_free_of_bees(hours, rules))
        board.caution(Reason.BLOOM, bloom)
    if hours.weeds_in_bloom is not None:
        board.caution(Reason.BLOOM, by_site(hours.weeds_in_bloom))


def _free_of_bees(hours: SprayHours, rules: SprayRules) -> BoolArray:
    after_sunset = hours.hours_to_sunset <= 0.0
    if rules.bee_category is BeeCategory.I:
        return np.zeros(hours.shape, dtype=np.bool_)
    if rules.bee_category is BeeCategory.II:
        return after_sunset
    before_sunrise = hours.hours_since_sunrise + HOUR_H <= 0.0
    return after_sunset | before_sunrise | (hours.air_temperature_c < rules.bee_flight_temperature_c)


def record_gates(records: SprayRecords, rules: SprayRules, board: Board) -> None:
    """Set what earlier applications forbid."""
    if records.days_since_same is not None:
        days = by_site(records.days_since_same)
        board.block(Reason.MIN_INTERVAL, days < rules.reapply_d)
        looked = by_site(records.looked_since) if records.looked_since is not None else np.array(False)
        board.caution(Reason.LOOK_AGAIN, (days > rules.contact_review_d) & ~looked)
    if records.uses_this_season is not None:
        board.block(Reason.SEASON_MAX, by_site(records.uses_this_season) >= rules.season_max)
    if records.group_uses_in_a_row is not None and rules.conventional:
        board.block(Reason.ROTATION, by_site(records.group_uses_in_a_row) >= rules.group_uses_in_a_row)
    _sulfur_oil(records, rules, board)
    _patch_test(records, rules, board)


def _sulfur_oil(records: SprayRecords, rules: SprayRules, board: Board) -> None:
    other = {
        SulfurOil.OIL: records.days_since_sulfur,
        SulfurOil.SULFUR: records.days_since_oil,
        SulfurOil.NEITHER: None,
    }[rules.sulfur_oil]
    if other is not None:
        board.block(Reason.SULFUR_OIL, by_site(other) < rules.sulfur_oil_gap_d)
        board.caution(Reason.SULFUR_OIL, by_site(other) < rules.sulfur_oil_caution_d)


def _patch_test(records: SprayRecords, rules: SprayRules, board: Board) -> None:
    if records.patch_injury is not None:
        board.block(Reason.PATCH_TEST, by_site(records.patch_injury))
    if records.patch_test_needed is not None:
        waited = np.array(False)
        if records.hours_since_patch_test is not None:
            waited = by_site(records.hours_since_patch_test) >= rules.patch_test_wait_h
        board.block(Reason.PATCH_TEST, by_site(records.patch_test_needed) & ~waited)
