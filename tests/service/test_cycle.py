from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alertd.alerts.decide import decide
from alertd.assess import site as assess_site
from alertd.assess.batch import Batch
from alertd.errors import StoreBusy, WeatherInvalid, WeatherUnavailable
from alertd.records.alert import AlertKind
from alertd.records.assessment import Assessment
from alertd.records.site import Site
from alertd.service import cycle as cycle_module
from alertd.service import judge as judge_module
from alertd.service.cycle import CycleReport, _past_wanted
from alertd.store.store import open_store
from tests.assess.skies import DAY, HOT, HOUR, MILD, Sky, at, truth_of
from tests.service.world import Provider, World, site

FIRST = dt.date(2025, 4, 1)
TODAY = FIRST + 30 * DAY
TRUTH = [MILD] * 24 + [HOT] * 30 + [Sky(14.0, 24.0, 10.0, 20.0)] * 20


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    store = open_store(f"sqlite:///{tmp_path / 'alertd.db'}", create=True)
    yield World(store, Provider(truth_of(FIRST, TRUTH)))
    store.close()


def key_of(world: World, one: Site) -> str:
    return world.cycle._cell(one).key


def kinds(world: World) -> list[tuple[str, str]]:
    return sorted((entry.alert.site_id, str(entry.alert.kind)) for entry in world.store.history())


def test_a_cycle_assesses_every_site_and_tells_whom_it_concerns(world: World) -> None:
    world.add([site("a"), site("b", 41.0)], at(TODAY))
    report = world.cycle.run(at(TODAY))
    assert (report.sites, report.cells, report.fetched, report.assessed) == (2, 2, 2, 2)
    assert report.ok
    assert report.alerts >= report.messages >= 2
    assert {("a", "hot-dry-warning"), ("b", "hot-dry-warning")} <= set(kinds(world))


def test_the_same_cycle_again_tells_nothing_new(world: World) -> None:
    world.add([site("a")], at(TODAY))
    assert world.cycle.run(at(TODAY)).alerts > 0
    assert world.cycle.run(at(TODAY)).alerts == 0
    assert world.cycle.run(at(TODAY, 7)).alerts == 0


def test_two_sites_in_one_cell_cost_one_fetch(world: World) -> None:
    world.add([site("a", 40.001), site("b", 40.002), site("c", 41.0)], at(TODAY))
    report = world.cycle.run(at(TODAY))
    assert (report.sites, report.cells) == (3, 2)
    assert set(world.provider.asked.values()) == {1}


def test_one_failing_cell_does_not_stop_the_others_and_its_providers_are_named(world: World) -> None:
    broken, fine = site("a"), site("b", 41.0)
    world.add([broken, fine], at(TODAY))
    world.provider.broken[key_of(world, broken)] = WeatherUnavailable(
        "no provider has weather", faults=(("openmeteo", "no answer in time"), ("metno", "HTTP 503"))
    )
    report = world.cycle.run(at(TODAY))
    assert report.fetched == 1
    assert report.ok
    assert set(report.faults) == {key_of(world, broken)}
    told = kinds(world)
    assert ("b", "hot-dry-warning") in told
    assert ("a", "weather-missing") in told
    assert ("b", "weather-missing") not in told
    (missing,) = (e.alert for e in world.store.history() if e.alert.kind is AlertKind.WEATHER_MISSING)
    assert [fault["name"] for fault in missing.evidence["faults"]] == ["openmeteo", "metno"]


def test_a_fault_without_a_list_of_providers_is_told_as_it_is(world: World) -> None:
    world.add([site("a")], at(TODAY))
    world.provider.broken[key_of(world, site("a"))] = WeatherInvalid("the answer is no weather")
    assert not world.cycle.run(at(TODAY)).ok
    (entry,) = world.store.history()
    assert entry.alert.evidence["faults"] == [{"name": "weather", "error": "the answer is no weather"}]


def test_a_cell_that_fails_lives_on_its_stored_weather(world: World) -> None:
    world.add([site("a")], at(TODAY))
    world.cycle.run(at(TODAY))
    world.provider.broken[key_of(world, site("a"))] = WeatherUnavailable("passing fault")
    report = world.cycle.run(at(TODAY, 9))
    assert report.assessed == 1
    assert ("a", "weather-missing") not in kinds(world)


def test_nothing_is_cleared_on_stale_weather(world: World) -> None:
    """The heat ends on 24 May by the sky; from 20 May on no weather comes in."""
    world.add([site("a")], at(TODAY))
    world.cycle.run(at(TODAY))
    heat_ends = FIRST + 54 * DAY
    for day in range(1, 20):
        world.cycle.run(at(TODAY + day * DAY))
    world.provider.broken[key_of(world, site("a"))] = WeatherUnavailable("passing fault")
    for day in range(20, 34):
        world.cycle.run(at(TODAY + day * DAY))
        world.cycle.run(at(TODAY + day * DAY, 18))
    assert heat_ends + 7 * DAY < TODAY + 34 * DAY
    (episode,) = (one for one in world.store.open_episodes(["a"]) if one.kind is AlertKind.HOT_DRY)
    assert episode.closed_at is None
    assert ("a", "weather-missing") in kinds(world)
    world.provider.broken.clear()
    for day in range(34, 38):
        world.cycle.run(at(TODAY + day * DAY))
    assert all(one.kind is not AlertKind.HOT_DRY for one in world.store.open_episodes(["a"]))


def poisoned(real: Callable[..., Any], bad: str) -> Callable[..., Any]:
    def assess(batch: Batch, *rest: Any) -> Any:
        if any(one.id == bad for one in batch.sites):
            raise ZeroDivisionError("a bad figure")
        return real(batch, *rest)

    return assess


def test_a_poison_site_is_named_and_the_others_are_told(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    sites = [site(f"s{i}", 40.0 + i) for i in range(7)]
    world.add(sites, at(TODAY))
    monkeypatch.setattr(judge_module, "assess", poisoned(assess_site.assess, "s3"))
    report = world.cycle.run(at(TODAY))
    assert report.failed_sites == {"s3": "ZeroDivisionError: a bad figure"}
    assert report.assessed == 6
    assert report.ok, "one bad site does not turn the whole service red"
    assert {key for key, kind in kinds(world) if kind == "hot-dry-warning"} == {one.id for one in sites} - {
        "s3"
    }
    assert set(world.store.seasons([one.id for one in sites], at(TODAY))) == {one.id for one in sites} - {
        "s3"
    }


def test_a_site_that_cannot_be_decided_on_is_named_and_the_others_are_told(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def picky(one: Site, *rest: Any) -> Any:
        if one.id == "a":
            raise KeyError("label")
        return decide(one, *rest)

    world.add([site("a"), site("b", 41.0)], at(TODAY))
    monkeypatch.setattr(cycle_module, "decide", picky)
    report = world.cycle.run(at(TODAY))
    assert set(report.failed_sites) == {"a"}
    assert ("b", "hot-dry-warning") in kinds(world)


def test_a_site_whose_plant_the_catalog_no_longer_has_does_not_stop_the_others(world: World) -> None:
    odd = site("a")
    odd = replace(odd, plantings=(replace(odd.plantings[0], host="moon_tree"),))
    world.add([odd, site("b", 41.0)], at(TODAY))
    report = world.cycle.run(at(TODAY))
    assert set(report.failed_sites) == {"a"}
    assert ("b", "hot-dry-warning") in kinds(world)


def test_a_store_that_refuses_ends_the_cycle(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    def busy(*_: object, **__: object) -> int:
        raise StoreBusy("another writer holds the database")

    world.add([site("a")], at(TODAY))
    monkeypatch.setattr(world.store, "commit_decisions", busy)
    with pytest.raises(StoreBusy):
        world.cycle.run(at(TODAY))
    assert world.store.seasons(["a"], at(TODAY)) == {}


def test_a_cycle_that_is_told_to_stop_finishes_what_it_commits(world: World) -> None:
    world.add([site("a")], at(TODAY))
    stopped = replace(world.cycle, stopping=lambda: True)
    report = stopped.run(at(TODAY))
    assert report.assessed == 1
    assert kinds(world) != []


def test_only_the_sites_asked_for_are_looked_at(world: World) -> None:
    world.add([site("a"), site("b", 41.0)], at(TODAY))
    report = world.cycle.run(at(TODAY), site_ids=["b"])
    assert (report.sites, report.cells) == (1, 1)
    assert {key for key, _ in kinds(world)} == {"b"}


def test_a_new_site_is_begun_with_a_season_of_past_weather(world: World) -> None:
    """The sky begins on 1 April, 30 days back; 92 are asked for."""
    world.add([site("a")], at(TODAY))
    world.cycle.run(at(TODAY))
    assert world.provider.wanted == {key_of(world, site("a")): 92}
    season = world.store.season("a", at(TODAY))
    assert season is not None
    assert season.day == TODAY - DAY
    assert season.account_since["a-rose"] == (FIRST + DAY).isoformat()
    world.cycle.run(at(TODAY + DAY))
    assert world.provider.wanted == {}


def test_after_some_days_down_as_much_past_is_asked_for_as_is_missing(world: World) -> None:
    world.add([site("a"), site("b", 41.0)], at(TODAY))
    world.cycle.run(at(TODAY))
    seasons = world.store.seasons(["a", "b"], at(TODAY))
    sites = {one.id: one for one in world.store.sites()}
    cells = {key: world.cycle._cell(one) for key, one in sites.items()}

    def wanted(days: int) -> set[int]:
        return set(_past_wanted(list(sites.values()), cells, seasons, at(TODAY + days * DAY)).values())

    assert wanted(1) == set()
    assert wanted(4) == {7}
    assert wanted(20) == {22}
    assert wanted(300) == {92}


def test_days_down_are_made_up_for_from_the_past_of_the_weather(world: World, tmp_path: Path) -> None:
    world.add([site("a")], at(TODAY))
    for day in range(16):
        world.cycle.run(at(TODAY + day * DAY))
    steady = world.store.season("a", at(TODAY + 16 * DAY))
    again = open_store(f"sqlite:///{tmp_path / 'again.db'}", create=True)
    other = World(again, Provider(world.provider.truth))
    other.add([site("a")], at(TODAY))
    other.cycle.run(at(TODAY))
    other.cycle.run(at(TODAY + 15 * DAY))
    assert steady is not None
    late = again.season("a", at(TODAY + 16 * DAY))
    assert late is not None
    assert late.species["twospotted"].generations == pytest.approx(steady.species["twospotted"].generations)
    assert late.spell == pytest.approx(steady.spell)
    again.close()


def test_what_a_cycle_assesses_is_what_the_store_gives_back(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stored numbers have six digits: an assessment of the unrounded ones could not be replayed."""
    rng = np.random.default_rng(5)
    noise = rng.normal(0.0, 1.0, len(world.provider.truth))
    world.provider.truth["air_temperature_c"] += noise
    seen: dict[str, Assessment] = {}
    real = assess_site.assess

    def spy(batch: Batch, *rest: Any) -> Any:
        found, states = real(batch, *rest)
        seen.update((one.site_id, one) for one in found)
        return found, states

    world.add([site("a"), site("b", 41.0, materials=("horticultural_oil",))], at(TODAY))
    monkeypatch.setattr(judge_module, "assess", spy)
    for step in range(6):
        now = at(TODAY) + step * 12 * HOUR
        world.cycle.run(now)
        cycled = dict(seen)
        looks = world.outlooks.look(world.store.sites(), now)
        for look in looks:
            assert look.assessment is not None
            _same(asdict(look.assessment), asdict(cycled[look.site.id]))
    early = at(TODAY)
    (then,) = world.outlooks.look([site("a")], early)
    assert then.assessment is not None
    assert then.assessment.made_at == early
    assert then.assessment.fetched_at == early


def _same(one: Any, other: Any) -> None:
    if isinstance(one, dict):
        assert one.keys() == other.keys()
        for key in one:
            _same(one[key], other[key])
    elif isinstance(one, list | tuple):
        assert len(one) == len(other)
        for mine, theirs in zip(one, other, strict=True):
            _same(mine, theirs)
    elif isinstance(one, np.ndarray):
        assert np.array_equal(one, other)
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=1e-9, abs=1e-9, nan_ok=True)
    else:
        assert one == other


def test_a_report_is_good_unless_every_cell_or_every_site_failed() -> None:
    now = at(TODAY)
    assert CycleReport(now).ok
    assert CycleReport(now, sites=2, cells=1, fetched=1, failed_sites={"a": "x"}).ok
    assert not CycleReport(now, sites=1, cells=1, fetched=1, failed_sites={"a": "x"}).ok
    assert not CycleReport(now, sites=1, cells=1, fetched=0).ok
