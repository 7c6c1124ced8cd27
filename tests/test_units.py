"""Conversions: defined factors, and there and back again without a change."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd import units

PAIRS: list[tuple[Callable[[float], float], Callable[[float], float]]] = [
    (units.celsius_to_fahrenheit, units.fahrenheit_to_celsius),
    (units.m_s_to_mph, units.mph_to_m_s),
    (units.m_s_to_km_h, units.km_h_to_m_s),
    (units.mm_to_inches, units.inches_to_mm),
]
EACH_PAIR = pytest.mark.parametrize(("there", "back"), PAIRS, ids=lambda one: one.__name__)


@EACH_PAIR
@given(value=st.floats(-1e4, 1e4))
def test_there_and_back_again_is_where_it_began(
    there: Callable[[float], float], back: Callable[[float], float], value: float
) -> None:
    assert back(there(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)
    assert there(back(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)


@EACH_PAIR
@given(value=st.floats(-1e4, 1e4), more=st.floats(1e-3, 1e3))
def test_more_is_more_in_every_unit(
    there: Callable[[float], float], back: Callable[[float], float], value: float, more: float
) -> None:
    assert there(value + more) > there(value)
    assert back(value + more) > back(value)


@pytest.mark.parametrize(
    ("found", "defined"),
    # NIST Special Publication 811, Appendix B (from memory), and the International System: defined factors
    [
        (units.celsius_to_fahrenheit(0.0), 32.0), (units.celsius_to_fahrenheit(100.0), 212.0),
        (units.celsius_to_fahrenheit(-40.0), -40.0), (units.degree_days_c_to_f(100.0), 180.0),
        (units.mph_to_m_s(1.0), 0.44704), (units.km_h_to_m_s(3.6), 1.0),
        (units.knots_to_m_s(1.0), 1852.0 / 3600.0), (units.inches_to_mm(1.0), 25.4),
        (units.feet_to_metres(1.0), 0.3048), (units.metres_to_mm(0.25), 250.0),
        (units.pascals_to_hpa(101_325.0), 1013.25), (units.w_m2_to_mj_m2_h(1000.0), 3.6),
    ],
)  # fmt: skip
def test_factors_are_the_defined_ones(found: float, defined: float) -> None:
    assert found == pytest.approx(defined, rel=1e-12)


def test_an_inch_of_mercury_is_the_conventional_one() -> None:
    # 3386.389 Pa, NIST Special Publication 811, Appendix B (from memory)
    assert units.inhg_to_hpa(1.0) == pytest.approx(33.86389, rel=1e-5)
