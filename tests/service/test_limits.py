from __future__ import annotations

import dataclasses

import pytest

from alertd.errors import InputError
from alertd.records.site import Profile, Site
from alertd.service.limits import checked_limits, limit_line, own_limits, with_limit, without_limit
from alertd.units import fahrenheit_to_celsius, mph_to_m_s
from tests.store.builders import make_site

WHY = "label of 2026 allows it"


@pytest.fixture
def site() -> Site:
    return dataclasses.replace(make_site(site_id="s1"), materials=("soap",), limits={})


def test_a_tighter_limit_needs_no_reason_and_may_leave_out_its_unit(site: Site) -> None:
    found = with_limit(site, "Soap", "heat block", "85F")
    assert found.limits == {"soap.heat_block_c": round(fahrenheit_to_celsius(85.0), 4)}
    assert found.limit_reasons == {}
    (own,) = own_limits(found)
    assert not own.looser
    assert limit_line(own) == "heat block 29.44 degC instead of 32.22 degC (soap)"


def test_a_looser_limit_is_refused_without_a_reason_and_kept_with_one(site: Site) -> None:
    with pytest.raises(
        InputError, match=r"heat block 35 degC .* looser than the usual 32.22 degC of soap"
    ) as no:
        with_limit(site, "soap", "heat_block_c", "35")
    assert no.value.field == "limit"
    assert "--reason" in no.value.message
    found = with_limit(site, "soap", "heat_block_c", "35", f"  {WHY}\t now ")
    assert found.limit_reasons == {"soap.heat_block_c": f"{WHY} now"}
    (own,) = own_limits(found)
    assert (own.looser, own.reason, own.usual) == (True, f"{WHY} now", 32.22)


def test_a_limit_for_all_materials_is_looser_if_it_is_for_one(site: Site) -> None:
    with pytest.raises(InputError, match=r"looser than the usual 4\.47 m/s in the default"):
        with_limit(site, "all", "wind_upper_block", "12mph")
    found = with_limit(site, "all", "wind_upper_block", "12 mph", WHY)
    assert found.limits == {"wind_upper_block_m_s": pytest.approx(mph_to_m_s(12.0), abs=1e-4)}
    assert own_limits(found)[0].looser


def test_a_reason_that_will_never_be_shown_is_not_kept_nor_is_that_of_a_former_limit(site: Site) -> None:
    assert with_limit(site, "soap", "heat_block", "29", WHY).limit_reasons == {}
    loose = with_limit(site, "soap", "heat_block", "35", WHY)
    assert with_limit(loose, "soap", "heat_block", "29").limit_reasons == {}
    with pytest.raises(InputError, match="looser"):
        with_limit(loose, "soap", "heat_block", "34")  # a new figure needs its reason anew


def test_what_tightens_one_profile_may_loosen_another(site: Site) -> None:
    found = with_limit(site, "all", "wind_upper_block", "4.2")
    with pytest.raises(InputError, match="in the strict profile"):
        checked_limits(dataclasses.replace(found, profile=Profile.STRICT))
    assert checked_limits(found) is found


def test_a_limit_is_taken_out_with_its_reason(site: Site) -> None:
    loose = with_limit(site, "soap", "heat_block", "35", WHY)
    bare = without_limit(loose, "soap", "heat_block")
    assert (bare.limits, bare.limit_reasons) == ({}, {})
    with pytest.raises(InputError, match="its own: soap heat_block_c"):
        without_limit(loose, "soap", "rain_free")


@pytest.mark.parametrize(
    ("material", "name", "text", "field", "told"),
    [
        ("saop", "heat_block", "29", "material", "did you mean 'soap'"),
        ("soap", "heat_blok", "29", "field", "did you mean 'heat_block'"),
        ("soap", "scale_clock", "2", "field", "is no limit"),
        ("soap", "heat_block", "hot", "value", "a number in c or f"),
        ("soap", "heat_block", "29mph", "value", "a number in c or f"),
        ("soap", "heat_block", "nan", "value", "cannot be read"),
        ("soap", "heat_block", "85", "value", "keep it within 10 degC to 45 degC"),
        ("soap", "season_max", "0", "value", "keep it within 1 to 20"),
        ("all", "wind_upper_block", "-1", "value", "keep it within 0 m/s to 20 m/s"),
        ("all", "sulfur_oil_gap", "3", "limit", "no source allows less"),
    ],
)
def test_what_cannot_be_is_refused_by_field_with_the_fix(
    site: Site, material: str, name: str, text: str, field: str, told: str
) -> None:
    with pytest.raises(InputError, match=told) as refused:
        with_limit(site, material, name, text)
    assert refused.value.field == field


@pytest.mark.parametrize("reason", ["why not", "x" * 161, "two\x00lines of words"])
def test_a_reason_is_one_line_that_says_something(site: Site, reason: str) -> None:
    with pytest.raises(InputError, match="one line") as refused:
        with_limit(site, "soap", "heat_block", "35", reason)
    assert refused.value.field == "reason"


def test_a_difference_in_fahrenheit_is_read_without_the_offset(site: Site) -> None:
    found = with_limit(site, "all", "wet_bulb_depression_block", "9F")
    assert found.limits == {"wet_bulb_depression_block_c": 5.0}


def test_a_kept_limit_that_is_no_limit_is_told_as_it_stands() -> None:
    (own,) = own_limits(make_site())
    assert (own.words, own.looser, own.usual) == ("wind_max_m_s 3.5", False, None)
