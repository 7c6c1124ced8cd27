"""Sites that differ in everything, assessed together, are told what they are told alone, in any order."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.assess.batch import SiteWeather, batches
from alertd.assess.chance import prior_skill
from alertd.assess.site import assess
from alertd.catalog.materials import load_materials
from alertd.catalog.plants import load_plants
from alertd.records.assessment import Assessment, SprayWindow
from alertd.records.season import SeasonState
from alertd.records.site import Irrigation, Method, Planting, Profile, Soil
from alertd.records.weather import COLUMNS
from alertd.science.chance import Calibration, ForecastSkill
from tests.benchmarks.invented import NOW, members

MATERIALS, HOSTS = tuple(sorted(load_materials())), tuple(sorted(load_plants()))
Found = dict[str, tuple[Assessment, SeasonState | None]]


def mixed(count: int, seed: int) -> tuple[list[SiteWeather], dict[str, ForecastSkill]]:
    """Return sites with other plants, materials, limits, gaps, seasons and ages of weather."""
    draw = np.random.default_rng(seed)
    made, skills = [], {}
    for i, member in enumerate(members(count)):
        site = replace(
            member.site,
            plantings=tuple(
                Planting(
                    f"p{j}",
                    str(draw.choice(HOSTS)),
                    irrigation=tuple(Irrigation)[int(draw.integers(4))],
                    soil=tuple(Soil)[int(draw.integers(len(Soil)))],
                    planted_on=NOW.date() - dt.timedelta(days=int(draw.integers(5, 300))) if j == 0 else None,
                )
                for j in range(int(draw.integers(0, 5)))
            ),
            materials=tuple(draw.permutation(MATERIALS)[: int(draw.integers(0, 25))].tolist()),
            method=tuple(Method)[int(draw.integers(2))],
            profile=tuple(Profile)[int(draw.integers(2))],
            latitude_deg=float(draw.choice([41.0, -35.0])),
            limits={"heat_block_c": float(draw.choice([26.0, 60.0]))} if i % 5 == 0 else {},
        )
        table = member.weather.table.copy()
        table["air_temperature_c"] += float(draw.choice([0.0, 5.0, -12.0]))
        start = int(draw.integers(0, 400))
        table.iloc[start : start + int(draw.integers(0, 60)), int(draw.integers(0, len(COLUMNS)))] = np.nan
        if i % 7 == 3:
            table = table.iloc[100:350]
        old = dt.timedelta(hours=float(draw.choice([0.0, 5.0, 50.0])))
        season = None if i % 6 == 1 or member.season is None else member.season
        if season is not None and i % 4 == 2:
            later = season.day + dt.timedelta(days=int(draw.integers(-2, 8)))
            season = replace(season, day=later, history=season.history[3:])
        weather = replace(member.weather, table=table, issued_at=NOW - old)
        made.append(SiteWeather(site, weather, season))
        if i % 3 == 0:
            corrected = Calibration(0.2, 0.7, 40) if i % 2 else None
            skills[site.id] = ForecastSkill(prior_skill().errors, corrected, corrected)
    return made, skills


def told(given_: list[SiteWeather], skills: dict[str, ForecastSkill]) -> Found:
    found: Found = {}
    for batch in batches(given_, NOW):
        assessments, seasons = assess(batch, skills)
        of_site = {state.site_id: state for state in seasons}
        found.update((one.site_id, (one, of_site.get(one.site_id))) for one in assessments)
    return found


def close(one: Any, other: Any, path: str) -> None:
    assert type(one) is type(other), path
    if is_dataclass(one):
        for item in fields(one):
            close(getattr(one, item.name), getattr(other, item.name), f"{path}.{item.name}")
    elif isinstance(one, dict):
        assert one.keys() == other.keys(), path
        for key, value in one.items():
            close(value, other[key], f"{path}[{key}]")
    elif isinstance(one, tuple):
        assert len(one) == len(other), path
        for i, (mine, theirs) in enumerate(zip(one, other, strict=True)):
            close(mine, theirs, f"{path}[{i}]")
    elif isinstance(one, np.ndarray):
        assert one.dtype == other.dtype, path
        np.testing.assert_array_equal(one, other, err_msg=path)
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=1e-9, abs=1e-9, nan_ok=True), path
    else:
        assert one == other, path


@settings(max_examples=3)
@given(seed=st.integers(0, 10_000))
def test_order_and_company_change_nothing_of_what_is_told_or_carried(seed: int) -> None:
    made, skills = mixed(14, seed)
    together = told(made, skills)
    order = np.random.default_rng(seed).permutation(len(made)).tolist()
    for site_id, found in told([made[i] for i in order], skills).items():
        close(found, together[site_id], site_id)
    for member in made[::3]:
        close(told([member], skills)[member.site.id], together[member.site.id], member.site.id)


def records(found: Any) -> Iterator[Any]:
    """Yield every record in a record, itself included."""
    if is_dataclass(found):
        yield found
        for item in fields(found):
            yield from records(getattr(found, item.name))
    elif isinstance(found, dict):
        for value in found.values():
            yield from records(value)
    elif isinstance(found, tuple):
        for value in found:
            yield from records(value)


def test_every_record_that_is_told_or_carried_is_one_its_own_constructor_accepts() -> None:
    made, skills = mixed(21, 5)
    kinds = set()
    for pair in told(made, skills).values():
        for one in records(pair):
            again = type(one)(**{item.name: getattr(one, item.name) for item in fields(one)})
            close(one, again, type(one).__name__)
            kinds.add(type(one).__name__)
    assert kinds >= {
        "Assessment", "DayWeather", "MaterialOutlook", "MitePressure", "Part", "SeasonState", "SpeciesSeason",
        "SprayWindow", "WaterStatus",
    }  # fmt: skip


def test_windows_are_in_the_order_of_time_and_of_the_material_they_stand_under() -> None:
    made, skills = mixed(21, 11)
    seen = 0
    for assessment, _ in told(made, skills).values():
        site = next(member.site for member in made if member.site.id == assessment.site_id)
        assert [one.material for one in assessment.materials] == list(site.materials)
        for outlook in assessment.materials:
            windows: tuple[SprayWindow, ...] = outlook.windows
            seen += len(windows)
            assert all(one.material == outlook.material for one in windows)
            ends = [NOW - dt.timedelta(days=1), *(one.end_at for one in windows)]
            assert all(one.start_at > before for before, one in zip(ends, windows, strict=False))
            assert outlook.blocked_until == (windows[0].start_at if windows else None)
            for one in windows:
                first = round((one.start_at - assessment.start_at).total_seconds() / 3600.0)
                assert not outlook.block_bits[first : first + one.hours].any()
                if one.best_start_at is not None:
                    assert one.start_at <= one.best_start_at < one.end_at
                    assert one.chance is not None
                    assert 0.0 < one.chance < 1.0
    assert seen > 100
