from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest

from alertd.errors import InputError
from alertd.records.alert import AlertKind
from alertd.records.assessment import Level
from alertd.records.site import Irrigation
from alertd.store.store import open_store
from tests.assess.skies import DAY, HOT, HOUR, MILD, at, planting, pressure_of, truth_of
from tests.service.world import Provider, World, site

FIRST = dt.date(2025, 4, 1)
TODAY = FIRST + 30 * DAY


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    store = open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True)
    found = World(store, Provider(truth_of(FIRST, [MILD] * 35 + [HOT] * 40)))
    found.add([site("a")], at(TODAY))
    yield found
    store.close()


def test_a_look_at_the_past_sees_only_what_was_known_then(world: World) -> None:
    """Replayed after the heat has come: on 1 May it was eight days off, on 10 May it ran."""
    for day in range(12):
        world.cycle.run(at(TODAY + day * DAY))
    early = world.outlooks.assessment(site("a"), at(TODAY))
    late = world.outlooks.assessment(site("a"), at(TODAY + 10 * DAY))
    assert early.data_as_of == at(TODAY)
    assert [one.lead_time_d for one in early.spells] == [9]
    assert late.spells[0].lead_time_d == 0
    assert late.spells[0].start_day == FIRST + 35 * DAY
    assert pressure_of(early, "twospotted").score < pressure_of(late, "twospotted").score


def test_a_look_repeats_itself_whatever_cycles_ran_since(world: World) -> None:
    world.cycle.run(at(TODAY))
    moment = at(TODAY) + 3 * HOUR
    before = world.outlooks.assessment(site("a"), moment)
    for day in range(1, 6):
        world.cycle.run(at(TODAY + day * DAY))
    after = world.outlooks.assessment(site("a"), moment)
    assert after.pressures == before.pressures
    assert (after.spells, after.water, after.days) == (before.spells, before.water, before.days)


def test_a_look_writes_and_fetches_nothing(world: World) -> None:
    world.cycle.run(at(TODAY))
    asked, size = world.provider.asked.total(), world.store.sizes().rows
    world.outlooks.look([site("a")], at(TODAY + DAY))
    assert world.provider.asked.total() == asked
    assert world.store.sizes().rows == size


def test_before_any_weather_there_is_a_look_without_assessment_and_a_message_that_names_the_fix(
    world: World,
) -> None:
    world.cycle.run(at(TODAY))
    (look,) = world.outlooks.look([site("a")], at(TODAY - DAY))
    assert look.assessment is None
    assert [one.kind for one in look.decisions.alerts] == [AlertKind.WEATHER_MISSING]
    assert look.decisions.alerts[0].level is Level.HIGH
    with pytest.raises(InputError, match="no weather was stored"):
        world.outlooks.assessment(site("a"), at(TODAY - DAY))


def test_a_look_on_stale_weather_is_closed_for_spraying(world: World) -> None:
    world.cycle.run(at(TODAY))
    watered = planting("rose", "p1", irrigation=Irrigation.DRIP, irrigation_mm_per_week=40.0)
    oiled = site("a", materials=("horticultural_oil",), plantings=(watered,))
    fresh = world.outlooks.assessment(oiled, at(TODAY) + HOUR)
    stale = world.outlooks.assessment(oiled, at(TODAY) + 13 * HOUR)
    assert fresh.materials[0].windows != ()
    assert stale.materials[0].windows == ()
