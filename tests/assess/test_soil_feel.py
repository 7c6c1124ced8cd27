"""What somebody felt of the soil, or saw of wilting, outranks the soil-water account."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from alertd.errors import InputError
from alertd.records.assessment import WaterState
from alertd.records.observation import SoilFeel, WaterObservation
from alertd.records.site import Irrigation
from alertd.science.spray import Reason
from tests.assess.skies import DAY, HOT, MILD, SITE, Sky, Watch, at, days_of, planting, truth_of, water_of

FIRST = dt.date(2025, 5, 1)
TODAY = FIRST + 45 * DAY
SOAKED = Sky(12.0, 24.0, 8.0, 30.0)
DRY_BED, WET_BED = [HOT] * 60, [MILD] * 41 + [SOAKED] * 4 + [MILD] * 20


def bed(skies: list[Sky], *observed: WaterObservation, **changes: object) -> Watch:
    site = replace(SITE, plantings=(planting(**changes),), materials=("horticultural_oil",))
    return Watch(truth_of(FIRST, skies), [site], past_h=60 * 24, observed=observed)


def felt(feel: SoilFeel, day: dt.date = TODAY, noted_at: dt.datetime | None = None) -> WaterObservation:
    return WaterObservation("p1", day, feel, noted_at or at(day, 5))


def test_moist_soil_in_the_hand_outranks_an_account_that_says_dry() -> None:
    assert water_of(bed(DRY_BED).look(at(TODAY))).state is WaterState.STRESSED
    found = water_of(bed(DRY_BED, felt(SoilFeel.MOIST)).look(at(TODAY)))
    assert found.state is WaterState.CAUTION, "half is left: nearly all that comes readily is used"
    assert found.depletion_mm == pytest.approx(0.5 * found.total_mm), "the dry end of moist"
    assert "soil found moist on 2025-06-15" in found.reason


def test_dry_soil_in_the_hand_outranks_an_account_that_says_wet() -> None:
    assert water_of(bed(WET_BED).look(at(TODAY))).state is WaterState.OK
    watch = bed(WET_BED, felt(SoilFeel.DRY))
    assessment = watch.look(at(TODAY))
    found = water_of(assessment)
    assert found.state is WaterState.STRESSED
    assert found.depletion_mm == pytest.approx(0.75 * found.total_mm), "the moist end of dry"
    assert (assessment.materials[0].block_bits[:12] & Reason.DROUGHT).all(), "oil is closed by it"


def test_an_account_within_the_class_that_was_felt_stays_as_it_is() -> None:
    plain = water_of(bed(WET_BED).look(at(TODAY)))
    seen = water_of(bed(WET_BED, felt(SoilFeel.WET)).look(at(TODAY)))
    assert plain.depletion_mm < 0.25 * plain.total_mm
    assert seen.depletion_mm == plain.depletion_mm


def test_soil_in_the_hand_outranks_watering_that_nobody_knows_of() -> None:
    for irrigation in (Irrigation.UNKNOWN, Irrigation.DRIP):
        assert water_of(bed(WET_BED, irrigation=irrigation).look(at(TODAY))).state is WaterState.CAUTION
        watch = bed(WET_BED, felt(SoilFeel.WET), irrigation=irrigation)
        assert water_of(watch.look(at(TODAY))).state is WaterState.OK


def test_after_a_day_the_account_goes_on_from_what_was_felt() -> None:
    day = TODAY - 2 * DAY
    plain, seen = bed(DRY_BED), bed(DRY_BED, felt(SoilFeel.WET, day))
    without, with_it = water_of(plain.look(at(TODAY))), water_of(seen.look(at(TODAY)))
    assert with_it.depletion_mm < without.depletion_mm
    assert with_it.depletion_mm > 0.25 * with_it.total_mm, "two hot days drew on the wet end of it"
    assert "found" not in with_it.reason


def test_cycles_day_by_day_end_where_one_cycle_does() -> None:
    day = TODAY - 6 * DAY
    once, daily = bed(DRY_BED, felt(SoilFeel.MOIST, day)), bed(DRY_BED, felt(SoilFeel.MOIST, day))
    found = water_of(once.look(at(TODAY)))
    again = water_of(daily.look(*days_of(FIRST + 10 * DAY, 36)))
    assert again.depletion_mm == pytest.approx(found.depletion_mm, abs=1e-9)
    assert again.state is found.state


def test_an_observation_entered_days_later_is_taken_in() -> None:
    day = TODAY - 3 * DAY
    watch = bed(DRY_BED)
    watch.look(*days_of(FIRST + 10 * DAY, 34))
    before = water_of(watch.look(at(TODAY - DAY)))
    watch.observed = (felt(SoilFeel.WET, day, noted_at=at(TODAY, 5)),)
    after = water_of(watch.look(at(TODAY)))
    assert before.state is WaterState.STRESSED
    assert after.depletion_mm < before.depletion_mm


def test_the_newest_observation_wins() -> None:
    watch = bed(DRY_BED, felt(SoilFeel.WET), felt(SoilFeel.DRY, TODAY - DAY))
    assert "soil found wet" in water_of(watch.look(at(TODAY))).reason
    later = replace(felt(SoilFeel.DRY), noted_at=at(TODAY, 5) + dt.timedelta(minutes=30))
    watch = bed(DRY_BED, later, felt(SoilFeel.WET))
    assert "soil found dry" in water_of(watch.look(at(TODAY))).reason


def test_an_observation_of_tomorrow_or_of_another_bed_says_nothing() -> None:
    plain = water_of(bed(DRY_BED).look(at(TODAY)))
    other = replace(felt(SoilFeel.WET), planting_id="p2")
    assert water_of(bed(DRY_BED, felt(SoilFeel.WET, TODAY + DAY), other).look(at(TODAY))) == plain


def test_wilting_stands_until_a_soaking_is_known_or_somebody_looks_again() -> None:
    wilted = felt(SoilFeel.WILTED, TODAY - 4 * DAY)
    mild = [MILD] * 60
    found = water_of(bed(mild, wilted).look(at(TODAY)))
    assert found.state is WaterState.STRESSED
    assert found.reason == "seen wilted on 2025-06-11, not known to have had 12 mm of water since"
    soaked = [*mild[:42], SOAKED, *mild[43:]]
    assert "wilted" not in water_of(bed(soaked, wilted).look(at(TODAY))).reason
    cleared = felt(SoilFeel.MOIST)
    assert "wilted" not in water_of(bed(mild, wilted, cleared).look(at(TODAY))).reason


def test_wilting_is_relieved_only_a_day_after_the_soaking() -> None:
    wilted = felt(SoilFeel.WILTED, TODAY - 4 * DAY)
    soaked_today = [*[MILD] * 45, SOAKED, *[MILD] * 14]
    watch = bed(soaked_today, wilted)
    assert "wilted" in water_of(watch.look(at(TODAY, 23))).reason
    assert "wilted" not in water_of(watch.look(at(TODAY + DAY, 6))).reason


def test_felt_soil_ends_the_doubt_about_a_young_account() -> None:
    first = TODAY - 5 * DAY
    skies = [SOAKED] * 3 + [MILD] * 20
    site = replace(SITE, plantings=(planting(),))
    plain = Watch(truth_of(first, skies), [site], past_h=60 * 24)
    seen = replace(plain, seasons={}, found={}, observed=(felt(SoilFeel.WET, TODAY - 2 * DAY),))
    assert "counted only since" in water_of(plain.look(at(TODAY))).reason
    found = water_of(seen.look(at(TODAY)))
    assert found.state is WaterState.OK
    assert "counted only since" not in found.reason


def test_an_observation_without_a_zone_is_refused() -> None:
    with pytest.raises(InputError, match="noted_at"):
        WaterObservation("p1", TODAY, SoilFeel.DRY, dt.datetime(2025, 6, 15, 8))  # noqa: DTZ001  # the fault that is refused
