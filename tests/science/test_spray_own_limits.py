from __future__ import annotations

import pytest

from alertd.catalog.materials import load_materials
from alertd.science.spray import figure_of, rules_for
from alertd.science.spray_own_limits import amount, limit_key, limit_words, loosened_words, settable, usual
from alertd.science.spray_rules import SIGNS


def test_everything_that_may_be_overridden_has_bounds_and_the_yardsticks_have_none() -> None:
    assert set(settable()) == {name for name in SIGNS if not name.startswith("scale_")}
    assert len({limit_key(name) for name in settable()}) == len(settable())


@pytest.mark.parametrize("profile", ["default", "strict"])
def test_every_figure_of_the_catalog_lies_within_the_bounds_and_has_their_unit(profile: str) -> None:
    for name, bounds in settable().items():
        for material in load_materials():
            figure = figure_of(name, material, profile)
            if figure is not None:
                assert bounds.low <= float(figure) <= bounds.high, (name, material)
                assert figure.unit == bounds.unit, name


def test_a_difference_of_temperatures_is_not_told_as_a_temperature() -> None:
    assert amount("heat_block_c", 29.444) == "29.44 degC"
    assert amount("wet_bulb_depression_block_c", 10.0) == "10 Celsius degrees"
    assert amount("inversion_override_ceiling_m", 10000.0) == "10000 m"
    assert limit_words("rain_free_h", 24.0) == "rain free 24 hours"


def test_what_materials_agree_on_has_one_usual_figure_and_the_rest_has_none() -> None:
    assert usual("wind_upper_block_m_s", "", "default") == figure_of("wind_upper_block_m_s", "soap").value  # type: ignore[union-attr]
    assert usual("heat_block_c", "", "default") is None
    assert usual("heat_block_c", "soap", "default") == figure_of("heat_block_c", "soap").value  # type: ignore[union-attr]


def test_a_looser_limit_is_told_with_the_usual_one_and_its_reason() -> None:
    rules = rules_for(
        "soap",
        overrides={"soap.heat_block_c": 35.0, "wind_upper_block_m_s": 3.0},
        reasons={"soap.heat_block_c": "label of 2026"},
    )
    assert loosened_words(rules) == ("heat block 35 degC instead of 32.22 degC (label of 2026)",)
    assert loosened_words(rules_for("soap")) == ()
