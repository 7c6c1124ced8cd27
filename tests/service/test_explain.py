"""Explanations say what was decided: the same bits, the same numbers, each with its source."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.catalog.limits import load_limits
from alertd.catalog.pressure import load_pressure
from alertd.catalog.species import load_species
from alertd.errors import InputError, WeatherUnavailable
from alertd.records.assessment import Level
from alertd.records.site import Method, Profile, Site
from alertd.science.spray import Reason, reasons_in
from alertd.service.explain import ORDER, GateState, HourExplanation, Scene, explain_hour, scene_at
from alertd.service.explain_site import explain_site
from tests.service.archive import DAY, HOUR, SIZE_DEG, START, Archive, issue, make_site, weather_of_days

NOW = START + 12 * DAY + 6 * HOUR
MATERIALS = ("soap", "horticultural_oil", "water_spray", "sulfur")
SITE = make_site(materials=MATERIALS)


def scene_of(truth: pd.DataFrame, site: Site = SITE) -> Scene:
    return scene_at(Archive([issue(truth, NOW, site)]), SIZE_DEG, site, NOW)


def invented_weather(seed: int) -> pd.DataFrame:
    """Twenty-five days round every limit, with gaps."""
    draw = np.random.default_rng(seed)
    truth = weather_of_days(25)
    hours = len(truth)
    truth["air_temperature_c"] = np.round(truth["air_temperature_c"] + draw.uniform(-18.0, 14.0), 1)
    truth["dew_point_c"] = np.round(truth["air_temperature_c"] - draw.uniform(0.5, 18.0, hours), 1)
    truth["wind_speed_m_s"] = np.round(draw.gamma(3.0, 0.9, hours), 1)
    truth["wind_gust_m_s"] = np.round(truth["wind_speed_m_s"] * 1.6, 1)
    truth["precipitation_mm"] = np.where(draw.random(hours) < 0.02, 2.0, 0.0)
    truth["precipitation_probability_pct"] = draw.integers(0, 55, hours)
    truth["cloud_cover_pct"] = draw.integers(0, 100, hours)
    for column in ("wind_speed_m_s", "air_temperature_c"):
        truth.loc[draw.random(hours) < 0.002, column] = np.nan
    return truth


def bits_of(scene: Scene, material: str, place: int) -> tuple[int, int]:
    outlook = next(one for one in scene.assessment.materials if one.material == material)
    return int(outlook.block_bits[place]), int(outlook.caution_bits[place])


def names(found: HourExplanation, state: GateState) -> set[str]:
    return {gate.reason for gate in found.gates if gate.state is state}


@settings(max_examples=12)
@given(
    seed=st.integers(0, 10_000),
    profile=st.sampled_from(Profile),
    method=st.sampled_from(Method),
    places=st.lists(st.integers(0, 167), min_size=3, max_size=6),
)
def test_an_explanation_names_exactly_the_reasons_of_the_bits_and_its_margins_agree(
    seed: int, profile: Profile, method: Method, places: list[int]
) -> None:
    site = make_site(materials=MATERIALS, profile=profile, method=method)
    scene = scene_of(invented_weather(seed), site)
    for place in places:
        for material in MATERIALS:
            found = explain_hour(scene, material, scene.assessment.start_at + place * HOUR)
            blocks, cautions = bits_of(scene, material, place)
            assert names(found, GateState.CLOSED) == {str(r.name).lower() for r in reasons_in(blocks)}
            assert names(found, GateState.CAUTION) == {str(r.name).lower() for r in reasons_in(cautions)}
            assert found.is_open == (blocks == 0)
            _margins_agree(found)


def _margins_agree(found: HourExplanation) -> None:
    """A gate is closed if and only if one of its blocking numbers lies beyond its limit."""
    for gate in found.gates:
        margins = [
            test.margin <= 0.0 if test.side in ("below", "above") else test.margin < 0.0
            for test in gate.tests
            if test.blocks and test.margin is not None
        ]
        if gate.state is GateState.CLOSED and margins:
            assert any(margins), gate
        if gate.state is GateState.NO_BLOCK and gate.reason != "inversion_clock":
            assert not any(margins), gate


def test_every_reason_is_told_and_in_the_order_of_deciding() -> None:
    found = explain_hour(scene_of(weather_of_days(25)), "soap", NOW)
    assert {gate.reason for gate in found.gates} == {str(reason.name).lower() for reason in Reason}
    groups = list(dict.fromkeys(gate.group for gate in found.gates))
    assert groups[: len(ORDER)] == [group for group, _ in ORDER]


def test_a_hand_worked_hour_shows_its_input_limit_source_and_margin() -> None:
    # 5.0 m/s against the 10 mph (4.4704 m/s) of the catalog: 0.5296 m/s too much
    found = explain_hour(scene_of(weather_of_days(25, wind_speed_m_s=5.0)), "soap", NOW + 5 * HOUR)
    gate = next(gate for gate in found.gates if gate.reason == "wind_high")
    assert gate.state is GateState.CLOSED
    test = gate.tests[0]
    figure = load_limits()["default"].wind_upper_block
    assert (test.value, test.limit.value, test.limit.source) == (5.0, float(figure), figure.source)
    assert test.margin == pytest.approx(4.4704 - 5.0)
    assert test.limit.status == "published"


def test_a_limit_set_for_the_site_says_so() -> None:
    site = make_site(materials=("soap",), limits={"wind_upper_block_m_s": 3.0})
    found = explain_hour(scene_of(weather_of_days(25), site), "soap", NOW)
    test = next(gate for gate in found.gates if gate.reason == "wind_high").tests[0]
    assert test.limit.value == 3.0
    assert test.limit.status == "site's own"
    assert "4.4704" in test.limit.source or "4.47" in test.limit.source


def test_water_is_not_asked_what_only_a_material_is_asked() -> None:
    found = explain_hour(scene_of(weather_of_days(25)), "water_spray", NOW)
    asked = names(found, GateState.NOT_ASKED)
    assert {"heat", "drought", "rain_ahead", "inversion_clock"} <= asked
    assert "wind_high" not in asked


def test_a_missing_value_is_named() -> None:
    truth = weather_of_days(25)
    truth.loc[truth.index == pd.Timestamp(NOW + 4 * HOUR), "cloud_cover_pct"] = np.nan
    found = explain_hour(scene_of(truth), "soap", NOW + 4 * HOUR)
    gate = next(gate for gate in found.gates if gate.reason == "missing_weather")
    assert gate.state is GateState.CLOSED
    assert "cloud_cover_pct" in gate.notes[0]


def test_an_open_hour_tells_its_window_and_the_chance_of_it() -> None:
    scene = scene_of(weather_of_days(25))
    window = next(one for one in scene.assessment.materials if one.material == "soap").windows[0]
    found = explain_hour(scene, "soap", window.start_at)
    assert found.is_open
    assert found.window == window
    assert found.window.chance is not None


@pytest.mark.parametrize("hours", [-1, 400])
def test_an_hour_that_was_not_judged_is_refused(hours: int) -> None:
    with pytest.raises(InputError, match="hour"):
        explain_hour(scene_of(weather_of_days(25)), "soap", NOW + hours * HOUR)


def test_a_material_that_is_not_chosen_is_refused() -> None:
    with pytest.raises(InputError, match="not chosen"):
        explain_hour(scene_of(weather_of_days(25)), "abamectin", NOW)


def test_a_site_without_weather_is_told_apart_from_one_without_reasons() -> None:
    with pytest.raises(WeatherUnavailable, match="alertd cycle"):
        scene_at(Archive(), SIZE_DEG, SITE, NOW)


def hot_weather() -> pd.DataFrame:
    truth = weather_of_days(25)
    truth["air_temperature_c"] += 8.0
    return truth


def test_the_pressure_is_that_of_the_outlook_with_parts_that_add_up() -> None:
    scene = scene_of(hot_weather())
    found = explain_site(scene)
    assert {one.species: one.score for one in found.pressures} == {
        one.species: one.score for one in scene.assessment.pressures
    }
    for one in found.pressures:
        assert sum(part.points for part in one.parts) == pytest.approx(one.score, abs=1e-6)
        assert len(one.days) == 14
        assert one.days[-1].day == dt.date(2026, 6, 13)


def test_every_figure_of_an_explanation_has_a_source() -> None:
    found = explain_site(scene_of(hot_weather()))
    figures = [figure for one in (*found.pressures, *found.water) for figure in one.figures]
    figures += [step.limit for spell in found.spells for step in spell.steps]
    assert len(figures) > 50
    assert all(figure.source and figure.status for figure in figures)
    named = {figure.name: figure.value for figure in found.pressures[0].figures}
    assert named["pressure.heat.points"] == float(load_pressure().heat.points)
    assert "season.base_c" in named
    assert load_species()[found.pressures[0].species].common_name == found.pressures[0].name


@given(warmer=st.floats(0.0, 14.0), rain=st.sampled_from([0.0, 0.05, 0.3]), dew=st.floats(-5.0, 20.0))
@settings(max_examples=10)
def test_the_figures_of_the_steps_give_the_level_that_was_decided(
    warmer: float, rain: float, dew: float
) -> None:
    truth = weather_of_days(25, precipitation_mm=rain, dew_point_c=dew)
    truth["air_temperature_c"] += warmer
    for one in explain_site(scene_of(truth)).spells:
        holds = {(step.step, place): bool(step.holds) for place, step in enumerate(one.steps)}
        told = list(holds.values())
        watch = told[0] and told[1]
        high = ((told[2] and told[3]) or (told[4] and told[5])) and told[6]
        severe = told[7] and told[8] and told[9] and told[0]
        level = "severe" if severe else "high" if high else "watch" if watch else "none"
        assert one.level == level


def test_a_spell_names_the_step_and_the_day_on_which_it_holds() -> None:
    scene = scene_of(hot_weather())
    found = explain_site(scene).spells[0]
    assert found.spell == scene.assessment.spells[0]
    assert found.spell.level > Level.NONE
    assert found.level == found.spell.trigger


def test_the_water_account_is_that_of_the_outlook() -> None:
    scene = scene_of(hot_weather())
    for one, status in zip(explain_site(scene).water, scene.assessment.water, strict=True):
        assert one.status == status
        assert one.days[-1].evapotranspiration_mm is not None
        assert {"available water of the soil", "root depth", "plant factor"} <= {f.name for f in one.figures}


def test_the_chance_says_what_it_rests_on() -> None:
    found = {one.quantity: one for one in explain_site(scene_of(weather_of_days(25))).chances}
    assert found["air_temperature_c"].status == "from memory"
    assert not any(found["air_temperature_c"].verified_days)


def test_explaining_changes_nothing() -> None:
    def told(**changes: Any) -> HourExplanation:
        return explain_hour(scene_of(weather_of_days(25, **changes)), "soap", NOW + 4 * HOUR)

    first, second = told(), told()
    assert first.gates == second.gates
