"""Verification scores against Finley 1884 and the sample of the JWGFVR pages."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.science import score

NAN = float("nan")
TENTHS = np.linspace(0.0, 1.0, 11)
# Finley's tornado forecasts of 1884, as on the JWGFVR verification pages; scores from the counts by hand.
FINLEY = score.Contingency(hits=28, false_alarms=72, misses=23, correct_negatives=2680)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("total", 2803),
        ("proportion_correct", 0.966),
        ("frequency_bias", 1.961),
        ("probability_of_detection", 0.549),
        ("false_alarm_ratio", 0.720),
        ("probability_of_false_detection", 0.02616),
        ("critical_success_index", 0.2276),
        ("equitable_threat_score", 0.216046),
        ("peirce_skill_score", 0.5229),
        ("heidke_skill_score", 0.355325),
        ("odds_ratio", 45.31),
    ],
)
def test_finleys_tornado_forecasts_have_their_known_scores(name: str, value: float) -> None:
    assert getattr(FINLEY, name) == pytest.approx(value, rel=1e-3)


def test_never_warning_is_right_more_often_than_finley_and_worth_nothing() -> None:
    never = score.Contingency(0, 0, 51, 2752)
    assert never.proportion_correct == pytest.approx(0.982, abs=5e-4)
    assert never.proportion_correct > FINLEY.proportion_correct
    assert never.peirce_skill_score == 0.0
    assert never.heidke_skill_score == 0.0


def test_scores_without_cases_are_unknown_and_not_zero() -> None:
    empty = score.Contingency(0, 0, 0, 0)
    for name in ("proportion_correct", "frequency_bias", "probability_of_detection", "false_alarm_ratio"):
        assert np.isnan(getattr(empty, name))
    for name in ("critical_success_index", "equitable_threat_score", "heidke_skill_score", "odds_ratio"):
        assert np.isnan(getattr(empty, name))
    assert np.isnan(score.brier_score([], []))
    assert np.isnan(score.brier_decomposition([NAN], [1.0], TENTHS).score)
    assert score.brier_decomposition([], [], TENTHS).count == 0


def test_counting_leaves_out_what_is_unknown() -> None:
    counted = score.contingency([1, 1, 0, 0, NAN, 1], [1, 0, 1, 0, 1, NAN])
    assert counted == score.Contingency(1, 1, 1, 1)
    assert score.contingency([True], [False]) == score.Contingency(0, 1, 0, 0)


@pytest.mark.parametrize(
    ("reliability", "resolution", "uncertainty", "printed", "skill"),
    # JWGFVR probability-of-precipitation sample: 24 h, 48 h, and heavier rain at 24 h.
    [
        (0.025, 0.060, 0.179, 0.144, 0.194),
        (0.027, 0.036, 0.187, 0.178, 0.047),
        (0.003, 0.020, 0.054, 0.037, 0.312),
    ],
)
def test_the_printed_parts_of_the_sample_make_its_score_and_skill(
    reliability: float, resolution: float, uncertainty: float, printed: float, skill: float
) -> None:
    parts = score.Brier(reliability - resolution + uncertainty, reliability, resolution, uncertainty, 1)
    assert parts.score == pytest.approx(printed, abs=1e-9)
    assert parts.skill == pytest.approx(skill, abs=0.004)  # from parts rounded to 0.001


def test_a_sample_small_enough_for_a_pencil() -> None:
    # 0.2 four times with 1 event, 0.8 four times with 3: BS = (3*.04 + .64 + 3*.04 + .64)/8 = 0.19.
    probability, came = [0.2] * 4 + [0.8] * 4, [0, 0, 0, 1, 1, 1, 1, 0]
    parts = score.brier_decomposition(probability, came, TENTHS)
    assert parts.score == pytest.approx(0.19)
    assert parts.reliability == pytest.approx(0.0025)
    assert parts.resolution == pytest.approx(0.0625)
    assert parts.uncertainty == pytest.approx(0.25)
    assert parts.skill == pytest.approx(0.24)
    table = score.reliability(probability, came, TENTHS)
    assert table.count.tolist() == [0, 0, 4, 0, 0, 0, 0, 0, 4, 0]
    assert table.observed_frequency[[2, 8]].tolist() == [0.25, 0.75]
    assert np.isnan(table.mean_forecast[0])


def test_the_last_class_holds_certainty() -> None:
    assert score.reliability([0.0, 1.0], [0, 1], [0.0, 0.5, 1.0]).count.tolist() == [1, 1]


def test_what_cannot_be_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="warned"):
        score.contingency([1, 0], [1])
    with pytest.raises(ValueError, match="probability"):
        score.brier_score([1.2], [1])
    for edges in ([0.0, 0.5], [0.1, 1.0], [0.0, 0.5, 0.5, 1.0], [1.0], [[0.0, 1.0]]):
        with pytest.raises(ValueError, match="edges"):
            score.reliability([0.5], [1], edges)


counts = st.integers(0, 200)


@given(counts, counts, counts, counts)
def test_scores_keep_their_bounds(a: int, b: int, c: int, d: int) -> None:
    table = score.Contingency(a, b, c, d)
    for value in (table.probability_of_detection, table.false_alarm_ratio, table.critical_success_index):
        assert np.isnan(value) or 0.0 <= value <= 1.0
    for value in (table.peirce_skill_score, table.heidke_skill_score):
        assert np.isnan(value) or -1.0 <= value <= 1.0
    if a + c and a + b and a:
        assert (
            table.critical_success_index
            <= min(table.probability_of_detection, 1 - table.false_alarm_ratio) + 1e-12
        )


whole_tenths = st.integers(0, 10).map(lambda tenth: tenth / 10.0)


@given(st.lists(st.tuples(whole_tenths, st.booleans()), min_size=1, max_size=60))
def test_the_parts_add_up_where_each_class_holds_one_probability(cases: list[tuple[float, bool]]) -> None:
    probability, came = zip(*cases, strict=True)
    edges = [0.0, *(tenth / 10.0 - 0.05 for tenth in range(1, 11)), 1.0]
    parts = score.brier_decomposition(probability, came, edges)
    assert parts.score == pytest.approx(parts.reliability - parts.resolution + parts.uncertainty, abs=1e-12)
    assert parts.count == len(cases)
    assert 0.0 <= parts.score <= 1.0


@given(st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1), st.randoms(use_true_random=False))
def test_the_order_of_cases_does_not_matter(cases: list[tuple[bool, bool]], random: object) -> None:
    shuffled = list(cases)
    random.shuffle(shuffled)  # type: ignore[attr-defined]  # a random.Random
    assert score.contingency(*zip(*cases, strict=True)) == score.contingency(*zip(*shuffled, strict=True))
