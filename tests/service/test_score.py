"""Scores of constructed cases, counted by hand."""

from __future__ import annotations

import datetime as dt

import pytest

from alertd.service.cases import WINDOW, WINDOW_HELD, Case
from alertd.service.score import scores
from alertd.service.verify import Record
from tests.service.archive import make_site

SITE = make_site(materials=("soap",))


def case(event: str, warned: bool, came: bool, chance: float | None = None, lead: int = 1) -> Case:
    return Case(event, SITE.id, dt.datetime(2026, 7, 1, tzinfo=dt.UTC), lead, warned, came, chance)


def test_the_table_of_constructed_cases_is_that_counted_by_hand() -> None:
    # Finley's tornado forecasts of 1884 as windows: 28 hits, 72 false alarms, 23 misses, 2680 quiet
    cases = [
        *[case(WINDOW, True, True)] * 28, *[case(WINDOW, True, False)] * 72,
        *[case(WINDOW, False, True)] * 23, *[case(WINDOW, False, False)] * 2680,
    ]  # fmt: skip
    (one,) = scores([Record(SITE, 100, tuple(cases), 0, ())])
    verdict = next(found for found in one.verdicts if found.event == WINDOW)
    assert verdict.table.probability_of_detection == pytest.approx(0.549, abs=5e-4)
    assert verdict.table.false_alarm_ratio == pytest.approx(0.720, abs=5e-4)
    assert verdict.table.critical_success_index == pytest.approx(0.2276, abs=5e-5)
    assert verdict.table.frequency_bias == pytest.approx(1.961, abs=5e-4)
    assert verdict.enough
    assert verdict.brier is None


def test_the_brier_score_of_constructed_chances_is_that_counted_by_hand() -> None:
    # 4 chances of 0.8 of which 3 held, 2 of 0.2 of which none did: mean of squared errors by hand
    cases = [*[case(WINDOW_HELD, True, True, 0.8)] * 3, case(WINDOW_HELD, True, False, 0.8),
             *[case(WINDOW_HELD, True, False, 0.2)] * 2]  # fmt: skip
    (one,) = scores([Record(SITE, 6, tuple(cases), 0, ())])
    verdict = next(found for found in one.verdicts if found.event == WINDOW_HELD)
    assert verdict.brier is not None
    assert verdict.brier.score == pytest.approx((3 * 0.04 + 0.64 + 2 * 0.04) / 6)
    assert verdict.brier.reliability == pytest.approx((4 * 0.05**2 + 2 * 0.2**2) / 6)
    assert verdict.brier.uncertainty == pytest.approx(0.25)
    assert not verdict.enough
    assert verdict.classes is not None
    assert verdict.classes.count.tolist() == [0, 2, 0, 0, 4, 0]


def test_a_lead_time_keeps_its_own_cases() -> None:
    cases = (case(WINDOW, True, True, lead=1), case(WINDOW, True, False, lead=3))
    (one,) = scores([Record(SITE, 2, cases, 0, ())], lead_d=3)
    verdict = next(found for found in one.verdicts if found.event == WINDOW)
    assert (verdict.table.hits, verdict.table.false_alarms) == (0, 1)
    assert verdict.by_lead == ((3, 1, 0),)


def test_several_sites_are_scored_alone_and_together() -> None:
    one, other = (
        Record(SITE, 1, (case(WINDOW, True, True),), 0, (3,)),
        Record(SITE, 1, (case(WINDOW, False, True),), 1, ()),
    )
    found = scores([one, other])
    assert [one.name for one in found][-1] == "all sites"
    together = next(verdict for verdict in found[-1].verdicts if verdict.event == WINDOW)
    assert together.table.probability_of_detection == 0.5
    assert found[-1].mornings == 2
    assert found[-1].leads_d == (3,)
